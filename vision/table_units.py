"""Units and zero of a tracking table's places: to field yards, said aloud, refused where they cannot be."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calibration.standards import FieldStandard
from vision.table_words import unit_in_name
from vision.trouble import SheetTrouble

_YARDS = {"yd": 1.0, "m": 1 / 0.9144, "ft": 1 / 3}


def to_field_yards(
    out: pd.DataFrame, found: dict[str, str], ground: FieldStandard, units: str, x_zero: str, where: str,
    notes: tuple[str, ...],
) -> tuple[pd.DataFrame, tuple[str, ...]]:  # fmt: skip
    """Scale to yards and move the zero of x to the goal line, of y to the near sideline."""
    if units not in ("auto", *_YARDS):
        raise SheetTrouble(f"units {units!r} are not known", "use yd, m, ft or auto")
    if x_zero not in ("auto", "goal line", "end line", "middle"):
        raise SheetTrouble(f"x_zero {x_zero!r} is not known", "use 'goal line', 'end line', 'middle' or auto")
    men = out[out["side"] != "ball"]
    x, y = men["x_field_yd"].to_numpy(), men["y_field_yd"].to_numpy()
    lo_y, hi_y = np.nanpercentile(y, [0.2, 99.8])
    centred = x_zero == "middle" or (x_zero == "auto" and lo_y < -6 and np.nanmin(x) < -6)
    named = unit_in_name(found["y_field_yd"])
    unit = units if units != "auto" else (named or _guess_unit(lo_y, hi_y, out, ground, centred))
    if units == "auto" and named == "yd" and hi_y - lo_y > ground.width_yd + 8:
        raise SheetTrouble(
            f"{where}: y runs from {lo_y:.0f} to {hi_y:.0f}, the field is {ground.width_yd:.1f} yd wide",
            "the places look like feet: say units ft, or name the right standard",
        )
    scale = _YARDS[unit]
    if unit != "yd":
        notes += (f"places are in {'metres' if unit == 'm' else 'feet'}; turned into yards",)
    out["x_field_yd"] *= scale
    out["y_field_yd"] *= scale
    if centred:
        out["x_field_yd"] += ground.length_yd / 2
        out["y_field_yd"] += ground.width_yd / 2
        return out, (*notes, "places counted from the middle of the field")
    lo_x, hi_x = float(np.nanmin(x)) * scale, float(np.nanmax(x)) * scale
    if (
        hi_x - lo_x > ground.length_yd + 2 * ground.end_zone_yd + 12
        or (hi_y - lo_y) * scale > ground.width_yd + 12
    ):
        raise SheetTrouble(
            f"{where}: places span {hi_x - lo_x:.0f} x {(hi_y - lo_y) * scale:.0f} yd, larger than the field",
            "say the units (yd, m, ft) and the standard",
        )
    from_end = x_zero == "end line"
    if x_zero == "auto":
        ours = found["x_field_yd"].lower() == "x_field_yd"
        if hi_x > ground.length_yd + ground.end_zone_yd + 1.0:
            from_end = True
        elif lo_x < -1.0 or ours:
            from_end = False
        else:
            from_end = True
            notes += (f"x taken to count from the end line (column {found['x_field_yd']!r})",)
    if from_end:
        out["x_field_yd"] -= ground.end_zone_yd
    return out, notes


def _guess_unit(lo_y: float, hi_y: float, out: pd.DataFrame, ground: FieldStandard, centred: bool) -> str:
    """yd, m or ft from how far across the field the men stand, and where the ball lies on many plays.

    Feet: men over 1.3 field widths apart. Metres: over many plays (15 or more) nobody beyond the width in
    metres plus 1.5, and the men's middle nearer to half the width in metres than in yards.
    """
    width = ground.width_yd
    across = hi_y - lo_y if centred else max(hi_y, hi_y - lo_y)
    if across > 1.3 * width:
        return "ft"
    if out["play"].nunique() >= 15 and not centred:
        middle = float(np.median(out["y_field_yd"]))
        metres = width * 0.9144
        if hi_y < metres + 1.5 and abs(middle - metres / 2) < abs(middle - width / 2):
            return "m"
    return "yd"
