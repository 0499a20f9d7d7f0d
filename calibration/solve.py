"""The cameras of a whole clip: one place and lens, a pose per frame, one whole-yard place for all.

1. Single frames are solved from their marks alone; the solution that explains most frames of the
   clip, carried there by the background's motion, is kept (a game's earlier camera takes part too).
2. From it outward every marked frame is refined from its predicted pose; those that fail the gates
   are left out, and say nothing.
3. One robust least-squares over all good frames: shared place, roll, lens, crown; motion between
   marked frames as soft links.
4. Frames between are carried from both sides by the background's motion and blended.
5. The whole-yard place is one vote of the clip (calibration.offset).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration import offset, start
from calibration.bundle import POSE, Bundle
from calibration.clip import INTERPOLATED, LOST, MEASURED, ClipCameras
from calibration.disagree import better_standard
from calibration.evidence import ClipEvidence, FrameMarks
from calibration.grow import CARRY_FRAMES, State, chain_of, grow, links_between, regrow
from calibration.lines import find_transversals
from calibration.prior import CameraPrior, Clicks, belief_of, weak_prior, with_x
from calibration.seed import clicked_seed, find_seed
from calibration.standards import FieldStandard, get_standard

DRIFT_SD_PX = 0.06  # of a carried pose, a frame
SHIFT_SD_PX = 0.03  # the whole picture's marks may sit off by this (sharpening, scaling, interlacing)

STRANGE_PLACE = 9.0  # chi-squared of two: one right camera of ninety would be refused were the belief exact
STRANGE = (
    "the camera that fits would stand {:.0f} yd up at {:.0f}, {:.0f} yd, where hardly any stands: other "
    "clips of the game, or four named points, must tell"
)
ONE_ROW = "only one hash row is seen: other clips of the game, or four named points, must tell the scale"


@dataclass
class ClipSolution:
    """Everything solve_clip found: the cameras, and what a game may learn from them.

    prior: the camera with what the game knew before; own: by this clip's marks alone."""

    cameras: ClipCameras
    prior: CameraPrior | None = None
    votes: offset.Votes | None = None
    key_frames: tuple[int, ...] = ()
    own: CameraPrior | None = None


def solve_clip(
    evidence: ClipEvidence,
    standard: str | FieldStandard,
    spot: tuple[float, float | None] | None = None,
    clicks: Clicks | None = None,
    prior: CameraPrior | None = None,
    view: str | None = None,
) -> ClipCameras:
    """Cameras of a clip; see :func:`solve_clip_fully` for arguments and more results."""
    return solve_clip_fully(evidence, standard, spot, clicks, prior, view).cameras


def solve_clip_fully(
    evidence: ClipEvidence,
    standard: str | FieldStandard,
    spot: tuple[float, float | None] | None = None,
    clicks: Clicks | None = None,
    prior: CameraPrior | None = None,
    view: str | None = None,
    places: tuple[float, ...] = (),
) -> ClipSolution:
    """Solve one clip.

    spot: charted (los_field_yd, y_field_yd or None) of the play; settles the whole-yard place where
        numbers do not. clicks: frame -> [(u_px, v_px, x_field_yd, y_field_yd), ...] named points.
    prior: the same camera in earlier clips. view: "sideline" or "endzone" when known. places: where the
        charted line of scrimmage may lie (field yards) when the direction of play is not known.
    """
    standard = get_standard(standard)
    plain = evidence
    seed, evidence = clicked_seed(plain, standard, clicks, prior, view)
    if seed is None:
        seed = find_seed(evidence, standard, prior, view)
    if seed is None:
        return ClipSolution(_lost(evidence, standard, _why_lost(evidence, standard, view)))
    state = grow(evidence, standard, seed, prior) or grow(evidence, standard, seed, prior, held=False)
    if (
        state is None and clicks
    ):  # points close together leave the camera open: the marks alone, then numbered
        evidence, seed = plain, find_seed(plain, standard, prior, view)
        state = None if seed is None else grow(evidence, standard, seed, prior)
    if state is None:
        return ClipSolution(
            _lost(evidence, standard, "marks were found, but no camera explains enough frames")
        )
    state = _bundle(evidence, standard, state, prior)
    more = regrow(evidence, standard, state, prior)
    if more is not None:
        state = _bundle(evidence, standard, more, prior)
    view_name = "endzone" if state.endzone else "sideline"
    if prior is None and not clicks:
        at = state.result.parameters
        wrong = better_standard(evidence, standard, state.frames, at, state.hash_yd, view_name)
        if wrong:
            return ClipSolution(_lost(evidence, standard, wrong))
    if not clicks and strange_place(state.result.shared, standard, state.endzone):
        x, y, z = state.result.shared[3:6]
        return ClipSolution(_lost(evidence, standard, STRANGE.format(z, x, y)))
    cameras, p = _all_frames(evidence, standard, state)
    known = prior if prior is not None and prior.placed else None
    votes = offset.vote(
        evidence,
        standard,
        p,
        cameras.status,
        view_name,
        spot,
        clicks,
        camera_x_yd=None if known is None else float(known.shared[3]),
        known_flip=None if prior is None else prior.flip,
        places=places,
    )
    cameras = _placed(cameras, standard, votes, view_name)
    shared = state.result.shared.copy()
    shared[3] += votes.shift_yd
    end_known = view_name == "endzone" and (spot is not None or bool(clicks)) and not votes.needs_click
    flip = prior.flip if prior is not None and prior.flip is not None else (votes.flip if end_known else None)
    learnt = CameraPrior(
        view_name,
        shared,
        state.result.shared_covariance,
        state.result.focal_origin,
        state.hash_yd,
        placed=not votes.needs_click,
        flip=flip,
    )
    own = learnt if prior is None else _own(evidence, standard, state, learnt, votes.shift_yd)
    return ClipSolution(cameras, learnt, votes, tuple(state.frames), own)


