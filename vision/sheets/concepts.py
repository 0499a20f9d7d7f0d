"""Routes as a coach draws them: straight legs and sharp breaks over the density of all paths run.

Two kinds of panel: a combination (all men of one side, turned so that their sideline is on the right, from
the ball's spot) and a receiver (everything he runs, from his place at the snap). The drawn lines are paths
that were really run: a combination as on its most usual play, a receiver's routes each by the path nearest to
all others of its name; small bends are left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vision.questions.words import CAUGHT, shown
from vision.sheets.drawing import Frame, _halo, _text, play_points, svg, trail, turf
from vision.sheets.ink import INK, OFFENSE, QUIET
from vision.store import Season

STOPS = ("block", "unknown", "")
LEVELS = 5
CELL_YD, SPREAD_YD = 0.5, 1.0
LEG_YD = 0.5
AFTER_THROW_S = 0.8
"""Paths go on this long after the throw (not beyond the arrival), so that a break is seen to its end."""
ODD_ROUTE_YD, CUT_SHORT_YD = 5.0, 2.0
"""What a play that is not the usual one, or that ended early, counts against being drawn."""
OFTEN = 0.2
"""A second route of the same man is drawn too (broken) where he runs it this often."""


@dataclass(frozen=True)
class Run:
    """One route run on one play: path (N,2) of depth beyond the line of scrimmage and lateral from the ball's
    spot, turned so that + is toward his sideline; caught: True, False (thrown to, not caught), None."""

    play_id: str
    receiver_id: str
    route: str
    number: int
    path: np.ndarray
    caught: bool | None

    def from_start(self) -> np.ndarray:
        """The path from his own place at the snap (depth stays from the line of scrimmage)."""
        return self.path - np.array([0.0, self.path[0, 1]])


def runs_of(season: Season, rows: pd.DataFrame, most_plays: int = 400) -> list[Run]:
    """The paths behind rows of `find`, ten times a second from the snap to just after the throw (3 s where
    no throw is known), of at most `most_plays` plays; paths shorter than half a second are left out."""
    ids = list(dict.fromkeys(rows["play_id"]))[:most_plays]
    out: list[Run] = []
    for start in range(0, len(ids), 40):
        some = ids[start : start + 40]
        plays = season.table("plays", some).set_index("play_id", drop=False)
        paths = {p: g for p, g in season.frame("paths", some).groupby("play_id")}
        for play_id, mine in rows[rows["play_id"].isin(some)].groupby("play_id", sort=False):
            if play_id not in paths:
                continue
            play = plays.loc[play_id]
            at = play_points(paths[play_id], play)
            men = dict(list(at[at["t_s"].between(0, _end_s(play))].groupby("player_id")))
            out += [r for row in mine.to_dict("records") if (r := _run(row, men)) is not None]
    return out


def _end_s(play: pd.Series) -> float:
    throw, arrival = (float(play[f"{n}_s"] - play["snap_s"]) for n in ("throw", "arrival"))
    if throw != throw:
        return 3.0
    return min(arrival, throw + AFTER_THROW_S) if arrival == arrival else throw + AFTER_THROW_S


def _run(row: dict[str, object], men: dict[str, pd.DataFrame]) -> Run | None:
    own = men.get(str(row["receiver_id"]))
    if own is None or row["side"] not in ("left", "right"):
        return None
    own = own.dropna(subset=["depth", "lateral"]).sort_values("t_s").drop_duplicates("t_s")
    if len(own) < 4 or own["t_s"].iloc[-1] - own["t_s"].iloc[0] < 0.5:
        return None
    t = np.arange(own["t_s"].iloc[0], own["t_s"].iloc[-1] + 1e-6, 0.1)
    sign = 1.0 if row["side"] == "right" else -1.0
    path = np.column_stack([
        np.interp(t, own["t_s"], own["depth"]), sign * np.interp(t, own["t_s"], own["lateral"]),
    ])  # fmt: skip
    target, number = row["target"], row["receiver_number"]
    caught = row["result"] in CAUGHT if target is not None and target == target and bool(target) else None
    whole = int(number) if isinstance(number, int | float) and number == number else 0
    return Run(str(row["play_id"]), str(row["receiver_id"]), str(row["route"] or ""), whole, path, caught)


def coach_line(path: np.ndarray, leg_yd: float = LEG_YD) -> np.ndarray:
    """A path (N,2) as straight legs: corners kept where the path bends by more than `leg_yd` off the chord
    (Ramer 1972; Douglas and Peucker 1973)."""
    if len(path) < 3:
        return path
    keep, parts = {0, len(path) - 1}, [(0, len(path) - 1)]
    while parts:
        a, b = parts.pop()
        if b - a < 2:
            continue
        chord = path[b] - path[a]
        off = path[a + 1 : b] - path[a]
        length = float(np.hypot(*chord))
        away = (
            np.abs(chord[0] * off[:, 1] - chord[1] * off[:, 0]) / length
            if length > 1e-6
            else np.hypot(off[:, 0], off[:, 1])
        )
        back = np.maximum(off @ chord / max(length, 1e-6) - length, -(off @ chord) / max(length, 1e-6))
        away = np.maximum(away, back)  # a turn back along the stem lies on the chord, beyond its end
        k = int(away.argmax())
        if away[k] > leg_yd:
            keep.add(a + 1 + k)
            parts += [(a, a + 1 + k), (a + 1 + k, b)]
    return path[sorted(keep)]


def _even(paths: Sequence[np.ndarray]) -> np.ndarray:
    """(N,24,2): every path at 24 moments of its own length."""
    out = np.empty((len(paths), 24, 2))
    for i, p in enumerate(paths):
        at = np.linspace(0, len(p) - 1, 24)
        out[i] = np.column_stack([np.interp(at, np.arange(len(p)), p[:, k]) for k in (0, 1)])
    return out


def typical(paths: Sequence[np.ndarray]) -> int:
    """Row of the path nearest to all others; one of the longer half, which show the route to its end."""
    even, length = _even(paths), np.array([len(p) for p in paths])
    apart = np.linalg.norm(even[:, None] - even[None], axis=-1).mean(-1).sum(1)
    return int(np.where(length >= np.median(length), apart, np.inf).argmin())


def usual_play(runs: Sequence[Run]) -> str:
    """The play that shows a combination best: its men run their most common routes, along the paths nearest
    to those of the other plays, and long enough to see the breaks."""
    cost: dict[str, float] = dict.fromkeys((r.play_id for r in runs), 0.0)
    for number in {r.number for r in runs}:
        mine = [r for r in runs if r.number == number]
        even, length = _even([r.path for r in mine]), np.array([len(r.path) for r in mine])
        apart = np.linalg.norm(even[:, None] - even[None], axis=-1).mean(-1).mean(1)
        common = Counter(r.route for r in mine).most_common(1)[0][0]
        for r, away, n in zip(mine, apart, length, strict=True):
            odd = ODD_ROUTE_YD * (r.route != common) + CUT_SHORT_YD * bool(n < np.median(length))
            cost[r.play_id] += float(away) + odd
    men = Counter(r.play_id for r in runs)
    full = Counter(men.values()).most_common(1)[0][0]
    return min(men, key=lambda p: (men[p] != full, cost[p], p))


def density(frame: Frame, paths: Sequence[np.ndarray], colour: str = OFFENSE) -> list[str]:
    """Where the paths ran, as shaded yards in five steps: the share of the runs that came by each yard,
    a little smoothed; the darkest step is the busiest place."""
    wide, high = (round(v / CELL_YD / 10) for v in frame.size)
    if not len(paths) or not wide or not high:
        return []
    grid = np.zeros((high, wide))
    depth = frame.low_yd + CELL_YD * (np.arange(high) + 0.5)
    lateral = frame.left_yd + CELL_YD * (np.arange(wide) + 0.5)
    for path in paths:
        across = np.exp(-0.5 * ((lateral[None] - path[:, 1:]) / SPREAD_YD) ** 2)
        along = np.exp(-0.5 * ((depth[None] - path[:, :1]) / SPREAD_YD) ** 2)
        grid += (along[:, :, None] * across[:, None, :]).max(0)
    level = np.ceil(np.sqrt(grid / max(grid.max(), 1e-9)) * LEVELS - 0.6).astype(int)
    out, side = [], 10 * CELL_YD
    for r in range(high):
        edges = np.flatnonzero(np.diff(np.r_[-1, level[r], -1]))
        for a, b in zip(edges[:-1], edges[1:], strict=True):
            if level[r, a] > 0:
                x, y = frame.x(lateral[a]) - side / 2, frame.y(depth[r]) - side / 2
                out.append(f'<rect x="{x:.0f}" y="{y:.0f}" width="{side * (b - a):.0f}" height="{side:.0f}" '
                           f'opacity="{0.06 * level[r, a]:.2f}"/>')  # fmt: skip
    return [f'<g fill="{colour}" shape-rendering="crispEdges">', *out, "</g>"]


def _routes_by_use(runs: Sequence[Run]) -> list[tuple[str, list[Run]]]:
    named = [r for r in runs if r.route not in STOPS]
    counts = Counter(r.route for r in named)
    return [(route, [r for r in named if r.route == route]) for route, _ in counts.most_common()]


def combination_panel(runs: Sequence[Run], name: str, high_yd: float = 26.0) -> str:
    """One combination as on its most usual play, every man's route as a coach's line from his number, over
    the density of all plays' paths; broken: another route that a man runs often here."""
    frame = Frame(-14, 27, -9, high_yd)
    shown_play = usual_play(runs)
    body = [*turf(frame), *density(frame, [r.path for r in runs])]
    labels: list[tuple[float, float, str]] = []
    starts: list[str] = []
    for run in (r for r in runs if r.play_id == shown_play):
        same = [r for r in runs if r.number == run.number]
        for route, others in _routes_by_use([r for r in same if r.route != run.route])[:1]:
            if len(others) >= max(2, OFTEN * len(same)):
                other = others[typical([r.path for r in others])].path
                body.append(_coach(frame, other - other[0] + run.path[0], True))
                labels.append(_label(frame, other - other[0] + run.path[0], f"({shown(route)})"))
        body.append(_coach(frame, run.path, False))
        labels.append(_label(frame, run.path, shown(run.route)))
        starts.append(_start(frame, run.path[0], str(run.number) if run.number else ""))
    body += [*starts, *_spread(labels, frame), _ball(frame)]
    plays = len({r.play_id for r in runs})
    return svg(frame, body, name, f"{name}: paths of {plays} plays, drawn as on play {shown_play}")


