"""The route of every eligible man of a play: name, probability, and the geometry measured beside it.

The name comes from the network (`models.routes`), stem and break from a two-segment reading of the same
path; `source` is `estimated` unless a person corrected it. Nothing is said of a man seen for less than
half a second after the snap, and a name below the threshold is `unknown`.
"""

from __future__ import annotations

import functools
import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from models.routes.classifier import RouteClassifier, RoutePrediction
from models.routes.features import (
    BACKFIELD_YD,
    GRID_S,
    MEASURED_SD_YD,
    Break,
    Grid,
    RoutePath,
    to_grid,
    two_segments,
)
from models.routes.labels import UNKNOWN, Taxonomy, load_taxonomy
from vision.combinations import Runner, together
from vision.plays.motion import own_sd
from vision.route_doubt import with_doubt

STOPS = ("hitch", "hook", "curl", "comeback")
UNBROKEN = ("go", "block", "screen", "checkdown", "flat", "swing")
_EARLIEST_BREAK_S = 0.4
MEASURED_AFTER_THROW_S = 1.0
MOST_SNAP_S, MOST_THROW_S, LEAST_SNAP_S = 0.1, 0.2, 0.04
"""how far the clock is moved, at most, when names are asked for on clocks that may also be right; a snap
known better than the last is taken as it is"""
BACKS_WITHIN_YD = 5.0
"""who stands in the backfield no farther aside from the ball is a back: his route is called apart"""
NEGLIGIBLE = 0.0005
"""names less likely than this are not kept beside a man's route"""
LONG_LOST_S = 0.7
"""longer than a man is usually hidden by others; then he has left the picture"""


@dataclass(frozen=True)
class Route:
    """One man's route. Depth and lateral in the play frame (yd), times from the snap (s), angles in degrees
    (+ toward the sideline of his side). NaN = no break, or not seen.

    label: one of the label set or 'unknown'; best: the most likely name even when the answer is unknown.
    break_sd_s, stem_sd_yd: standard deviations of the measured break (from simulated plays).
    """

    player_id: str
    label: str
    probability: float
    runner_up: str
    runner_up_probability: float
    best: str
    stem_depth_play_yd: float = math.nan
    break_s: float = math.nan
    break_angle_deg: float = math.nan
    break_depth_play_yd: float = math.nan
    break_lateral_play_yd: float = math.nan
    max_depth_play_yd: float = math.nan
    end_depth_play_yd: float = math.nan
    end_lateral_play_yd: float = math.nan
    top_speed_yd_per_s: float = math.nan
    stem_sd_yd: float = math.nan
    break_sd_s: float = math.nan
    source: str = "estimated"
    twelve: str = ""
    twelve_probability: float = math.nan
    """likeliest name of the coarser set of twelve, by what was run until the ball came; '' when corrected"""
    called_twelve: str = ""
    called_twelve_probability: float = math.nan
    """name of the coarser set by what was called: the likeliest sum over the names of the trade that fall
    together there (hitch, hook and curl are one), so that it may be known where `label` is not; '' outside
    the set"""
    chances: Mapping[str, float] = field(default_factory=dict)
    """names with their probabilities, the likeliest first, before the men of a side were read together"""

    @property
    def route(self) -> str:
        return self.label

    def row(self, play_id: str) -> dict[str, Any]:
        """As a row of the exported table `routes`."""
        return {
            "play_id": play_id,
            "player_id": self.player_id,
            "route": self.label,
            "probability": self.probability,
            "runner_up": self.runner_up,
            "stem_depth_play_yd": self.stem_depth_play_yd,
            "break_s": self.break_s,
            "break_angle_deg": self.break_angle_deg,
            "max_depth_play_yd": self.max_depth_play_yd,
            "end_depth_play_yd": self.end_depth_play_yd,
            "end_lateral_play_yd": self.end_lateral_play_yd,
            "runner_up_probability": self.runner_up_probability,
            "best": self.best,
            "break_depth_play_yd": self.break_depth_play_yd,
            "break_lateral_play_yd": self.break_lateral_play_yd,
            "top_speed_yd_per_s": self.top_speed_yd_per_s,
            "stem_sd_yd": self.stem_sd_yd,
            "break_sd_s": self.break_sd_s,
            "source": self.source,
            "route_twelve": self.twelve,
            "route_twelve_probability": self.twelve_probability,
            "route_called_twelve": self.called_twelve,
            "route_called_twelve_probability": self.called_twelve_probability,
            "route_chances": json.dumps({name: round(p, 4) for name, p in self.chances.items()}),
        }


