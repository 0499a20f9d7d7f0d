"""People and kits of another make: limbs turned into blobs and blocks, plain colours, plain light.

A detector that has met one body model learns that model's outlines; film drawn by other programs, and real
men in odd poses, have others. Here the library's limbs become superellipsoids of their own extent, thinner or
fatter, and whole looks lose their cloth, shading and shadows. Used for a share of the training pictures only
(`models.synthetic.dataset --toys`); `models.synthetic.strange`, the test, shares none of this code.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.synthetic.look_records import Colour, Kit, Look, OfficialKit
from models.synthetic.people import PeopleLibrary

HEAD = ("skin", "hair", "cap", "helmet", "facemask", "visor")
TRUNK = ("jersey_front", "jersey_back", "belt")
LIMBS = ("sleeve", "forearm", "glove", "sock", "shoe")
HIP_YD = 0.98
"""Height on a standing man where the hips end and the thighs begin (from memory of body proportions)."""
THINNEST_YD = 0.025
ROUND, BLOCK = 2.0, 8.0
WITHOUT_SHOES = 0.4
LOOKS_A_TOY = 8
"""Looks in a row that share one make of people (a library takes a second to load)."""


def limb_groups(library: PeopleLibrary) -> list[np.ndarray]:
    """Vertices (indices) of the head, the trunk, the hips and each part of each limb."""
    upright = library.vertices[0, library.clips["stand"].first_frame]
    left, low = upright[:, 1] > 0, upright[:, 2] < HIP_YD
    pants = library.part_mask("pants")
    masks = [library.part_mask(*HEAD), library.part_mask(*TRUNK), pants & ~low]
    for side in (left, ~left):
        masks += [library.part_mask(name) & side for name in LIMBS] + [pants & low & side]
    return [np.flatnonzero(m) for m in masks]


def rounded(points: np.ndarray, power: float, growth: float) -> np.ndarray:
    """Points (T, N, 3) yd moved onto the superellipsoid of their own extent, frame by frame.

    power: 2 an ellipsoid, larger ones blocks (Barr, IEEE Computer Graphics and Applications, 1981).
    growth: size against the limb's own.
    """
    centre = points.mean(1, keepdims=True)
    apart = points - centre
    spread = np.einsum("tni,tnj->tij", apart, apart) / points.shape[1]
    values, axes = np.linalg.eigh(spread)
    half = np.sqrt(np.maximum(values, THINNEST_YD**2))[:, None]
    local = apart @ axes / half
    reach = (np.abs(local) ** power).sum(-1, keepdims=True) ** (1 / power)
    size = growth * np.sqrt(3.0) * (1.0 if power < 3 else 0.8)
    onto = local / np.maximum(reach, 1e-6) * size * half
    return np.asarray(centre + onto @ axes.transpose(0, 2, 1))


def pegs(foot: np.ndarray, shin: np.ndarray, left: float) -> np.ndarray:
    """Feet (T, N, 3) yd drawn in toward the shin's (T, M, 3) line, so that the leg ends without a shoe.

    left: share of the foot's reach beside that line that is kept; what lies along it stays.
    """
    knee_side = shin.mean(1, keepdims=True)
    apart = np.linalg.norm(shin - foot.mean(1, keepdims=True), axis=-1)
    near = np.argsort(apart, axis=1)[:, : max(shin.shape[1] // 8, 3), None]
    ankle = np.take_along_axis(shin, near, axis=1).mean(1, keepdims=True)
    down = ankle - knee_side
    down /= np.maximum(np.linalg.norm(down, axis=-1, keepdims=True), 1e-6)
    reach = foot - ankle
    along = (reach * down).sum(-1, keepdims=True) * down
    return np.asarray(ankle + along + left * (reach - along))


def toy_library(library: PeopleLibrary, seed: int) -> PeopleLibrary:
    """The library with every limb another solid. Same topology, clips and parts; same seed, same people.

    In two makes of five the legs end without shoes.
    """
    rng = np.random.default_rng([seed, 41])
    power = float(rng.choice([ROUND, 2.5, 4.0, BLOCK]))
    share = 1.0 if rng.random() < 0.7 else float(rng.uniform(0.3, 0.9))
    fatness = float(np.exp(rng.normal(0, 0.2)))
    groups = limb_groups(library)
    growth = fatness * np.exp(rng.normal(0, 0.25, len(groups)))
    vertices = library.vertices.astype(np.float64)
    _without_shoes(vertices, groups, seed)
    out = vertices.copy()
    for s in range(len(library.shapes)):
        worn = library.wears[s][library.part]
        for group, grown in zip(groups, growth, strict=True):
            at = group[worn[group]]
            if len(at) >= 4:
                limb = vertices[s][:, at]
                out[s][:, at] = limb + share * (rounded(limb, power, float(grown)) - limb)
    quantised = np.clip(np.round(out / library.scale_yd), -32767, 32767).astype(np.int16)
    quantised.setflags(write=False)
    return replace(library, vertices_q=quantised)


def _without_shoes(vertices: np.ndarray, groups: list[np.ndarray], seed: int) -> None:
    """Draw in the feet of some makes, in place (a stream of its own: the limbs' draws stay as they were)."""
    rng = np.random.default_rng([seed, 47])
    if rng.random() >= WITHOUT_SHOES:
        return
    left = float(rng.uniform(0.1, 0.6))
    shins, feet = (groups[3 + LIMBS.index(name) :: len(LIMBS) + 1] for name in ("sock", "shoe"))
    for shape in vertices:
        for shin, foot in zip(shins, feet, strict=True):
            shape[:, foot] = pegs(shape[:, foot], shape[:, shin], left)


def _any_colour(rng: np.random.Generator) -> Colour:
    r, g, b = rng.uniform(0.02, 0.98, 3)
    return (float(r), float(g), float(b))


def _plain_kit(rng: np.random.Generator, kit: Kit) -> Kit:
    jersey, pants, helmet = _any_colour(rng), _any_colour(rng), _any_colour(rng)
    plain = replace(
        kit,
        jersey=jersey,
        sleeve=jersey if rng.random() < 0.7 else _any_colour(rng),
        pants=pants,
        pants_stripe=pants,
        helmet=helmet,
        helmet_stripe=helmet,
        sock=_any_colour(rng),
        shoe=_any_colour(rng),
    )
    if rng.random() < 0.6:  # no numbers
        plain = replace(plain, number=jersey, number_outline=jersey)
    return replace(plain, facemask=helmet) if rng.random() < 0.6 else plain


def _any_officials(rng: np.random.Generator, usual: OfficialKit) -> OfficialKit:
    """Light shirts with stripes dark grey to black, now and then none, over dark or light trousers."""
    if rng.random() < 0.1:
        return usual
    light, dark = float(rng.uniform(0.7, 0.98)), float(rng.uniform(0.02, 0.3))
    low = float(rng.choice([0.04, 0.04, 0.04, dark, light]))
    top = float(rng.choice([0.03, 0.03, dark, light]))
    return replace(
        usual,
        striped=bool(rng.random() < 0.88),
        shirt=(light, light, light),
        stripe=(dark, dark, dark),
        pants=(low, low, low),
        cap=(top, top, top) if rng.random() < 0.8 else _any_colour(rng),
        jacket_share=0.0,
    )


def toy_look(look: Look, seed: int) -> Look:
    """The look in plain paint: any kit colours, any ground, flat or stepped light, often no shadow.

    ``extra`` of the result: ``flat`` 0..1 (1: no shading), ``levels`` of the shading (0: smooth), ``across``
    (officials' stripes lie level), ``alike`` (officials have players' bodies and covered heads: only their
    colours tell them), ``stripes`` (so many on officials for every usual one), ``plain_feet`` (players' feet
    are painted as their legs).
    """
    rng = np.random.default_rng([seed, 43])
    field, light = look.field, look.light
    if rng.random() < 0.5:
        turf = _any_colour(rng)
        second = turf if rng.random() < 0.5 else _any_colour(rng)
        field = replace(field, turf=turf, turf_second=second, apron=turf)
    if rng.random() < 0.5:
        field = replace(field, wear=0.0, blotch=0.0, grain=float(rng.choice([0.0, 0.8])))
    if rng.random() < 0.6:  # even light, no shadows
        level = float(rng.uniform(0.5, 1.0))
        black = tuple((0.0, 0.0, 0.0) for _ in light.colours)
        even = (level, level, level)
        light = replace(
            light, colours=black, ambient_sky=even, ambient_ground=even, contact=0.0, stadium_shadow=None
        )
    flat = float(rng.choice([0.0, rng.uniform(0.5, 1.0), 1.0]))
    levels = int(rng.choice([0, 0, 2, 3]))
    across, alike = (bool(rng.random() < 0.5) for _ in range(2))
    officials = _any_officials(rng, look.officials)
    stripes = float(np.exp(rng.uniform(np.log(0.3), np.log(1.8))))
    plain_feet = bool(np.random.default_rng([seed, 47]).random() < 0.5)
    made = {
        "plain_feet": plain_feet,
        "flat": flat,
        "levels": levels,
        "across": across,
        "alike": alike,
        "stripes": stripes,
    }
    return replace(
        look,
        field=field,
        light=light,
        officials=officials,
        offense=_plain_kit(rng, look.offense),
        defense=_plain_kit(rng, look.defense),
        extra={**look.extra, **made},
    )
