"""Open the season file: one writer at a time, readers that wait a moment, never a half-written play.

Every write is one short-lived connection under a file lock and one transaction: a process killed at any
moment leaves the season as it was before or after that write. DuckDB lets only one process hold a file for
writing, so nobody keeps it open between writes.
"""

from __future__ import annotations

import fcntl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path

import duckdb

from vision.store.columns import SCHEMA_VERSION, TABLES
from vision.store.rows import SQL_TYPE
from vision.trouble import StoreTrouble

OWN_TABLES = {
    "season_facts": "name VARCHAR PRIMARY KEY, value VARCHAR",
    "runs": "run_id VARCHAR PRIMARY KEY, started TIMESTAMP, finished TIMESTAMP, code_version VARCHAR, "
    "settings VARCHAR, weights VARCHAR",
    "roster": "team VARCHAR, jersey BIGINT, name VARCHAR, position VARCHAR",
    "sheet_rows": "game_id VARCHAR, play_number VARCHAR, row_json VARCHAR",
}
CORRECTION_EXTRAS = (
    ("player_id", "S"),
    ("anchor_x_field_yd", "F"),
    ("anchor_y_field_yd", "F"),
    ("before_row", "S"),
)


def quoted(name: str) -> str:
    """An identifier for SQL; the name may hold any character."""
    return '"' + name.replace('"', '""') + '"'


@contextmanager
def writing(path: Path, wait_s: float = 60.0) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection inside one transaction; committed when the block ends well, else undone. Creates the
    file and brings its tables up to date. Raises StoreTrouble when another program holds it too long."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with _lock(path, wait_s):
        connection = _connect(path, False, wait_s)
        try:
            connection.execute("BEGIN")
            _prepare(connection, path)
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            try:
                connection.execute("ROLLBACK")
            except duckdb.Error:
                pass
            raise
        finally:
            connection.close()


@contextmanager
def reading(path: Path, wait_s: float = 30.0, guarded: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
    """A read-only connection with the views of `views.sql`. `guarded` also forbids reaching other files.

    Raises StoreTrouble when the file is missing, not a season, newer than this program, or held too long.
    """
    if not path.exists():
        raise StoreTrouble(
            f"{path}: no such season file", "run `underneath process` first, or check the name"
        )
    connection = _connect(path, True, wait_s)
    try:
        _check_version(connection, path)
        connection.execute(resources.files("vision.store").joinpath("views.sql").read_text("utf-8"))
        if guarded:
            connection.execute("SET enable_external_access = false")
            connection.execute("SET lock_configuration = true")
        yield connection
    finally:
        connection.close()


@contextmanager
def time_limit(connection: duckdb.DuckDBPyConnection, limit_s: float) -> Iterator[None]:
    """Interrupt whatever the connection does after `limit_s` seconds."""
    timer = threading.Timer(limit_s, connection.interrupt)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


@contextmanager
def _lock(path: Path, wait_s: float) -> Iterator[None]:
    """Hold `.NAME.lock` beside the season; the system lets go of it when a process dies."""
    with open(path.with_name(f".{path.name}.lock"), "w") as file:
        deadline = time.monotonic() + wait_s
        while True:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError:
                if time.monotonic() > deadline:
                    raise _held(path) from None
                time.sleep(0.05)
        yield


def _held(path: Path) -> StoreTrouble:
    return StoreTrouble(f"{path} is held by another program", "close it there, or wait until its batch ends")


def _connect(path: Path, read_only: bool, wait_s: float) -> duckdb.DuckDBPyConnection:
    deadline = time.monotonic() + wait_s
    while True:
        try:
            connection = duckdb.connect(str(path), read_only=read_only, config={"threads": 2})
            connection.execute("SET enable_progress_bar = false")
            return connection
        except duckdb.IOException as error:
            text = str(error)
            if "lock" not in text.lower():
                raise StoreTrouble(
                    f"{path} is not a season file of this program ({_brief(text)})",
                    "name the season file, or a new file name to start one",
                ) from None
        except duckdb.ConnectionException:  # open in this process in the other mode
            pass
        except duckdb.Error as error:
            raise StoreTrouble(
                f"{path} cannot be opened ({_brief(str(error))})",
                "restore it from a copy, or start a new season file",
            ) from None
        if time.monotonic() > deadline:
            raise _held(path)
        time.sleep(0.05)


def _brief(text: str) -> str:
    return text.splitlines()[0][:120]


def _has_table(connection: duckdb.DuckDBPyConnection, table: str) -> bool:
    found = connection.execute(
        "SELECT count(*) FROM information_schema.tables WHERE table_name = ?", [table]
    ).fetchone()
    return bool(found and found[0])


def _check_version(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    row = None
    if _has_table(connection, "season_facts"):
        row = connection.execute("SELECT value FROM season_facts WHERE name = 'schema_version'").fetchone()
    if row is None:
        raise StoreTrouble(
            f"{path} is a DuckDB file, but not a season of this program",
            "name the season file, or a new file name to start one",
        )
    if int(row[0]) > SCHEMA_VERSION:
        raise StoreTrouble(
            f"{path} was written by a newer version of this program (format {row[0]}, this "
            f"one knows {SCHEMA_VERSION})",
            "update the program",
        )


def _prepare(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Create what is missing; add columns that later versions brought."""
    tables = {
        row[0] for row in connection.execute("SELECT table_name FROM information_schema.tables").fetchall()
    }
    if tables and "season_facts" not in tables:
        _check_version(connection, path)
    if "season_facts" in tables:
        _check_version(connection, path)
    for table, columns in OWN_TABLES.items():
        if table not in tables:
            connection.execute(f"CREATE TABLE {table} ({columns})")
    for table, described in TABLES.items():
        columns_now = list(described) + list(CORRECTION_EXTRAS if table == "corrections" else ())
        if table not in tables:
            body = ", ".join(f"{quoted(n)} {SQL_TYPE[k]}" for n, k in columns_now)
            connection.execute(f"CREATE TABLE {table} ({body})")
        else:
            add_columns(connection, table, columns_now)
    if "season_facts" not in tables:
        connection.execute("INSERT INTO season_facts VALUES ('schema_version', ?)", [str(SCHEMA_VERSION)])


def add_columns(connection: duckdb.DuckDBPyConnection, table: str, columns: list[tuple[str, str]]) -> None:
    """Add those of `columns` (name, type letter) that the table does not have yet."""
    have = {
        row[0]
        for row in connection.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = ?", [table]
        ).fetchall()
    }
    for name, kind in columns:
        if name not in have:
            connection.execute(f"ALTER TABLE {table} ADD COLUMN {quoted(name)} {SQL_TYPE[kind]}")
