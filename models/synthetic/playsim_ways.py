"""What drawing programs of single routes share: the men before they run, and the way a man's class is run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from models.synthetic.playsim_records import RATE_HZ
from models.synthetic.playsim_sampler import AFTER_S, BEFORE_S, RouteSet, draw_starts, draw_throws

W = TypeVar("W")


@dataclass(frozen=True)
class Men:
    """N men who are about to run: label, group (N,) number of the play, start (N, 4) depth, out, room to the
    sideline and number, throw_s (N,), habit (N, 2) factors that the men of a play share (1 in the middle,
    all 1 where the program draws its own), t_s (T,) the clock of a RouteSet; rng goes on."""

    rng: np.random.Generator
    label: np.ndarray
    group: np.ndarray
    start: np.ndarray
    throw_s: np.ndarray
    habit: np.ndarray
    t_s: np.ndarray

    def __len__(self) -> int:
        return len(self.label)

    def ran(self, path_yd: np.ndarray, break_s: np.ndarray) -> RouteSet:
        """The set of their routes: path_yd (N, T, 2) and break_s (N,), as professionals run."""
        n = len(self)
        return RouteSet(
            self.t_s, path_yd, self.label, self.throw_s, self.start[:, 2], break_s, np.full(n, np.nan),
            self.group, self.start[:, 3].astype(int), np.ones(n, bool),
        )  # fmt: skip


def draw_men(
    seed: tuple[int, int], n: int, prior: dict[str, float] | None, habit_sd: float | None = 0.1
) -> Men:
    """N men with the sampler's shares, alignments and throws. seed: the set's and the program's own.
    habit_sd: None = the program draws its own habits."""
    rng = np.random.default_rng(list(seed))
    label, group, start = draw_starts(rng, n, prior)
    groups = int(group.max()) + 1
    throw = draw_throws(rng, label, groups, group)
    habit = np.ones((n, 2))
    if habit_sd is not None:
        habit = np.clip(rng.normal(1, habit_sd, (groups, 2)), 0.75, 1.3)[group]
    t = np.arange(-int(BEFORE_S * RATE_HZ), int(AFTER_S * RATE_HZ)) / RATE_HZ
    return Men(rng, label, group, start, throw, habit, t)


@dataclass(frozen=True)
class Book(Generic[W]):
    """How every class is run: usually, from the backfield where that differs, and another way by its share;
    wide_block: of men who stand wide."""

    usual: Mapping[str, W]
    backs: Mapping[str, W]
    others: Mapping[str, tuple[float, W]]
    wide_block: W

    def way(self, rng: np.random.Generator, label: str, start: np.ndarray) -> W:
        """The way of one man, by where he stands: start is (depth, out, room, number)."""
        if start[0] < -3 and label in self.backs:
            return self.backs[label]
        if label == "block" and start[1] > 9:
            return self.wide_block
        share, other = self.others.get(label, (0.0, self.usual[label]))
        return other if rng.random() < share else self.usual[label]
