"""Which number each man wears: looks taken while the film is decoded, voted over the clip, a team at a time.

A look is what the reader says of one box in one frame (`models.jerseys.reader`). All looks of one identity
are added up (Bayes' rule), discounted because neighbouring frames err together. Two men of one team never
share a number, and with a roster only its numbers count, or none of these. An answer is given where one
number is likelier than `SURE`; else the number stays blank.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.jerseys.reader import NUMBERS, JerseyReader, number_log_likelihood
from vision.records import OTHER, PLAYER, Detections, Tracks
from vision.table_words import OFFENSE_ROLES, role_of

LOOKS_HZ = 4.0
"""Frames a second that are looked at: a man's numbers of neighbouring frames say the same."""
LEAST_HEIGHT_PX, LEAST_CONFIDENCE, MOST_MEN = 44.0, 0.35, 26
"""A box of 44 px has digits of about 6 px, the least that held crops and film could still be read at now and
then; boxes cut by the picture's edge by more than a tenth of their width are left out."""
CORRELATED = 0.25
"""n looks of one view count as n / (1 + CORRELATED * (n - 1))."""
HALF_SEEN = 0.01
"""Chance that only one of a man's two digits shows in all looks of a clip (turned away, an arm before it), so
that he seems to wear a number of one digit. A guess from common sense; the one wrong answer in 21 of one
digit on the tuning films was of this kind."""
MISREAD = 0.02
"""Chance that one digit is read wrong in all looks alike (a typeface's 1 that looks like a 7, a fold). Chosen
with SURE on 308 answers of seventeen tuning films, of which it leaves about nine in ten."""
NOT_LISTED = 0.03
"""Chance that a man on the field is not on his team's roster (typing errors, late changes)."""
OTHER_UNIT = 0.15
"""How likely a man listed as a defender plays offense, or the other way round, against one of that unit."""
SURE = 0.97
"""Chosen, with MISREAD, on 103 plays of seventeen tuning films: with rosters and roles .989 of 271 answers
were right (.981 of 308 from 0.95 on), without rosters .973 of 146."""


@dataclass(frozen=True)
class NumberLooks:
    """Looks of one clip. box (M,) int32 rows of its Detections, growing; looks (M,LOOK_COLUMNS) float16
    log-probabilities (see `models.jerseys.reader`)."""

    box: np.ndarray
    looks: np.ndarray


@dataclass(frozen=True)
class Looks:
    """row (N,): every box's row of `says`, -1 where nobody looked; says (M,NUMBERS): log of how much likelier
    the look is under each number than without looking."""

    row: np.ndarray
    says: np.ndarray

    def select(self, boxes: np.ndarray) -> Looks:
        """Of some boxes, in that order."""
        return Looks(self.row[boxes], self.says)

    def at(self, boxes: np.ndarray) -> np.ndarray:
        """(K,NUMBERS) what the looks at some boxes say; boxes nobody looked at are left out."""
        rows = self.row[boxes]
        return np.asarray(self.says[rows[rows >= 0]])


def looks_at(boxes: int, looks: NumberLooks | None) -> Looks:
    """Of all boxes of a clip (none looked at without `looks`). Raises ValueError for another clip's looks."""
    row = np.full(boxes, -1)
    if looks is None or not len(looks.box):
        return Looks(row, np.zeros((0, NUMBERS)))
    if looks.box[-1] >= boxes:
        raise ValueError(f"looks: box {looks.box[-1]} of a clip that has {boxes} boxes")
    row[looks.box] = np.arange(len(looks.box))
    return Looks(row, number_log_likelihood(looks.looks))


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
    each = looks_at(len(detections), looks)
    for k in range(p):
        rows = tracks.box_index[k][(tracks.box_index[k] >= 0) & ~tracks.uncertain[k]]
        mine = each.at(rows)
        if len(mine):
            evidence[k] = of_looks(mine.sum(0), len(mine))
    return replace(tracks, number_evidence=evidence)


def of_looks(total: np.ndarray, count: float) -> np.ndarray:
    """(NUMBERS,) log-likelihoods from the sum of `count` looks at one man, which err together."""
    return half_seen(total / (1 + CORRELATED * max(count - 1, 0)))


