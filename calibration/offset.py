"""Which yard line is which: one vote for the whole clip.

The metric fit knows x only modulo five yards. Every marked frame gives evidence about each line in
view (index m, working x = 5 m): is a line there at all (none beyond the goal lines), does a number
straddle it, which number and on which side its arrow stands. For every shift the log-likelihoods are
added with the weak belief about the camera's place, the charted spot, the game's earlier cameras and
the operator's clicks. A small lead over the second best shift means: ask, do not guess.

The field is the same after a turn by 180 degrees: from behind an end zone the marks cannot tell
which end it is. Yards relative to the ball do not depend on it; the charted spot decides it where given.

Mirrored film has the same lines; only its numbers tell. Where they are read for sure turned over and not as
they are, the clip asks and says so. A mirrored field without readable numbers is not noticed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from calibration import batch
from calibration.clip import LOST
from calibration.evidence import ClipEvidence
from calibration.line_evidence import LineEvidence, gather
from calibration.standards import FieldStandard

NUMBERS = ("none", "10", "20", "30", "40", "50", "middle")
MINIMUM_MARGIN = 4.0
SPOT_SD_YD = 1.2  # men crowd within 1.3 yd of the ball on test film; the chart gives whole yards
FRAMES = 10
LEAST_PRESENCE = -5.0
"""One line alone says no more than this: what hides it or paints it over (a score bar, a logo, a wide border)
does so on every frame."""
MIRRORED = "the painted numbers can only be read in a mirror: is the film mirrored?"


@dataclass(frozen=True)
class Votes:
    """shift_yd: to be added to x; flip: turn the field by 180 degrees first (end-zone views).

    margin: lead of the best shift in log-likelihood; table: {shift_yd: log-likelihood}.
    """

    shift_yd: float
    margin: float
    needs_click: bool
    message: str
    flip: bool = False
    table: dict[float, float] = field(default_factory=dict)


def vote(
    evidence: ClipEvidence,
    standard: FieldStandard,
    p: np.ndarray,
    status: np.ndarray,
    view: str,
    spot: tuple[float, float | None] | None = None,
    clicks: dict[int, list[tuple[float, float, float, float]]] | None = None,
    camera_x_yd: float | None = None,
    known_flip: bool | None = None,
    places: tuple[float, ...] = (),
) -> Votes:
    """The whole-yard place of a clip. p: (T, 9) working parameters, status (T,).

    camera_x_yd: x of the camera as earlier clips of the game placed it (before any flip). places: where the
    charted line of scrimmage may lie when it is not known which way the offense goes; the field is the same
    from both ends, so from behind an end zone they hold whichever end it is.
    """
    principal = ((evidence.width_px - 1) / 2, (evidence.height_px - 1) / 2)
    keys = [f for f in sorted(evidence.marks) if status[f] != LOST]
    keys = (
        [keys[i] for i in np.unique(np.linspace(0, len(keys) - 1, min(FRAMES, len(keys))).astype(int))]
        if keys
        else []
    )
    lines, mirrored = gather(evidence, standard, p, keys, principal)
    if not lines:
        return Votes(0.0, 0.0, True, "no line was seen well enough to number the lines")
    centre_x = float(np.nanmedian(p[:, 5]))
    shifts = np.arange(-5 * 60, 5 * 61, 5.0)
    total = {}
    parts = {s: _line_score(lines, standard, s) for s in shifts}
    top = max(parts.values())
    flip = bool(known_flip) if view == "endzone" else False
    los = _line_of_scrimmage(evidence, standard, p, keys, principal) if spot is not None or places else None
    flips = (False, True) if view == "endzone" and known_flip is None and (spot or clicks) else (flip,)
    for s in shifts:
        if parts[s] < top - 60:
            continue
        for turned in flips:
            score = parts[s] + _place_score(standard, view, centre_x + s, camera_x_yd)
            if spot is not None and los is not None:
                x = los + s
                x = standard.length_yd - x if turned else x
                score -= min(((x - spot[0]) / SPOT_SD_YD) ** 2 / 2, 8.0)
            elif places and los is not None and view == "endzone":
                score -= min((min(abs(los + s - x) for x in places) / SPOT_SD_YD) ** 2 / 2, 8.0)
            if clicks:
                score -= _click_cost(standard, p, clicks, s, turned, principal)
            total[(s, turned)] = score
    votes = _decide(total, view, spot is not None or bool(clicks) or known_flip is not None)
    return replace(votes, needs_click=True, message=MIRRORED) if mirrored else votes


def _decide(total: dict[tuple[float, bool], float], view: str, end_known: bool) -> Votes:
    (shift, flip), best = max(total.items(), key=lambda t: t[1])
    others = [v for (s, _), v in total.items() if s != shift]
    margin = float(best - max(others)) if others else 50.0
    needs = margin < MINIMUM_MARGIN
    message = ""
    if needs:
        message = "the marks fit, but the lines could not be numbered for sure: click one named point"
    elif view == "endzone" and not end_known:
        message = "which end zone the camera stands behind is not known: taken as x = 0"
    table = {s: float(v) for (s, t), v in total.items() if t == flip}
    return Votes(float(shift), margin, needs, message, flip, table)


def _place_score(standard: FieldStandard, view: str, x: float, known: float | None) -> float:
    """Belief about the camera's x: near the middle for the sideline, behind the end zone otherwise."""
    if known is not None:
        return -min(((x - known) / 1.0) ** 2 / 2, 10.0)
    if view == "endzone":
        behind = -standard.end_zone_yd - x
        return -min(max(0.0, 6.0 - behind, behind - 60.0) ** 2 / (2 * 6.0**2), 14.0)
    return -min(((x - standard.centre_x_yd) / 18.0) ** 2 / 2, 12.0)


