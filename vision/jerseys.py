"""Which number each man wears: looks taken while the film is decoded, voted over the clip, a team at a time.

A look is what the reader says of one box in one frame (`models.jerseys.reader`). All looks of one identity
are added up (Bayes' rule), discounted because neighbouring frames err together. Two men of one team never
share a number, and with a roster only its numbers count, or none of these. An answer is given where one
number is likelier than `SURE`; else the number stays blank.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.jerseys.reader import NUMBERS, JerseyReader, number_log_likelihood
from vision.records import OTHER, PLAYER, Detections, Tracks

LOOKS_HZ = 4.0
"""Frames a second that are looked at: a man's numbers of neighbouring frames say the same."""
LEAST_HEIGHT_PX, LEAST_CONFIDENCE, MOST_MEN = 44.0, 0.35, 26
"""A box of 44 px has digits of about 6 px, the least that held crops and film could still be read at now and
then; boxes cut by the picture's edge by more than a tenth of their width are left out."""
CORRELATED = 0.25
"""n looks of one view count as n / (1 + CORRELATED * (n - 1))."""
NOT_LISTED = 0.03
"""Chance that a man on the field is not on his team's roster (typing errors, late changes)."""
SURE = 0.95
"""Chosen, with CORRELATED, on nineteen plays of four tuning films with rosters: of the answers from 0.9 on
0.975 were right (n 119), from 0.95 on 0.99 (n 100)."""


@dataclass(frozen=True)
class NumberLooks:
    """Looks of one clip. box (M,) int32 rows of its Detections, growing; looks (M,LOOK_COLUMNS) float16
    log-probabilities (see `models.jerseys.reader`)."""

    box: np.ndarray
    looks: np.ndarray


class LookCollector:
    """Takes looks at the men of some frames while a clip is decoded, in order."""

    def __init__(self, reader: JerseyReader) -> None:
        self.reader = reader
        self._next_s = -np.inf
        self._first_row = 0
        self._box: list[np.ndarray] = []
        self._looks: list[np.ndarray] = []

    def add(
        self, t_s: float, bgr: np.ndarray, xyxy_px: np.ndarray, confidence: np.ndarray, kind: np.ndarray
    ) -> None:
        """One frame with all its boxes (N,4), in the order in which they go into the Detections."""
        first, self._first_row = self._first_row, self._first_row + len(xyxy_px)
        if t_s < self._next_s:
            return
        self._next_s = t_s + 1 / LOOKS_HZ - 1e-3
        rows = worth_a_look(xyxy_px, confidence, kind, bgr.shape[1], bgr.shape[0])
        if len(rows):
            self._box.append(first + rows)
            self._looks.append(self.reader.look(bgr, xyxy_px[rows]).astype(np.float16))

    def finish(self) -> NumberLooks:
        """All looks of the clip."""
        if not self._box:
            return NumberLooks(np.zeros(0, np.int32), self.reader.read(np.zeros(0)).astype(np.float16))
        return NumberLooks(np.concatenate(self._box).astype(np.int32), np.concatenate(self._looks))


def worth_a_look(
    xyxy_px: np.ndarray, confidence: np.ndarray, kind: np.ndarray, width_px: int, height_px: int
) -> np.ndarray:
    """Rows (K,) growing: players (and other people, who may be players) large and sure enough, inside the
    picture; the surest of them if many."""
    b = np.asarray(xyxy_px, float).reshape(-1, 4)
    margin = 0.1 * (b[:, 2] - b[:, 0])
    inside = (b[:, 0] > -margin) & (b[:, 2] < width_px + margin) & (b[:, 1] > -0.1 * (b[:, 3] - b[:, 1]))
    ok = inside & (b[:, 3] - b[:, 1] >= LEAST_HEIGHT_PX) & np.isin(kind, (PLAYER, OTHER))
    rows = np.flatnonzero(ok & (np.asarray(confidence) >= LEAST_CONFIDENCE))
    order = np.argsort(-np.asarray(confidence)[rows], kind="stable")[:MOST_MEN]
    return np.sort(rows[order])


def with_evidence(tracks: Tracks, looks: NumberLooks | None, detections: Detections) -> Tracks:
    """Tracks with `number_evidence`: what the looks at each man's boxes say of every number.

    Frames in which a man's identity is not certain are left out.
    """
    p = len(tracks.ids)
    evidence = np.zeros((p, NUMBERS))
    if looks is None or not len(looks.box) or not p:
        return replace(tracks, number_evidence=evidence)
    if looks.box[-1] >= len(detections):
        raise ValueError(f"looks: box {looks.box[-1]} of a clip that has {len(detections)} boxes")
    each = number_log_likelihood(looks.looks)
    place = np.full(len(detections), -1)
    place[looks.box] = np.arange(len(looks.box))
    for k in range(p):
        rows = tracks.box_index[k][(tracks.box_index[k] >= 0) & ~tracks.uncertain[k]]
        mine = place[rows]
        mine = mine[mine >= 0]
        if len(mine):
            evidence[k] = each[mine].sum(0) / (1 + CORRELATED * (len(mine) - 1))
    return replace(tracks, number_evidence=evidence)


