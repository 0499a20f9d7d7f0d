"""Draws what a rendered game looks like from wide distributions.

See film facts: yellow-green to near-black turf, coloured and doubled lines, lines of other sports, hard
shadows,
jerseys close to the turf, poor codecs. Same generator state, same look.
"""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np

from models.synthetic.look_records import (
    STANDARDS,
    STYLES,
    Colour,
    FieldLook,
    Kit,
    LightLook,
    Look,
    OfficialKit,
    PictureLook,
    VenueLook,
)

__all__ = [
    "STANDARDS",
    "STYLES",
    "Colour",
    "FieldLook",
    "Kit",
    "LightLook",
    "Look",
    "OfficialKit",
    "PictureLook",
    "VenueLook",
    "random_look",
]


def hsv(h: float, s: float, v: float) -> Colour:
    """sRGB triple from hue (0..1), saturation, value."""
    r, g, b = colorsys.hsv_to_rgb(h % 1.0, min(max(s, 0), 1), min(max(v, 0), 1))
    return (float(r), float(g), float(b))


def _u(rng: np.random.Generator, a: float, b: float) -> float:
    return float(rng.uniform(a, b))


def _chance(rng: np.random.Generator, p: float) -> bool:
    return bool(rng.random() < p)


def _pick(rng: np.random.Generator, items: Any, p: Any = None) -> Any:
    return items[int(rng.choice(len(items), p=p))]


def strong_colour(rng: np.random.Generator) -> Colour:
    """A team-like colour: saturated, or dark, or neutral."""
    r = rng.random()
    if r < 0.62:
        return hsv(rng.random(), _u(rng, 0.55, 1.0), _u(rng, 0.25, 0.95))
    if r < 0.82:
        return hsv(rng.random(), _u(rng, 0.3, 0.9), _u(rng, 0.08, 0.3))
    v = _u(rng, 0.02, 0.75)
    return (v, v, v)


def white(rng: np.random.Generator) -> Colour:
    """Nearly white, slightly warm or cold."""
    v = _u(rng, 0.8, 1.0)
    return (v, v * _u(rng, 0.96, 1.0), v * _u(rng, 0.92, 1.0))


def random_kit(rng: np.random.Generator, light: bool, turf: Colour) -> Kit:
    """Random uniform; now and then close to the turf colour."""
    main = strong_colour(rng)
    second = white(rng) if _chance(rng, 0.5) else strong_colour(rng)
    if light:
        jersey = white(rng) if _chance(rng, 0.8) else hsv(rng.random(), _u(rng, 0, 0.35), _u(rng, 0.7, 1))
    elif _chance(rng, 0.08):
        h, s, v = colorsys.rgb_to_hsv(*turf)
        jersey = hsv(h + _u(rng, -0.06, 0.06), s * _u(rng, 0.7, 1.2), v * _u(rng, 0.6, 1.3))
    else:
        jersey = main
    number = main if light else (white(rng) if _chance(rng, 0.8) else second)
    pants = _pick(
        rng, [white(rng), main, second, jersey, hsv(0.12, 0.3, _u(rng, 0.4, 0.8)), (0.6, 0.6, 0.62)]
    )
    helmet = _pick(rng, [main, white(rng), second, strong_colour(rng), (0.65, 0.62, 0.5), (0.05, 0.05, 0.06)])
    return Kit(
        jersey=jersey,
        sleeve=_pick(rng, [jersey, jersey, second, main]),
        number=number,
        number_outline=_pick(rng, [number, second, (0.02, 0.02, 0.02), white(rng)]),
        pants=pants,
        pants_stripe=_pick(rng, [pants, main, second]),
        helmet=helmet,
        helmet_stripe=_pick(rng, [helmet, second, main]),
        facemask=_pick(rng, [(0.1, 0.1, 0.1), (0.6, 0.6, 0.6), main, white(rng)]),
        sock=_pick(rng, [main, white(rng), second, (0.05, 0.05, 0.05)]),
        shoe=_pick(rng, [(0.05, 0.05, 0.05), white(rng), main]),
        glove=_pick(rng, [(0.05, 0.05, 0.05), white(rng), second]),
        number_style=_pick(rng, ["block", "slab", "sans", "rubik"]),
    )


