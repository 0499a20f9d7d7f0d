"""How tall men would be by a camera: against OpenCV's projection, and what it settles that paint cannot."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from marks_sim import random_camera, simulate_marks

from calibration import Camera, get_standard
from calibration.camera import crown_height_yd
from calibration.evidence import FrameMarks
from calibration.start import solve_frame
from calibration.stature import LEAST_MEN, heights_yd, upright_yd

CANADIAN = get_standard("canadian")
SIZE = (1280, 720)


def men_on(camera: Camera, rng: np.random.Generator, tall_yd: float = 1.95, n: int = 22) -> np.ndarray:
    """Boxes (n, 4) px of men seen whole, a fifth as wide again as their shoulders; some crouch."""
    xy = np.column_stack([rng.uniform(-5, 115, 600), rng.uniform(3, camera.field_width_yd - 3, 600)])
    foot, ok = camera.to_image(xy)
    ok &= (foot[:, 0] > 20) & (foot[:, 0] < camera.width_px - 20)
    ok &= (foot[:, 1] > 60) & (foot[:, 1] < camera.height_px - 5)
    xy, foot = xy[ok][:n], foot[ok][:n]
    height = np.where(rng.random(len(xy)) < 0.4, 0.65, 1.0) * tall_yd * rng.normal(1, 0.04, len(xy))
    ground = crown_height_yd(xy[:, 1], camera.crown_yd, camera.field_width_yd)
    head, _ = camera.project(np.column_stack([xy, ground + height]))
    half = 0.2 * (foot[:, 1] - head[:, 1])
    return np.column_stack([foot[:, 0] - half, head[:, 1], foot[:, 0] + half, foot[:, 1]])


def test_a_body_of_two_yards_is_two_yards_tall_by_opencvs_projection() -> None:
    """Outside check: cv2.projectPoints with a distortion of k1 alone; flat ground."""
    rng = np.random.default_rng(1)
    for view in ("sideline", "endzone"):
        camera = replace(random_camera(rng, CANADIAN, view), crown_yd=0.0)
        at = np.column_stack([rng.uniform(20, 90, 400), rng.uniform(5, 60, 400), np.zeros(400)])
        lens = np.array([[camera.focal_px, 0, camera.principal[0]], [0, camera.focal_px, camera.principal[1]],
                         [0, 0, 1]])  # fmt: skip
        turn, shift = cv2.Rodrigues(camera.rotation)[0], -camera.rotation @ camera.centre_field_yd
        foot, head = (
            cv2.projectPoints(at + [0, 0, h], turn, shift, lens, np.array([camera.k1, 0, 0, 0]))[0][:, 0]
            for h in (0.0, 2.0)
        )
        seen = (foot > 0).all(1) & (foot < np.array(SIZE) - 3).all(1) & (head[:, 1] > 2)
        boxes = np.column_stack([foot[:, 0] - 5, head[:, 1], foot[:, 0] + 5, foot[:, 1]])[seen]
        found = heights_yd(boxes, camera.parameters, SIZE, CANADIAN.width_yd)
        assert len(found) == seen.sum() > 20
        np.testing.assert_allclose(found, 2.0, rtol=0.02)  # a yard is measured at the foot


def test_the_crowd_does_not_count_and_few_men_say_nothing() -> None:
    rng = np.random.default_rng(2)
    camera = random_camera(rng, CANADIAN, "sideline")
    boxes = men_on(camera, rng)
    tall = upright_yd(boxes, camera.parameters, SIZE, CANADIAN.width_yd)
    assert tall == pytest.approx(1.95, abs=0.12)
    sky = np.array([[600.0, -30.0, 640.0, 4.0]] * 40)
    assert len(heights_yd(sky, camera.parameters, SIZE, CANADIAN.width_yd)) == 0
    both = upright_yd(np.concatenate([boxes, sky]), camera.parameters, SIZE, CANADIAN.width_yd)
    assert both == pytest.approx(tall)
    halves = boxes.copy()
    halves[:, 3] = SIZE[1] - 1.0  # men at the lower edge, their legs outside
    assert len(heights_yd(halves, camera.parameters, SIZE, CANADIAN.width_yd)) == 0
    assert np.isnan(upright_yd(boxes[: LEAST_MEN - 1], camera.parameters, SIZE, CANADIAN.width_yd))
    assert np.isnan(upright_yd(np.zeros((0, 4)), camera.parameters, SIZE, CANADIAN.width_yd))


def _long_lens(seed: int, hash_yd: float) -> tuple[FrameMarks, np.ndarray]:
    """An end-zone frame through a long lens that shows yard lines and hash rows only, and its men."""
    field = replace(CANADIAN, hash_from_sideline_yd=hash_yd, hash_alternatives_yd=())
    rng = np.random.default_rng(seed)
    camera = random_camera(rng, field, "endzone")
    camera = replace(camera, focal_px=1.7 * camera.focal_px)
    marks = simulate_marks(rng, camera, field, side_recall=0, noise_px=1.5)
    assert marks.boundary_map is not None
    bare = replace(marks, side_px=np.zeros((0, 3)), numeral_px=np.zeros((0, 3)), boundary_px=np.zeros((0, 5)),
                   boundary_map=0 * marks.boundary_map)  # fmt: skip
    return bare, men_on(camera, rng)


@pytest.mark.parametrize("seed", [1, 2])
def test_men_tell_rows_nine_yards_apart_from_rows_seventeen_apart(seed: int) -> None:
    """Canadian rules know both (17 yd, and 9 yd on professional grounds): a long lens fits them alike."""
    marks, men = _long_lens(seed, 28.0)
    blind = solve_frame(marks, CANADIAN, view="endzone")
    assert blind is not None and blind.accepted and blind.hash_from_sideline_yd == 24.0  # wrong, and sure
    found = solve_frame(replace(marks, boxes_xyxy=men), CANADIAN, view="endzone")
    assert found is not None and found.accepted and found.hash_from_sideline_yd == 28.0


def test_a_camera_that_makes_men_giants_is_refused_with_the_reason() -> None:
    marks, men = _long_lens(1, 28.0)
    only = replace(CANADIAN, hash_alternatives_yd=())
    found = solve_frame(replace(marks, boxes_xyxy=men), only, view="endzone")
    assert found is not None and not found.accepted
    assert found.reason.startswith("men would be 3.") and found.reason.endswith("yd tall")
