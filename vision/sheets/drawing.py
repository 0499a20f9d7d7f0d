"""Field diagrams as SVG: one play from above, many routes over each other, leverage at the throw, drops.

Drawn as a coach draws: the offense goes up the page, its right is right. One unit of the drawing is 0.1 yd.
Every drawing has a title and a description for screen readers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from vision.questions.words import shown
from vision.sheets.ink import AIM, BALL, CHALK, DEFENSE, GRASS, INK, OFFENSE, QUIET, RULE

UNIT = 10.0
"""SVG units a yard."""
Points = np.ndarray


@dataclass(frozen=True)
class Frame:
    """Part of the play frame shown: lateral from left_yd to right_yd, depth from low_yd to high_yd."""

    left_yd: float
    right_yd: float
    low_yd: float
    high_yd: float

    def x(self, lateral_yd: float) -> float:
        return (lateral_yd - self.left_yd) * UNIT

    def y(self, depth_yd: float) -> float:
        return (self.high_yd - depth_yd) * UNIT

    @property
    def size(self) -> tuple[float, float]:
        return (self.right_yd - self.left_yd) * UNIT, (self.high_yd - self.low_yd) * UNIT


def svg(frame: Frame, body: Iterable[str], title: str, text: str, extra: str = "") -> str:
    """The whole drawing."""
    width, height = frame.size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'font-family="Liberation Sans, Arial, Helvetica, sans-serif" {extra}>'
        f"<title>{escape(title)}</title><desc>{escape(text)}</desc>{''.join(body)}</svg>"
    )


def turf(
    frame: Frame, sidelines: tuple[float, float] | None = None, hashes: Sequence[float] = ()
) -> list[str]:
    """Ground, five-yard lines with their depth, line of scrimmage, side lines and hash rows."""
    width, height = frame.size
    left, right = 0.0, width
    if sidelines:
        left, right = max(0.0, frame.x(sidelines[0])), min(width, frame.x(sidelines[1]))
    out = [
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="#fff"/>',
        f'<rect x="{left:.0f}" width="{right - left:.0f}" height="{height:.0f}" fill="{GRASS}"/>',
    ]
    for depth in range(math.ceil(frame.low_yd / 5) * 5, math.floor(frame.high_yd / 5) * 5 + 1, 5):
        y = frame.y(depth)
        if depth == 0:
            out.append(
                f'<line x1="{left:.0f}" x2="{right:.0f}" y1="{y}" y2="{y}" stroke="{INK}" stroke-width="2"/>'
            )
        else:
            out.append(f'<line x1="{left:.0f}" x2="{right:.0f}" y1="{y}" y2="{y}" stroke="{CHALK}"/>')
        if depth > 0:
            out.append(_text(left + 5, y - 3, str(depth), QUIET, 11))
    for lateral in hashes:
        for mark in np.arange(math.ceil(frame.low_yd), frame.high_yd, 1.0):
            x, y = frame.x(lateral), frame.y(float(mark))
            out.append(
                f'<line x1="{x - 3:.1f}" x2="{x + 3:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{CHALK}"/>'
            )
    for x in (left, right) if sidelines else ():
        out.append(
            f'<line x1="{x:.0f}" x2="{x:.0f}" y1="0" y2="{height:.0f}" stroke="{INK}" stroke-width="3"/>'
        )
    return out


def _text(
    x: float, y: float, text: str, colour: str, size: float, anchor: str = "start", weight: int = 400
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" font-size="{size}" text-anchor="{anchor}" '
        f'font-weight="{weight}">{escape(text)}</text>'
    )


def trail(
    frame: Frame,
    points: Points,
    colour: str,
    width: float,
    dash: str = "",
    opacity: float = 1.0,
    arrow: bool = False,
) -> str:
    """A path through (N, 2) points (depth, lateral); rows with NaN break it."""
    known = np.isfinite(points).all(axis=1)
    steps, pen = [], "M"
    for (depth, lateral), fine in zip(points, known, strict=True):
        if not fine:
            pen = "M"
            continue
        steps.append(f"{pen}{frame.x(lateral):.1f} {frame.y(depth):.1f}")
        pen = "L"
    if len(steps) < 2:
        return ""
    style = f' stroke-dasharray="{dash}"' if dash else ""
    out = (
        f'<path d="{"".join(steps)}" fill="none" stroke="{colour}" stroke-width="{width}" '
        f'stroke-linejoin="round" stroke-linecap="round" opacity="{opacity}"{style}/>'
    )
    return out + (_arrow(frame, points[known], colour, opacity) if arrow else "")


def _arrow(frame: Frame, points: Points, colour: str, opacity: float) -> str:
    """A head at the end of a path, pointing along its last yard."""
    tip = points[-1]
    far = np.flatnonzero(np.hypot(*(points - tip).T) > 0.8)
    if not len(far):
        return ""
    back = points[far[-1]]
    dx, dy = frame.x(tip[1]) - frame.x(back[1]), frame.y(tip[0]) - frame.y(back[0])
    turn = math.degrees(math.atan2(dy, dx))
    return (
        f'<path d="M-9 -5L1 0L-9 5" fill="none" stroke="{colour}" stroke-width="2.4" opacity="{opacity}" '
        f'transform="translate({frame.x(tip[1]):.1f} {frame.y(tip[0]):.1f}) rotate({turn:.0f})"/>'
    )


def play_points(tracks: pd.DataFrame, play: Any) -> pd.DataFrame:
    """Tracks with depth and lateral (yards, play frame); empty when the play's frame is not known."""
    spot, los, way = play["spot_y_field_yd"], play["los_field_yd"], play["direction"]
    if any(v is None or v != v for v in (los, way)) or not len(tracks):
        return tracks.iloc[:0].assign(depth=[], lateral=[])
    if spot is None or spot != spot:
        near = tracks.loc[(tracks["team"] == "offense") & (tracks["t_s"].abs() < 0.2)]
        behind = near[(way * (near["x_field_yd"] - los) < 0)]
        spot = float(behind["y_field_yd"].median()) if len(behind) else 26.67
    return tracks.assign(
        depth=way * (tracks["x_field_yd"] - los), lateral=-way * (tracks["y_field_yd"] - spot)
    )