def _click_cost(
    standard: FieldStandard,
    p: np.ndarray,
    clicks: dict[int, list[tuple[float, float, float, float]]],
    shift: float,
    turned: bool,
    principal: tuple[float, float],
) -> float:
    cost = 0.0
    for frame, rows in clicks.items():
        if not 0 <= frame < len(p) or not np.isfinite(p[frame, 0]):
            continue
        a = np.array(rows, float).reshape(-1, 4)
        xy, ok = batch.ground(
            a[:, :2], p[frame : frame + 1], np.zeros(len(a), int), principal, standard.width_yd
        )
        xy = xy + [shift, 0.0]
        if turned:
            xy = np.array([standard.length_yd, standard.width_yd]) - xy
        miss = np.abs(xy[:, 0] - a[:, 2])[ok]
        cost += float(np.minimum((miss / 0.8) ** 2 / 2, 20.0).sum())
    return cost


def _line_of_scrimmage(
    evidence: ClipEvidence,
    standard: FieldStandard,
    p: np.ndarray,
    keys: list[int],
    principal: tuple[float, float],
) -> float | None:
    """Where along the field most men stand together in the first marked frames (before the snap both lines
    stand within a yard or two of the ball); None when no six men do."""
    found = []
    marked = [f for f in sorted(evidence.feet_px) if f < len(p) and np.isfinite(p[f, 0])]
    for f in [k for k in marked if k <= 0.3 * len(evidence)][:5] or marked[:1]:
        feet = evidence.feet_px[f]
        xy, ok = batch.ground(feet, p[f : f + 1], np.zeros(len(feet), int), principal, standard.width_yd)
        x = xy[ok & (xy[:, 1] > 4) & (xy[:, 1] < standard.width_yd - 2), 0]
        if len(x) < 8:
            continue
        grid = np.arange(x.min(), x.max() + 0.3, 0.25)
        crowd = np.exp(-0.5 * (grid[:, None] - x) ** 2).sum(1)
        at = grid[int(crowd.argmax())]
        if (np.abs(x - at) < 2.0).sum() >= 6:
            found.append(float(at))
    return float(np.median(found)) if found else None


# -- scores -----------------------------------------------------------------------------------
def _line_score(lines: dict[int, LineEvidence], standard: FieldStandard, shift: float) -> float:
    """Log-likelihood of all evidence under one shift. Fields without numbers exist: both cases are
    weighed."""
    total, painted, bare = 0.0, np.log(0.9), np.log(0.1)
    for m, line in lines.items():
        x = 5.0 * m + shift
        inside = -1e-6 <= x <= standard.length_yd + 1e-6
        if line.samples:
            total += _presence_score(line, standard, x, inside)
        number = standard.number_at(x) if inside else None
        if line.number_looks:
            hits, looks = line.number_hits, line.number_looks
            scale = min(looks, 5.0) / looks
            miss = scale * (looks - hits)
            painted += (
                max(scale * hits * np.log(0.8) + miss * np.log(0.2), -4.0)
                if number
                else (scale * hits * np.log(0.08) + miss * np.log(0.92))
            )
            bare += scale * hits * np.log(0.08) + miss * np.log(0.92)
        for near, reads in line.reads.items():
            if reads:
                painted += _read_score(reads, number, near)
                bare += _read_score(reads, None, near)
    return total + float(np.logaddexp(painted, bare))


def _presence_score(line: LineEvidence, standard: FieldStandard, x: float, inside: bool) -> float:
    """A line stands on every five yards of the field, an end line at the end of each end zone, none
    elsewhere;
    end-zone paint may look like one."""
    weight = min(line.samples, 4.0) * 0.7
    q, e = line.seen / line.samples, line.edge / line.samples
    beyond = max(-x, x - standard.length_yd)
    if inside:
        present, edge = 0.92, 0.04
    else:
        present = 0.2 if beyond <= standard.end_zone_yd else 0.06
        edge = 0.65 if abs(beyond - standard.end_zone_yd) < 0.1 else 0.06
    absent = 0.25 if inside else present  # worn lines are commoner than false ones
    value = q * np.log(present) + (1 - q) * np.log(absent if inside else 1 - present)
    return max(float(weight * (value + e * np.log(edge) + (1 - e) * np.log(1 - edge))), LEAST_PRESENCE)


def _read_score(reads: list[np.ndarray], number: tuple[str, int] | None, near: bool) -> float:
    """Mean log-likelihood of the label over the looks, counted at most three times, floored."""
    logs = np.array(reads)  # (N, 7, 3) joint log-probabilities
    if number is None:
        value = np.logaddexp.reduce(logs[:, 0], axis=1)
    else:
        digits, arrow = number
        k = NUMBERS.index("middle" if digits == "C" else digits)
        side = 0 if arrow == 0 else (1 if (arrow < 0) == near else 2)
        share = np.log(
            np.array([1.0, 1e-3, 1e-3])
            if side == 0
            else np.where(np.arange(3) == side, 0.97, [0.5, 0.03, 0.03])
        )
        value = np.logaddexp.reduce(logs[:, k] + share, axis=1)
        value = np.logaddexp(value, np.logaddexp.reduce(logs[:, 0], axis=1) + np.log(0.15))  # worn away
    return float(np.maximum(value, -6.0).mean() * min(len(reads), 3))
