"""From one frame's camera to all marked frames of a clip.

The background's motion says how the camera turned and zoomed between frames far better than one frame's
marks can, while a single frame leaves a valley open: on a long lens place, height and focal length trade
against one another, and a picture of look-alike lines fits one line off. So frames are taken on from the seed
outward, all of them are fitted together again each time their number has doubled, and a pose that contradicts
the motion is not believed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration import chain, start
from calibration.bundle import POSE, Bundle, BundleResult
from calibration.evidence import ClipEvidence, FrameMarks
from calibration.prior import CameraPrior, SharedPrior, belief_of
from calibration.seed import principal_of
from calibration.standards import FieldStandard

LINK_SD_PX = 0.12
CARRY_FRAMES = 45
MINIMUM_SHARE = 0.2
JUMP_PX, JUMP_ZOOM = 10.0, 0.03
"""A pose is off the motion when it lies this far from the pose carried from its neighbour (the motion itself
errs by 0.5 px and 0.002 from one marked frame to the next)."""
ROOM = np.array([0.3, 0.004, 0.006, 0.3, 0.3, 0.15, 0.03, 0.1])
"""What a joint fit of some frames may be off by beyond its stated error, in the order of SHARED."""
SEED_ROOM = np.array([0.6, 0.01, 0.01, 1.5, 3.0, 1.2, 0.08])

Links = list[tuple[np.ndarray, np.ndarray] | None]


@dataclass
class State:
    """Key frames with a camera, their poses, the shared unknowns."""

    frames: list[int]
    result: BundleResult
    endzone: bool
    hash_yd: float

    def keep(self, which: list[int]) -> State:
        """Only the key frames at the positions ``which``."""
        names = ("parameters", "covariance", "sd_px", "explained", "rows_explained")
        result = replace(self.result, **{n: getattr(self.result, n)[which] for n in names})
        return State([self.frames[j] for j in which], result, self.endzone, self.hash_yd)


def grow(
    evidence: ClipEvidence,
    standard: FieldStandard,
    seed: tuple[int, start.FrameSolution],
    prior: CameraPrior | None,
    held: bool = True,
) -> State | None:
    """Carry the seed's camera to every marked frame, nearest first; keep those that pass the gates. None when
    too few do. held: poses that contradict the motion do not pass."""
    first, solution = seed
    hash_yd, endzone = solution.hash_from_sideline_yd, solution.endzone
    steps = chain.build_chain(evidence.links, first, solution.parameters, principal_of(evidence))
    before = belief_of(standard, endzone, prior)
    belief = SharedPrior(
        np.array([*solution.shared[:7], before.mean[7]]),
        np.diag(np.array([*SEED_ROOM, before.number_sd_yd]) ** -2.0),
    )
    known: dict[int, np.ndarray] = {first: solution.parameters}
    if len(evidence.marks[first].click_px):  # a few points named by hand: the frame's own marks say more
        marks = evidence.marks[first]
        known[first] = start.refine(marks, standard, hash_yd, solution.parameters, belief).parameters[0]
    together = 2
    for frame in sorted(evidence.marks, key=lambda f: abs(f - first)):
        if frame in known:
            continue
        near = min(known, key=lambda f: abs(f - frame))
        pose = steps.carry(near, frame, known[near][POSE])
        p = known[near].copy()
        if pose is None:
            alone = _after_a_cut(evidence.marks[frame], standard, endzone, belief.mean)
            if alone is None:
                continue
            p = alone
        else:
            p[POSE] = pose
        marks = evidence.marks[frame]
        found = _posed(marks, standard, hash_yd, endzone, p, belief, pose, before.number_yd, held)
        if found is None:
            continue
        known[frame] = found
        if len(known) == together:
            together *= 2
            joint = _fit(evidence, standard, known, hash_yd, belief.mean, before, steps)
            known = dict(zip(sorted(known), joint.parameters, strict=True))
            belief = _around(joint, before)
    if len(known) < max(1, MINIMUM_SHARE * len(evidence.marks)):
        return None
    joint = _fit(evidence, standard, known, hash_yd, belief.mean, before, None)
    return State(sorted(known), joint, endzone, hash_yd)


def regrow(
    evidence: ClipEvidence, standard: FieldStandard, state: State, prior: CameraPrior | None
) -> State | None:
    """The state with marked frames that were left out and pass now that the place is known, and with frames
    that contradicted the motion posed anew where that fits as well; None when nothing changes."""
    steps, before = chain_of(evidence, state), belief_of(standard, state.endzone, prior)
    belief = _around(state.result, before)
    main = _largest_run(evidence, state, steps)
    known = {state.frames[j]: state.result.parameters[j] for j in main}
    old = {f: j for j, f in enumerate(state.frames) if f not in known}
    changed = False
    for frame in sorted(set(evidence.marks) - set(known), key=lambda f: min(abs(f - k) for k in known)):
        near = min(known, key=lambda f: abs(f - frame))
        pose, marks = steps.carry(near, frame, known[near][POSE]), evidence.marks[frame]
        found = None
        if pose is not None:
            p = known[near].copy()
            p[POSE] = pose
            found = _posed(marks, standard, state.hash_yd, state.endzone, p, belief, pose, before.number_yd)
        if frame in old and (found is None or _fits_worse(marks, standard, state, old[frame], found)):
            found = state.result.parameters[old[frame]]
        elif found is not None:
            changed = True
        if found is not None:
            known[frame] = found
    if not changed:
        return None
    joint = _fit(evidence, standard, known, state.hash_yd, state.result.shared, belief, None)
    return State(sorted(known), joint, state.endzone, state.hash_yd)


def _posed(
    marks: FrameMarks,
    standard: FieldStandard,
    hash_yd: float,
    endzone: bool,
    p: np.ndarray,
    belief: SharedPrior,
    carried: np.ndarray | None,
    number_yd: float | None,
    held: bool = True,
) -> np.ndarray | None:
    """A frame refined from p (9,); None when it fails the gates or (``held``) leaves the carried pose."""
    for rounds in ((5, 4, 3, 2.5), (2.5, 2.5)):
        result = start.refine(marks, standard, hash_yd, p, belief, rounds)
        found = start.judge(
            marks, standard, hash_yd, result, endzone, carried=carried is not None, number_yd=number_yd
        )
        if not found.accepted:
            return None
        if carried is None or not held or not _jumped(result.parameters[0, POSE], carried, marks):
            return result.parameters[0]
    return None


def _after_a_cut(
    marks: FrameMarks, standard: FieldStandard, endzone: bool, shared: np.ndarray
) -> np.ndarray | None:
    """(9,): a frame that no motion leads to, solved alone, when it stands where the others do."""
    s = start.solve_frame(marks, standard, view="endzone" if endzone else "sideline", keep=3)
    if s is None or not s.accepted or np.abs(s.parameters[5:8] - shared[3:6])[1:].max() > 8:
        return None
    p = s.parameters.copy()
    p[5:8], p[4], p[8] = shared[3:6], shared[1], shared[6]
    return p


def _fit(
    evidence: ClipEvidence,
    standard: FieldStandard,
    known: dict[int, np.ndarray],
    hash_yd: float,
    shared: np.ndarray,
    belief: SharedPrior,
    steps: chain.Chain | None,
) -> BundleResult:
    """All frames known so far together, held to the motion where ``steps`` is given."""
    frames = sorted(known)
    p = np.array([known[f] for f in frames])
    links = [] if steps is None else links_between(evidence, frames, p, steps)
    bundle = Bundle([evidence.marks[f] for f in frames], standard, belief, hash_yd, links)
    return bundle.solve(p[:, POSE], shared, (6, 5, 4, 3, 3))


def _around(result: BundleResult, before: SharedPrior) -> SharedPrior:
    """Belief about the place and lens for frames still to come; the numbers as believed before."""
    covariance = 4 * result.shared_covariance + np.diag(ROOM**2)
    covariance[7, :] = covariance[:, 7] = 0.0
    covariance[7, 7] = before.number_sd_yd**2
    return SharedPrior(np.array([*result.shared[:7], before.mean[7]]), np.linalg.inv(covariance))


def _jumped(pose: np.ndarray, carried: np.ndarray, marks: FrameMarks) -> bool:
    """Whether a refined pose (4,) contradicts the one that the background's motion carried there."""
    turned_px = np.radians(np.abs(pose - carried)[:2]).max() * np.exp(carried[2]) / marks.unit_px
    return bool(turned_px > JUMP_PX or abs(pose[2] - carried[2]) > JUMP_ZOOM)


