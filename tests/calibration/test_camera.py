"""The camera against OpenCV (cv2.projectPoints, cv2.findHomography) and against its own inverse."""

import cv2
import numpy as np
import pytest

from calibration import Camera, ClipCameras, load_cameras, save_cameras
from calibration.camera import angles_from_rotation, rotation_matrix


def a_camera(**changes: float) -> Camera:
    values = {
        "pan_deg": 14.0,
        "tilt_deg": 15.0,
        "roll_deg": 1.3,
        "focal_px": 2500.0,
        "k1": -0.03,
        "crown_yd": 0.22,
    }
    return Camera(1920, 1080, np.array([45.0, -40.0, 20.0]), **(values | changes))


@pytest.mark.parity
def test_projection_equals_opencv() -> None:
    camera, rng = a_camera(), np.random.default_rng(0)
    points = rng.uniform([30, 0, 0], [75, 53, 3], (200, 3))
    k = np.array(
        [[camera.focal_px, 0, camera.principal[0]], [0, camera.focal_px, camera.principal[1]], [0, 0, 1]]
    )
    vector, _ = cv2.Rodrigues(camera.rotation)
    expected, _ = cv2.projectPoints(
        points, vector, -camera.rotation @ camera.centre_field_yd, k, np.array([camera.k1, 0, 0, 0.0])
    )
    px, valid = camera.project(points)
    assert valid.all()
    assert np.abs(px - expected[:, 0]).max() < 1e-8


@pytest.mark.parity
def test_flat_undistorted_field_is_a_homography_as_opencv_finds_it() -> None:
    camera, rng = a_camera(k1=0.0, crown_yd=0.0), np.random.default_rng(1)
    xy = rng.uniform([20, 0], [80, 53], (60, 2))
    px, valid = camera.to_image(xy)
    h, _ = cv2.findHomography(xy[valid], px[valid])
    mapped = cv2.perspectiveTransform(xy[valid][None], h)[0]
    assert np.abs(mapped - px[valid]).max() < 1e-4


def test_to_field_inverts_to_image_on_the_crown() -> None:
    camera, rng = a_camera(), np.random.default_rng(2)
    xy = rng.uniform([25, -5], [75, 58], (300, 2))
    px, valid = camera.to_image(xy)
    back, ok, _ = camera.to_field(px)
    assert (valid & ok).all()
    assert np.abs(back - xy).max() < 1e-6


def test_ignoring_the_crown_moves_far_points_as_geometry_says() -> None:
    # from memory of the geometry: a surface raised by h shifts the flat reading by h * distance /
    # camera height
    low = Camera(1280, 720, np.array([50.0, -30.0, 10.0]), 0, 8, 0, 1500, crown_yd=0.25)
    middle = np.array([[50.0, 160 / 6]])
    px, _ = low.to_image(middle)
    flat = Camera(1280, 720, low.centre_field_yd, 0, 8, 0, 1500).to_field(px)[0]
    expected = 0.25 * (30 + 160 / 6) / (10 - 0.25)
    assert flat[0, 1] - middle[0, 1] == pytest.approx(expected, rel=1e-6)


def test_horizon_and_sky_are_invalid() -> None:
    camera = a_camera(tilt_deg=5.0)
    above = np.array([[960.0, 0.0], [960.0, 100.0]])
    xy, valid, _ = camera.to_field(above)
    assert not valid.any() and np.isnan(xy).all()
    behind = np.array([[45.0, -80.0, 0.0]])
    assert not camera.project(behind)[1].any()


def test_angles_come_back_from_the_rotation() -> None:
    for angles in ((0, 10, 0), (35, 12, -2.0), (-60, 3, 4.0), (90, 20, 0.5), (-90, 9, 0)):
        assert np.allclose(angles_from_rotation(rotation_matrix(*angles)), angles, atol=1e-9)


def test_positive_roll_turns_the_picture_counter_clockwise() -> None:
    level, rolled = a_camera(roll_deg=0.0), a_camera(roll_deg=2.0)
    right_of_middle = np.array([[1600.0, 539.5]])
    ground = level.to_field(right_of_middle)[0]
    assert rolled.to_image(ground)[0][0, 1] < 539.5  # what was level on the right has risen


def test_scaling_and_cropping_keep_places() -> None:
    camera = a_camera()
    px = np.array([[400.0, 600.0], [1500.0, 900.0]])
    want = camera.to_field(px)[0]
    small = (px + 0.5) * (2 / 3) - 0.5
    assert np.allclose(camera.scaled(2 / 3).to_field(small)[0], want, atol=1e-9)
    assert np.allclose(camera.cropped(300, 500, 800, 400).to_field(px - [300, 500])[0], want, atol=1e-9)
    with pytest.raises(ValueError, match="keep its shape"):
        camera.scaled(0.5, 0.7)


def test_covariance_agrees_with_a_monte_carlo_draw() -> None:
    rng = np.random.default_rng(5)
    sd = np.array([0.02, 0.02, 0.03, 0.002, 0.002, 0.05, 0.1, 0.05, 0.02])
    camera = a_camera().with_parameters(a_camera().parameters, np.diag(sd**2))
    px = np.array([[700.0, 500.0]])
    middle, _, covariance = camera.to_field(px, 1.5)
    draws = []
    for _ in range(1500):
        other = camera.with_parameters(camera.parameters + rng.normal(0, sd))
        draws.append(other.to_field(px + rng.normal(0, 1.5, (1, 2)))[0][0])
    sample = np.cov(np.array(draws).T)
    assert np.allclose(np.sqrt(np.diag(covariance[0])), np.sqrt(np.diag(sample)), rtol=0.1)


@pytest.mark.parametrize("bad", [{"focal_px": -1.0}, {"pan_deg": float("nan")}, {"k1": float("inf")}])
def test_impossible_numbers_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="finite"):
        a_camera(**bad)


def _clip() -> ClipCameras:
    p = np.stack([a_camera().parameters] * 3)
    return ClipCameras(
        1920,
        1080,
        160 / 3,
        np.array([0, 2, 1], np.uint8),
        p,
        np.tile(np.eye(9) * 1e-4, (3, 1, 1)),
        np.ones(3),
        standard="nfl",
        view="sideline",
    )


@pytest.mark.parametrize("name", ["c.parquet", "c.csv"])
def test_cameras_survive_the_open_table(tmp_path, name: str) -> None:  # type: ignore[no-untyped-def]
    clip = _clip()
    save_cameras(tmp_path / name, clip, "clip", np.arange(3) / 30)
    back = load_cameras(tmp_path / name)
    assert list(back.status) == [0, 2, 1] and back.standard == "nfl"
    assert np.allclose(back.parameters[[0, 2]], clip.parameters[[0, 2]], atol=1e-6)
    px = np.array([[900.0, 700.0]])
    assert np.allclose(back[0].to_field(px)[0], a_camera().to_field(px)[0], atol=1e-6)


def test_a_lost_frame_gives_nothing() -> None:
    clip = _clip()
    assert clip.camera(1) is None and clip.camera(99) is None
    xy, valid, covariance = clip.to_field(1, np.array([[900.0, 700.0]]))
    assert np.isnan(xy).all() and not valid.any() and np.isnan(covariance).all()
    assert not clip[1].to_field(np.zeros((2, 2)))[1].any()
    with pytest.raises(IndexError):
        clip[3]


def test_a_table_without_cameras_columns_is_refused(tmp_path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "t.csv").write_text("frame,status\n0,measured\n")
    with pytest.raises(ValueError, match="missing"):
        load_cameras(tmp_path / "t.csv")
