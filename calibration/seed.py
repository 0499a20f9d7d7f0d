"""The first camera of a clip: from single frames, from the game's earlier camera, or from clicks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration import chain, start
from calibration.bundle import POSE
from calibration.clicks import solve_clicks
from calibration.evidence import ClipEvidence, FrameMarks
from calibration.prior import CameraPrior, Clicks, belief_of
from calibration.scoring import score
from calibration.standards import FieldStandard


def principal_of(evidence: ClipEvidence) -> tuple[float, float]:
    """The middle of the picture in pixels."""
    return (evidence.width_px - 1) / 2, (evidence.height_px - 1) / 2


def find_seed(
    evidence: ClipEvidence,
    standard: FieldStandard,
    prior: CameraPrior | None,
    view: str | None,
    tries: int = 6,
) -> tuple[int, start.FrameSolution] | None:
    """The single-frame solution that explains most of the clip."""
    frames = sorted(evidence.marks, key=lambda f: -evidence.marks[f].count)
    found: list[tuple[float, int, start.FrameSolution]] = []
    for frame in spread_out(frames, tries, len(evidence)):
        s = start.solve_frame(evidence.marks[frame], standard, view=view if prior is None else prior.view)
        if prior is not None and (s is None or not s.accepted or not _same_place(s, prior)):
            s = start.solve_frame_from(
                evidence.marks[frame],
                standard,
                prior.hash_from_sideline_yd,
                prior.shared,
                prior.view == "endzone",
                belief_of(standard, prior.view == "endzone", prior),
            )
        if s is None or not s.accepted:
            continue
        view = "endzone" if s.endzone else "sideline"
        number_yd = belief_of(standard, s.endzone, prior).number_yd
        found.append((_explains(evidence, standard, frame, s, number_yd), frame, s))
        if found[-1][0] > 2.0 or len(found) == 3:
            break
    if not found:
        return None
    _, frame, solution = max(found, key=lambda t: t[0])
    return frame, solution


def _explains(
    evidence: ClipEvidence,
    standard: FieldStandard,
    frame: int,
    s: start.FrameSolution,
    number_yd: float | None,
) -> float:
    """Mean score of one frame's camera over marked frames of the clip, carried there by the background."""
    links = chain.build_chain(evidence.links, frame, s.parameters, principal_of(evidence))
    others = spread_out(sorted(evidence.marks), 6, len(evidence))
    total = 0.0
    for other in others:
        pose = links.carry(frame, other, s.parameters[POSE])
        if pose is not None:
            p = s.parameters.copy()
            p[POSE] = pose
            parts = score(evidence.marks[other], standard, s.hash_from_sideline_yd, p[None], 5.0, number_yd)
            total += max(0.0, float(parts.total[0]))
    return total / max(len(others), 1)


def _same_place(s: start.FrameSolution, prior: CameraPrior) -> bool:
    """Whether a frame solved alone stands where the game's camera stands (x is free by whole five yards)."""
    sd = np.sqrt(np.diag(s.covariance)[6:8] + np.diag(prior.covariance)[4:6]) * 4 + 1.5
    return bool((np.abs(s.parameters[6:8] - prior.shared[4:6]) < sd).all())


def clicked_seed(
    evidence: ClipEvidence,
    standard: FieldStandard,
    clicks: Clicks | None,
    prior: CameraPrior | None,
    view: str | None,
) -> tuple[tuple[int, start.FrameSolution] | None, ClipEvidence]:
    """The frame whose clicks alone fix a camera (four points; two where the game's camera is known), and the
    evidence with all clicks among the marks, in the working frame (an end-zone camera behind x = 0).

    Raises ValueError with the reason when such clicks are refused.
    """
    known = prior is not None and prior.placed
    for frame, rows in sorted((clicks or {}).items(), key=lambda t: -len(t[1])):
        a = np.array(rows, float).reshape(-1, 4)
        if not 0 <= frame < len(evidence):
            raise ValueError(f"clicks on frame {frame}: the clip has frames 0 to {len(evidence) - 1}")
        if len(a) < (2 if known else 4):
            continue
        name = view or (prior.view if prior is not None else "sideline")
        fit = solve_clicks(a[:, :2], a[:, 2:], evidence.width_px, evidence.height_px, standard, prior, name)
        if fit.camera is None:
            raise ValueError(f"clicks on frame {frame}: {fit.reason}")
        p = fit.camera.parameters.copy()
        turned = name == "endzone" and p[5] > standard.centre_x_yd
        if turned:
            p[5], p[6], p[0] = standard.length_yd - p[5], standard.width_yd - p[6], p[0] + 180.0
        number = standard.number_rows_yd[0] if prior is None else prior.shared[7]
        shared = np.array([p[2], p[4], 0.0, p[5], p[6], p[7], p[8], number])
        covariance = np.zeros((9, 9)) if fit.camera.covariance is None else fit.camera.covariance
        hash_yd = prior.hash_from_sideline_yd if prior is not None else standard.hash_from_sideline_yd
        seed = start.FrameSolution(
            p,
            covariance,
            shared,
            3.0,
            1.0,
            1.0,
            1.0,
            float(np.median(fit.residual_px)),
            name == "endzone",
            hash_yd,
            True,
        )
        return (frame, seed), _with_clicks(evidence, standard, clicks or {}, turned)
    return None, evidence


def _with_clicks(
    evidence: ClipEvidence, standard: FieldStandard, clicks: Clicks, turned: bool
) -> ClipEvidence:
    marks = dict(evidence.marks)
    for frame, rows in clicks.items():
        old = marks.get(frame, FrameMarks(evidence.width_px, evidence.height_px))
        a = np.array(rows, float).reshape(-1, 4)
        if turned:
            a[:, 2:] = np.array([standard.length_yd, standard.width_yd]) - a[:, 2:]
        marks[frame] = replace(old, click_px=a)
    return replace(evidence, marks=marks)


def spread_out(frames: list[int], count: int, length: int) -> list[int]:
    """Up to ``count`` of the frames, best first, kept apart in time where possible."""
    out: list[int] = []
    for gap in (length / (count + 1), length / (3 * count), 0):
        for f in frames:
            if len(out) < count and f not in out and all(abs(f - o) >= gap for o in out):
                out.append(f)
    return out
