"""The renderer's truth: projection, boxes against drawn pixels, paint against the rule books, determinism."""

from __future__ import annotations

import json
from collections.abc import Iterator

import cv2
import numpy as np
import pytest

pytest.importorskip("moderngl")

from models.synthetic import dataset
from models.synthetic.cast import Cast, script_people
from models.synthetic.field_paint import HASH_FROM_SIDE_YD, LENGTH_YD, WIDTH_YD, paint_field
from models.synthetic.figures import seen_part, shutter_move
from models.synthetic.lens import ViewCamera, random_camera
from models.synthetic.looks import random_look
from models.synthetic.people import PeopleLibrary
from models.synthetic.plays import simulate_play
from models.synthetic.render import Renderer
from models.synthetic.scene import build_props
from models.synthetic.truth import frame_labels


@pytest.fixture(scope="module")
def renderer() -> Iterator[Renderer]:
    try:
        made = Renderer(PeopleLibrary.load(), samples=0, anisotropy=2.0)
    except Exception as trouble:
        pytest.skip(f"no EGL context here: {trouble}")
    yield made


@pytest.mark.parametrize("seed", range(6))
def test_projection_agrees_with_opencv(seed: int) -> None:
    """Outside check: cv2.projectPoints with the same rotation, focal length, principal point and k1."""
    rng = np.random.default_rng(seed)
    cam = ViewCamera(
        1280,
        720,
        (float(rng.uniform(20, 80)), -40.0, 15.0),
        float(rng.uniform(-30, 30)),
        float(rng.uniform(5, 25)),
        float(rng.uniform(-3, 3)),
        float(rng.uniform(1200, 4000)),
        float(rng.uniform(-0.05, 0.05)),
    )
    points = rng.uniform([0, 0, 0], [100, 53, 3], (50, 3))
    ours, ok = cam.project(points)
    rot = cam.rotation()
    k = np.array([[cam.focal_px, 0, 639.5], [0, cam.focal_px, 359.5], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(rot)[0], -rot @ np.array(cam.centre), k, np.array([cam.k1, 0, 0, 0])
    )
    assert ok.all()
    np.testing.assert_allclose(ours, theirs[:, 0], atol=1e-6)


def test_camera_turns_the_way_it_says() -> None:
    """Pan turns toward +x, tilt looks down, a clockwise roll turns the picture counter-clockwise."""
    base = ViewCamera(1000, 1000, (50.0, -30.0, 10.0), 0.0, 0.0, 0.0, 1000.0)
    ahead = np.array([[50.0, 20.0, 10.0]])
    assert base.project(ahead)[0][0] == pytest.approx([499.5, 499.5])
    panned = ViewCamera(1000, 1000, base.centre, 5.0, 0.0, 0.0, 1000.0)
    assert panned.project(ahead)[0][0, 0] < 499
    tilted = ViewCamera(1000, 1000, base.centre, 0.0, 5.0, 0.0, 1000.0)
    assert tilted.project(ahead)[0][0, 1] < 499
    rolled = ViewCamera(1000, 1000, base.centre, 0.0, 0.0, 10.0, 1000.0)
    right = np.array([[60.0, 20.0, 10.0]])  # a point to the right goes up in the picture
    assert rolled.project(right)[0][0, 1] < 499


def _scene(renderer: Renderer, seed: int, view: str) -> tuple:
    look = random_look(np.random.default_rng(seed))
    cast = Cast(look, renderer.lib)
    renderer.set_game(look, build_props(look), 12.0)
    script = simulate_play(seed, look.field.standard)
    rows, ids = script_people(cast, script, len(script.t_s) // 2)
    rng = np.random.default_rng(seed)
    cam = random_camera(rng, look, view, np.array([script.los_field_yd, script.spot_y_field_yd]), 960, 540)
    return cast.figures(rows), rows, ids, cam


@pytest.mark.parametrize(("seed", "view"), [(1, "sideline"), (2, "endzone"), (3, "sideline")])
def test_boxes_hold_the_drawn_men(renderer: Renderer, seed: int, view: str) -> None:
    """Every pixel that carries a man's id lies in his box; of men seen whole the box is tight."""
    figures, rows, ids, cam = _scene(renderer, seed, view)
    shot = renderer.draw(cam, figures)
    seen = 0
    for i in range(len(figures)):
        ys, xs = np.nonzero(shot.ids == i + 1)
        if len(ys) < 12:
            continue
        x0, y0, x1, y1 = shot.boxes[i]
        assert xs.min() * 2 >= x0 - 3 and xs.max() * 2 + 1 <= x1 + 3
        assert ys.min() * 2 >= y0 - 3 and ys.max() * 2 + 1 <= y1 + 3
        if shot.visible_px[i] > 0.97 * shot.area_px[i] and x0 > 2 and y0 > 2 and x1 < 957 and y1 < 537:
            seen += 1
            assert abs(xs.min() * 2 - x0) < 5 and abs(xs.max() * 2 + 1 - x1) < 5
            assert abs(ys.min() * 2 - y0) < 5 and abs(ys.max() * 2 + 1 - y1) < 5
    assert seen >= 3


@pytest.mark.parametrize("k1", [0.0, -0.04, 0.05])
def test_the_seen_part_holds_every_pixel_of_the_picture(k1: float) -> None:
    """Outside check: cv2.undistortPoints says where lens and shutter look in the wide picture."""
    cam = ViewCamera(960, 540, (50.0, -20.0, 9.0), 3.0, 12.0, 1.0, 900.0, k1)
    later = ViewCamera(960, 540, (50.0, -20.0, 9.0), 4.0, 12.2, 1.0, 930.0, k1)
    x, y, w, h = seen_part(cam, shutter_move(cam, later), (1036, 583))
    px = np.array([[x, y] for x in np.linspace(0, 959, 25) for y in np.linspace(0, 539, 25)])
    lens = np.array([[900.0, 0, 479.5], [0, 900.0, 269.5], [0, 0, 1]])
    plain = cv2.undistortPoints(px[:, None], lens, np.array([k1, 0, 0, 0]))[:, 0]
    ray = np.concatenate([plain, np.ones((len(plain), 1))], 1)
    turned = ray @ (np.diag([930 / 900, 930 / 900, 1]) @ later.rotation() @ cam.rotation().T).T
    inside = []
    for t in (-0.5, 0.0, 0.5):
        at = ray + (turned - ray) * t
        at = 0.5 + 0.5 * at[:, :2] / at[:, 2:] * 900 / (0.5 * np.array([960, 540]) * 1.08) * [1, -1]
        at *= [1036, 583]
        keep = ((at > 0) & (at < [1036, 583])).all(1)
        inside.append((at[keep] >= [x, y]).all() and (at[keep] <= [x + w, y + h]).all())
    assert all(inside)
    assert w * h < 0.97 * 1036 * 583 or k1 > 0  # and it spares something


def test_few_faces_change_little_of_what_is_seen(renderer: Renderer) -> None:
    """A CPU draws small men of fewer faces: boxes the same, outlines and visible shares nearly."""
    figures, _, _, cam = _scene(renderer, 3, "sideline")
    renderer.on_cpu, kept = False, renderer.on_cpu
    full = renderer.draw(cam, figures)
    renderer.on_cpu = True
    few = renderer.draw(cam, figures)
    renderer.on_cpu = kept
    np.testing.assert_array_equal(full.boxes, few.boxes)
    assert (full.area_px != few.area_px).any()
    seen = full.area_px > 100
    assert seen.sum() >= 8
    np.testing.assert_allclose(few.area_px[seen], full.area_px[seen], rtol=0.12)
    share = [e.visible_px[seen] / e.area_px[seen] for e in (full, few)]
    assert np.abs(share[0] - share[1]).max() < 0.1 and np.abs(share[0] - share[1]).mean() < 0.03


def test_a_hidden_man_is_said_to_be_hidden(renderer: Renderer) -> None:
    """Two men on the camera's line of sight: the far one loses most of his outline."""
    look = random_look(np.random.default_rng(9), standard="ncaa")
    cast = Cast(look, renderer.lib)
    renderer.set_game(look, build_props(look), 8.0)
    cam = ViewCamera(960, 540, (50.0, -20.0, 1.2), 0.0, 0.0, 0.0, 1500.0)
    dress = cast.dress("offense", 1, 1, "lineman")
    rows = [
        (dress, 50.0, 10.0, 0.0, 0.0, "stand", 0.0),
        (dress, 50.0, 13.0, 0.0, 0.0, "stand", 0.0),
        (dress, 55.0, 10.0, 0.0, 0.0, "stand", 0.0),
    ]
    shot = renderer.draw(cam, cast.figures(rows))
    people = [{"kind": "player", "id": str(k), "field_yd": [r[1], r[2], 0.0]} for k, r in enumerate(rows)]
    labels = {p["id"]: p for p in frame_labels(shot, cam, people, None, [])}
    assert labels["0"]["visible"] > 0.95 and labels["2"]["visible"] > 0.95
    assert labels["1"]["visible"] < 0.3


@pytest.mark.parametrize("standard", ["nfl", "ncaa", "nfhs", "canadian"])
def test_paint_lies_where_the_rule_books_put_it(standard: str) -> None:
    """Outside check, sources (quoted from memory): NFL Rule 1 diagram, hash 70 ft 9 in; NCAA 1-2-1, 60 ft;
    NFHS 1-2-3, 53 ft 4 in; Canadian Rule 1, 24 yd of 65. Paint must be on every five-yard line and
    absent between."""
    hash_yd = {"nfl": (70 + 9 / 12) / 3, "ncaa": 60 / 3, "nfhs": (53 + 4 / 12) / 3, "canadian": 24.0}[
        standard
    ]
    assert HASH_FROM_SIDE_YD[standard] == pytest.approx(hash_yd)
    rng = np.random.default_rng(0)
    look = random_look(rng, "pro", standard).field
    from dataclasses import replace

    look = replace(
        look,
        ticks="every",
        missing_lines=(),
        other_sports=(),
        emblem=0.0,
        doubled_every=0,
        numerals_every=0,
        line_alpha=1.0,
    )
    tex, (x0, y0, x1, y1), drawn = paint_field(look, 32.0)

    def alpha(x: float, y: float) -> int:
        return int(tex[int((y - y0) * 32), int((x - x0) * 32), 3])

    mid = WIDTH_YD[standard] / 2
    for x in range(5, int(LENGTH_YD[standard]), 5):
        assert alpha(x, mid + 3) > 200
        assert alpha(x + 2.5, mid + 3) == 0
    for x in range(6, 10):
        inward = hash_yd - 0.3 if standard == "nfl" else hash_yd + 0.3
        assert alpha(x, inward) > 150
    assert drawn["hash_rows_y_yd"] == pytest.approx([hash_yd, WIDTH_YD[standard] - hash_yd])


def test_field_sizes_agree_with_sportypy() -> None:
    """Outside check: sportypy's field dimensions (yards) for the four rule sets."""
    football = pytest.importorskip("sportypy.surfaces.football")
    for name, made in (
        ("nfl", football.NFLField),
        ("ncaa", football.NCAAField),
        ("nfhs", football.NFHSField),
        ("canadian", football.CFLField),
    ):
        params = made().field_params
        assert params["field_length"] == pytest.approx(LENGTH_YD[name])
        assert params["field_width"] == pytest.approx(WIDTH_YD[name], abs=0.02)


def test_same_seed_same_labels_other_seed_other_looks(renderer: Renderer, tmp_path) -> None:
    """Two runs of one seed give equal labels and looks; another seed gives none of the same looks."""
    dataset._STATE.update(renderer=renderer, ppy=8.0)
    texts = []
    for run in ("a", "b"):
        (tmp_path / run / "frames").mkdir(parents=True)
        (tmp_path / run / "looks").mkdir()
        dataset.make_look(3, 77, 2, tmp_path / run, ((640, 360),))
        texts.append([p.read_text() for p in sorted((tmp_path / run).rglob("*.json"))])
    assert texts[0] == texts[1] and len(texts[0]) == 3
    people = json.loads(texts[0][0])["people"]
    assert {"kind", "box", "visible", "foot_px"} <= set(people[0])

    def seeds(seed: int) -> set[int]:
        return {random_look(np.random.default_rng([seed, i])).seed for i in range(400)}

    assert not seeds(1) & seeds(2) and len(seeds(1)) == 400
