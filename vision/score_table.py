"""The figures of several films side by side: one row a figure, one column a film, n in brackets."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from models.evaluation.tally import Tally

Row = tuple[str, str, str]
"""Words of the table, name of the figure, statistic (value, median, p95, mean)."""

GROUPS: tuple[tuple[str, tuple[Row, ...]], ...] = (
    ("players", (
        ("found in the second before the snap", "players found before the snap", "value"),
        ("boxes found on film (IoU 0.5)", "players' boxes found, after tracking (IoU 0.5)", "value"),
        ("boxes right on film", "boxes of players right, after tracking (IoU 0.5)", "value"),
        ("boxes on film, AP50", "players' boxes after tracking: AP50", "value"),
        ("boxes on film, AP50-95", "players' boxes after tracking: AP50-95", "value"),
        ("official taken for player", "official taken for a player, after tracking", "value"),
        ("place error, median yd", "position error yd", "median"),
        ("place error, 95th yd", "position error yd", "p95"),
        ("speed error, median yd/s", "speed error yd/s", "median"),
    )),
    ("camera", (
        ("frames with a camera, sideline", "sideline: frames with a camera", "value"),
        ("error at the feet, median yd", "sideline: camera error yd (clip medians)", "median"),
        ("error at the feet, 95th (of clips) yd", "sideline: camera error yd (clip 95th)", "median"),
        ("yard number right or left open", "sideline: yard number right or said to be open", "value"),
        ("clips off by 5 or 10 yd", "sideline: clips off by 5 or 10 yd", "value"),
        ("clips that ask for a click", "sideline: asks for a click", "value"),
        ("field lines within 5 px", "sideline: lines within 5 px", "value"),
        ("jitter of a still point, yd", "sideline: jitter of a still point yd (clip rms)", "median"),
        ("feet inside the stated 95 % ellipse", "sideline: feet inside the stated 95 % ellipse", "value"),
        ("same, median clip", "sideline: share inside the 95 % ellipse (by clip)", "median"),
        ("squared error over the stated",
         "sideline: squared error over the stated (clip medians, 1 expected)", "median"),
        ("with clicks: clips off", "sideline: with clicks: clips off by 5 or 10 yd", "value"),
        ("with clicks: refused", "sideline: with clicks: refused", "value"),
        ("with clicks: error, median yd", "sideline: with clicks: camera error yd (clip medians)", "median"),
        ("frames with a camera, end zone", "endzone: frames with a camera", "value"),
        ("end zone error, median yd", "endzone: camera error yd (clip medians)", "median"),
        ("end zone error, 95th (of clips) yd", "endzone: camera error yd (clip 95th)", "median"),
        ("end zone clips off by 5 or 10 yd", "endzone: clips off by 5 or 10 yd", "value"),
        ("end zone clips that ask", "endzone: asks for a click", "value"),
        ("end zone lines within 5 px", "endzone: lines within 5 px", "value"),
        ("end zone jitter, yd", "endzone: jitter of a still point yd (clip rms)", "median"),
        ("end zone feet inside the ellipse", "endzone: feet inside the stated 95 % ellipse", "value"),
        ("same, median clip", "endzone: share inside the 95 % ellipse (by clip)", "median"),
        ("squared error over the stated",
         "endzone: squared error over the stated (clip medians, 1 expected)", "median"),
        ("end zone with clicks: clips off", "endzone: with clicks: clips off by 5 or 10 yd", "value"),
        ("end zone with clicks: refused", "endzone: with clicks: refused", "value"),
        ("end zone with clicks: error, yd", "endzone: with clicks: camera error yd (clip medians)", "median"),
        ("film frames a second, two cores", "camera: film frames a second on two cores", "median"),
    )),
    ("identities", (
        ("IDF1 in yards (n clips)", "IDF1 in yards", "value"),
        ("HOTA in yards, 1 yd gate (n clips)", "HOTA in yards (1 yd gate)", "value"),
        ("receivers, one identity to the throw", "receivers with one identity, snap to throw", "value"),
        ("receivers, one identity to arrival", "receivers with one identity, snap to arrival", "value"),
        ("underneath men, one to arrival",
         "underneath defenders with one identity, snap to arrival", "value"),
        ("receivers, one lasting pair to arrival",
         "receivers with one lasting pair, snap to arrival", "value"),
        ("underneath men, one lasting pair",
         "underneath defenders with one lasting pair, snap to arrival", "value"),
        ("receivers, one name (IDF1) to arrival", "receivers with one name, snap to arrival", "value"),
        ("underneath men, one name (IDF1)", "underneath defenders with one name, snap to arrival", "value"),
        ("team right", "team right", "value"),
        ("role right", "role right", "value"),
        ("receiver number and side right", "receiver number and side right", "value"),
        ("jersey number answered", "jersey number answered", "value"),
        ("jersey number right when answered", "jersey number right when answered", "value"),
    )),
    ("play", (
        ("run or kick told from pass", "run or kick told from pass", "value"),
        ("snap within 0.1 s", "snap within 0.1 s", "value"),
        ("snap within 0.2 s", "snap within 0.2 s", "value"),
        ("a kick's snap within 0.2 s", "snap within 0.2 s on kicks", "value"),
        ("throw within 0.2 s", "throw within 0.2 s", "value"),
        ("direction right", "direction right", "value"),
        ("line of scrimmage error, median yd", "line of scrimmage error yd", "median"),
        ("drop type right", "drop type right", "value"),
        ("drop type right when answered", "drop type right when answered", "value"),
        ("play action right", "play action right", "value"),
        ("play action right when answered", "play action right when answered", "value"),
    )),
    ("routes", (
        ("route right", "route right", "value"),
        ("route right when answered", "route right when answered", "value"),
        ("route right, break run before throw", "route right (break run before the throw)", "value"),
        ("route right, 12 classes", "route right, 12 classes", "value"),
        ("same, break run before throw",
         "route right, 12 classes (break run before the throw)", "value"),
        ("12 classes, by what was run", "route right, 12 classes by what was run", "value"),
        ("combination right", "combination right", "value"),
        ("combination right when answered", "combination right when answered", "value"),
    )),
    ("coverage", (
        ("cushion at the snap answered", "cushion answered", "value"),
        ("nearest defender right", "nearest defender at snap right", "value"),
        ("cushion error, median yd", "cushion at snap error yd", "median"),
        ("cushion error, mean yd", "cushion at snap error yd", "mean"),
        ("inside error, median yd", "inside at snap error yd", "median"),
    )),
)  # fmt: skip
STATISTICS = ("value", "median", "p95", "mean")


@dataclass
class Film:
    """One column: a film's name, its style (pro, college, school) and its counts."""

    name: str
    style: str
    tally: Tally

    @property
    def figures(self) -> dict[str, dict[str, float]]:
        """Name -> {value or median, p95, mean; n}."""
        return self.tally.figures()