def paths_of_play(play: Any) -> tuple[list[str], list[RoutePath]]:
    """Ids and paths of the eligible men of an understood `Play` (with its tracks)."""
    tracks = play.tracks
    if tracks is None or not play.understood:
        return [], []
    width = {"canadian": 65.0}.get(play.standard, 160.0 / 3.0)
    spot = play.spot_y_field_yd.value
    right, left = (spot, width - spot) if play.direction == 1 else (width - spot, spot)
    clock = np.asarray(tracks.t_s) - play.snap_s.value
    throw = play.throw_s.value - play.snap_s.value
    ends = [v.value - play.snap_s.value for v in (play.arrival_s, play.end_s) if v.known]
    ends = [e for e in ends if not e < throw]
    window = (clock >= -1.0) & (clock <= 6.5)
    target_known = play.throw_s.known and play.target_player_id != ""
    sd = own_sd(tracks)
    lost = _long_lost(np.asarray(tracks.observed, bool), np.asarray(tracks.t_s, float))
    seen = ~lost | (sd <= MEASURED_SD_YD)  # a place so certain was measured in the other film
    ids, paths = [], []
    for man in play.eligible:
        if man.player_id not in tracks.ids:
            continue
        at = tracks.index(man.player_id)
        xy = np.where(seen[at, :, None], np.asarray(tracks.xy_field_yd[at], float), np.nan)[window]
        ids.append(man.player_id)
        number = 0 if man.role == "RB" and man.receiver_number == 0 else (man.receiver_number or -1)
        paths.append(
            RoutePath(
                clock[window],
                play.to_play(xy),
                throw,
                min(ends, default=math.nan),
                right,
                left,
                number,
                sd[at][window],
                man.player_id == play.target_player_id if target_known else None,
            )
        )
    return ids, paths


