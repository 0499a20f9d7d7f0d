"""What a person changed: kept apart, put on top again after every new analysis, never overwritten.

`what` names the value as `table.column`, for tables with one row per player followed by `/player_id`:
`plays.snap_s`, `routes.route/O3`, `players.role/D7`. A correction about a player remembers where he stood at
the snap. When a new analysis numbers the players anew, it is put on the man of the same team nearest to that
place (within 1.5 yd); when there is none it waits (state 'waiting') and is listed, not lost.
State: applied, waiting, withdrawn. `before` is the program's own value, renewed at each new analysis.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

import duckdb

from vision.store.columns import ALLOWED, TABLES
from vision.store.connect import quoted
from vision.store.derived import renew_combinations
from vision.store.rows import SQL_TYPE
from vision.trouble import StoreTrouble

CORRECTABLE = ("plays", "players", "routes", "drops")
NOT_CORRECTABLE = ("play_id", "player_id", "run_id", "game_id")
SAME_PLACE_YD = 1.5
ROUTE = ("routes", "route")
"""what the sides' combinations follow from"""

Db = duckdb.DuckDBPyConnection


def add(db: Db, play_id: str, what: str, after: Any, who: str, player_id: str | None) -> dict[str, Any]:
    """Check, store and apply one correction; returns its row. Raises StoreTrouble for an unknown play,
    player, column or word, naming what would fit. The combinations are left for `follow`."""
    table, column, named = _parse(what)
    player = named or player_id
    if not _one(db, "SELECT count(*) FROM plays WHERE play_id = ?", [play_id]):
        raise StoreTrouble(
            f"there is no play {play_id!r} in this season",
            _nearest(play_id, _column(db, "SELECT play_id FROM plays")),
        )
    if table != "plays":
        ids = _column(db, f"SELECT DISTINCT player_id FROM {table} WHERE play_id = ?", [play_id])
        if player not in ids:
            raise StoreTrouble(
                f"play {play_id}: no player {player!r} in {table}", f"players there: {', '.join(sorted(ids))}"
            )
        what = f"{table}.{column}/{player}"
    text = None if after is None or str(after).strip() == "" else str(after).strip()
    _check_value(db, table, column, text)
    place = _place(db, play_id, player) if player else (None, None)
    standing = db.execute(
        "SELECT before, before_row FROM corrections WHERE play_id = ? AND what = ? AND state <> 'withdrawn'",
        [play_id, what],
    ).fetchone()
    before, before_row = standing or _current(db, table, column, play_id, player)
    db.execute("UPDATE corrections SET state = 'withdrawn' WHERE play_id = ? AND what = ?", [play_id, what])
    number = int(_one(db, "SELECT coalesce(max(correction_id), 0) + 1 FROM corrections") or 1)
    row = {
        "play_id": play_id,
        "what": what,
        "before": before,
        "after": text,
        "who": who or None,
        "when": datetime.now(),
        "correction_id": number,
        "state": "applied",
        "player_id": player,
        "anchor_x_field_yd": place[0],
        "anchor_y_field_yd": place[1],
        "before_row": before_row,
    }
    columns = ", ".join(map(quoted, row))
    marks = ", ".join("?" * len(row))
    db.execute(f"INSERT INTO corrections ({columns}) VALUES ({marks})", list(row.values()))
    _set(db, table, column, play_id, player, text)
    return row


def follow(db: Db, rows: Iterable[Mapping[str, Any]]) -> None:
    """Renew what follows from corrections (rows of `add`): combinations from routes."""
    renew_combinations(db, [r["play_id"] for r in rows if _parse(r["what"])[:2] == ROUTE])


def withdraw(db: Db, correction_id: int) -> None:
    """Put the program's own value back. Raises StoreTrouble when there is no such correction."""
    row = db.execute(
        "SELECT play_id, what, before_row, player_id FROM corrections WHERE correction_id = ? "
        "AND state <> 'withdrawn'",
        [correction_id],
    ).fetchone()
    if row is None:
        raise StoreTrouble(f"there is no correction number {correction_id}", "list them with `corrections`")
    play_id, what, before_row, player = row
    table, column, _ = _parse(what)
    db.execute("UPDATE corrections SET state = 'withdrawn' WHERE correction_id = ?", [correction_id])
    where, values = _where(play_id, player)
    for name, text in json.loads(before_row or "{}").items():
        db.execute(
            f"UPDATE {table} SET {quoted(name)} = CAST(? AS {_sql_type(table, name)}) WHERE {where}",
            [text, *values],
        )
    _renew_time_to_throw(db, table, column, play_id)
    if (table, column) == ROUTE:
        renew_combinations(db, [play_id])


def reapply(db: Db, play_id: str) -> None:
    """Put all corrections of a play on its new rows; called inside the write of the play."""
    rows = db.execute(
        "SELECT correction_id, what, after, player_id, anchor_x_field_yd, anchor_y_field_yd FROM corrections "
        "WHERE play_id = ? AND state <> 'withdrawn' ORDER BY correction_id",
        [play_id],
    ).fetchall()
    renew = False
    for number, what, after, player, x, y in rows:
        table, column, _ = _parse(what)
        if player is not None:
            player = _same_man(db, play_id, table, player, x, y)
            if player is None:
                db.execute("UPDATE corrections SET state = 'waiting' WHERE correction_id = ?", [number])
                continue
        before, before_row = _current(db, table, column, play_id, player)
        db.execute(
            "UPDATE corrections SET state = 'applied', before = ?, before_row = ?, player_id = ? "
            "WHERE correction_id = ?",
            [before, before_row, player, number],
        )
        _set(db, table, column, play_id, player, after)
        renew |= (table, column) == ROUTE
    if renew:
        renew_combinations(db, [play_id])


