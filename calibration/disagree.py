"""Is it the field that was named? Another rule set may explain the same marks far better."""

from __future__ import annotations

import numpy as np

from calibration import start
from calibration.evidence import ClipEvidence
from calibration.scoring import score
from calibration.standards import STANDARDS, FieldStandard

GOOD_SCORE = 3.0  # of about 3.5: the named field explains nearly everything, nothing to ask
LEAD, LEAST_ROWS = 0.3, 0.6
FRAMES = 2


def better_standard(
    evidence: ClipEvidence,
    standard: FieldStandard,
    frames: list[int],
    p: np.ndarray,
    hash_yd: float,
    view: str,
) -> str:
    """One line naming the rule set whose field explains the marks clearly better than ``standard`` does,
    and which marks disagree; "" when none does. p: (F, 9) cameras of the key frames in the working frame.

    Most fields share the five-yard lines, so a wrong rule set often makes a camera that looks right: only the
    rows tell. Judged on the frames with most crossings of yard lines and hash rows.
    """
    order = sorted(range(len(frames)), key=lambda j: -len(evidence.marks[frames[j]].row_px))[:FRAMES]
    own = [score(evidence.marks[frames[j]], standard, hash_yd, p[j : j + 1], 2.5) for j in order]
    named, rows = (float(np.mean([getattr(s, k)[0] for s in own])) for k in ("total", "row_share"))
    if named > GOOD_SCORE:
        return ""
    best, message = named + LEAD, ""
    for name, other in STANDARDS.items():
        if name == standard.name:
            continue
        found = [start.solve_frame(evidence.marks[frames[j]], other, view=view, keep=3) for j in order]
        solved = [s for s in found if s is not None and s.accepted]
        if len(solved) < len(order):
            continue
        total, theirs = (float(np.mean([getattr(s, k) for s in solved])) for k in ("score", "row_share"))
        if total > best and theirs > max(LEAST_ROWS, rows + 0.15):
            best = total
            message = (
                f"the marks do not fit a {standard.name} field: {rows:.0%} of the hash-row crossings lie on "
                f"its rows, {theirs:.0%} on those of a {name} field"
            )
    return message