def _long_lost(observed: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """(P,T) bool: inside a stretch of LONG_LOST_S or more without a look at the man, where a tracker's
    straight bridge would pass for running (and braking)."""
    out = np.zeros(observed.shape, bool)
    for k, row in enumerate(observed):
        edges = np.flatnonzero(np.diff(np.concatenate([[True], row, [True]]).astype(int)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            until = t_s[stop] if stop < len(t_s) else t_s[-1] + 1.0
            if until - t_s[max(start - 1, 0)] > LONG_LOST_S:
                out[k, start:stop] = True
    return out


def read_routes(
    play: Any, classifier: RouteClassifier | None = None, corrections: Mapping[str, str] | None = None
) -> dict[str, Route]:
    """Routes of a play's eligible men, by player id. corrections: player_id -> label set by a person."""
    ids, paths = paths_of_play(play)
    clock_sd_s = (play.snap_s.sd, play.throw_s.sd)
    return name_paths(ids, paths, classifier, corrections, clock_sd_s, one_play=True)


def name_paths(
    ids: Sequence[str],
    paths: Sequence[RoutePath],
    classifier: RouteClassifier | None = None,
    corrections: Mapping[str, str] | None = None,
    clock_sd_s: tuple[float, float] = (0.0, 0.0),
    one_play: bool = False,
) -> dict[str, Route]:
    """As `read_routes`, from bare paths (a tracking table, a notebook). clock_sd_s: standard deviations of
    snap and throw (s); names are means over the clocks that may be right. one_play: the paths are those of
    one play, whose men are read side by side (`vision.combinations.together`)."""
    if not paths:
        return {}
    classifier = classifier or RouteClassifier.load()
    grids = _over_clocks(paths, clock_sd_s)
    said = with_doubt(_mean_prediction(classifier, grids, "trade"), paths, grids[0])
    coarse = _coarse_prediction(classifier, grids, paths, clock_sd_s)
    alone = said
    if one_play:
        said = _side_by_side(ids, paths, grids[0], said, corrections or {})
    answers = said.answer
    grid = to_grid([_until_soon_after_the_throw(p) for p in paths])
    measured = measure(grid)
    out = {}
    for i, player in enumerate(ids):
        (best, p), (second, p2) = said.ranked(i, 2)
        label, source = str(answers[i]), "estimated"
        if corrections and player in corrections:
            label, best, p, source = corrections[player], corrections[player], 1.0, "corrected"
        if not said.usable[i] and source != "corrected":
            out[player] = Route(player, UNKNOWN, math.nan, "", math.nan, "", source="")
            continue
        route = _route(player, label, best, p, second, p2, grid, measured, i, source)
        if coarse is not None and source != "corrected" and best != "block":
            name, chance = coarse.ranked(i, 1)[0]
            route = replace(route, twelve=name, twelve_probability=chance)
        likely = [
            (name, chance) for name, chance in alone.ranked(i, len(said.labels)) if chance >= NEGLIGIBLE
        ]
        chances = {label: 1.0} if source == "corrected" else dict(likely)
        every = chances if source == "corrected" else dict(said.ranked(i, len(said.labels)))
        called, called_p = called_twelve(every)
        out[player] = replace(
            route, chances=chances, called_twelve=called, called_twelve_probability=called_p
        )
    return out


def _side_by_side(
    ids: Sequence[str],
    paths: Sequence[RoutePath],
    grid: Grid,
    said: RoutePrediction,
    corrections: Mapping[str, str],
) -> RoutePrediction:
    """The prediction for the men of one play, those of a side together; corrected routes stand."""
    names, men = said.labels, []
    for i in np.flatnonzero(said.usable).tolist():
        chances = dict(zip(names, said.probability[i].tolist(), strict=True))
        if ids[i] in corrections:
            chances = {corrections[ids[i]]: 1.0}
        side = "right" if grid.side[i] > 0 else "left"
        depth, out = grid.start_yd[i]
        back = depth < BACKFIELD_YD and abs(out) < BACKS_WITHIN_YD
        men.append(Runner(str(i), side, 0 if back else paths[i].number, chances))
    probability = said.probability.copy()
    for who, chances in together(men).items():
        if ids[int(who)] not in corrections:
            probability[int(who)] = [chances[name] for name in names]
    return replace(said, probability=probability)


def _over_clocks(paths: Sequence[RoutePath], clock_sd_s: tuple[float, float]) -> list[Grid]:
    """The paths on the clock as it is and on four others: snap early or late, throw early or late."""
    grids = [to_grid(paths)]
    snap, throw = (float(v) if math.isfinite(v) else 0.0 for v in clock_sd_s)
    if snap < LEAST_SNAP_S:
        return grids
    snap, throw = min(1.4 * snap, MOST_SNAP_S), min(throw, MOST_THROW_S)
    for a, b in itertools.product((-snap, snap), (-throw, throw)):
        moved = [replace(p, t_s=p.t_s + a, throw_s=p.throw_s + a + b, end_s=p.end_s + a + b) for p in paths]
        grids.append(to_grid(moved))
    return grids


def _mean_prediction(classifier: RouteClassifier, grids: Sequence[Grid], head: str) -> RoutePrediction:
    """Mean prediction over the grids of the same men."""
    every = [classifier.predict_grid(grid, head) for grid in grids]
    if len(every) == 1:
        return every[0]
    return replace(every[0], probability=np.mean([e.probability for e in every], axis=0))


def _coarse_prediction(
    classifier: RouteClassifier,
    grids: Sequence[Grid],
    paths: Sequence[RoutePath],
    clock_sd_s: tuple[float, float],
) -> RoutePrediction | None:
    """The coarse names, by what was run until the ball came: a mean over views of the men not thrown to that
    end soon after the throw (`grids`) and views that end with the ball, because some run on and others leave
    for the ball (.817 right with the long views alone, .835 with the short ones, .833 with both, 437
    receivers of 21 tuning games; on routes of three drawing programs .861, .845 and .857). None without
    such a head."""
    if "twelve" not in classifier.label_sets:
        return None
    if any(p.thrown_to is False for p in paths):
        grids = [*grids, *_over_clocks([replace(p, thrown_to=None) for p in paths], clock_sd_s)]
    return _mean_prediction(classifier, grids, "twelve")


def called_twelve(chances: Mapping[str, float]) -> tuple[str, float]:
    """Likeliest name of the coarser set with its probability, by sums of those of the trade; '' and NaN where
    what lies outside the set is likelier (or the labels are not of the trade)."""
    taxonomy, mass = _twelve(), dict[str, float]()
    for name, p in chances.items():
        theirs = taxonomy.mapping.get(name) or ""
        mass[theirs] = mass.get(theirs, 0.0) + p
    best = max(mass, key=lambda n: mass[n], default="")
    return (best, min(1.0, mass[best])) if best else ("", math.nan)


@functools.lru_cache(maxsize=1)
def _twelve() -> Taxonomy:
    return load_taxonomy("twelve")


def _until_soon_after_the_throw(path: RoutePath) -> RoutePath:
    """The path whose break and end are measured: later on men leave their routes for the ball."""
    path = replace(path, thrown_to=None)
    last = path.throw_s + MEASURED_AFTER_THROW_S
    return path if not last < path.end_s else replace(path, end_s=last)


def _route(
    player: str,
    label: str,
    best: str,
    p: float,
    second: str,
    p2: float,
    grid: Grid,
    br: Break,
    i: int,
    source: str,
) -> Route:
    seen = np.flatnonzero(grid.seen[i] & (GRID_S >= 0))
    path = grid.path_yd[i].astype(float)
    speed = np.hypot(*np.gradient(path, 0.1, axis=0).T)
    side = int(grid.side[i])
    base: dict[str, Any] = {
        "max_depth_play_yd": float(path[seen, 0].max()),
        "end_depth_play_yd": float(path[seen[-1], 0]),
        "end_lateral_play_yd": float(path[seen[-1], 1] * side),
        "top_speed_yd_per_s": float(np.convolve(speed, np.ones(3) / 3, "same")[seen].max()),
    }
    clear = (
        br.misfit_one[i] > 0.35
        and br.misfit_two[i] < 0.75 * br.misfit_one[i]
        and br.time_s[i] > _EARLIEST_BREAK_S
    )
    if best in UNBROKEN or not (clear or best in STOPS):
        return Route(player, label, p, second, p2, best, source=source, **base)
    at = _refine(path, int(br.index[i]), seen, best)
    before, after = _headings(path, at, seen)
    return Route(
        player,
        label,
        p,
        second,
        p2,
        best,
        float(path[at, 0]),
        float(GRID_S[at]),
        float((after - before + 180) % 360 - 180),
        float(path[at, 0]),
        float(path[at, 1] * side),
        stem_sd_yd=0.9,
        break_sd_s=0.2,
        source=source,
        **base,
    )


def _refine(path: np.ndarray, first: int, seen: np.ndarray, label: str) -> int:
    """A stop breaks where he is deepest for the first time; a cut where the turning begins: back from the
    corner of the two segments, at most 0.4 s, while the heading is off the stem's by more than 12 degrees."""
    at = first
    if label not in STOPS:
        stem = path[max(at - 4, int(seen[0]))] - path[int(seen[0])]
        while at > int(seen[0]) + 3 and at > first - 4:
            step = path[at] - path[at - 1]
            off = math.degrees(math.atan2(step[1], step[0]) - math.atan2(stem[1], stem[0]))
            if abs((off + 180) % 360 - 180) < 12:
                break
            at -= 1
        return at
    deepest = path[seen, 0].max()
    return int(seen[np.argmax(path[seen, 0] > deepest - 0.3)])


def _headings(path: np.ndarray, at: int, seen: np.ndarray) -> tuple[float, float]:
    """Headings (deg) over 0.8 s before the break and from 0.2 to 1.0 s after it, within the window."""
    a0, a1 = max(at - 8, int(seen[0])), max(at - 1, int(seen[0]))
    b0, b1 = min(at + 2, int(seen[-1])), min(at + 10, int(seen[-1]))
    d0, d1 = path[a1] - path[a0], path[b1] - path[b0]
    before = math.degrees(math.atan2(d0[1], d0[0]))
    after = math.degrees(math.atan2(d1[1], d1[0])) if b1 > b0 else before
    return before, after


def measure(grid: Grid) -> Break:
    """Two-segment reading of every path (see `models.routes.features.two_segments`)."""
    return two_segments(grid)
