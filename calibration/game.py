"""A game's cameras: what one clip learns of a camera's place and lens, the next clips start from.

A tripod does not move between plays (when it does, the marks say so and a new camera begins). The
shared place also carries the whole-yard number: once one clip of a camera has been numbered for
sure, its x settles all others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from calibration.clip import LOST
from calibration.evidence import ClipEvidence
from calibration.pool import pooled
from calibration.prior import CameraPrior, Clicks
from calibration.solve import ClipSolution, solve_clip_fully
from calibration.standards import FieldStandard, get_standard

MOVED_YD, MOVED_SD = 0.8, 4.0
"""A tripod counts as moved when its place across the field or its height differs by more than the first plus
the second times the stated error."""


@dataclass(frozen=True)
class ClipJob:
    """One clip of a game: its evidence and what is known of it (see solve.solve_clip_fully)."""

    name: str
    evidence: ClipEvidence
    view: str | None = None
    spot: tuple[float, float | None] | None = None
    clicks: Clicks | None = None
    places: tuple[float, ...] = ()


@dataclass
class GameCameras:
    """Solves clips one after another and keeps what they teach, one camera per view.

    moved: names of clips whose camera stood elsewhere than the game's camera before.
    """

    standard: FieldStandard
    priors: dict[str, CameraPrior] = field(default_factory=dict)
    moved: list[str] = field(default_factory=list)

    def __init__(self, standard: str | FieldStandard) -> None:
        self.standard = get_standard(standard)
        self.priors = {}
        self.moved = []
        self._told: dict[str, dict[str, CameraPrior]] = {}

    def solve(self, job: ClipJob) -> ClipSolution:
        """Solve one clip, first with the game's camera where it has one, else (or if that fails) alone."""
        candidates = [self.priors[v] for v in self.priors if job.view in (None, v)]
        best: ClipSolution | None = None
        for prior in candidates:
            found = self._run(job, prior)
            if best is None or _quality(found) > _quality(best):
                best = found
        if best is None or best.prior is None or _quality(best) < 0.75:
            alone = self._run(job, None)
            if best is None or _quality(alone) > _quality(best) + 0.15:
                self._note_move(job.name, alone)
                best = alone
        elif self._elsewhere(best):
            alone = self._run(job, None)
            if _quality(alone) > _quality(best) - 0.05 and self._note_move(job.name, alone):
                best = alone
        self._learn(job.name, best)
        return best

    def _run(self, job: ClipJob, prior: CameraPrior | None) -> ClipSolution:
        return solve_clip_fully(
            job.evidence, self.standard, job.spot, job.clicks, prior, job.view, job.places
        )

    def _elsewhere(self, found: ClipSolution) -> bool:
        """Whether a clip's camera stands clearly apart from the game's camera of its view."""
        old = None if found.prior is None else self.priors.get(found.prior.view)
        if old is None or found.prior is None:
            return False
        apart = np.abs(old.shared[4:6] - found.prior.shared[4:6])
        sd = np.sqrt(np.diag(old.covariance)[4:6] + np.diag(found.prior.covariance)[4:6])
        return bool((apart > MOVED_YD + MOVED_SD * sd).any())

    def _note_move(self, name: str, alone: ClipSolution) -> bool:
        """Forget the game's camera when the clip, solved alone, stands elsewhere."""
        if not self._elsewhere(alone):
            return False
        assert alone.prior is not None
        self.moved.append(name)
        del self.priors[alone.prior.view]
        self._told.pop(alone.prior.view, None)
        return True

    def _learn(self, name: str, solution: ClipSolution) -> None:
        """Add what the clip alone says of its camera to what the game's other clips say of it."""
        own = solution.own
        if own is None or len(solution.key_frames) < 3 or solution.cameras.found_share < 0.6:
            return
        if own.view in self.priors and self._elsewhere(solution):
            return
        told = self._told.setdefault(own.view, {"": self.priors[own.view]} if own.view in self.priors else {})
        told[name] = own
        self.priors[own.view] = pooled(list(told.values()))


def _quality(solution: ClipSolution) -> float:
    """Share of frames with a camera; 0 where lost."""
    return float(np.mean(solution.cameras.status != LOST)) if len(solution.cameras) else 0.0


def solve_game(jobs: Iterable[ClipJob], standard: str | FieldStandard) -> dict[str, ClipSolution]:
    """All clips of a game: each once in order, then again those that were lost or could not be numbered,
    with what the whole game has taught."""
    game = GameCameras(standard)
    jobs = list(jobs)
    found = {job.name: game.solve(job) for job in jobs}
    for job in jobs:
        weak = found[job.name].cameras.needs_click or found[job.name].cameras.found_share < 0.9
        if weak and game.priors:
            again = game.solve(job)
            better = _quality(again) > _quality(found[job.name])
            numbered = found[job.name].cameras.needs_click and not again.cameras.needs_click
            if better or (numbered and _quality(again) >= _quality(found[job.name]) - 0.05):
                found[job.name] = again
    return found