def play_diagram(
    play: Any, players: pd.DataFrame, tracks: pd.DataFrame, routes: pd.DataFrame, marked: Sequence[str] = ()
) -> str:
    """One play from above: men at the snap, paths to the throw (fainter to the arrival), the throw.

    marked: player ids drawn strong; without any, the eligible receivers and linebackers are.
    """
    at = play_points(tracks, play)
    throw = (
        play["throw_s"] - play["snap_s"]
        if play["throw_s"] == play["throw_s"] and play["throw_s"] is not None and play["snap_s"] is not None
        else float("nan")
    )
    arrival = play["arrival_s"] - play["snap_s"] if play["arrival_s"] is not None else float("nan")
    end = throw if throw == throw else 3.0
    route_of = dict(zip(routes["player_id"], routes["route"], strict=True))
    people = players.set_index("player_id")
    goal = _place(at, play["target_player_id"], arrival) if arrival == arrival else None
    deepest = at.loc[at["t_s"].between(0, end) & at["team"].eq("offense"), "depth"].max() if len(at) else 18.0
    high = max(18.0, min(45.0, max(float(deepest), goal[0] if goal else 0.0) + 3))
    low = at.loc[at["t_s"].between(0, end), "depth"].min() if len(at) else -9.0
    frame = Frame(-27, 27, max(-14.0, min(-8.0, float(low) - 2)), high)
    body = turf(frame, *_lines_across(play))
    labels: list[str] = []
    for player_id, path in at.groupby("player_id"):
        man = people.loc[player_id] if player_id in people.index else None
        body += _man(frame, str(player_id), path, man, route_of, end, arrival, marked, labels)
    body += _throw(frame, at, play, throw, arrival, people)
    words = ", ".join(f"{k} {shown(v)}" for k, v in route_of.items())
    return svg(frame, body + labels, f"Play {play['play_id']}", f"Routes from the snap to the throw: {words}")


def _lines_across(play: Any) -> tuple[tuple[float, float] | None, tuple[float, ...]]:
    """Side lines and hash rows as laterals, where the ball's place across the field is known."""
    spot, way = play["spot_y_field_yd"], play["direction"]
    if spot is None or spot != spot or way is None or way != way:
        return None, ()
    width, edge = {"canadian": (65.0, 24.0), "nfl": (160 / 3, 70.75 / 3), "nfhs": (160 / 3, 160 / 9)}.get(
        str(play.get("standard")), (160 / 3, 20.0)
    )
    across = sorted((-way * (0 - spot), -way * (width - spot)))
    return (across[0], across[1]), tuple(-way * (y - spot) for y in (edge, width - edge))