def _parse(what: str) -> tuple[str, str, str | None]:
    target, _, player = what.partition("/")
    table, _, column = target.partition(".")
    columns = [name for name, _ in TABLES.get(table, ()) if name not in NOT_CORRECTABLE]
    if table not in CORRECTABLE:
        raise StoreTrouble(
            f"{what!r} cannot be corrected", f"one of {', '.join(CORRECTABLE)}, a dot, a column"
        )
    if column not in columns:
        raise StoreTrouble(f"{table} has no column {column!r} to correct", _nearest(column, columns))
    return table, column, player or None


def _nearest(word: str, words: list[str]) -> str:
    near = difflib.get_close_matches(word, words, 3, 0.4)
    return f"nearest: {', '.join(near)}" if near else f"there are: {', '.join(words[:12])}"


def _one(db: Db, sql: str, values: list[Any] | None = None) -> Any:
    row = db.execute(sql, values or []).fetchone()
    return row[0] if row else None


def _column(db: Db, sql: str, values: list[Any] | None = None) -> list[str]:
    return [str(row[0]) for row in db.execute(sql, values or []).fetchall()]


def _check_value(db: Db, table: str, column: str, text: str | None) -> None:
    if text is None:
        return
    allowed = ALLOWED.get((table, column))
    if allowed and text not in [str(a) for a in allowed]:
        raise StoreTrouble(f"{table}.{column} cannot be {text!r}", f"one of {', '.join(map(str, allowed))}")
    kind = dict(TABLES[table])[column]
    cast = {"F": "DOUBLE", "I": "BIGINT", "B": "BOOLEAN"}.get(kind)
    if cast and _one(db, f"SELECT TRY_CAST(? AS {cast})", [text]) is None:
        need = {"F": "a number", "I": "a whole number", "B": "yes/no (true or false)"}[kind]
        raise StoreTrouble(f"{table}.{column} cannot be {text!r}", f"give {need}, or leave it blank")


def _where(play_id: str, player: str | None) -> tuple[str, list[Any]]:
    return (
        ("play_id = ?", [play_id]) if player is None else ("play_id = ? AND player_id = ?", [play_id, player])
    )


def _touched(table: str, column: str) -> list[str]:
    """The column and those beside it that a correction changes: its source, its spread, its doubt."""
    stem = column.removesuffix("_s")
    beside = [f"{stem}_source", f"{stem}_sd_s", "source"]
    if (table, column) == ROUTE:
        beside += ["probability", "runner_up"]
    if (table, column) == ("players", "jersey"):
        beside += ["jersey_probability"]
    return [column, *(name for name in beside if name in dict(TABLES[table]))]


def _sql_type(table: str, column: str) -> str:
    return SQL_TYPE[dict(TABLES[table])[column]]


def _current(db: Db, table: str, column: str, play_id: str, player: str | None) -> tuple[Any, str]:
    """The value as text, and all columns that a correction will touch as JSON."""
    where, values = _where(play_id, player)
    touched = _touched(table, column)
    chosen = ", ".join(f"CAST({quoted(name)} AS VARCHAR)" for name in touched)
    row = db.execute(f"SELECT {chosen} FROM {table} WHERE {where}", values).fetchone()
    row = row or (None,) * len(touched)
    return row[0], json.dumps(dict(zip(touched, row, strict=True)))


def _set(db: Db, table: str, column: str, play_id: str, player: str | None, text: str | None) -> None:
    """The person's value: source 'corrected', and no machine spread or probability beside it."""
    where, values = _where(play_id, player)
    for name in _touched(table, column):
        value = text if name == column else "corrected" if name.endswith("source") else None
        db.execute(
            f"UPDATE {table} SET {quoted(name)} = CAST(? AS {_sql_type(table, name)}) WHERE {where}",
            [value, *values],
        )
    _renew_time_to_throw(db, table, column, play_id)


def _renew_time_to_throw(db: Db, table: str, column: str, play_id: str) -> None:
    if table == "plays" and column in ("snap_s", "throw_s"):
        db.execute("UPDATE plays SET time_to_throw_s = throw_s - snap_s WHERE play_id = ?", [play_id])


def _place(db: Db, play_id: str, player: str) -> tuple[float | None, float | None]:
    """Where a man stood at the snap (the sample nearest to t = 0), field frame."""
    row = db.execute(
        "SELECT x_field_yd, y_field_yd FROM tracks WHERE play_id = ? AND player_id = ? AND "
        "x_field_yd IS NOT NULL ORDER BY abs(t_s) LIMIT 1",
        [play_id, player],
    ).fetchone()
    return (row[0], row[1]) if row else (None, None)


def _same_man(db: Db, play_id: str, table: str, player: str, x: float | None, y: float | None) -> str | None:
    ids = _column(db, f"SELECT DISTINCT player_id FROM {table} WHERE play_id = ?", [play_id])
    if x is None or y is None:
        return player if player in ids else None
    best, best_yd = None, SAME_PLACE_YD
    for other in ids:
        ox, oy = _place(db, play_id, other)
        if ox is None or oy is None:
            if other == player:
                return player
            continue
        away = float(((ox - x) ** 2 + (oy - y) ** 2) ** 0.5)
        if away <= best_yd:
            best, best_yd = other, away
    return best