def random_field(rng: np.random.Generator, style: str, standard: str, night: bool) -> FieldLook:
    """Turf and paint."""
    natural = _chance(rng, 0.5)
    hue = (
        float(np.clip(rng.normal(0.285, 0.045), 0.17, 0.43))
        if natural
        else float(np.clip(rng.normal(0.325, 0.045), 0.2, 0.46))
    )
    turf = hsv(hue, _u(rng, 0.2, 0.68), _u(rng, 0.22, 0.62))
    if _chance(rng, 0.06):
        turf = hsv(_u(rng, 0.08, 0.17), _u(rng, 0.2, 0.6), _u(rng, 0.3, 0.7))  # dormant grass
    if _chance(rng, 0.03):
        turf = hsv(rng.random(), _u(rng, 0.3, 0.8), _u(rng, 0.15, 0.6))  # coloured artificial turf
    length = 110 if standard == "canadian" else 100
    club = [strong_colour(rng) for _ in range(3)]
    colour_lines = []
    if _chance(rng, 0.25):
        for x in (25, 50, 75, 20, 80):
            if _chance(rng, 0.4):
                colour_lines.append((float(x), _pick(rng, club)))
    if standard == "canadian" and _chance(rng, 0.4):
        colour_lines.append((55.0, _pick(rng, [*club, (0.9, 0.8, 0.1)])))
    sports: list[str] = []
    if style == "school" or _chance(rng, 0.12):
        sports = [s for s in ("soccer", "lacrosse", "hockey", "youth") if _chance(rng, 0.38)]
    white_line = white(rng)
    school = style == "school"
    width = {"pro": (0.1, 0.13), "college": (0.1, 0.13), "school": (0.09, 0.15)}[style]
    border = _pick(rng, [2.0, _u(rng, 0.3, 2.2), 0.11]) if not school else _pick(rng, [0.11, 0.11, 0.2, 1.4])
    if standard == "nfl" and not school:
        border = _pick(rng, [2.0, 2.0, 1.8, 4.0])
    h, s, v = colorsys.rgb_to_hsv(*turf)
    second = hsv(h + _u(rng, -0.02, 0.02), s * _u(rng, 0.85, 1.15), v * _u(rng, 0.75, 1.25))
    letters = "".join(rng.choice(list("ABDEGHKLMNORSTUVWY"), int(rng.integers(4, 10))))
    return FieldLook(
        standard=standard,
        crown_yd=_u(rng, 0.0, 0.3) if _chance(rng, 0.75) else 0.0,
        turf=turf,
        turf_second=second,
        mow=_pick(rng, ["none", "five", "ten", "across", "checker"], [0.4, 0.25, 0.12, 0.13, 0.1]),
        mow_strength=_u(rng, 0.1, 1.0),
        grain=_u(rng, 0.05, 0.5) * (1.5 if school else 1),
        blotch=_u(rng, 0.0, 0.45),
        wear=_u(rng, 0, 0.9) * (1 if natural else 0.15) if _chance(rng, 0.6) else 0.0,
        wear_colour=hsv(_u(rng, 0.07, 0.17), _u(rng, 0.2, 0.5), _u(rng, 0.25, 0.55)),
        snow=_u(rng, 0.1, 0.8) if _chance(rng, 0.03) else 0.0,
        line_colour=white_line,
        line_alpha=_u(rng, 0.55, 1.0) if not school else _u(rng, 0.4, 1.0),
        line_wear=_u(rng, 0, 0.5) if not school else _u(rng, 0, 0.85),
        line_width_yd=_u(rng, *width),
        numeral_style=_pick(rng, ["block", "slab", "sans", "serif", "round", "thin"]),
        numeral_colour=white_line if _chance(rng, 0.85) else _pick(rng, club),
        numeral_outline=_pick(rng, club) if _chance(rng, 0.22) else None,
        numeral_size=(_u(rng, 1.7, 2.1), _u(rng, 1.1, 1.45)),
        numerals_every=10 if not school or _chance(rng, 0.85) else 0,
        arrows=_chance(rng, 0.85 if not school else 0.5),
        ticks=_pick(rng, ["every", "cross", "none"], [0.85, 0.12, 0.03] if not school else [0.55, 0.35, 0.1]),
        sideline_ticks=_chance(rng, 0.85 if not school else 0.4),
        border_width_yd=float(border),
        border_alpha=_u(rng, 0.6, 1.0),
        yard_line_gap_yd=_u(rng, 0.0, 0.25) if _chance(rng, 0.7) else 0.0,
        end_zone=_pick(rng, club) if _chance(rng, 0.65 if not school else 0.3) else None,
        end_zone_pattern=_pick(rng, ["solid", "diagonal", "checker", "text"]),
        end_zone_text=letters if _chance(rng, 0.6) else "",
        end_zone_text_colour=_pick(rng, [white_line, *club]),
        emblem=_u(rng, 3, 11) if _chance(rng, 0.55 if not school else 0.3) else 0.0,
        emblem_colours=tuple(club + [white_line]),
        emblem_seed=int(rng.integers(1 << 30)),
        colour_lines=tuple(colour_lines),
        doubled_every=int(_pick(rng, [0, 10, 5], [0.86, 0.1, 0.04])),
        missing_lines=tuple(float(x) for x in range(5, length, 5) if _chance(rng, 0.06))
        if _chance(rng, 0.12)
        else (),
        missing_numerals=tuple(float(x) for x in range(10, length, 10) if _chance(rng, 0.2))
        if _chance(rng, 0.15)
        else (),
        other_sports=tuple(sports),
        other_colours=tuple(
            _pick(
                rng,
                [
                    (0.9, 0.8, 0.1),
                    (0.1, 0.25, 0.8),
                    (0.8, 0.1, 0.1),
                    white_line,
                    (0.95, 0.5, 0.1),
                    (0.05, 0.05, 0.05),
                ],
            )
            for _ in range(4)
        ),
        end_zone_depth_yd=float(_pick(rng, [20, 20, 15, 18])) if standard == "canadian" else 10.0,
        apron=turf
        if _chance(rng, 0.5)
        else hsv(h + _u(rng, -0.05, 0.05), s * _u(rng, 0.4, 1), v * _u(rng, 0.6, 1.5)),
        track=_pick(
            rng,
            [
                hsv(_u(rng, -0.02, 0.05), _u(rng, 0.3, 0.8), _u(rng, 0.25, 0.7)),
                (0.15, 0.15, 0.16),
                hsv(0.6, 0.5, 0.5),
                (0.45, 0.43, 0.42),
            ],
        )
        if _chance(rng, 0.6 if school else 0.2)
        else None,
        track_inner_yd=_u(rng, 3, 12),
        track_width_yd=_u(rng, 6, 11),
        beyond=_pick(rng, [hsv(_u(rng, 0.2, 0.35), 0.4, 0.35), (0.4, 0.4, 0.4), hsv(0.09, 0.3, 0.5), turf]),
        dashed_restraint=_chance(rng, 0.3),
    )


