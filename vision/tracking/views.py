"""Two films of one play, from the sideline and from behind the end zone, as one set of identities.

The clocks are set against each other by motion alone: for every trial offset the men of both views are
paired one to one (least total distance on the field); the offset with the closest pairs wins. With the
films at hand both are then followed again as one (`together`). From tracks alone, pairs are fused, each view
weighed by its own variance; where the views disagree the place is marked uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.records import OF_MEN, Tracks
from vision.tracking.clock import at_times
from vision.tracking.pairing import best_offset, distances
from vision.tracking.stretch import (
    BADLY_PAIRED_YD,
    NO_STRETCH,
    moved_between,
    moved_by,
    stretch_between,
    unstretched,
)
from vision.tracking.together import Film, Setting, follow_together, sides_of_pairs

LEAST_LOOKS = 100
"""Places of men in both views needed to tell how far the views lie apart."""
SURE_YD, OFF_YD, LEAST_SHIFT_YD = 0.25, 0.4, 0.15
"""A place is never taken for surer than the first; pairs farther off than the second count less and less; of
views nearer than the third nothing is said (good cameras: 0.03 to 0.1 yd, as exact as this is told)."""
LEAST_SHARE = 0.5
"""Of the men of the view with fewer, the share that must agree: by chance a quarter does."""
FEWER = 3
"""Following both as one may lose this many players against fusing before it is not believed."""


@dataclass(frozen=True)
class JoinedViews:
    """tracks: fused, on the first view's clock and rows. offset_s: add to the second view's times to get
    the first's; NaN where the views could not be joined (then tracks is the first view alone).
    pairs: (id in first, id in second). apart_yd: median distance of paired places before fusing.
    message: what a person should know, '' = nothing. each: where both films were followed as one, the same
    identities on the frames and box rows of the first and of the second film (else empty). turned: the second
    view's field was turned by half a turn. remarks: the part of the message that puts the play in doubt."""

    tracks: Tracks
    offset_s: float
    pairs: tuple[tuple[str, str], ...]
    apart_yd: float
    message: str = ""
    each: tuple[Tracks, ...] = ()
    turned: bool = False
    remarks: tuple[str, ...] = ()


def join_views(
    first: Tracks, second: Tracks, standard: Any, longest_offset_s: float = 4.0, least_pairs: int = 6,
    largest_apart_yd: float = 1.5, films: tuple[Film, Film] | None = None,
) -> JoinedViews:  # fmt: skip
    """Fuse two views of one play. Needs `least_pairs` men close to each other in both; abstains if not.

    films: boxes and cameras of both views, to follow them as one. The second view may have been solved with
    the field turned by half a turn; that is tried as well.
    """
    best: tuple[float, float, bool] = (np.inf, 0.0, False)
    for turned in (False, True):
        other = _turn(second, standard) if turned else second
        offset, cost = best_offset(first, other, longest_offset_s)
        if cost < best[0]:
            best = (cost, offset, turned)
    cost, offset, turned = best
    other, stretch = _turn(second, standard) if turned else second, NO_STRETCH
    if cost > BADLY_PAIRED_YD:
        offset, stretch = stretch_between(first, other, cost, offset, longest_offset_s)
        other = unstretched(other, stretch)
    moved, i, j = _paired(first, other, offset, largest_apart_yd)
    needed = max(least_pairs, round(LEAST_SHARE * min(_players(first), _players(second))))
    off = (0.0, 0.0)
    if len(i) < needed:
        late, off = moved_between(first, other, offset, longest_offset_s)
        moved, *pairs = _paired(first, moved_by(other, -np.array(off)), late, largest_apart_yd)
        if len(pairs[0]) < needed:
            text = f"the two views could not be joined: {len(i)} men agree, {needed} needed"
            return JoinedViews(first, float("nan"), (), float("nan"), text)
        offset, (i, j) = late, pairs
    apart = np.linalg.norm(first.xy_field_yd[i] - moved.xy_field_yd[j], axis=-1)
    fused = _fuse(first, moved, i, j, int(standard.players_per_side))
    named = tuple((first.ids[a], second.ids[b]) for a, b in zip(i, j, strict=True))
    wide = f"the second view's field is {stretch[0]:.2f} as wide as by the first"
    away = f"the second view sees the men {np.hypot(*off):.1f} yd from where the first does"
    remarks = (*[wide] * (stretch != NO_STRETCH), *[away] * (off != (0.0, 0.0)))
    message = "; ".join([*["the second view's field was turned by half a turn"] * turned, *remarks])
    if films is not None:
        rest = shift_between(first, moved, i, j)
        shift = (off[0] + rest[0], off[1] + rest[1])
        setting = Setting(float(offset), turned, _crossed(first, moved, i, j), shift, stretch)
        told = sides_of_pairs(films, (first, second), np.column_stack([i, j]), setting.crossed, standard)
        each = follow_together(*films, setting, standard, told=told)
        if each is not None and _players(each[0]) >= _players(fused) - FEWER:
            return JoinedViews(
                each[0], float(offset), named, float(np.nanmedian(apart)), message, each, turned, remarks
            )
    return JoinedViews(fused, float(offset), named, float(np.nanmedian(apart)), message, (), turned, remarks)


