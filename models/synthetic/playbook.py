"""Formations: where eleven (twelve) men of the offense stand, and the plans of their routes.

Play frame: depth beyond the line of scrimmage, lateral + to the offense's right, yards.
A route plan is a list of `Leg`s walked one after the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Leg:
    """Go to a place (depth, lateral) with a wanted speed share; `settle` = stop there and stay."""

    depth: float
    lateral: float
    speed: float = 1.0
    settle: bool = False
    through: float = 0.8
    """distance at which the place counts as reached"""
    brake_to: float = 1.0
    """share of top speed to slow to when reaching the place"""


@dataclass(frozen=True)
class RoutePlan:
    label: str
    legs: tuple[Leg, ...]
    break_leg: int
    """index of the leg that begins with the break (0 = no break)"""
    stem_depth: float
    break_angle_deg: float
