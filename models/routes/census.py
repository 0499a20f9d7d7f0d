"""Do simulated routes move like real ones? Figures class by class beside those of real tracking.

`REAL` holds summary figures of real professional tracking at 10 Hz (shared by the user of this project;
labels from a league's automatic twelve-class model; no positions are included). `census` takes the same
figures from any labelled grid, `report` prints both. Real routes were followed to about the ball's arrival,
so simulated ones are looked at as long (`to_arrival`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.routes.features import GRID_S, Grid, two_segments, velocity
from models.routes.made import coarse_labels, to_arrival
from models.synthetic.playsim_sampler import sample_routes

NAN = float("nan")


@dataclass(frozen=True)
class Figures:
    """One class: share of all routes (%), then medians, with (10th, 90th percentile) where known.

    Depths beyond the line and lateral gain (+ toward the sideline) in yards, time in s, headings in degrees
    (0 = upfield, + = toward the sideline), peak speed in yd/s. Break figures of clear breaks only. NaN = not
    stated.
    """

    share_pct: float
    max_depth_yd: tuple[float, float, float] = (NAN, NAN, NAN)
    break_depth_yd: float = NAN
    break_s: float = NAN
    heading_after_deg: float = NAN
    lateral_end_yd: float = NAN
    peak_yd_per_s: float = NAN


REAL = {
    "GO": Figures(21, (15, 6, 32), heading_after_deg=16, lateral_end_yd=6, peak_yd_per_s=7.7),
    "HITCH": Figures(16, (7.3, 4.2, 13.3), break_s=2.0, lateral_end_yd=0.8, peak_yd_per_s=6.2),
    "FLAT": Figures(14, (-1.2, -5, 3.3), -3.8, 2.0, 58, 7.4, 5.5),
    "CROSS": Figures(12, (5.5, 1.2, 15.8), 2.9, 1.9, -77, -15.7, 7.6),
    "OUT": Figures(10, (5.8, 1.6, 12.2), 4.5, 2.3, 72, 8.9, 6.4),
    "IN": Figures(6, (11.9, 6.4, 16.1), 8.9, 2.4, -54, -4, 6.4),
    "SLANT": Figures(4, (5.3, 2.6, 8), 2.1, 1.6, -48, -4.9, 5.9),
    "POST": Figures(4, (15.1, 11, 21), 7.6, 2.2, -23, -1.6, 7.2),
    "CORNER": Figures(4, (15.6, 12, 22), 10.0, 2.5, 42, 8.6, 7.5),
    "SCREEN": Figures(4, (-1.5, NAN, NAN), -2.1, 1.5, NAN, 0.5, 4.0),
    "ANGLE": Figures(3, (0.7, NAN, NAN), -1.8, 1.9, -30, -0.3, 4.1),
    "WHEEL": Figures(0.7, (24, NAN, NAN), 4.5, 3.0, 25, 13, 8.7),
}
"""Summary figures of real professional tracking, shared by the user."""

TOLERANCE = Figures(2.5, (2.5, 2.5, 5.0), 2.0, 0.7, 16.0, 3.0, 0.8)
"""How far a simulated median (or percentile) may lie from the real one; checked in tests."""


def census(grid: Grid, label: np.ndarray) -> dict[str, Figures]:
    """Figures of a grid under twelve-class labels (N,) ('' = left out)."""
    seen = grid.seen & (GRID_S >= 0)
    depth = np.where(seen, grid.path_yd[..., 0], -99).max(1)
    lateral = grid.path_yd[:, -1, 1] - grid.start_yd[:, 1]
    v = velocity(grid)
    peak = np.where(seen, np.hypot(v[..., 0], v[..., 1]), 0).max(1)
    b = two_segments(grid)
    clear = (b.misfit_one > 0.35) & (b.misfit_two < 0.75 * b.misfit_one)
    named = max(1, int((label != "").sum()))
    out = {}
    for name in REAL:
        rows = label == name
        if rows.sum() < 20:
            continue
        bent = rows & clear

        def median(values: np.ndarray, which: np.ndarray) -> float:
            return float(np.median(values[which])) if which.sum() >= 10 else NAN

        a, lo, hi = (float(v) for v in np.percentile(depth[rows], [50, 10, 90]))
        after = b.after_deg[bent]
        heading = np.rad2deg(np.arctan2(np.sin(np.deg2rad(after)).mean(), np.cos(np.deg2rad(after)).mean()))
        out[name] = Figures(
            100.0 * rows.sum() / named, (a, lo, hi), median(b.depth, bent), median(b.time_s, bent),
            float(heading), median(lateral, rows), median(peak, rows),
        )  # fmt: skip
    return out


def report(found: dict[str, Figures]) -> list[str]:
    """One line a class: simulated | real."""
    lines = [f"{'':8}{'share':>11}{'max depth [10th, 90th]':>38}{'break depth':>15}{'break s':>13}"
             f"{'heading':>13}{'lateral end':>15}{'peak':>13}"]  # fmt: skip

    def pair(a: float, b: float, width: int) -> str:
        return f"{a:.1f}|{b:.1f}".rjust(width)

    for name, real in REAL.items():
        f = found.get(name)
        if f is None:
            continue
        ours, theirs = f.max_depth_yd, real.max_depth_yd
        deep = "{:.1f} [{:.1f}, {:.1f}]|{:g} [{:g}, {:g}]".format(*ours, *theirs)
        lines.append(
            f"{name:8}{pair(f.share_pct, real.share_pct, 11)}{deep:>38}"
            f"{pair(f.break_depth_yd, real.break_depth_yd, 15)}{pair(f.break_s, real.break_s, 13)}"
            f"{pair(f.heading_after_deg, real.heading_after_deg, 13)}"
            f"{pair(f.lateral_end_yd, real.lateral_end_yd, 15)}"
            f"{pair(f.peak_yd_per_s, real.peak_yd_per_s, 13)}"
        )
    return lines


def misses(found: dict[str, Figures]) -> list[str]:
    """What lies outside TOLERANCE, in words; [] when all is near enough."""
    out = []
    for name, real in REAL.items():
        f = found.get(name)
        if f is None:
            out.append(f"{name}: hardly any")
            continue
        for field in Figures.__dataclass_fields__:
            ours, theirs, room = (np.atleast_1d(getattr(x, field)) for x in (f, real, TOLERANCE))
            off = np.abs(ours - theirs)
            if field == "heading_after_deg":
                off = np.minimum(off, 360 - off)
            for k in np.flatnonzero(np.isfinite(theirs) & ~(off <= room)):
                out.append(f"{name} {field}[{k}]: {ours[k]:.1f} beside {theirs[k]:.1f}")
    return out


def main() -> int:
    """`python -m models.routes.census`: the sampler's routes beside the real figures."""
    routes = sample_routes(4242, 12000, pro_share=1.0)
    grid = to_arrival(routes, 1)
    found = census(grid, coarse_labels(routes, grid, 2))
    print("\n".join([*report(found), "", "outside the tolerances:", *misses(found)]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
