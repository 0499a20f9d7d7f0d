"""A game's cameras: what one clip learns of a camera's place and lens, the next clips start from.

A tripod does not move between plays (when it does, the marks say so and a new camera begins). The
shared place also carries the whole-yard number: once one clip of a camera has been numbered for
sure, its x settles all others.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calibration.clip import LOST, ClipCameras
from calibration.evidence import ClipEvidence
from calibration.pool import pooled
from calibration.prior import CameraPrior, Clicks
from calibration.solve import ClipSolution, solve_clip_fully
from calibration.standards import FieldStandard, get_standard

MOVED_YD, MOVED_SD = 0.8, 4.0
"""A tripod counts as moved when its place across the field or its height differs by more than the first plus
the second times the stated error."""

KNOWN_CLIPS = 3
"""A game knows its camera when this many clips agree on it. One clip alone can be wrong of a long lens's
distance or of what its few marks are, and be sure of it; clips solved before are worth a second look."""
LESS_FOUND, MORE_FOUND = 0.05, 0.1  # shares of a clip's frames


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

    def knows(self, view: str | None) -> bool:
        """Whether enough clips agree on the camera of a view (None: of every view seen so far)."""
        priors = [p for p in self.priors.values() if view in (None, p.view)]
        return bool(priors) and all(p.clips >= KNOWN_CLIPS for p in priors)

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
    return solution.cameras.found_share


def preferred(before: ClipCameras, after: ClipCameras, settled: bool) -> bool:
    """Whether a clip's second solution, made with what the whole game taught, replaces its first.

    It does when it numbers the yard lines of a clip that asked, or finds clearly more frames. settled: the
    first was made before the game knew its camera; the second then also counts when it is as complete.
    """
    if after.needs_click and not before.needs_click:
        return False
    if settled or (before.needs_click and not after.needs_click):
        return after.found_share >= before.found_share - LESS_FOUND
    return after.found_share > before.found_share + MORE_FOUND


def apart_yd(a: ClipCameras, b: ClipCameras, frames: int = 9) -> float:
    """Median distance on the field between where two solutions of one clip put the same pixels: nine of
    the lower picture in ``frames`` frames; infinite where no frame has both cameras."""
    u, v = np.meshgrid(np.array([0.2, 0.5, 0.8]) * a.width_px, np.array([0.45, 0.65, 0.85]) * a.height_px)
    px = np.column_stack([u.ravel(), v.ravel()])
    both = np.flatnonzero((a.status != LOST) & (b.status != LOST))
    if not len(both):
        return np.inf
    apart = []
    for frame in both[np.linspace(0, len(both) - 1, min(frames, len(both))).round().astype(int)]:
        (xa, oka, _), (xb, okb, _) = a.to_field(frame, px), b.to_field(frame, px)
        apart += list(np.hypot(*(xa - xb)[oka & okb].T))
    return float(np.median(apart)) if apart else np.inf
