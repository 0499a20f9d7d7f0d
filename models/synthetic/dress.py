"""Clothes of one person for a whole game, as a palette of the body's parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.synthetic.figures import NUMBER_STYLES
from models.synthetic.looks import Colour, Kit, Look, hsv, strong_colour, white

PARTS = {
    "skin": 0,
    "hair": 1,
    "cap": 2,
    "helmet": 3,
    "facemask": 4,
    "visor": 5,
    "jersey_front": 6,
    "jersey_back": 7,
    "sleeve": 8,
    "forearm": 9,
    "glove": 10,
    "belt": 11,
    "pants": 12,
    "sock": 13,
    "shoe": 14,
}


@dataclass(frozen=True)
class Dress:
    """One person's looks for a whole game: palette (24,3) uint8, pattern bits, number, shape name, scale."""

    kind: int
    team: str
    number: int
    shape: str
    scale: float
    pattern: int
    palette: np.ndarray


def _skin(rng: np.random.Generator) -> Colour:
    t = float(rng.beta(1.2, 1.2))
    light, dark = np.array([0.93, 0.76, 0.64]), np.array([0.28, 0.18, 0.13])
    return tuple((light * (1 - t) + dark * t) * rng.uniform(0.9, 1.05))  # type: ignore[return-value]


def _palette(parts: dict[str, Colour], extra: dict[int, Colour]) -> np.ndarray:
    p = np.full((24, 3), 0.3)
    for name, c in parts.items():
        p[PARTS[name]] = c
    for k, c in extra.items():
        p[k] = c
    return np.clip(p * 255, 0, 255).astype(np.uint8)


def _hair(rng: np.random.Generator) -> Colour:
    return hsv(
        rng.uniform(0.03, 0.12),
        rng.uniform(0.1, 0.7),
        rng.uniform(0.03, 0.5) if rng.random() < 0.85 else rng.uniform(0.5, 0.85),
    )


def dress_player(
    rng: np.random.Generator,
    kit: Kit,
    team: str,
    number: int | None,
    shape: str,
    pattern: int,
    scale: float = 1.0,
    plain_feet: bool = False,
) -> Dress:
    """A player in his team's kit with his own skin, shoes and sleeves; plain_feet: shoes as his socks."""
    skin = _skin(rng)
    undersleeve = rng.random()
    forearm = skin if undersleeve < 0.7 else ((0.04, 0.04, 0.05) if undersleeve < 0.85 else kit.glove)
    glove = kit.glove if rng.random() < 0.55 else skin
    sock = kit.sock if rng.random() < 0.8 else (skin if rng.random() < 0.5 else kit.jersey)
    shoe = kit.shoe if rng.random() < 0.7 else strong_colour(rng)
    parts = {
        "skin": skin,
        "hair": _hair(rng),
        "cap": kit.helmet,
        "helmet": kit.helmet,
        "facemask": kit.facemask,
        "visor": (0.05, 0.05, 0.07),
        "jersey_front": kit.jersey,
        "jersey_back": kit.jersey,
        "sleeve": kit.sleeve,
        "forearm": forearm,
        "glove": glove,
        "belt": kit.pants_stripe,
        "pants": kit.pants,
        "sock": sock,
        "shoe": sock if plain_feet else shoe,
    }
    extra = {
        16: kit.number,
        17: kit.number_outline,
        18: kit.number,
        19: kit.pants_stripe,
        20: kit.helmet_stripe,
        21: kit.pants,
        22: kit.jersey,
    }
    style = {"block": 0, "slab": 1, "sans": 2}.get(kit.number_style, 3) % len(NUMBER_STYLES)
    return Dress(
        0,
        team,
        -1 if number is None else int(number),
        shape,
        scale * float(rng.uniform(0.95, 1.05)),
        (pattern & 0xFE) | style << 8,
        _palette(parts, extra),
    )


def dress_official(rng: np.random.Generator, look: Look) -> Dress:
    """An official: stripes or plain, dark or light trousers, black, white or red cap, sometimes a jacket."""
    o = look.officials
    skin = _skin(rng)
    jacket = rng.random() < o.jacket_share
    striped = o.striped and not jacket
    shirt = (0.04, 0.04, 0.05) if jacket else o.shirt
    pants = o.pants if rng.random() < 0.9 else white(rng)
    cap = (0.95, 0.95, 0.95) if rng.random() < 0.2 else o.cap
    parts = {
        "skin": skin,
        "hair": _hair(rng),
        "cap": cap,
        "jersey_front": shirt,
        "jersey_back": shirt,
        "sleeve": shirt,
        "forearm": skin if rng.random() < 0.6 else shirt,
        "glove": skin,
        "belt": (0.03, 0.03, 0.03),
        "pants": pants,
        "sock": (0.03, 0.03, 0.03),
        "shoe": (0.03, 0.03, 0.03),
        "helmet": cap,
    }
    number = int(rng.integers(1, 99)) if rng.random() < 0.3 and not jacket else -1
    alike = bool(look.extra.get("alike"))
    if alike:
        parts |= dict.fromkeys(("skin", "hair", "helmet", "facemask", "visor"), cap)
    return Dress(
        1,
        "official",
        number,
        "skill" if alike else "official",
        float(rng.uniform(0.94, 1.06)),
        (129 if look.extra.get("across") else 1) if striped else 0,
        _palette(parts, {16: (0.02, 0.02, 0.02), 17: (0.95, 0.95, 0.95), 18: shirt, 22: o.stripe}),
    )


def dress_other(rng: np.random.Generator, look: Look) -> Dress:
    """Coach, chain crew, photographer, fan: ordinary clothes, often in team colours."""
    skin = _skin(rng)
    kit = look.offense if rng.random() < 0.5 else look.defense
    top = kit.jersey if rng.random() < 0.4 else (strong_colour(rng) if rng.random() < 0.6 else white(rng))
    pants = [(0.72, 0.62, 0.45), (0.04, 0.04, 0.05), (0.15, 0.18, 0.3), kit.pants, strong_colour(rng)][
        int(rng.integers(5))
    ]
    shorts = rng.random() < 0.25
    parts = {
        "skin": skin,
        "hair": _hair(rng),
        "cap": kit.helmet if rng.random() < 0.5 else strong_colour(rng),
        "jersey_front": top,
        "jersey_back": top,
        "sleeve": top,
        "forearm": skin if rng.random() < 0.6 else top,
        "glove": skin,
        "belt": pants,
        "pants": pants,
        "sock": skin if shorts else pants,
        "shoe": (0.05, 0.05, 0.05) if rng.random() < 0.6 else white(rng),
        "helmet": top,
    }
    vest = {18: (0.95, 0.6, 0.1)}
    return Dress(
        3,
        "other",
        -1,
        "ordinary",
        float(rng.uniform(0.9, 1.06)),
        64 if rng.random() < 0.1 else 0,
        _palette(parts, vest),
    )


def team_pattern(rng: np.random.Generator) -> int:
    """Decoration bits of a team's kit (see person.frag)."""
    return sum(bit for bit in (2, 4, 8, 16, 32, 64) if rng.random() < (0.35 if bit != 64 else 0.12))
