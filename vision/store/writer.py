"""Write one play into the season: replace what an earlier run said about it, keep what a person said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import duckdb

from vision.store import corrections
from vision.store.columns import PLAY_TABLES
from vision.store.connect import add_columns, quoted
from vision.store.rows import Rows, as_rows, checked
from vision.trouble import StoreTrouble


def write_play(
    db: duckdb.DuckDBPyConnection,
    clip_meta: Mapping[str, Any] | Sequence[Mapping[str, Any]],
    tables: Mapping[str, Rows],
    run_id: str | None = None,
) -> None:
    """Store one play inside the caller's transaction (call it as `Season(path).write_play(...)`).

    clip_meta: one dict, or one per view, with columns of `clips`: clip_id, path, view ('sideline' or
        'endzone'), width_px, height_px, fps_num, fps_den, frames, start_s, end_s, status ('done',
        'look' = a person should look, 'partial' = film damaged), reason; and game_id, play_number,
        film_key (from `film_key(path, settings)`: the batch skips it next time).
    tables: name -> rows (list of dicts, Arrow table or DataFrame) for any of plays (exactly one row),
        cameras, tracks, players, routes, matchups, drops, with the columns of the export contract.
        play_id may be left out of rows: it is taken from the `plays` row; clip_id of cameras and tracks
        may be left out when there is one clip. Missing columns and NaN are stored as blank; other plain
        columns are stored as well. Aliases: snap_s_source = snap_source, and so on.

    A second call for the same play_id replaces it; corrections made by a person are put on top again.
    Raises StoreTrouble (nothing is stored) for missing ids, unknown words, values that do not fit.
    """
    metas = [dict(clip_meta)] if isinstance(clip_meta, Mapping) else [dict(m) for m in clip_meta]
    records = {name: as_rows(rows) for name, rows in tables.items()}
    unknown = set(records) - set(PLAY_TABLES) - {"cameras"}
    if unknown:
        raise StoreTrouble(
            f"no table named {', '.join(sorted(unknown))}", f"tables: cameras, {', '.join(PLAY_TABLES)}"
        )
    plays = records.get("plays", [])
    if len(plays) != 1:
        raise StoreTrouble(f"write_play takes exactly one row of plays, found {len(plays)}")
    play_id = plays[0].get("play_id") or (metas[0].get("play_id") if metas else None)
    if not play_id:
        raise StoreTrouble("plays: play_id is blank", "give every play an id")
    _fill(metas, records, str(play_id), run_id)
    _delete(db, str(play_id), metas, records.get("cameras", []))
    _insert(db, "clips", metas)
    for name, rows in records.items():
        _insert(db, name, rows)
    corrections.reapply(db, str(play_id))


def _fill(
    metas: list[dict[str, Any]], records: dict[str, list[dict[str, Any]]], play_id: str, run_id: str | None
) -> None:
    """Put the ids of the play, the clip and the run where they were left out."""
    play = records["plays"][0]
    for meta in metas:
        meta["play_id"] = play_id
        meta.setdefault("status", "done")
        for key in ("game_id", "play_number"):
            if meta.get(key) is not None and play.get(key) is None:
                play[key] = meta[key]
    for name, rows in records.items():
        for row in rows:
            if name != "cameras":
                if row.get("play_id") not in (None, play_id):
                    raise StoreTrouble(
                        f"{name}: a row of play {row['play_id']} among those of {play_id}",
                        "write one play at a time",
                    )
                row["play_id"] = play_id
            if (
                name in ("cameras", "tracks", "loose_boxes")
                and row.get("clip_id") is None
                and len(metas) == 1
            ):
                row["clip_id"] = metas[0].get("clip_id")
            if run_id and name in ("plays", "players", "routes", "matchups", "drops"):
                row["run_id"] = run_id
    for meta in metas:
        if run_id:
            meta["run_id"] = run_id


def _delete(
    db: duckdb.DuckDBPyConnection, play_id: str, metas: list[dict[str, Any]], cameras: list[dict[str, Any]]
) -> None:
    for table in (*PLAY_TABLES, "clips"):
        db.execute(f"DELETE FROM {table} WHERE play_id = ?", [play_id])
    for meta in metas:
        clip_id = meta.get("clip_id")
        db.execute("DELETE FROM clips WHERE clip_id = ? AND status = 'failed'", [clip_id])
        frames = [row["frame"] for row in cameras if row.get("clip_id") == clip_id]
        others = db.execute("SELECT count(*) FROM clips WHERE clip_id = ?", [clip_id]).fetchone()
        if others and others[0] and frames:  # a reel: only this play's stretch of it
            db.execute(
                "DELETE FROM cameras WHERE clip_id = ? AND frame BETWEEN ? AND ?",
                [clip_id, min(frames), max(frames)],
            )
        elif not (others and others[0]):
            db.execute("DELETE FROM cameras WHERE clip_id = ?", [clip_id])


def _insert(db: duckdb.DuckDBPyConnection, table: str, rows: Sequence[Mapping[str, Any]]) -> None:
    if not rows:
        return
    data, extra = checked(table, rows)
    if extra:
        add_columns(db, table, extra)
    columns = ", ".join(map(quoted, data.column_names))
    db.register("incoming_rows", data)
    try:
        db.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM incoming_rows")
    finally:
        db.unregister("incoming_rows")


def write_failure(
    db: duckdb.DuckDBPyConnection, clip_meta: Mapping[str, Any], reason: str, run_id: str | None
) -> None:
    """Store status 'failed' and the reason for a clip; if a play of that clip is stored already, only its
    reason is marked, nothing is removed."""
    meta = dict(clip_meta)
    clip_id = meta.get("clip_id")
    if not clip_id:
        raise StoreTrouble("clips: clip_id is blank", "give every clip an id")
    stored = db.execute(
        "SELECT count(*) FROM clips WHERE clip_id = ? AND status <> 'failed'", [clip_id]
    ).fetchone()
    if stored and stored[0]:
        db.execute(
            "UPDATE clips SET reason = ? WHERE clip_id = ?", [f"a later run failed: {reason}", clip_id]
        )
        return
    db.execute("DELETE FROM clips WHERE clip_id = ?", [clip_id])
    meta.update(status="failed", reason=reason, run_id=run_id)
    _insert(db, "clips", [meta])
