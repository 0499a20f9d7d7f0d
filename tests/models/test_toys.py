"""People of another make: the shape they should have, what stays as it was, and what the pictures show."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("moderngl")

from models.synthetic import dataset, toys
from models.synthetic.cast import Cast, script_people
from models.synthetic.dress import PARTS, dress_official, dress_player
from models.synthetic.lens import ViewCamera
from models.synthetic.looks import random_look
from models.synthetic.people import PeopleLibrary
from models.synthetic.plays import simulate_play
from models.synthetic.render import Renderer
from models.synthetic.scene import build_props
from models.synthetic.toys import LIMBS, LOOKS_A_TOY, limb_groups, pegs, rounded, toy_library, toy_look


@pytest.fixture(scope="module")
def library() -> PeopleLibrary:
    return PeopleLibrary.load()


@pytest.fixture(scope="module")
def renderer(library: PeopleLibrary) -> Iterator[Renderer]:
    try:
        made = Renderer(library, samples=0, anisotropy=2.0)
    except Exception as trouble:
        pytest.skip(f"no EGL context here: {trouble}")
    yield made


def test_limbs_share_no_vertex_and_cover_nearly_all(library: PeopleLibrary) -> None:
    groups = limb_groups(library)
    every = np.concatenate(groups)
    assert len(groups) == 15 and len(every) == len(set(every.tolist()))
    assert len(every) > 0.9 * len(library.part)


def test_an_ellipsoid_has_every_point_at_one_mahalanobis_distance() -> None:
    """Outside check: numpy's covariance; x' C^-1 x is constant on the ellipsoid of C (textbook)."""
    rng = np.random.default_rng(1)
    points = rng.normal(size=(3, 60, 3)) * [0.3, 0.1, 0.2] + [1.0, 2.0, 3.0]
    moved = rounded(points, 2.0, 0.9)
    for before, after in zip(points, moved, strict=True):
        centre, spread = before.mean(0), np.cov(before.T, bias=True)
        apart = after - centre
        distance = np.einsum("ni,ij,nj->n", apart, np.linalg.inv(spread), apart)
        np.testing.assert_allclose(np.sqrt(distance), 0.9 * np.sqrt(3), rtol=1e-6)


def test_a_block_is_flatter_than_an_ellipsoid() -> None:
    """Points of a ball go to the sides of a cube: the largest coordinate is nearly the same for all."""
    rng = np.random.default_rng(2)
    ball = rng.normal(size=(1, 400, 3))
    ball /= np.linalg.norm(ball, axis=2, keepdims=True)
    axes = np.linalg.eigh(np.einsum("tni,tnj->tij", ball, ball))[1][0]
    block = np.abs((rounded(ball, 8.0, 1.0)[0] - ball[0].mean(0)) @ axes).max(1)
    round_one = np.abs((rounded(ball, 2.0, 1.0)[0] - ball[0].mean(0)) @ axes).max(1)
    assert block.std() / block.mean() < 0.06 < round_one.std() / round_one.mean()


def test_toys_keep_topology_and_size_and_follow_their_seed(library: PeopleLibrary) -> None:
    toy, again, other = toy_library(library, 5), toy_library(library, 5), toy_library(library, 6)
    assert np.array_equal(toy.vertices_q, again.vertices_q)
    assert not np.array_equal(toy.vertices_q, other.vertices_q)
    assert toy.vertices_q.shape == library.vertices_q.shape and toy.faces is library.faces
    stand = library.clips["stand"].first_frame
    for made in (toy, other):
        standing = made.vertices[:, stand]
        grown = standing[..., 2].max(1) / library.vertices[:, stand][..., 2].max(1)
        assert (0.8 < grown).all() and (grown < 1.3).all()
        assert (np.abs(standing[..., 2].min(1)) < 0.2).all()
    moved = np.linalg.norm(toy.vertices[:, stand] - library.vertices[:, stand], axis=-1)
    assert moved.max() > 0.03


def test_a_peg_keeps_the_shin_line_and_draws_in_the_rest() -> None:
    """Worked by hand: a shin straight down to (0, 0, 0.3), a toe 0.3 before it; 0.2 of that reach stays."""
    shin = np.array([[[0.0, 0.0, 0.3 + 0.02 * k] for k in range(30)]])
    foot = np.array([[[0.3, 0.0, 0.0], [-0.05, 0.04, 0.1]]])
    drawn = pegs(foot, shin, 0.2)
    np.testing.assert_allclose(drawn[0, :, 2], foot[0, :, 2], atol=1e-9)
    np.testing.assert_allclose(drawn[0, :, :2], 0.2 * foot[0, :, :2], atol=1e-9)


def test_some_makes_have_no_shoes(library: PeopleLibrary, monkeypatch: pytest.MonkeyPatch) -> None:
    """Their feet reach less far along the ground than the same make's with shoes, and still down to it."""
    feet = limb_groups(library)[3 + LIMBS.index("shoe")]
    stand = library.clips["stand"].first_frame

    def foot_of(seed: int, share: float) -> np.ndarray:
        monkeypatch.setattr(toys, "WITHOUT_SHOES", share)
        return toy_library(library, seed).vertices[2, stand][feet]

    for seed in range(4):
        shod, bare = foot_of(seed, 0.0), foot_of(seed, 1.0)
        assert np.ptp(bare[:, 0]) < 0.85 * np.ptp(shod[:, 0])
        assert abs(bare[:, 2].min()) < 0.13
    told = [np.array_equal(foot_of(seed, 0.4), foot_of(seed, 0.0)) for seed in range(8)]
    assert set(told) == {True, False}