def receiver_panel(runs: Sequence[Run], name: str) -> str:
    """Everything one receiver runs from his place at the snap: the usual path of every route (thicker where
    it is run more), over the density of all of them; dots where he was thrown to, filled when caught."""
    frame = Frame(-20, 20, -6, 28)
    paths = [r.from_start() for r in runs]
    body = [*turf(frame), *density(frame, paths)]
    labels: list[tuple[float, float, str]] = []
    for rank, (route, same) in enumerate(_routes_by_use(runs)[:7]):
        if rank >= 2 and len(same) < 2:
            continue
        path = same[typical([r.from_start() for r in same])].from_start()
        body.append(_coach(frame, path, False, 2.0 + 2.4 * len(same) / max(1, len(runs))))
        labels.append(_label(frame, path, f"{shown(route)} {len(same)}"))
    for run in runs:
        if run.caught is not None:
            x, y = frame.x(run.from_start()[-1, 1]), frame.y(run.path[-1, 0])
            fill = INK if run.caught else "#fff"
            body.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="{fill}" stroke="{INK}" stroke-width="1.2"/>'
            )
    start = np.array([np.median([p[0, 0] for p in paths]), 0.0])
    body += [_start(frame, start, ""), *_spread(labels, frame)]
    body.append(_text(frame.x(19.5), frame.y(-5.2), "sideline →", QUIET, 12, "end"))
    body.append(_text(frame.x(-19.5), frame.y(-5.2), "← inside", QUIET, 12))
    caught, thrown = sum(r.caught is True for r in runs), sum(r.caught is not None for r in runs)
    return svg(frame, body, name, f"{len(runs)} routes of {name}, thrown to {thrown}, caught {caught}")