def name_numbers(tracks: Tracks, rosters: Mapping[str, Sequence[int]] | None = None) -> Tracks:
    """Tracks with `jersey` and `jersey_probability` from their evidence; blank where no number is sure.

    rosters: numbers of each of the two teams, by any name; which roster belongs to which side is told by
    the numbers themselves. Men whose number is already known (a table's) keep it.
    """
    sides = {s: np.flatnonzero([t == s for t in tracks.team]) for s in dict.fromkeys(tracks.team)}
    sides = {s: rows for s, rows in sides.items() if s not in ("official", "unknown")}
    evidence = tracks.number_evidence
    lists = _lists_of_sides(evidence, sides, rosters or {})
    jersey, probability = list(tracks.jersey), np.array(tracks.jersey_probability)
    for side, rows in sides.items():
        chances = chances_of_team(evidence[rows], lists.get(side))
        for row, chance in zip(rows, chances, strict=True):
            best = int(chance.argmax())
            if not jersey[row] and chance[best] >= SURE:
                jersey[row], probability[row] = str(best), chance[best]
    return replace(tracks, jersey=tuple(jersey), jersey_probability=probability)


def rosters_of(
    roster: Sequence[Mapping[str, Any]], row: Mapping[str, Any] | None = None
) -> dict[str, list[int]]:
    """Numbers by team from roster rows (team, jersey): of the two teams that the sheet's row names, where
    both have a roster, else of every team."""
    lists: dict[str, list[int]] = {}
    for man in roster:
        jersey = man.get("jersey")
        if jersey is not None and jersey == jersey:
            lists.setdefault(_plain(man.get("team")), []).append(int(jersey))
    names = [_plain((row or {}).get(side)) for side in ("offense", "defense")]
    return {n: lists[n] for n in names} if set(names) <= set(lists) and names[0] != names[1] else lists


def _plain(name: object) -> str:
    return " ".join(str(name or "").lower().split())


def _lists_of_sides(
    evidence: np.ndarray, sides: Mapping[str, np.ndarray], rosters: Mapping[str, Sequence[int]]
) -> dict[str, list[int]]:
    """The roster of each side: the likelier way round; with one roster, or two that fit about alike, none
    or their union."""
    lists = [sorted({int(n) for n in numbers if 0 <= int(n) < NUMBERS}) for numbers in rosters.values()]
    lists = [numbers for numbers in lists if numbers]
    if len(lists) != 2 or len(sides) != 2:
        return {}
    names = list(sides)
    fits = []
    for way in permutations(range(2)):
        parts = [_fit(evidence[sides[n]], lists[k]) for n, k in zip(names, way, strict=True)]
        fits.append((sum(parts), {n: lists[k] for n, k in zip(names, way, strict=True)}))
    fits.sort(key=lambda f: -f[0])
    if fits[0][0] - fits[1][0] > 3.0:
        return fits[0][1]
    both = sorted({*lists[0], *lists[1]})
    return dict.fromkeys(names, both)


def _prior(numbers: Sequence[int] | None) -> np.ndarray:
    """(NUMBERS,) chances before looking."""
    prior = np.full(NUMBERS, 1.0 / NUMBERS)
    if numbers is not None and 0 < len(numbers) < NUMBERS:
        prior[:] = NOT_LISTED / (NUMBERS - len(numbers))
        prior[list(numbers)] = (1 - NOT_LISTED) / len(numbers)
    return prior


def _fit(evidence: np.ndarray, numbers: Sequence[int]) -> float:
    """Log-likelihood of a side's men under a roster, no man saying more than 3."""
    top = evidence.max(1, initial=0.0, keepdims=True)
    each = np.log(np.exp(evidence - top) @ _prior(numbers)) + top[:, 0]
    even = np.log(np.exp(evidence - top).mean(1)) + top[:, 0]
    return float(np.clip(each - even, -3, 3).sum())


def chances_of_team(evidence: np.ndarray, numbers: Sequence[int] | None) -> np.ndarray:
    """(P,NUMBERS) chances of each number for each man of one team (evidence (P,NUMBERS) log-likelihoods).

    No two share a number: a number counts for a man as much as the best way there is to give the others
    different ones beside it (max-marginals of the assignment), so that of two men who both look like 54
    neither is sure, unless one is by far the likelier.
    """
    score = evidence + np.log(_prior(numbers))
    total = np.array(score)
    for man in range(len(score)) if len(score) <= NUMBERS else ():
        others = np.delete(score, man, axis=0)
        row, column = linear_sum_assignment(others, maximize=True)
        total[man] += others[row, column].sum()
        for taken in column:
            left = np.delete(others, taken, axis=1)
            total[man, taken] = score[man, taken] + left[linear_sum_assignment(left, maximize=True)].sum()
    total -= total.max(1, initial=-np.inf, keepdims=True)
    chance = np.exp(total)
    return np.asarray(chance / chance.sum(1, keepdims=True))
