"""The season: everything known about its plays, in one file that a batch can write and a coach can ask."""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from vision.store import corrections as _corrections
from vision.store import writer as _writer
from vision.store.columns import TABLES, names
from vision.store.connect import quoted, reading, time_limit, writing
from vision.store.game_calls import read_again
from vision.store.rows import Rows, as_rows, plain_frame
from vision.trouble import StoreTrouble


class Season:
    """One season file. Making the object touches nothing; the first write creates the file.

    Safe with several processes: each call opens the file, does its work in one transaction and lets go.
    """

    def __init__(self, path: str | Path, wait_s: float = 60.0) -> None:
        self.path = Path(path)
        self.wait_s = wait_s

    # ---- writing -------------------------------------------------------------------------------------

    def start_run(
        self, settings: Mapping[str, Any], weights: Mapping[str, str] | None = None, code_version: str = ""
    ) -> str:
        """Record one run (settings, weights' hashes, code version); returns its run_id."""
        run_id = uuid.uuid4().hex[:12]
        with writing(self.path, self.wait_s) as db:
            db.execute(
                "INSERT INTO runs VALUES (?, ?, NULL, ?, ?, ?)",
                [
                    run_id,
                    datetime.now(),
                    code_version,
                    json.dumps(dict(settings), default=str),
                    json.dumps(dict(weights or {})),
                ],
            )
        return run_id

    def finish_run(self, run_id: str) -> None:
        """Mark a run as ended in order."""
        with writing(self.path, self.wait_s) as db:
            db.execute("UPDATE runs SET finished = ? WHERE run_id = ?", [datetime.now(), run_id])

    def write_play(
        self,
        clip_meta: Mapping[str, Any] | Sequence[Mapping[str, Any]],
        tables: Mapping[str, Rows],
        run_id: str | None = None,
    ) -> None:
        """Store one analysed play, all of it or nothing; see `vision.store.writer.write_play`."""
        metas = [clip_meta] if isinstance(clip_meta, Mapping) else list(clip_meta)
        with writing(self.path, self.wait_s) as db:
            _writer.write_play(db, [self._portable(m) for m in metas], tables, run_id)

    def read_game_again(self, game_id: str, threshold: float) -> int:
        """Name a game's routes and combinations with what its plays, and the same offense's other games,
        say of one another; returns on how many plays a name is another now. Other games keep their names.
        See `vision.store.game_calls.read_again`."""
        with writing(self.path, self.wait_s) as db:
            return read_again(db, game_id, threshold)

    def write_failure(self, clip_meta: Mapping[str, Any], reason: str, run_id: str | None = None) -> None:
        """Note that a clip could not be done and why; what an earlier run stored from it stays."""
        with writing(self.path, self.wait_s) as db:
            _writer.write_failure(db, self._portable(clip_meta), reason, run_id)

    def _portable(self, clip_meta: Mapping[str, Any]) -> dict[str, Any]:
        """The clip's row with its path told from the season's folder, so that both can move together; a
        path that is no file from here is kept as it is."""
        row = dict(clip_meta)
        path = row.get("path")
        if path and Path(str(path)).is_file():
            try:
                row["path"] = Path(
                    os.path.relpath(Path(str(path)).resolve(), self.path.resolve().parent)
                ).as_posix()
            except ValueError:  # another drive
                row["path"] = str(Path(str(path)).resolve())
        return row

    def write_roster(self, rows: Rows) -> int:
        """Replace the rosters of the teams named in `rows` (team, jersey, name, position)."""
        records = as_rows(rows)
        with writing(self.path, self.wait_s) as db:
            for team in {row.get("team") for row in records}:
                db.execute("DELETE FROM roster WHERE team IS NOT DISTINCT FROM ?", [team])
            for row in records:
                db.execute(
                    "INSERT INTO roster VALUES (?, ?, ?, ?)",
                    [row.get("team"), row.get("jersey"), row.get("name"), row.get("position")],
                )
        return len(records)

    def set_fact(self, name: str, value: str) -> None:
        """Store one fact of the season (standard, team names, ...)."""
        with writing(self.path, self.wait_s) as db:
            db.execute("INSERT OR REPLACE INTO season_facts VALUES (?, ?)", [name, value])

    # ---- what is done --------------------------------------------------------------------------------

    def finished_keys(self) -> set[str]:
        """Film keys (see `film_key`) whose play is stored: a resumed batch skips these."""
        if not self.path.exists():
            return set()
        with reading(self.path, self.wait_s) as db:
            return {
                row[0]
                for row in db.execute(
                    "SELECT DISTINCT film_key FROM clips WHERE film_key IS NOT NULL AND status <> 'failed'"
                ).fetchall()
            }

    def clip_report(self) -> pd.DataFrame:
        """One row per clip and play: clip_id, play_id, path, view, status, reason, look, look_reason."""
        return self.frame("clip_report")

    # ---- corrections ---------------------------------------------------------------------------------

    def correct(
        self, play_id: str, what: str, after: Any, who: str = "", player_id: str | None = None
    ) -> dict[str, Any]:
        """Change one value as a person; returns the correction's row. See `vision.store.corrections`."""
        with self.correcting() as correct:
            return correct(play_id, what, after, who, player_id)

    @contextmanager
    def correcting(self) -> Iterator[Callable[..., dict[str, Any]]]:
        """Many corrections in one write: yields a function with the arguments of `correct`. What follows from
        them is renewed once, at the end; the season keeps all of them or, if the block fails, none."""
        with writing(self.path, self.wait_s) as db:
            rows: list[dict[str, Any]] = []

            def correct(
                play_id: str, what: str, after: Any, who: str = "", player_id: str | None = None
            ) -> dict[str, Any]:
                rows.append(_corrections.add(db, play_id, what, after, who, player_id))
                return rows[-1]

            yield correct
            _corrections.follow(db, rows)

    def withdraw(self, correction_id: int) -> None:
        """Take a correction back; the program's own value returns."""
        with writing(self.path, self.wait_s) as db:
            _corrections.withdraw(db, correction_id)

    def corrections(self, play_id: str | None = None) -> pd.DataFrame:
        """All corrections in force or waiting, oldest first; of one play when named."""
        data = self.table("corrections")
        data = data[data["state"] != "withdrawn"].sort_values("correction_id", ignore_index=True)
        return data if play_id is None else data[data["play_id"] == play_id].reset_index(drop=True)

    def corrected_moments(self, play_id: str) -> dict[str, float]:
        """Moments of a play set by a person, {'snap': s, 'throw': s, ...} on the clock of its first clip (or
        its table): what a new analysis should start from instead of finding them itself."""
        if not self.path.exists():
            return {}
        out = {}
        for row in self.corrections(play_id).itertuples():
            name = str(row.what).removeprefix("plays.").removesuffix("_s")
            if row.what == f"plays.{name}_s" and name in ("snap", "throw", "arrival", "end") and row.after:
                out[name] = float(row.after)
        return out

    # ---- reading -------------------------------------------------------------------------------------

    def facts(self) -> dict[str, str]:
        """Season facts, schema_version among them."""
        with reading(self.path, self.wait_s) as db:
            return dict(db.execute("SELECT name, value FROM season_facts").fetchall())

    def table(self, table: str, play_ids: Iterable[str] | None = None) -> pd.DataFrame:
        """A whole table of the store (see `columns.TABLES`; also roster, runs), or its rows of some plays."""
        if table not in TABLES and table not in ("roster", "runs", "sheet_rows"):
            raise StoreTrouble(f"there is no table {table!r}", f"tables: {', '.join(TABLES)}")
        return self.frame(table, play_ids)

    def frame(self, view: str, play_ids: Iterable[str] | None = None) -> pd.DataFrame:
        """A table or one of the views in `views.sql`, as a DataFrame."""
        with reading(self.path, self.wait_s) as db:
            if play_ids is None:
                return plain_frame(db.execute(f"SELECT * FROM {quoted(view)}").df())
            wanted = list(play_ids)
            found = db.execute(
                f"SELECT * FROM {quoted(view)} WHERE play_id IN (SELECT unnest(?::VARCHAR[]))", [wanted]
            )
            return plain_frame(found.df())

    def query(self, sql: str, limit_s: float = 20.0, most_rows: int = 100_000) -> pd.DataFrame:
        """Run free SQL read-only, without reach to other files, at most `limit_s` seconds."""
        with reading(self.path, self.wait_s, guarded=True) as db:
            try:
                with time_limit(db, limit_s):
                    return plain_frame(db.execute(sql).df().head(most_rows))
            except duckdb.InterruptException:
                raise StoreTrouble(
                    f"the SQL ran longer than {limit_s:g} s and was stopped", "ask for less"
                ) from None
            except duckdb.Error as error:
                lines = [line for line in str(error).splitlines() if line.strip()]
                raise StoreTrouble(
                    f"SQL: {lines[0]}",
                    f"tables: {', '.join(TABLES)}; views: receivers, defenders, coverage, clip_report",
                ) from None

    def export_table(self, table: str, path: str | Path, kind: str = "parquet") -> int:
        """Write one table as Parquet or CSV: the promised columns first, then added ones that hold
        anything; returns the number of rows. The file appears under its name only when whole."""
        path = Path(path)
        part = path.with_name(f".{path.name}.part")
        with reading(self.path, self.wait_s) as db:
            columns = list(names(table, exported=True))
            have = [row[0] for row in db.execute(f"DESCRIBE {table}").fetchall()]
            for name in have:
                if name in columns or name in ("before_row", "anchor_x_field_yd", "anchor_y_field_yd"):
                    continue
                row = db.execute(f"SELECT count({quoted(name)}) FROM {table}").fetchone()
                if row and row[0]:
                    columns.append(name)
            chosen = ", ".join(map(quoted, columns))
            form = "FORMAT parquet, COMPRESSION zstd" if kind == "parquet" else "FORMAT csv, HEADER"
            order = ", ".join(
                quoted(c) for c in ("play_id", "clip_id", "player_id", "receiver_id", "frame") if c in have
            )
            where = "WHERE state IS DISTINCT FROM 'withdrawn'" if table == "corrections" else ""
            target = str(part).replace("'", "''")
            db.execute(
                f"COPY (SELECT {chosen} FROM {table} {where} ORDER BY {order or chosen}) "
                f"TO '{target}' ({form})"
            )
            part.replace(path)
            row = db.execute(f"SELECT count(*) FROM {table} {where}").fetchone()
            return int(row[0]) if row else 0
