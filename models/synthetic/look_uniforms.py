"""A look as values of the shaders' uniforms (names as in ``shaders/``)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from models.synthetic.field_paint import LENGTH_YD, WIDTH_YD
from models.synthetic.looks import Look

MOW = {"none": 0.0, "five": 1.0, "ten": 2.0, "across": 3.0, "checker": 4.0}
SLOTS = (
    *("u_noise", "u_paint", "u_shadow", "u_palette", "u_digits", "u_verts", "u_norms", "u_crowd"),
    *("u_coarse", "u_fine"),
)


def linear(colour: Sequence[float]) -> tuple[float, ...]:
    """Linear light of a colour as stored (0..1 each), by a gamma of 2.2."""
    return tuple(max(float(v), 0.0) ** 2.2 for v in colour)


def light_arrays(look: Look) -> tuple[np.ndarray, np.ndarray]:
    """(3,3) directions and (3,3) colours of up to three lights, padded."""
    n = len(look.light.directions)
    dirs, cols = np.zeros((3, 3)), np.zeros((3, 3))
    dirs[:n], cols[:n] = look.light.directions, look.light.colours
    dirs[n:, 2] = 1.0
    return dirs, cols


def automatic_gain(look: Look) -> float:
    """The camera's automatic exposure for the ground's brightness; incomplete, as real ones are."""
    light = look.light
    level = float(np.mean(light.ambient_sky)) + sum(
        float(np.mean(c)) * d[2] for c, d in zip(light.colours, light.directions, strict=True)
    )
    turf = float(np.mean(np.power(look.field.turf, 2.2)))
    return float((0.135 / max(level * (0.6 * turf + 0.03), 1e-3)) ** 0.8)


def shared_uniforms(look: Look) -> dict[str, Any]:
    """Lights, haze and texture slots of every pass."""
    light = look.light
    dirs, cols = light_arrays(look)
    return {
        "u_nlights": len(light.directions),
        "u_ldir": dirs,
        "u_lcol": cols,
        "u_amb_sky": light.ambient_sky,
        "u_amb_ground": light.ambient_ground,
        "u_stadium": light.stadium_shadow or (0.0, 0.0, 0.0, 0.0),
        "u_haze": (*light.haze_colour, light.haze * 0.006),
    } | {name: slot for slot, name in enumerate(SLOTS)}


def shader_constants(look: Look) -> dict[str, str]:
    """What of a look decides which parts of the ground's shader run, as its constants (``common.glsl``)."""
    f, light = look.field, look.light
    yes = lambda value: "true" if value else "false"  # noqa: E731
    return {
        "LIGHTS": str(len(light.directions)),
        "STADIUM": yes(light.stadium_shadow and light.stadium_shadow[3] > 0),
        "MOWN": str(MOW[f.mow]),
        "TRACK": yes(f.track and f.track_width_yd > 0),
        "BARE": yes(f.wear > 0),
        "SNOW": yes(f.snow > 0),
        "NIGHT": yes(light.night),
        "BLOOM": yes(look.picture.bloom > 0),
        "TAPS": "2",
    }


def ground_uniforms(look: Look) -> dict[str, Any]:
    """Turf, wear, track and what lies beyond."""
    f = look.field
    return {
        "u_night": float(look.light.night),
        "u_field": (float(LENGTH_YD[f.standard]), WIDTH_YD[f.standard], f.end_zone_depth_yd, f.snow),
        "u_turf": linear(f.turf),
        "u_turf2": linear(f.turf_second),
        "u_apron": linear(f.apron),
        "u_track": linear(f.track or f.apron),
        "u_beyond": linear(f.beyond),
        "u_wearc": linear(f.wear_colour),
        "u_mow": (MOW[f.mow], f.mow_strength, f.grain, f.blotch),
        "u_wear": (f.wear, f.line_wear, f.track_inner_yd, f.track_width_yd if f.track else 0.0),
    }


def sky_uniforms(look: Look) -> dict[str, Any]:
    """Sky, trees and buildings on the horizon."""
    v, light = look.venue, look.light
    buildings = v.buildings if v.kind != "bowl" else 0.0
    return {
        "u_top": linear(light.sky_top),
        "u_low": linear(light.sky_low),
        "u_tree": linear((0.16, 0.22, 0.12)),
        "u_land": (0.10 * v.trees, buildings, (v.seed % 1000) / 1000.0, float(light.night)),
    }
