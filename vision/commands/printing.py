"""Tables for the terminal: one decimal, a dash for blank, columns dropped before words are cut."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from vision.questions.intervals import Mean, Share
from vision.questions.words import shown

LESS_NEEDED = (
    "spread", "formation", "at arrival", "distance", "combination", "cushion at snap", "lane", "lift",
    "leverage", "down",
)  # fmt: skip
NEVER_LEFT_OUT = ("route", "result", "yards", "defender", "inside", "underneath", "completed", "reason")
"""While a table is wider than the terminal, LESS_NEEDED are left out in their order, then others from the
right; these stay."""
SIGNED = ("inside", "underneath", "yards")


def console() -> Console:
    """The terminal; plain text when the output goes to a file or a pipe."""
    return Console(highlight=False)


def text_of(value: Any, column: str = "") -> str:
    """One cell as text."""
    if value is None or value != value:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if value == int(value) and column in ("run", "n", "down", "number", "receiver_number"):
            return str(int(value))
        digits = 0 if column in ("yards", "caught_yards") else 2 if column.endswith("_s") else 1
        return f"{value:+.{digits}f}" if column in SIGNED else f"{value:.{digits}f}"
    if isinstance(value, Mean | Share | int):
        return str(value)
    return (
        shown(value)
        if column in ("route", "most run", "most thrown to", "first", "second", "third")
        else str(value)
    )


def heading_of(column: str) -> str:
    """A column's name as people read it, unit after it."""
    for ending, unit in (
        ("_play_yd", "yd"),
        ("_yd_per_s", "yd/s"),
        ("_yd", "yd"),
        ("_s", "s"),
        ("_deg", "°"),
    ):
        if column.endswith(ending):
            return f"{column.removesuffix(ending).replace('_', ' ')}, {unit}"
    return column.replace("_", " ")


def table_of(data: pd.DataFrame, title: str, width: int, most: int = 40) -> Table:
    """A rich table that fits `width` characters where leaving out columns can do it."""
    cells = {c: [text_of(v, c) for v in data[c].head(most)] for c in data.columns}
    room = {c: max([len(heading_of(c)), *map(len, v)], default=0) + 2 for c, v in cells.items()}
    columns = list(data.columns)
    for name in (*LESS_NEEDED, *reversed(columns)):
        if sum(room[c] for c in columns) <= width or len(columns) <= 4:
            break
        if name in columns[1:] and name not in NEVER_LEFT_OUT:
            columns.remove(name)
    left_out = [heading_of(c) for c in data.columns if c not in columns]
    caption = []
    if len(data) > most:
        caption.append(f"{len(data) - most} more rows; --csv FILE holds all")
    if left_out:
        caption.append(f"left out for room: {', '.join(left_out)}")
    table = Table(
        box=SIMPLE_HEAD,
        title=title or None,
        title_justify="left",
        title_style="bold",
        pad_edge=False,
        caption="; ".join(caption) or None,
        caption_justify="left",
        header_style="bold",
    )
    for c in columns:
        number = all(isinstance(v, int | float) or v is None for v in data[c].head(most))
        table.add_column(heading_of(c), justify="right" if number else "left", overflow="fold")
    for i in range(min(len(data), most)):
        table.add_row(*(cells[c][i] for c in columns))
    return table


def plain_table(data: pd.DataFrame) -> pd.DataFrame:
    """The table with shares and means spread into plain number columns, for CSV and JSON."""
    out: dict[str, list[Any]] = {}
    for c in data.columns:
        values = list(data[c])
        if any(isinstance(v, Share) for v in values):
            out |= {c: [v.hits for v in values], f"{c} of": [v.n for v in values],
                    f"{c} share": [v.value for v in values], f"{c} low": [v.interval[0] for v in values],
                    f"{c} high": [v.interval[1] for v in values]}  # fmt: skip
        elif any(isinstance(v, Mean) for v in values):
            out |= {c: [v.value for v in values], f"{c} half width": [v.half for v in values],
                    f"{c} n": [v.n for v in values]}  # fmt: skip
        else:
            out[c] = values
    return pd.DataFrame(out)


def save(data: pd.DataFrame, csv: str | None, as_json: str | None) -> list[Path]:
    """Write the table where asked; returns the paths."""
    done = []
    flat = plain_table(data)
    if csv:
        Path(csv).parent.mkdir(parents=True, exist_ok=True)
        flat.to_csv(csv, index=False)
        done.append(Path(csv))
    if as_json:
        Path(as_json).parent.mkdir(parents=True, exist_ok=True)
        rows = json.loads(flat.to_json(orient="records"))
        Path(as_json).write_text(json.dumps(rows, indent=1, ensure_ascii=False), encoding="utf-8")
        done.append(Path(as_json))
    return done