def _lost(evidence: ClipEvidence, standard: FieldStandard, message: str) -> ClipCameras:
    return ClipCameras.lost(
        len(evidence), evidence.width_px, evidence.height_px, standard.width_yd, message, standard.name
    )


def _own(
    evidence: ClipEvidence, standard: FieldStandard, state: State, learnt: CameraPrior, shift_yd: float
) -> CameraPrior:
    """The camera as this clip alone says, so that a game's clips can be weighed against one another."""
    r, belief = state.result, belief_of(standard, state.endzone, None)
    belief.mean[3] = r.shared[3]
    links = links_between(evidence, state.frames, r.parameters, chain_of(evidence, state))
    marks = [evidence.marks[f] for f in state.frames]
    bundle = Bundle(marks, standard, belief, state.hash_yd, links, strays=True)
    alone = bundle.solve(r.parameters[:, POSE], r.shared, (3, 3, 2.5, 2.5))
    shared = alone.shared.copy()
    shared[3] += shift_yd
    return replace(learnt, shared=shared, covariance=alone.shared_covariance, origin=alone.focal_origin)


def _bundle(
    evidence: ClipEvidence, standard: FieldStandard, state: State, prior: CameraPrior | None
) -> State:
    """Joint fit with motion links; frames that no longer pass are dropped and the fit repeated."""
    belief = belief_of(standard, state.endzone, prior)
    steps = chain_of(evidence, state)
    if prior is not None:
        belief = with_x(belief, prior, state.result.shared[3], state.result.shared_covariance[3, 3] ** 0.5)
    for final in (False, True):
        p = state.result.parameters
        links = links_between(evidence, state.frames, p, steps)
        marks = [evidence.marks[f] for f in state.frames]
        bundle = Bundle(marks, standard, belief, state.hash_yd, links, strays=True)
        result = bundle.solve(p[:, POSE], state.result.shared, (4, 3, 3, 2.5, 2.5))
        state = replace(state, result=result)
        good = [j for j, m in enumerate(marks) if _passes(m, standard, state.keep([j]), belief.number_yd)]
        if final or len(good) == len(marks) or len(good) < 2:
            return state.keep(good or list(range(len(marks))))
        state = state.keep(good)
    return state


def _passes(marks: FrameMarks, standard: FieldStandard, one: State, number_yd: float | None) -> bool:
    """Whether a key frame still passes the gates; one: the state of that frame alone."""
    return start.judge(
        marks, standard, one.hash_yd, one.result, one.endzone, carried=True, number_yd=number_yd
    ).accepted