def _unit(x: float, y: float, z: float) -> tuple[float, float, float]:
    n = float(np.sqrt(x * x + y * y + z * z))
    return (x / n, y / n, z / n)


def random_light(rng: np.random.Generator, night: bool) -> LightLook:
    """Sun, overcast or floodlights."""
    if night:
        k = int(rng.integers(2, 4))
        tint = _pick(rng, [(1.0, 0.97, 0.9), (0.9, 0.97, 1.0), (1.0, 0.88, 0.68), (0.92, 1.0, 0.9)])
        sides = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
        rng.shuffle(sides)
        dirs = tuple(
            _unit(sx * _u(rng, 0.4, 1.4), sy * _u(rng, 0.6, 1.6), _u(rng, 0.6, 1.3)) for sx, sy in sides[:k]
        )
        level = _u(rng, 0.35, 1.0)
        cols = tuple(tuple(level * _u(rng, 0.6, 1.4) * c / k * 1.7 for c in tint) for _ in dirs)
        a = _u(rng, 0.06, 0.3) * level
        sky = _u(rng, 0.0, 0.07)
        return LightLook(
            True,
            dirs,
            cols,
            tuple(a * c for c in tint),
            (a * 0.3, a * 0.4, a * 0.2),
            _u(rng, 0.8, 2.5),  # type: ignore[arg-type]
            _u(rng, 0.2, 0.6),
            None,
            (sky * 0.6, sky * 0.7, sky),
            (sky, sky, sky * 1.3),
            _u(rng, 0, 0.15),
            (0.1, 0.1, 0.12),
            _u(rng, 0.2, 1) if _chance(rng, 0.08) else 0.0,
        )
    azimuth, height = _u(rng, 0, 2 * np.pi), np.deg2rad(_u(rng, 12, 70))
    sun = _unit(np.cos(azimuth) * np.cos(height), np.sin(azimuth) * np.cos(height), np.sin(height))
    overcast = _chance(rng, 0.35)
    warm = 1 - height / 1.3
    strength = _u(rng, 0.0, 0.25) if overcast else _u(rng, 0.7, 1.5)
    col = (strength, strength * (1 - 0.12 * warm), strength * (1 - 0.3 * warm))
    a = _u(rng, 0.5, 0.95) if overcast else _u(rng, 0.22, 0.5)
    blue = 0.0 if overcast else _u(rng, 0.05, 0.3)
    shadow = None
    if not overcast and _chance(rng, 0.35):
        th = _u(rng, 0, 2 * np.pi)
        shadow = (float(np.cos(th)), float(np.sin(th)), _u(rng, -22, 22), _u(rng, 0.6, 1.0))
    sky_v = _u(rng, 0.5, 0.95)
    top = (sky_v,) * 3 if overcast else hsv(_u(rng, 0.54, 0.62), _u(rng, 0.3, 0.75), sky_v)
    low = tuple(min(1.0, c * 0.4 + 0.6 * _u(rng, 0.7, 1.0)) for c in top)
    return LightLook(
        False,
        (sun,),
        (col,),
        (a * (1 - blue * 0.5), a, a * (1 + blue)),
        (a * 0.35, a * 0.4, a * 0.25),
        _u(rng, 0.5, 1.5),
        _u(rng, 0.15, 0.6),
        shadow,
        top,
        low,  # type: ignore[arg-type]
        0.3 * rng.random() ** 2 if _chance(rng, 0.4) else 0.0,
        (0.75, 0.78, 0.8),
        _u(rng, 0.2, 1) if overcast and _chance(rng, 0.1) else 0.0,
    )