def _paired(
    first: Tracks, second: Tracks, offset_s: float, largest_apart_yd: float
) -> tuple[Tracks, np.ndarray, np.ndarray]:
    """The second view at the first's times, and the rows of the men of both who are close to one another."""
    moved = at_times(second, first.t_s - offset_s)
    distance = distances(first.xy_field_yd, moved.xy_field_yd)
    i, j = linear_sum_assignment(distance) if distance.size else (np.zeros(0, int), np.zeros(0, int))
    close = distance[i, j] < largest_apart_yd
    return moved, i[close], j[close]


def _players(tracks: Tracks) -> int:
    return len(tracks.of_team("A", "B"))


def _crossed(first: Tracks, second: Tracks, i: np.ndarray, j: np.ndarray) -> bool:
    """Whether the pairs say that the second view's side A is the first's side B."""
    sign = {"A": 1, "B": -1}
    votes = [sign.get(first.team[a], 0) * sign.get(second.team[b], 0) for a, b in zip(i, j, strict=True)]
    return sum(votes) < 0


def shift_between(
    first: Tracks, second: Tracks, i: np.ndarray, j: np.ndarray, rounds: int = 4
) -> tuple[float, float]:
    """How far the second view sees the paired men (i, j) from where the first sees them, x and y in yards.

    A camera that is some tenths of a yard off moves all men alike, for the whole clip: more than the camera
    behind the end zone errs to the side, so the boxes of both would not pass for one man's. The mean of all
    pairs with Huber weights; (0, 0) where too few places are known in both or the views agree.
    """
    apart = second.xy_field_yd[j] - first.xy_field_yd[i]
    known = np.isfinite(apart).all(-1) & ~first.uncertain[i] & ~second.uncertain[j]
    if known.sum() < LEAST_LOOKS:
        return 0.0, 0.0
    off = apart[known]
    variance = (first.sd_yd[i] ** 2 + second.sd_yd[j] ** 2)[known]
    trust = 1 / np.maximum(variance, SURE_YD**2)
    shift = np.zeros(2)
    for _ in range(rounds):
        far = np.linalg.norm(off - shift, axis=1)
        weight = trust / np.maximum(1.0, far / OFF_YD)
        shift = weight @ off / weight.sum()
    if np.linalg.norm(shift) < LEAST_SHIFT_YD:
        return 0.0, 0.0
    return float(shift[0]), float(shift[1])


def _turn(tracks: Tracks, standard: Any) -> Tracks:
    middle = np.array([float(standard.length_yd), float(standard.width_yd)])
    velocity = -tracks.velocity_field_yd_per_s
    return replace(tracks, xy_field_yd=middle - tracks.xy_field_yd, velocity_field_yd_per_s=velocity)