def test_plain_feet_are_painted_as_the_leg() -> None:
    look = random_look(np.random.default_rng(3))
    for n in range(8):
        plain, usual = (
            dress_player(
                np.random.default_rng(n), look.offense, "offense", 5, "skill", 0, 1.0, wanted
            ).palette
            for wanted in (True, False)
        )
        sock, shoe = PARTS["sock"], PARTS["shoe"]
        assert np.array_equal(plain[sock], plain[shoe]) and np.array_equal(usual[sock], plain[sock])
        rest = [k for k in range(len(usual)) if k != shoe]
        assert np.array_equal(usual[rest], plain[rest])


def test_a_toy_look_is_plain_and_repeatable() -> None:
    look = random_look(np.random.default_rng(3))
    made = [toy_look(look, seed) for seed in range(60)]
    assert made[7] == toy_look(look, 7)
    assert {m.extra["levels"] for m in made} == {0, 2, 3}
    assert {m.extra["plain_feet"] for m in made} == {True, False}
    assert {m.extra["across"] for m in made} == {m.extra["alike"] for m in made} == {True, False}
    assert any(m.extra["flat"] == 1 for m in made) and any(m.extra["flat"] == 0 for m in made)
    assert any(sum(map(sum, m.light.colours)) == 0 for m in made)  # no shadows
    shirts = {m.officials.shirt[0] for m in made}
    assert max(shirts) - min(shirts) > 0.2 and {m.officials.striped for m in made} == {True, False}
    stripes = [m.extra["stripes"] for m in made]
    assert min(stripes) < 0.5 and max(stripes) > 1.5
    rng = np.random.default_rng(1)
    alike = next(m for m in made if m.extra["alike"] and m.extra["across"] and m.officials.striped)
    official = dress_official(rng, alike)
    assert official.shape == "skill" and official.pattern & 128 and official.kind == 1
    assert dress_official(rng, look).shape == "official"


def _drawn(
    renderer: Renderer, people: tuple[str, ...] = ("player",), **extra: float
) -> tuple[np.ndarray, np.ndarray]:
    """A picture of toys in even light (H, W, 3), and where the people of these kinds are (H, W)."""
    from dataclasses import replace

    look = toy_look(random_look(np.random.default_rng(3), "college", "ncaa"), 4)
    even = replace(look.light, night=False, colours=((0.0, 0.0, 0.0),), directions=((0.0, 0.0, 1.0),))
    men = replace(look.officials, striped=True, jacket_share=0.0)
    look = replace(
        look, light=replace(even, haze=0.0), officials=men, extra={**look.extra, "levels": 0, **extra}
    )
    renderer.set_people(renderer.lib)
    renderer.set_game(look, build_props(look, []), 8.0)
    cast = Cast(look, renderer.lib)
    script = simulate_play(5, "ncaa", "pass")
    rows, _ = script_people(cast, script, 0)
    at = script.ball_field_yd[0]
    cam = ViewCamera(1280, 720, (float(at[0]), -35.0, 14.0), 0.0, 12.0, 0.0, 2600.0, 0.0)
    exposure = renderer.draw(cam, cast.figures(rows))
    who = np.repeat(np.repeat(exposure.ids, 2, 0), 2, 1)[:720, :1280]
    asked = [n for n, row in enumerate(rows, 1) if ("player", "official")[row[0].kind] in people]
    return exposure.picture, np.isin(who, asked)


def test_only_officials_have_more_or_fewer_stripes(renderer: Renderer) -> None:
    few, officials = _drawn(renderer, ("official",), flat=1.0, stripes=0.3)
    many, _ = _drawn(renderer, ("official",), flat=1.0, stripes=1.8)
    _, players = _drawn(renderer, flat=1.0)
    changed = (np.abs(few.astype(int) - many).max(-1) > 12) & (officials | players)
    assert officials.sum() > 300 and players.sum() > 2000
    assert changed[officials].mean() > 0.1 and changed[players].mean() < 0.02


def test_flat_paint_has_few_colours(renderer: Renderer) -> None:
    """Painted flat, men show their palette and edges; shaded, every fold another colour."""

    def share_of_twenty(pixels: np.ndarray) -> float:
        counts = np.unique(pixels // 4, axis=0, return_counts=True)[1]
        return float(np.sort(counts)[-20:].sum() / counts.sum())

    flat, shaded = (picture[men] for picture, men in (_drawn(renderer, flat=1.0), _drawn(renderer, flat=0.0)))
    assert len(flat) > 500
    assert share_of_twenty(flat) > share_of_twenty(shaded) + 0.1


def test_a_share_of_the_looks_has_toys_and_seeds_repeat(renderer: Renderer, tmp_path: Path) -> None:
    library = renderer.lib
    dataset._STATE.update(renderer=renderer, ppy=8.0, people=library, toys=0.5)
    try:
        makes = set()
        for group in range(12):
            dataset._people_and_look(
                renderer, random_look(np.random.default_rng(1)), group * LOOKS_A_TOY, seed=9
            )
            makes.add(renderer.lib is library)
        assert makes == {True, False}
        dataset._STATE["toys"] = 1.0
        texts = []
        for run in ("a", "b"):
            (tmp_path / run / "frames").mkdir(parents=True)
            (tmp_path / run / "looks").mkdir()
            dataset.make_look(2, 78, 1, tmp_path / run, ((640, 360),))
            texts.append((tmp_path / run / "frames" / "000002_0.json").read_text())
        assert texts[0] == texts[1]
        assert any(p["kind"] == "player" for p in json.loads(texts[0])["people"])
    finally:
        for key in ("toys", "people", "toy", "make"):
            dataset._STATE.pop(key, None)
        renderer.set_people(library)