def random_venue(rng: np.random.Generator, style: str) -> VenueLook:
    """Stands and surroundings."""
    kind = {
        "pro": _pick(rng, ["stadium", "bowl"]),
        "college": _pick(rng, ["stadium", "bowl", "school"]),
        "school": _pick(rng, ["school", "school", "park"]),
    }[style]
    big = kind in ("stadium", "bowl")
    return VenueLook(
        kind=kind,
        far_gap_yd=_u(rng, 6, 16) if big else _u(rng, 8, 25),
        far_rows=int(rng.integers(20, 60)) if big else int(rng.integers(4, 16)),
        far_length_yd=_u(rng, 100, 160) if big else _u(rng, 20, 80),
        far_base_yd=_u(rng, 1.0, 4) if big else _u(rng, 0.3, 1.5),
        occupancy=float(_pick(rng, [0.0, _u(rng, 0.05, 0.4), _u(rng, 0.4, 1.0)], [0.15, 0.35, 0.5])),
        seat=strong_colour(rng) if _chance(rng, 0.5) else (0.55, 0.56, 0.58),
        wall=strong_colour(rng),
        end_stand=big and _chance(rng, 0.75),
        trees=0.0 if big and kind == "bowl" else _u(rng, 0, 1),
        buildings=_u(rng, 0, 1),
        cars=0 if big else int(rng.integers(0, 26)),
        masts=int(rng.integers(0, 5)),
        fence=(not big) and _chance(rng, 0.6),
        bench_people=int(rng.integers(8, 46)),
        near_people=int(rng.integers(0, 40)),
        front_people=int(rng.integers(0, 5)) if style == "school" and _chance(rng, 0.35) else 0,
        post_colour=(0.95, 0.8, 0.05) if _chance(rng, 0.7) else (0.9, 0.9, 0.9),
        nets=_chance(rng, 0.1),
        scoreboard=_chance(rng, 0.4),
        crowd_people=int(rng.integers(0, 30)),
        seed=int(rng.integers(1 << 30)),
    )


