"""The pass of a play from all that speaks of it: what is given, the ball's path, looks at it, the men."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.plays.ball import BallPath, Flight, find_flight
from vision.plays.motion import F64, Motion
from vision.plays.passing import Throw, infer_throw
from vision.plays.record import UNKNOWN, Play, Value
from vision.plays.sightings import Sightings, find_thrown, landing

Rows = NDArray[np.intp]
MEN_SAY_S, THROW_FLOOR_S = 1.0, 0.06
"""how far the men's word of a throw may lie off a path of the ball that is sure, for their word on who it was
thrown to to count; what a throw seen in looks at the ball is off by for more than the fit says (the hand is
before the man, films are set against each other to a hundredth of a second or two)"""
FAR_YD, TIE_YD = 6.0, 1.5
"""a pass that comes down farther from everybody is to nobody; who is farther off than the nearest by a few of
these is not him"""


@dataclass(frozen=True)
class Men:
    """Rows of the men who matter to a pass: receivers, those who cover, those who rush, the passer (-1 =
    nobody), and when he set (s after the snap, NaN unknown)."""

    receivers: Rows
    covering: Rows
    rushers: Rows
    quarterback: int
    set_s: float


@dataclass(frozen=True)
class Pass:
    """Throw and arrival on the tracks' clock, where the ball comes down (play frame), the target's row (-1 =
    nobody) and his probability."""

    throw: Value = UNKNOWN
    arrival: Value = UNKNOWN
    place_play_yd: F64 = field(default_factory=lambda: np.full(2, np.nan))
    target: int = -1
    chance: float = math.nan


def find_pass(
    play: Play,
    motion: Motion,
    path: F64,
    men: Men,
    known: Mapping[str, float],
    ball: BallPath | Sightings | None,
    flight: Flight | None,
    thrown: bool | None,
) -> Pass:
    """The pass of a play whose snap and people are known. path (P,T,2) of motion's men in the play frame;
    known: moments given; flight: of a ball whose path is known; thrown: what the charting sheet says."""
    snap = play.snap_s.value
    seen = None
    guess = None
    followed = isinstance(ball, BallPath) and _followed(ball, snap)
    if flight is None and not followed and len(men.receivers) and len(men.covering) >= 3:
        velocity = play.direction * motion.velocity * np.array([1.0, -1.0])
        guess = infer_throw(
            motion.t_s - snap, path, velocity, men.receivers, men.covering, men.quarterback, men.set_s,
            men.rushers, thrown,
        )  # fmt: skip
    if isinstance(ball, Sightings) and men.quarterback >= 0 and thrown is not False:
        seen = _seen(ball, motion, men, snap, guess, known)
    flight = flight or seen
    found = Pass()
    if flight is not None:
        found = Pass(
            Value(flight.throw_s, flight.throw_sd_s, "measured"),
            Value(flight.arrival_s, flight.arrival_sd_s, "measured"),
            play.to_play(flight.arrival_xy_yd),
        )
    elif guess is not None and "throw" not in known:
        found = Pass(
            Value(snap + guess.throw_s, guess.throw_sd_s, "estimated"),
            Value(snap + guess.arrival_s, guess.arrival_sd_s, "estimated"),
            guess.arrival_play_yd,
            guess.target,
            guess.target_probability,
        )
    return _as_given(found, play, motion, path, men, known, ball, guess)


def _as_given(
    found: Pass,
    play: Play,
    motion: Motion,
    path: F64,
    men: Men,
    known: Mapping[str, float],
    ball: BallPath | Sightings | None,
    guess: Throw | None,
) -> Pass:
    """With the given moments laid over it, and its target where that is not named yet."""
    throw, arrival, place = found.throw, found.arrival, found.place_play_yd
    if "throw" in known:
        throw = Value(known["throw"], 0.05, "measured")
    if "arrival" in known:
        arrival = Value(known["arrival"], 0.05, "measured")
        if isinstance(ball, BallPath):
            seen = play.to_play(ball.at(known["arrival"], 0.2))
            place = seen if np.isfinite(seen).all() else place
    target, chance = found.target, found.chance
    if target < 0 and arrival.known and np.isfinite(place).all():
        own = guess if guess and abs(play.snap_s.value + guess.throw_s - throw.value) < MEN_SAY_S else None
        target, chance = _target(path, men.receivers, motion.at(arrival.value), place, own)
    return Pass(throw, arrival, place, target, chance)


def _followed(ball: BallPath, snap_s: float) -> bool:
    """The ball was seen nearly all the time from the snap on, so that no flight means no throw."""
    after = ball.t_s >= snap_s
    return bool(after.sum() >= 10 and np.isfinite(ball.xy_field_yd[after, 0]).mean() > 0.8)


def flight_of(
    ball: BallPath | Sightings | None, motion: Motion, quarterback: int, snap_s: float
) -> Flight | None:
    """The flight of a ball whose own path is given."""
    if not isinstance(ball, BallPath) or quarterback < 0:
        return None
    return find_flight(ball, motion.t_s, motion.xy_yd[quarterback], snap_s)


def _seen(
    looks: Sightings, motion: Motion, men: Men, snap_s: float, guess: Throw | None, known: Mapping[str, float]
) -> Flight | None:
    """The flight among looks at the ball, with the help of what the men (or a person) say of the throw."""
    expected = None
    if "throw" in known:
        expected = (known["throw"], 0.05)
    elif guess is not None:
        expected = (snap_s + guess.throw_s, guess.throw_sd_s)
    thrown = find_thrown(looks, motion.t_s, motion.xy_yd[men.quarterback], snap_s, expected)
    if thrown is None:
        return None
    arrival, sd = landing(thrown, looks, motion.t_s, motion.xy_yd[men.receivers])
    throw_sd = float(np.hypot(thrown.throw_sd_s, THROW_FLOOR_S))
    return Flight(thrown.throw_s, throw_sd, arrival, sd, thrown.at(arrival)[:2])


def _target(path: F64, receivers: Rows, k: int, place: F64, guess: Throw | None) -> tuple[int, float]:
    """The receiver nearest to where the ball came down, and his probability; (-1, NaN) when none is near.
    Of two near it the one on whom the defense drove counts more."""
    if not len(receivers):
        return -1, math.nan
    far = np.hypot(*(path[receivers, k] - place).T)
    far = np.where(np.isfinite(far), far, 1e3)
    if far.min() > FAR_YD:
        return -1, math.nan
    weight = np.exp(-far / TIE_YD)
    if guess is not None:
        share = (1.0 - guess.target_probability) / max(1, len(receivers) - 1)
        weight = weight * np.where(receivers == guess.target, guess.target_probability, share)
    best = int(weight.argmax())
    return int(receivers[best]), float(weight[best] / weight.sum())
