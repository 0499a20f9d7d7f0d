"""Where the men of the offense stand, and the plans their routes are made of.

Play frame: depth beyond the line of scrimmage, lateral + to the offense's right, yards.
Splits and depths are common practice of the trade (no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Leg:
    """Go to a place (depth, lateral) with a wanted share of top speed; `settle` = stop there and stay."""

    depth: float
    lateral: float
    speed: float = 1.0
    settle: bool = False
    through: float = 0.8
    """distance at which the place counts as reached"""
    brake_to: float = 1.0
    """share of top speed to slow to when reaching the place"""
    wait_s: float = 0.0
    """time to stand at the place before the next leg (feints, chips, screens)"""


@dataclass(frozen=True)
class RoutePlan:
    """Legs of one route. break_leg: the leg that begins with the break (0 = no break)."""

    label: str
    legs: tuple[Leg, ...]
    break_leg: int
    stem_depth: float
    break_angle_deg: float


@dataclass(frozen=True)
class Spot:
    """One man of the offense before the snap. side: +1 right, -1 left, 0 backfield; number: #1.. from
    the sideline on his side (0 = not a split receiver)."""

    role: str
    depth: float
    lateral: float
    side: int = 0
    number: int = 0


@dataclass(frozen=True)
class Formation:
    """Eleven (twelve) spots, quarterback first, then five linemen left to right, then the others."""

    name: str
    spots: tuple[Spot, ...]
    under_centre: bool
    backs: int

    def side(self, side: int) -> list[int]:
        """Indices of the receivers of a side, from the sideline inward."""
        rows = [i for i, s in enumerate(self.spots) if s.side == side and s.number]
        return sorted(rows, key=lambda i: self.spots[i].number)


_US = (  # receivers right, receivers left, backs, chance
    (2, 2, 1, 0.30),
    (3, 1, 1, 0.17),
    (1, 3, 1, 0.15),
    (3, 2, 0, 0.05),
    (2, 3, 0, 0.05),
    (2, 1, 2, 0.09),
    (1, 2, 2, 0.09),
    (4, 1, 0, 0.02),
    (1, 4, 0, 0.02),
    (1, 1, 3, 0.02),
    (0, 3, 2, 0.02),
    (3, 0, 2, 0.02),
)
_CANADA = (
    (3, 2, 1, 0.26),
    (2, 3, 1, 0.26),
    (4, 1, 1, 0.08),
    (1, 4, 1, 0.08),
    (3, 3, 0, 0.14),
    (2, 2, 2, 0.10),
    (4, 2, 0, 0.04),
    (2, 4, 0, 0.04),
)


def draw_formation(
    rng: np.random.Generator, standard: str, right_room: float, left_room: float, run: bool = False
) -> Formation:
    """A formation for a spot with `right_room` and `left_room` yards to the side lines."""
    table = _CANADA if standard == "canadian" else _US
    chances = np.array([row[3] * (2.5 if run and row[2] >= 2 else 1.0) for row in table])
    right, left, backs, _ = table[rng.choice(len(table), p=chances / chances.sum())]
    under = bool(rng.random() < {0: 0.0, 1: 0.22, 2: 0.5, 3: 0.85}[backs])
    qb_depth = -1.1 if under else rng.normal(-5.0, 0.4)
    spots = [Spot("QB", qb_depth, rng.normal(0, 0.1))]
    gap = rng.uniform(1.45, 1.85)
    for k in range(-2, 3):
        spots.append(Spot("OL", -0.75 - 0.28 * abs(k) ** 0.6 - rng.uniform(0, 0.15), k * gap))
    for side, count, room in ((1, right, right_room), (-1, left, left_room)):
        spots += _side(rng, side, count, room, gap, backs)
    spots += _backs(rng, backs, under, qb_depth)
    name = (
        f"{max(right, left)}x{min(right, left)}" + ({0: " empty", 1: "", 2: " two-back", 3: " heavy"}[backs])
    )
    return Formation(name, tuple(spots), under, backs)


def _side(rng: np.random.Generator, side: int, count: int, room: float, gap: float, backs: int) -> list[Spot]:
    """Receivers of one side, outermost first: spread, reduced, bunch or with an attached tight end."""
    if count == 0:
        return []
    edge = 2 * gap
    widest = max(edge + 2.0, min(room - rng.uniform(3.5, 8.5), rng.normal(17.5, 2.6)))
    style = rng.random()
    if style < 0.14:
        widest = min(widest, rng.uniform(7.5, 11.0))
    out: list[float] = [widest]
    tight = rng.random() < (0.35 + 0.25 * (backs >= 2)) and count >= 1
    if count >= 2:
        inner = edge + (rng.uniform(1.4, 1.9) if tight else rng.uniform(2.6, 4.6))
        if style > 0.88 and count >= 3:
            out = [min(widest, rng.uniform(8, 14))]
            out += [out[0] - 1.6 * (k + 1) for k in range(count - 1)]
        else:
            between = np.linspace(widest, inner, count)[1:-1] + rng.normal(0, 0.7, max(0, count - 2))
            out += [float(b) for b in between] + [float(inner)]
    on_line = int(rng.integers(0, count)) if count > 1 else 0
    attached = tight and count >= 2 and out[-1] - edge < 2.2
    if attached:
        on_line = count - 1
    spots = []
    for k, lateral in enumerate(out):
        depth = -rng.uniform(0.6, 1.1) if k == on_line else -rng.uniform(1.3, 2.3)
        role = "TE" if attached and k == count - 1 else "WR"
        spots.append(Spot(role, float(depth), float(side * max(lateral, edge + 1.2)), side, k + 1))
    if count == 1 and tight and rng.random() < 0.35:
        spots[0] = replace(spots[0], role="TE", lateral=float(side * (edge + 1.6)), depth=-0.9)
    return spots


def _backs(rng: np.random.Generator, backs: int, under: bool, qb_depth: float) -> list[Spot]:
    if backs == 0:
        return []
    side = float(rng.choice([-1, 1]))
    if not under:
        first = Spot("RB", qb_depth + rng.normal(-0.1, 0.5), side * rng.uniform(1.2, 2.1))
        if rng.random() < 0.2:
            first = Spot("RB", qb_depth - rng.uniform(2.0, 3.0), rng.normal(0, 0.2))
        rest = [
            Spot("RB", qb_depth + rng.normal(0, 0.4), -side * rng.uniform(1.3, 2.0)),
            Spot("RB", -2.0, -side * rng.uniform(4.8, 5.6)),
        ]
    elif rng.random() < 0.65:
        first = Spot("RB", rng.normal(-7.0, 0.4), rng.normal(0, 0.15))
        rest = [Spot("RB", rng.normal(-4.3, 0.3), rng.normal(0, 0.15)), Spot("RB", -2.0, side * 5.2)]
    else:
        first = Spot("RB", rng.normal(-5.2, 0.4), side * rng.uniform(1.5, 2.4))
        rest = [
            Spot("RB", rng.normal(-5.2, 0.4), -side * rng.uniform(1.5, 2.4)),
            Spot("RB", -2.0, side * 5.2),
        ]
    return [first, *rest][:backs]