def random_picture(rng: np.random.Generator, style: str, night: bool) -> PictureLook:
    """Electronics and codec, poorer for school film."""
    poor = {"pro": 0.25, "college": 0.45, "school": 1.0}[style]
    height = {
        "pro": [1080, 1080, 720],
        "college": [1080, 720, 720, 540],
        "school": [720, 480, 480, 480, 540],
    }[style]
    return PictureLook(
        exposure=float(np.exp(rng.normal(0.0, 0.22))),
        contrast=_u(rng, 0.85, 1.25),
        saturation=_u(rng, 0.5, 1.2),
        white_balance=(_u(rng, 0.9, 1.1), 1.0, _u(rng, 0.86, 1.14)),
        gamma=_u(rng, 0.85, 1.2),
        vignette=_u(rng, 0, 0.35),
        bloom=_u(rng, 0, 0.5) if night else _u(rng, 0, 0.2),
        noise=(9 if night else 5) * (0.5 + 0.7 * poor) * rng.random() ** 1.7,
        chroma_noise=5 * poor * rng.random() ** 1.7,
        denoise=_u(rng, 0.2, 1.0) if _chance(rng, 0.4 * poor) else 0.0,
        sharpen=_u(rng, 0, 1.6) if _chance(rng, 0.65) else 0.0,
        blur_px=_u(rng, 0.0, 0.5 + 0.9 * poor),
        internal_height_px=int(_pick(rng, height)),
        jpeg_quality=int(rng.integers(72, 96)),
        pre_jpeg_quality=int(rng.integers(12, 60)) if _chance(rng, 0.3 + 0.5 * poor) else 95,
        chroma_half=_chance(rng, 0.8),
        interlace=_u(rng, 0.5, 1.0) if _chance(rng, 0.06) else 0.0,
        shutter_s=float(
            _pick(rng, [1 / 60, 1 / 120, 1 / 250, 1 / 500] if not night else [1 / 60, 1 / 60, 1 / 120])
        ),
        overlay=_pick(rng, ["none", "scorebug", "timecode", "mark", "both"], [0.55, 0.14, 0.1, 0.14, 0.07]),
        overlay_seed=int(rng.integers(1 << 30)),
        over_exposure=_u(rng, 0.2, 0.8) if _chance(rng, 0.05) else 0.0,
    )


def random_look(rng: np.random.Generator, style: str | None = None, standard: str | None = None) -> Look:
    """Draw a look. Same generator state, same look."""
    seed = int(rng.integers(1 << 31))
    rng = np.random.default_rng(seed)
    style = style or _pick(rng, STYLES, [0.36, 0.22, 0.42])
    if standard is None:
        p = {
            "pro": [0.7, 0.15, 0.0, 0.15],
            "college": [0.05, 0.75, 0.0, 0.2],
            "school": [0.03, 0.12, 0.5, 0.35],
        }[style]
        standard = _pick(rng, STANDARDS, p)
    night = _chance(rng, 0.45 if style == "school" else 0.35)
    fieldlook = random_field(rng, style, standard, night)
    offense_light = _chance(rng, 0.5)
    both_dark = _chance(rng, 0.12)
    off = random_kit(rng, offense_light and not both_dark, fieldlook.turf)
    dfn = random_kit(rng, (not offense_light) and not both_dark, fieldlook.turf)
    white_shirt = white(rng)
    officials = OfficialKit(
        striped=_chance(rng, 0.93),
        shirt=white_shirt if _chance(rng, 0.93) else strong_colour(rng),
        stripe=(0.03, 0.03, 0.03),
        pants=(0.04, 0.04, 0.05) if _chance(rng, 0.65) else white_shirt,
        cap=_pick(rng, [(0.03, 0.03, 0.03), (0.03, 0.03, 0.03), (0.95, 0.95, 0.95), (0.7, 0.05, 0.05)]),
        jacket_share=_u(rng, 0.3, 1) if _chance(rng, 0.08) else 0.0,
    )
    return Look(
        seed,
        style,
        fieldlook,
        random_light(rng, night),
        off,
        dfn,
        officials,
        random_venue(rng, style),
        random_picture(rng, style, night),
    )