def _fuse(first: Tracks, moved: Tracks, i: np.ndarray, j: np.ndarray, men_a_side: int) -> Tracks:
    xy, velocity = np.array(first.xy_field_yd), np.array(first.velocity_field_yd_per_s)
    sd, observed = np.array(first.sd_yd), np.array(first.observed)
    uncertain = np.array(first.uncertain)
    evidence = np.array(first.number_evidence)
    evidence[i] += moved.number_evidence[j]
    for a, b in zip(i, j, strict=True):
        here, there = np.isfinite(sd[a]), np.isfinite(moved.sd_yd[b])
        wa = np.where(here, 1 / np.maximum(np.nan_to_num(sd[a], nan=1), 0.05) ** 2, 0)
        wb = np.where(there, 1 / np.maximum(np.nan_to_num(moved.sd_yd[b], nan=1), 0.05) ** 2, 0)
        total = np.where(wa + wb > 0, wa + wb, np.nan)
        apart = np.linalg.norm(xy[a] - moved.xy_field_yd[b], axis=-1)
        spread = np.sqrt(1 / np.maximum(wa, 1e-9) + 1 / np.maximum(wb, 1e-9))
        disagree = here & there & (apart > np.maximum(3 * spread, 1.5))
        wb = np.where(disagree & (wa >= wb), 0, wb)
        wa = np.where(disagree & (wb > 0), 0, wa)
        total = np.where(wa + wb > 0, wa + wb, np.nan)
        for mine, theirs in ((xy, moved.xy_field_yd), (velocity, moved.velocity_field_yd_per_s)):
            sum_ = wa[:, None] * np.nan_to_num(mine[a]) + wb[:, None] * np.nan_to_num(theirs[b])
            mine[a] = sum_ / total[:, None]
        sd[a] = np.sqrt(1 / total)
        uncertain[a] = np.where(there & ~moved.uncertain[b], False, uncertain[a]) | disagree
        observed[a] |= moved.observed[b] & np.isfinite(sd[a])
    fused = replace(
        first, xy_field_yd=xy, velocity_field_yd_per_s=velocity, sd_yd=sd, observed=observed,
        uncertain=uncertain, number_evidence=evidence,
    )  # fmt: skip
    return _add_unpaired(fused, moved, i, j, men_a_side)


def _add_unpaired(fused: Tracks, moved: Tracks, i: np.ndarray, j: np.ndarray, men_a_side: int) -> Tracks:
    """Men whom only the second view saw, while their side is not full."""
    votes: dict[str, dict[str, int]] = {}
    for a, b in zip(i, j, strict=True):
        votes.setdefault(moved.team[b], {}).setdefault(fused.team[a], 0)
        votes[moved.team[b]][fused.team[a]] += 1
    side = {theirs: max(v, key=lambda name: v[name]) for theirs, v in votes.items()}
    taken: list[int] = []
    for b in sorted(set(range(len(moved.ids))) - set(j.tolist()), key=lambda k: -moved.observed[k].sum()):
        team = side.get(moved.team[b])
        if team is None or team == "official" or not np.isfinite(moved.sd_yd[b]).any():
            continue
        have = fused.team.count(team) + sum(side[moved.team[k]] == team for k in taken)
        if have < men_a_side:
            taken.append(b)
    if not taken:
        return fused
    extra = moved.select(np.array(taken))
    stack: dict[str, Any] = {
        name: np.concatenate([getattr(fused, name), getattr(extra, name)]) for name in OF_MEN
    }
    return replace(
        fused, **stack, ids=fused.ids + tuple(f"{name}-2" for name in extra.ids),
        team=fused.team + tuple(side[t] for t in extra.team), jersey=fused.jersey + extra.jersey,
    )  # fmt: skip