def _man(
    frame: Frame,
    player_id: str,
    path: pd.DataFrame,
    man: Any,
    route_of: dict[str, str],
    end: float,
    arrival: float,
    marked: Sequence[str],
    labels: list[str],
) -> list[str]:
    team = man["team"] if man is not None else path["team"].iloc[0]
    role = man["role"] if man is not None and isinstance(man["role"], str) else ""
    if team not in ("offense", "defense"):
        return []
    line = role in ("OL", "DL")
    strong = player_id in marked if marked else (player_id in route_of or role in ("LB", "QB"))
    colour = OFFENSE if team == "offense" else DEFENSE
    points = path.sort_values("t_s")
    run = _thin(points[points["t_s"].between(0, end)])
    after = _thin(points[points["t_s"].between(end, arrival)])
    start = points.iloc[(points["t_s"] - 0).abs().argmin()]
    out = []
    if not line:
        dash = "" if team == "offense" else "7 4"
        out.append(
            trail(
                frame,
                run,
                colour,
                3 if strong else 1.5,
                dash,
                1 if strong else 0.45,
                arrow=strong and role != "QB",
            )
        )
        out.append(trail(frame, after, colour, 1.2, "1 4", 0.8))
    x, y = frame.x(start["lateral"]), frame.y(start["depth"])
    out.append(_mark(x, y, team, colour, strong, line))
    number = man["jersey"] if man is not None and man["jersey"] == man["jersey"] else None
    text = str(int(number)) if number is not None else role
    if not line and text:
        labels.append(_text(x, y + (20 if team == "offense" else -10), text, colour, 11, "middle", 600))
    if strong and player_id in route_of and len(run) and route_of[player_id] not in ("block", "unknown"):
        tip = run[np.isfinite(run).all(axis=1)][-1:]
        for depth, lateral in tip:
            labels.append(_halo(frame.x(lateral), frame.y(depth) - 9, shown(route_of[player_id]), colour))
    return out


def _thin(path: pd.DataFrame) -> Points:
    """Depth and lateral about ten times a second, the last one kept."""
    points = path[["depth", "lateral"]].to_numpy(float)
    if len(points) < 3:
        return points
    step = max(1, round(0.1 / max(1e-3, float(np.median(np.diff(path["t_s"]))))))
    return points[np.unique([*range(0, len(points), step), len(points) - 1])]


def _halo(x: float, y: float, text: str, colour: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" font-size="12.5" text-anchor="middle" '
        f'font-weight="600" stroke="#fff" stroke-width="3" paint-order="stroke">{escape(text)}</text>'
    )


def _mark(x: float, y: float, team: str, colour: str, strong: bool, line: bool) -> str:
    size = 4.5 if line else 6.5
    fill = colour if strong else "#fff"
    if team == "offense":
        pen = f'fill="{fill}" stroke="{colour}" stroke-width="1.6"'
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size}" {pen}/>'
    half = size
    return (
        f'<path d="M{x - half:.1f} {y - half:.1f}h{2 * half}l{-half} {2 * half}z" fill="{fill}" '
        f'stroke="{colour}" stroke-width="1.6"/>'
    )


def _throw(
    frame: Frame, at: pd.DataFrame, play: Any, throw: float, arrival: float, people: pd.DataFrame
) -> list[str]:
    """The ball's way from the quarterback at the throw to the target at the arrival (else at the throw)."""
    if throw != throw or not isinstance(play["target_player_id"], str):
        return []
    passers = people[people["role"] == "QB"].index
    source = _place(at, passers[0], throw) if len(passers) else None
    target = _place(at, play["target_player_id"], arrival if arrival == arrival else throw)
    if source is None or target is None:
        return []
    a, b = (frame.x(source[1]), frame.y(source[0])), (frame.x(target[1]), frame.y(target[0]))
    caught = play["result"] in ("complete", "touchdown")
    fill = BALL if caught else "#fff"
    return [
        f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" stroke="{BALL}" '
        f'stroke-width="1.6" stroke-dasharray="2 5" stroke-linecap="round"/>',
        f'<ellipse cx="{b[0]:.1f}" cy="{b[1]:.1f}" rx="7" ry="4.6" fill="{fill}" stroke="{BALL}" '
        f'stroke-width="2"/>',
    ]


def _place(at: pd.DataFrame, player_id: str, t_s: float) -> tuple[float, float] | None:
    path = at[at["player_id"] == player_id]
    if not len(path):
        return None
    row = path.iloc[(path["t_s"] - t_s).abs().argmin()]
    if abs(row["t_s"] - t_s) > 0.3 or row["depth"] != row["depth"]:
        return None
    return float(row["depth"]), float(row["lateral"])


__all__ = ["AIM", "RULE", "Frame", "play_diagram", "play_points", "svg", "trail", "turf"]