def _largest_run(evidence: ClipEvidence, state: State, steps: chain.Chain) -> list[int]:
    """Positions of the key frames that agree with one another by the motion: all of them when no motion links
    contradict, else the largest such set."""
    run = [0]
    p = state.result.parameters
    for j in range(1, len(state.frames)):
        a, b = state.frames[j - 1], state.frames[j]
        pose = steps.carry(a, b, p[j - 1, POSE]) if b - a <= CARRY_FRAMES else None
        broken = pose is not None and _jumped(p[j, POSE], pose, evidence.marks[b])
        run.append(run[-1] + broken)
    return [j for j, r in enumerate(run) if r == np.bincount(run).argmax()]


def _fits_worse(marks: FrameMarks, standard: FieldStandard, state: State, j: int, p: np.ndarray) -> bool:
    """Whether a new camera explains a key frame's marks clearly worse than its old one does."""
    both = np.stack([state.result.parameters[j], p])
    total = start.score(marks, standard, state.hash_yd, both, 2.5).total
    return bool(total[1] < total[0] - 0.05)


def links_between(evidence: ClipEvidence, frames: list[int], p: np.ndarray, steps: chain.Chain) -> Links:
    """The background's motion between neighbouring key frames with parameters p (F, 9), as change and sd."""
    links: Links = []
    for j in range(len(frames) - 1):
        a, b = frames[j], frames[j + 1]
        moved = steps.carry(a, b, p[j, POSE]) if b - a <= CARRY_FRAMES else None
        if moved is None:
            links.append(None)
            continue
        noise = LINK_SD_PX * evidence.marks[a].unit_px * np.sqrt(b - a) / np.exp(p[j, 3])
        small = LINK_SD_PX * np.sqrt(b - a) / 400  # zoom and roll: over the lever of the picture's half
        sd = np.array([np.degrees(noise) * 1.3, np.degrees(noise), 1.5 * small, np.degrees(1.5 * small)])
        links.append((moved - p[j, POSE], sd))
    return links


def chain_of(evidence: ClipEvidence, state: State) -> chain.Chain:
    """The clip's chain at the poses known so far (filled in between key frames)."""
    p = state.result.parameters
    at = np.arange(len(evidence))
    poses = np.column_stack([np.interp(at, state.frames, p[:, k]) for k in POSE])
    return chain.build_chain(
        evidence.links,
        state.frames[0],
        p[0],
        principal_of(evidence),
        float(state.result.shared[2]),
        poses=poses,
    )