def pooled(films: Sequence[Film]) -> list[Film]:
    """A column for each style that several films share: their counts added, ratios last."""
    out = []
    for style in dict.fromkeys(f.style for f in films):
        mine = [f for f in films if f.style == style]
        if len(mine) > 1:
            total = Tally()
            for film in mine:
                total = total + film.tally
            out.append(Film(f"all {style}", style, total))
    return out


def everything(films: Sequence[Film]) -> Film:
    """A column with the counts of all films added."""
    total = Tally()
    for film in films:
        total = total + film.tally
    return Film("all", "all", total)


def cell(figure: dict[str, float] | None, statistic: str) -> str:
    """'0.93 (1,441)'; a dash where the film's truth does not hold it."""
    if figure is None or statistic not in figure:
        return "–"
    return f"{figure[statistic]:.2f} ({int(figure['n']):,})"


def text_table(films: Sequence[Film], width: int | None = None) -> str:
    """The table as text. Columns that do not fit the terminal follow below, with the rows' names again."""
    width = width or shutil.get_terminal_size((160, 50)).columns
    figures = [f.figures for f in films]
    shown = [(g, [r for r in rows if any(r[1] in f for f in figures)]) for g, rows in GROUPS]
    label = 2 + max((len(r[0]) for _, rows in shown for r in rows), default=0)
    cells = [
        [f.name, "" if f.name.startswith("all ") else f.style]
        + [cell(one.get(name), stat) for _, rows in shown for _, name, stat in rows]
        for f, one in zip(films, figures, strict=True)
    ]
    wide = [max(map(len, c)) for c in cells]
    parts: list[list[int]] = [[]]
    for k, w in enumerate(wide):
        used = label + sum(wide[i] + 3 for i in parts[-1])
        if parts[-1] and used + w + 3 > width:
            parts.append([])
        parts[-1].append(k)
    return "\n\n".join(_block(part, cells, wide, shown, label) for part in parts)


def _block(
    part: list[int], cells: list[list[str]], wide: list[int], shown: list[tuple[str, list[Row]]], label: int
) -> str:
    def line(name: str, at: int) -> str:
        return f"{name:<{label}}" + "".join(f"   {cells[k][at]:>{wide[k]}}" for k in part)

    lines, at = [line("figure (n)", 0), line("", 1)], 2
    for group, rows in shown:
        if rows:
            lines.append(group)
        for name, _, _ in rows:
            lines.append(line(f"  {name}", at))
            at += 1
    return "\n".join(s.rstrip() for s in lines)


def csv_rows(films: Sequence[Film]) -> pd.DataFrame:
    """Every figure of every film: film, style, group ('' = not in the table), figure, n, statistics."""
    group_of = {name: group for group, rows in GROUPS for _, name, _ in rows}
    out: list[dict[str, Any]] = []
    for film in films:
        for name, figure in film.figures.items():
            row = {"film": film.name, "style": film.style, "group": group_of.get(name, ""), "figure": name}
            out.append({**row, "n": int(figure["n"]), **{s: figure.get(s) for s in STATISTICS}})
    return pd.DataFrame(out, columns=["film", "style", "group", "figure", "n", *STATISTICS])
