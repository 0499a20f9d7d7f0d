"""Charts of many plays as SVG: leverage at the throw, drops against time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np
import pandas as pd

from vision.questions.defense import AIM_YD
from vision.questions.words import CAUGHT
from vision.sheets.drawing import Frame, _text, svg
from vision.sheets.ink import AIM, DEFENSE, INK, OFFENSE, QUIET, RULE

DEPTHS_S = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)


def leverage_chart(rows: pd.DataFrame, title: str) -> str:
    """Where the defender stood at the throw, seen from the receiver in the middle: right = inside him, down =
    underneath. Filled: completed, hollow: not, cross: thrown elsewhere. The yellow field is the aim."""
    frame = Frame(-8, 8, -8, 8)
    width, height = frame.size
    body = [
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<rect x="{frame.x(AIM_YD[0]):.0f}" y="{frame.y(-AIM_YD[0]):.0f}" width="10" height="10" '
        f'fill="{AIM}" opacity=".75"/>',
    ]
    for v in range(-6, 7, 2):
        strong = v == 0
        pen = f'stroke="{INK if strong else RULE}" stroke-width="{1.2 if strong else 1}"'
        body.append(f'<line x1="{frame.x(v)}" x2="{frame.x(v)}" y1="0" y2="{height}" {pen}/>')
        body.append(f'<line y1="{frame.y(v)}" y2="{frame.y(v)}" x1="0" x2="{width}" {pen}/>')
        if v:
            body.append(_text(frame.x(v), frame.y(0) + 10, f"{v:+d}", QUIET, 7.5, "middle"))
            body.append(_text(frame.x(0) - 3, frame.y(v) + 3, f"{-v:+d}", QUIET, 7.5, "end"))
    for text, x, y, anchor in (
        ("inside", 7.8, 0.4, "end"),
        ("outside", -7.8, 0.4, "start"),
        ("over the top", 0.3, 7.3, "start"),
        ("underneath", 0.3, -7.8, "start"),
    ):
        body.append(_text(frame.x(x), frame.y(y), text, INK, 8.5, anchor, 600))
    shown = 0
    for row in rows.itertuples():
        if row.inside_yd != row.inside_yd or row.under_yd != row.under_yd:
            continue
        shown += 1
        x = frame.x(float(np.clip(row.inside_yd, -7.7, 7.7)))
        y = frame.y(float(np.clip(-row.under_yd, -7.7, 7.7)))
        body.append(
            _dot(
                x, y, bool(row.target) if row.target is not None else False, str(row.result), str(row.play_id)
            )
        )
    body.append(f'<circle cx="{frame.x(0)}" cy="{frame.y(0)}" r="5" fill="{OFFENSE}"/>')
    return svg(frame, body, title, f"Leverage of the defender at the throw on {shown} plays, yards")


def _dot(x: float, y: float, target: bool, result: str, play: str) -> str:
    name = f"<title>{escape(play)}</title>"
    half = 4.2
    if not target:
        return (
            f'<path d="M{x - 3:.1f} {y - 3:.1f}l6 6m0-6l-6 6" stroke="{DEFENSE}" stroke-width="1" '
            f'opacity=".55">{name}</path>'
        )
    fill = DEFENSE if result in CAUGHT else "#fff"
    return (
        f'<path d="M{x - half:.1f} {y - half:.1f}h{2 * half}l{-half} {2 * half}z" fill="{fill}" '
        f'stroke="{DEFENSE}" stroke-width="1.6">{name}</path>'
    )


def drop_chart(drops: pd.DataFrame, unit: pd.DataFrame, title: str) -> str:
    """Depth against time from the snap: each drop thin, their mean strong, the unit's middle half grey."""
    columns = [f"depth_{round(10 * t):02d}_play_yd" for t in DEPTHS_S]
    times = (0.0, *DEPTHS_S)
    width, height, left, foot = 420.0, 250.0, 34.0, 30.0
    top = 20.0

    def at(t: float, depth: float) -> tuple[float, float]:
        return left + t / 3.0 * (width - left - 10), height - foot - min(depth, top) / top * (
            height - foot - 10
        )

    frame = Frame(0, width / 10, 0, height / 10)
    body = [f'<rect width="{width}" height="{height}" fill="#fff"/>']
    for depth in (0, 5, 10, 15, 20):
        y = at(0, depth)[1]
        body.append(f'<line x1="{left}" x2="{width - 10}" y1="{y:.1f}" y2="{y:.1f}" stroke="{RULE}"/>')
        body.append(_text(left - 6, y + 4, str(depth), QUIET, 11, "end"))
    for t in (0, 1, 2, 3):
        body.append(_text(at(t, 0)[0], height - 10, f"{t} s", QUIET, 11, "middle"))
    body.append(_text(left + 4, 12, "depth, yd", QUIET, 11))
    band = unit[["start_depth_play_yd", *columns]].to_numpy(float)
    if len(band) >= 4:
        low, high = _quartiles(band)
        edge = [at(t, d) for t, d in zip(times, high, strict=True) if d == d]
        edge += [at(t, d) for t, d in reversed(list(zip(times, low, strict=True))) if d == d]
        body.append(
            f'<path d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in edge)}Z" fill="{RULE}" opacity=".7"/>'
        )
    own = drops[["start_depth_play_yd", *columns]].to_numpy(float)
    for row in own:
        body.append(_line([at(t, d) for t, d in zip(times, row, strict=True) if d == d], 1, 0.4))
    if len(own):
        mean = [float(np.nanmean(c)) if np.isfinite(c).any() else math.nan for c in own.T]
        body.append(_line([at(t, d) for t, d in zip(times, mean, strict=True) if d == d], 3.4, 1))
    return svg(frame, body, title, f"Depth of {len(own)} drops over the first three seconds")


def _quartiles(band: np.ndarray) -> tuple[list[float], list[float]]:
    low, high = [], []
    for column in band.T:
        known = column[np.isfinite(column)]
        low.append(float(np.percentile(known, 25)) if len(known) else math.nan)
        high.append(float(np.percentile(known, 75)) if len(known) else math.nan)
    return low, high


def _line(points: Sequence[tuple[float, float]], width: float, opacity: float) -> str:
    if len(points) < 2:
        return ""
    return (
        f'<path d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in points)}" fill="none" stroke="{DEFENSE}" '
        f'stroke-width="{width}" opacity="{opacity}" stroke-linejoin="round"/>'
    )