def half_seen(evidence: np.ndarray) -> np.ndarray:
    """(NUMBERS,) log-likelihoods with the chance that either digit of a two-digit number never showed:
    L(ab) becomes (1 - e) L(ab) + e / 2 (L(a) + L(b))."""
    out = np.array(evidence)
    two = np.arange(10, NUMBERS)
    alone = np.logaddexp(evidence[two // 10], evidence[two % 10])
    out[two] = np.logaddexp(np.log1p(-HALF_SEEN) + evidence[two], np.log(HALF_SEEN / 2) + alone)
    return out


def misread(evidence: np.ndarray) -> np.ndarray:
    """(P,NUMBERS) log-likelihoods with the chance that one digit is read wrong in all looks alike:
    L(n) becomes (1 - e) L(n) + e times the mean over the numbers that differ from n in one digit."""
    top = evidence.max(1, initial=0.0, keepdims=True)
    plain = np.exp(evidence - top)
    wrong = plain @ ONE_DIGIT_OFF / ONE_DIGIT_OFF.sum(0)
    return np.asarray(np.log((1 - MISREAD) * plain + MISREAD * wrong) + top)


def _one_digit_off() -> np.ndarray:
    """(NUMBERS,NUMBERS) 1 where two numbers of as many digits differ in one."""
    n = np.arange(NUMBERS)
    tens, ones, two = n // 10, n % 10, n >= 10
    off = (tens[:, None] != tens).astype(float) + (ones[:, None] != ones)
    return np.asarray((off == 1) & (two[:, None] == two), dtype=float)


ONE_DIGIT_OFF = _one_digit_off()


def name_numbers(
    tracks: Tracks,
    rosters: Mapping[str, Mapping[int, float]] | None = None,
    weights: np.ndarray | None = None,
    least: np.ndarray | None = None,
) -> Tracks:
    """Tracks with `jersey` and `jersey_probability` from their evidence; blank where no number is sure.

    rosters: numbers of each of the two teams with their weights (`rosters_of`), by any name; which roster
    belongs to which side is told by the numbers themselves. Men whose number is already known (a table's)
    keep it. weights (P,NUMBERS): how likely each number is for each man for other reasons (his role), 1 = no
    word. least (P,): chance from which each man's number is told; None: `SURE`.
    """
    sides = {s: np.flatnonzero([t == s for t in tracks.team]) for s in dict.fromkeys(tracks.team)}
    sides = {s: rows for s, rows in sides.items() if s not in ("official", "unknown")}
    evidence = misread(tracks.number_evidence)
    lists = _lists_of_sides(evidence, sides, rosters or {})
    jersey, probability = list(tracks.jersey), np.array(tracks.jersey_probability)
    enough = np.full(len(tracks.ids), SURE) if least is None else least
    for side, rows in sides.items():
        own = evidence[rows] if weights is None else evidence[rows] + np.log(weights[rows])
        chances = chances_of_team(own, lists.get(side))
        for row, chance in zip(rows, chances, strict=True):
            best = int(chance.argmax())
            if not jersey[row] and chance[best] >= enough[row] and np.any(tracks.number_evidence[row]):
                jersey[row], probability[row] = str(best), chance[best]
    return replace(tracks, jersey=tuple(jersey), jersey_probability=probability)


def rosters_of(
    roster: Sequence[Mapping[str, Any]], row: Mapping[str, Any] | None = None
) -> dict[str, dict[int, float]]:
    """Numbers by team, each with its weight, from roster rows (team, jersey, position): of the two teams that
    the sheet's row names, where both have a roster, else of every team.

    Men whose position is of the unit that is not on the field weigh `OTHER_UNIT`, where the sheet names the
    team with the ball.
    """
    names = {plain_name((row or {}).get(side)): side for side in ("offense", "defense")}
    lists: dict[str, dict[int, float]] = {}
    for team, number, role in listed_men(roster):
        unit = "offense" if role in OFFENSE_ROLES else "defense"
        weight = 1.0 if not role or unit == names.get(team, unit) else OTHER_UNIT
        numbers = lists.setdefault(team, {})
        numbers[number] = max(weight, numbers.get(number, 0.0))
    return {n: lists[n] for n in names} if len(names) == 2 and set(names) <= set(lists) else lists


def listed_men(roster: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, int, str]]:
    """(team as `plain_name`, number, role or '') of the roster's rows that have a number."""
    for man in roster:
        jersey = man.get("jersey")
        if jersey is not None and jersey == jersey and 0 <= int(jersey) < NUMBERS:
            yield plain_name(man.get("team")), int(jersey), role_of(man.get("position") or "")


def plain_name(name: object) -> str:
    return " ".join(str(name or "").lower().split())


def _lists_of_sides(
    evidence: np.ndarray, sides: Mapping[str, np.ndarray], rosters: Mapping[str, Mapping[int, float]]
) -> dict[str, Mapping[int, float]]:
    """The roster of each side: the likelier way round, or both together where the ways fit about alike; {}
    unless there are two rosters and two sides."""
    lists = [numbers for numbers in rosters.values() if numbers]
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
    both = {n: max(one.get(n, 0.0) for one in lists) for n in {*lists[0], *lists[1]}}
    return dict.fromkeys(names, both)


def _prior(numbers: Mapping[int, float] | None) -> np.ndarray:
    """(NUMBERS,) chances before looking."""
    prior = np.full(NUMBERS, 1.0 / NUMBERS)
    if numbers and len(numbers) < NUMBERS:
        prior[:] = NOT_LISTED / (NUMBERS - len(numbers))
        weight = np.array(list(numbers.values()))
        prior[list(numbers)] = (1 - NOT_LISTED) * weight / weight.sum()
    return prior


def _fit(evidence: np.ndarray, numbers: Mapping[int, float]) -> float:
    """Log-likelihood of a side's men under a roster, no man saying more than 3."""
    top = evidence.max(1, initial=0.0, keepdims=True)
    each = np.log(np.exp(evidence - top) @ _prior(numbers)) + top[:, 0]
    even = np.log(np.exp(evidence - top).mean(1)) + top[:, 0]
    return float(np.clip(each - even, -3, 3).sum())


def chances_of_team(evidence: np.ndarray, numbers: Mapping[int, float] | None) -> np.ndarray:
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
