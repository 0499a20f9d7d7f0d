"""Turn plain rows into checked, typed Arrow tables."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from vision.store.columns import ALIASES, ALLOWED, BLANK_WORDS, REQUIRED, TABLES, ZERO_IS_BLANK
from vision.trouble import StoreTrouble

ARROW = {"S": pa.string(), "F": pa.float64(), "I": pa.int64(), "B": pa.bool_(), "T": pa.timestamp("us")}
SQL_TYPE = {"S": "VARCHAR", "F": "DOUBLE", "I": "BIGINT", "B": "BOOLEAN", "T": "TIMESTAMP"}

Rows = Any  # an iterable of mappings, an Arrow table, or a pandas frame


def plain(value: Any) -> Any:
    """A Python scalar; NaN, infinities, NaT and empty text become None (not known)."""
    if value is None or isinstance(value, str | bool | int):
        return value if value != "" else None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or value != value:
        return None
    if hasattr(value, "value") and type(value).__module__ != "datetime":  # an enumeration
        return plain(value.value)
    return value


def as_rows(rows: Rows) -> list[dict[str, Any]]:
    """List of plain dicts from dicts, an Arrow table or a pandas frame."""
    if isinstance(rows, pa.Table):
        rows = rows.to_pylist()
    elif hasattr(rows, "to_dict") and hasattr(rows, "columns"):
        rows = rows.to_dict("records")
    return [{str(k): plain(v) for k, v in row.items()} for row in rows]


def checked(table: str, rows: Rows) -> tuple[pa.Table, list[tuple[str, str]]]:
    """Typed table, and the (name, type) of columns that are new to the store.

    Raises StoreTrouble naming table, row and column when a needed value is missing, a word is not one of
    the allowed ones, or a value does not fit its column's type.
    """
    records = as_rows(rows)
    aliases = ALIASES.get(table, {})
    if aliases:
        records = [{aliases.get(k, k): v for k, v in row.items()} for row in records]
    blank = {name: words for (owner, name), words in BLANK_WORDS.items() if owner == table}
    for row in records:
        for name, words in blank.items():
            if row.get(name) in words:
                row[name] = None
        for name in ZERO_IS_BLANK.get(table, ()):
            row[name] = row.get(name) or None
    known = dict(TABLES[table])
    seen = dict.fromkeys(key for row in records for key in row)
    extra = [(name, _type_of(table, name, records)) for name in seen if name not in known]
    for number, row in enumerate(records):
        _check_row(table, number, row)
    columns = {}
    for name, kind in [*known.items(), *extra]:
        values = [row.get(name) for row in records]
        try:
            columns[name] = pa.array([_fit(v, kind) for v in values], type=ARROW[kind])
        except (pa.ArrowInvalid, pa.ArrowTypeError, ValueError, TypeError) as error:
            raise StoreTrouble(
                f"{table}.{name}: a value does not fit this column ({error})",
                "see the columns of the exported files",
            ) from None
    return pa.table(columns), extra


def _fit(value: Any, kind: str) -> Any:
    if value is None:
        return None
    if kind == "S":
        return value if isinstance(value, str) else str(value)
    if kind == "F":
        return float(value)
    if kind == "I":
        if float(value) != int(value):
            raise ValueError(f"{value!r} is not a whole number")
        return int(value)
    if kind == "B":
        return bool(value)
    return value


def _check_row(table: str, number: int, row: Mapping[str, Any]) -> None:
    for name in REQUIRED.get(table, ()):
        if row.get(name) is None:
            raise StoreTrouble(f"{table} row {number}: {name} is blank", "every row needs it")
    for (owner, name), allowed in ALLOWED.items():
        value = row.get(name) if owner == table else None
        if value is not None and value not in allowed:
            near = difflib.get_close_matches(str(value), [str(a) for a in allowed], 1)
            hint = f"; did you mean {near[0]!r}" if near else ""
            raise StoreTrouble(
                f"{table} row {number}: {name} is {value!r}, expected one of "
                f"{', '.join(map(str, allowed))}{hint}"
            )


def _type_of(table: str, name: str, records: list[dict[str, Any]]) -> str:
    if not name.isidentifier() or name != name.lower():
        raise StoreTrouble(f"{table}: {name!r} cannot be a column name", "use lower-case words joined by _")
    for row in records:
        value = row.get(name)
        if value is None:
            continue
        if isinstance(value, bool):
            return "B"
        if isinstance(value, int | float):
            return "F"
        if isinstance(value, str):
            return "S"
        raise StoreTrouble(f"{table}.{name}: holds a {type(value).__name__}; only plain values are stored")
    return "S"


def plain_frame(data: pd.DataFrame) -> pd.DataFrame:
    """The frame with ordinary columns: numbers as they are, or float with NaN where some are blank;
    texts, and yes/no with blanks, as objects with None."""
    out = {}
    for name in data.columns:
        column = data[name]
        blanks = column.isna().any()
        extended = pd.api.types.is_extension_array_dtype(column.dtype)
        if pd.api.types.is_bool_dtype(column.dtype):
            out[name] = column.astype(object).where(column.notna(), None) if blanks else column
        elif extended and pd.api.types.is_numeric_dtype(column.dtype):
            out[name] = column.astype("float64" if blanks else f"{column.dtype.kind}8")
        elif column.dtype == object or pd.api.types.is_string_dtype(column.dtype):
            out[name] = column.astype(object).where(column.notna(), None)
        else:
            out[name] = column
    return pd.DataFrame(out, index=data.index, columns=data.columns)