def _label(frame: Frame, path: np.ndarray, text: str) -> tuple[float, float, str]:
    """Above the end of a path; over its highest point where it comes back, so that the turn stays free."""
    near = path[np.abs(path[:, 1] - path[-1, 1]) < 4.0]
    back = float(near[:, 0].max() - path[-1, 0])
    top = float(near[:, 0].max()) if 0.3 < back < 6.0 else float(path[-1, 0])
    return frame.x(path[-1, 1]), frame.y(top) - 10, text


def _coach(frame: Frame, path: np.ndarray, broken: bool, width: float = 3.2) -> str:
    dash = "8 6" if broken else ""
    return trail(frame, coach_line(path), OFFENSE, 2.0 if broken else width, dash, 0.95, arrow=True)


def _start(frame: Frame, place: np.ndarray, text: str) -> str:
    x, y = frame.x(place[1]), frame.y(place[0])
    label = (
        f'<text x="{x:.1f}" y="{y + 4:.1f}" fill="#fff" font-size="11" text-anchor="middle" '
        f'font-weight="700">{text}</text>'
    )
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="{OFFENSE}"/>' + (label if text else "")


def _ball(frame: Frame) -> str:
    x, y = frame.x(0), frame.y(0)
    pen = f'fill="#fff" stroke="{INK}" stroke-width="2"'
    return f'<rect x="{x - 6:.1f}" y="{y + 1:.1f}" width="12" height="12" {pen}/>'


def _spread(labels: Sequence[tuple[float, float, str]], frame: Frame, apart: float = 15.0) -> list[str]:
    """Labels moved up until none covers another (down where there is no room), kept inside the drawing."""
    width, height = frame.size
    placed: list[tuple[float, float, str]] = []
    for x, y, text in sorted(labels, key=lambda v: -v[1]):
        half = 3.4 * len(text) + 4
        x = float(np.clip(x, half, width - half))
        y = float(np.clip(y, 14, height - 6))
        others = [(py, 3.4 * len(pt) + 4) for px, py, pt in placed if abs(px - x) < half + 3.4 * len(pt) + 4]
        step = -2.0
        while any(abs(y - py) < apart for py, _ in others):
            y += step
            if y < 14:
                y, step = 14.0, 2.0
        placed.append((x, y, text))
    return [_halo(x, y, text, OFFENSE) for x, y, text in placed]