def _all_frames(
    evidence: ClipEvidence, standard: FieldStandard, state: State
) -> tuple[ClipCameras, np.ndarray]:
    """Carry the key frames' poses to every frame and blend what comes from both sides."""
    n = len(evidence)
    r = state.result
    slope = float(r.shared[2])
    links = chain_of(evidence, state)
    status = np.full(n, LOST, np.uint8)
    p, cov, sd = np.full((n, 9), np.nan), np.full((n, 9, 9), np.nan, np.float32), np.full(n, np.nan)
    keys = np.array(state.frames)
    for i in range(n):
        j = int(np.searchsorted(keys, i, side="right")) - 1
        sides = []  # (pose, distance, key index) from the key frame before and the one after
        for k in (j, j + 1):
            if 0 <= k < len(keys) and abs(keys[k] - i) <= 2 * CARRY_FRAMES:
                pose = links.carry(int(keys[k]), i, r.parameters[k, POSE])
                if pose is not None:
                    sides.append((pose, abs(int(keys[k]) - i), k))
        if not sides:
            continue
        pose, far, k = min(sides, key=lambda t: t[1])
        both = len(sides) == 2 or far == 0
        steps = float(far)
        if len(sides) == 2 and far:
            (pa, da, _), (pb, db, _) = sides
            if np.abs((pa - pb) * [1, 1, 57.3, 0.5]).max() > 1.0:
                continue
            pose = (db * pa + da * pb) / (da + db)
            steps = da * db / (da + db)  # a walk held at both ends (Brownian bridge)
        if far > CARRY_FRAMES:
            continue
        status[i] = MEASURED if both else INTERPOLATED
        q = r.parameters[k].copy()
        q[POSE] = pose
        q[4] = r.shared[1] + slope * (pose[2] - r.focal_origin)
        p[i], sd[i] = q, r.sd_px[k]
        cov[i] = _widened(r.covariance[k], steps, float(q[3]), evidence.width_px)
    cameras = ClipCameras(
        evidence.width_px, evidence.height_px, standard.width_yd, status, p, cov, sd, standard.name
    )
    return cameras, p


def strange_place(shared: np.ndarray, standard: FieldStandard, endzone: bool) -> bool:
    """Whether a camera would stand, across its line of sight and in height, where hardly one of a hundred is.

    Measured by the belief held before looking (two degrees of freedom). In 185 end-zone clips of rendered
    games right cameras came to 1.1 at most; two wrong ones, on a field without hash marks, to 11.5 and 13.
    """
    before = weak_prior(standard, endzone)
    off = (shared - before.mean)[4:6]
    return float(off @ before.information[4:6, 4:6] @ off) > STRANGE_PLACE


def _widened(covariance: np.ndarray, steps: float, log_focal: float, width_px: int) -> np.ndarray:
    """A key frame's covariance ``steps`` of a walk from it: drift, and what the residuals cannot show."""
    unit = width_px / 1280
    noise = np.hypot(DRIFT_SD_PX * np.sqrt(steps), SHIFT_SD_PX) * unit / np.exp(log_focal)
    extra = np.zeros((9, 9))
    extra[0, 0] = extra[1, 1] = np.degrees(noise) ** 2
    extra[3, 3] = (DRIFT_SD_PX * np.sqrt(steps) / 400) ** 2
    extra[2, 2] = np.degrees(DRIFT_SD_PX * np.sqrt(steps) / 400) ** 2
    return covariance + extra


def _placed(cameras: ClipCameras, standard: FieldStandard, votes: offset.Votes, view: str) -> ClipCameras:
    """Shift (and for an end-zone view possibly turn) every camera to the voted place."""
    p, covariance = cameras.parameters.copy(), cameras.covariance
    p[:, 5] += votes.shift_yd
    if votes.flip:
        p[:, 5] = standard.length_yd - p[:, 5]
        p[:, 6] = standard.width_yd - p[:, 6]
        p[:, 0] -= 180.0
        turn = np.diag([1.0, 1, 1, 1, 1, -1, -1, 1, 1])
        covariance = turn @ covariance @ turn
    return replace(
        cameras,
        parameters=p,
        covariance=covariance,
        view=view,
        offset_margin=votes.margin,
        needs_click=votes.needs_click,
        message=votes.message,
        _cache={},
    )


def _one_row_only(marks: FrameMarks, standard: FieldStandard) -> bool:
    """Whether the marks show one hash row, no side line and no numbers whose place the rules fix: the scale
    across the field is then open, and nothing tells rule sets apart."""
    rows = find_transversals(marks.row_px, np.random.default_rng(5), 3.0 * marks.unit_px)
    numbers = len(marks.numeral_px) >= 3 and weak_prior(standard, True).number_yd is not None
    return len(rows) == 1 and len(marks.side_px) < 3 and not numbers


def _why_lost(evidence: ClipEvidence, standard: FieldStandard, view: str | None) -> str:
    """One line: nothing found, or another rule set fits."""
    from calibration.standards import STANDARDS

    if not evidence.marks or max(m.count for m in evidence.marks.values()) < 6:
        return "no field marks were found: is there a field in the picture?"
    best = sorted(evidence.marks, key=lambda f: -evidence.marks[f].count)[:2]
    if all(_one_row_only(evidence.marks[frame], standard) for frame in best):
        return ONE_ROW
    for name, other in STANDARDS.items():
        if name == standard.name:
            continue
        for frame in best:
            s = start.solve_frame(evidence.marks[frame], other, view=view, keep=3)
            if s is not None and s.accepted and s.row_share > 0.5:
                return f"the marks do not fit a {standard.name} field; hash rows would fit {name}"
    return "lines were found, but no camera explains them"
