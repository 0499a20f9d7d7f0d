"""Film that is not as it should be: a tripod carried elsewhere, a cut inside the clip, a mirrored field."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from clip_sim import simulate_clip
from marks_sim import random_camera
from test_solve import _named_points, errors

from calibration import Camera, FieldStandard, get_standard
from calibration.clicks import solve_clicks
from calibration.clip import LOST
from calibration.evidence import ClipEvidence, EvidenceCollector
from calibration.game import ClipJob, GameCameras
from calibration.solve import solve_clip
from models.marks.finder import WEIGHTS, MarkFinder

DEMO = Path(__file__).resolve().parents[2] / "demo_media"


def _middle_error(found: Camera | None, truth: Camera, standard: FieldStandard) -> float:
    assert found is not None
    return float(np.median(errors(found, truth, standard)))


@pytest.mark.parametrize("moved_yd", [(14.0, -6.0, 4.0), (0.0, -4.0, 0.0), (3.0, 0.0, 2.5)])
def test_a_tripod_that_moves_inside_a_game_is_noticed(moved_yd: tuple[float, float, float]) -> None:
    standard, rng = get_standard("ncaa"), np.random.default_rng(21)
    first, truth = simulate_clip(rng, standard, frames=40)
    elsewhere = replace(truth[0], centre_field_yd=truth[0].centre_field_yd + np.array(moved_yd))
    second, second_truth = simulate_clip(rng, standard, frames=40, place=elsewhere)
    third, third_truth = simulate_clip(rng, standard, frames=40, place=elsewhere)
    game = GameCameras(standard)
    game.solve(ClipJob("before", first, "sideline"))
    after = game.solve(ClipJob("after", second, "sideline")).cameras
    later = game.solve(ClipJob("later", third, "sideline")).cameras
    assert game.moved == ["after"]
    assert _middle_error(after.camera(20), second_truth[20], standard) < 0.12
    assert _middle_error(later.camera(20), third_truth[20], standard) < 0.12
    assert np.abs(after.parameters[20, 6:8] - elsewhere.centre_field_yd[1:]).max() < 1.0
    for cameras, true in ((after, second_truth), (later, third_truth)):
        e = errors(cameras.camera(20), true[20], standard, modulo=False)  # type: ignore[arg-type]
        assert cameras.needs_click or np.median(e) < 1.0


def test_a_camera_that_stays_is_not_said_to_have_moved() -> None:
    standard, rng = get_standard("nfhs"), np.random.default_rng(5)
    first, truth = simulate_clip(rng, standard, frames=40)
    game = GameCameras(standard)
    game.solve(ClipJob("0", first, "sideline"))
    for name in ("1", "2"):
        clip, _ = simulate_clip(rng, standard, frames=40, place=truth[0])
        game.solve(ClipJob(name, clip, "sideline"))
    assert game.moved == [] and game.priors["sideline"].clips == 3


def test_both_sides_of_a_cut_are_solved() -> None:
    """The same camera, another second: no motion joins the two, both have marks."""
    standard, rng = get_standard("ncaa"), np.random.default_rng(8)
    first, truth = simulate_clip(rng, standard, frames=36)
    second, second_truth = simulate_clip(rng, standard, frames=36, place=truth[0])
    joined = ClipEvidence(
        first.width_px,
        first.height_px,
        {**first.marks, **{f + 36: m for f, m in second.marks.items()}},
        [*first.links, *second.links],
    )
    cameras = solve_clip(joined, standard)
    solved = cameras.status != LOST
    assert solved[:36].all() or solved[36:].all()
    for frame, true in enumerate([*truth, *second_truth]):
        if solved[frame] and frame % 6 == 0:
            assert _middle_error(cameras.camera(frame), true, standard) < 0.15
    assert solved.mean() > 0.9


def test_points_named_on_mirrored_film_are_refused_with_the_reason() -> None:
    standard, rng = get_standard("ncaa"), np.random.default_rng(2)
    truth = random_camera(rng, standard)
    px, xy = _named_points(truth, standard)
    mirrored = np.column_stack([truth.width_px - 1 - px[:, 0], px[:, 1]])
    fit = solve_clicks(mirrored, xy, truth.width_px, truth.height_px, standard)
    assert fit.camera is None and "mirrored" in fit.reason


@pytest.mark.parametrize(("true", "named"), [("nfhs", "nfl"), ("ncaa", "nfhs"), ("canadian", "ncaa")])
def test_a_standard_that_does_not_fit_names_the_one_that_does(true: str, named: str) -> None:
    evidence, _ = simulate_clip(np.random.default_rng(12), get_standard(true), frames=24)
    cameras = solve_clip(evidence, named)
    assert (cameras.status == LOST).all()
    assert f"a {true} field" in cameras.message and "hash-row" in cameras.message
    assert solve_clip(evidence, true).found_share == 1.0


def _joined(first: ClipEvidence, second: ClipEvidence) -> ClipEvidence:
    """Two shots as one clip: no motion is followed across the cut between them."""
    n = len(first)
    marks = {**first.marks, **{f + n: m for f, m in second.marks.items()}}
    return ClipEvidence(first.width_px, first.height_px, marks, [*first.links, *second.links])


@pytest.mark.parametrize("zoom", [0.7, 1.5])
def test_a_cut_to_another_zoom_of_the_same_camera_is_solved(zoom: float) -> None:
    standard, rng = get_standard("ncaa"), np.random.default_rng(8)
    first, truth = simulate_clip(rng, standard, frames=36)
    p = truth[0].parameters
    p[3] += np.log(zoom)
    second, second_truth = simulate_clip(rng, standard, frames=36, first=truth[0].with_parameters(p))
    cameras = solve_clip(_joined(first, second), standard)
    assert cameras.found_share > 0.9
    for frame, true in enumerate([*truth, *second_truth]):
        if cameras.status[frame] != LOST and frame % 6 == 0:
            assert _middle_error(cameras.camera(frame), true, standard) < 0.15


@pytest.mark.parametrize(
    ("view", "moved_yd"),
    [("sideline", (30.0, -12.0, 9.0)), ("sideline", (-8.0, 3.0, 2.0)), ("endzone", (0.0, 0.0, 0.0))],
)
def test_after_a_cut_to_another_camera_no_frame_has_a_wrong_one(
    view: str, moved_yd: tuple[float, float, float]
) -> None:
    """One clip has one camera: the shot that fits it less is lost, not given the other shot's place."""
    standard, rng = get_standard("ncaa"), np.random.default_rng(11)
    first, truth = simulate_clip(rng, standard, frames=60)
    place = replace(truth[0], centre_field_yd=truth[0].centre_field_yd + np.array(moved_yd))
    second, second_truth = simulate_clip(
        rng, standard, view, frames=36, place=place if view == "sideline" else None
    )
    cameras = solve_clip(_joined(first, second), standard)
    solved = cameras.status != LOST
    assert solved[:60].all() or solved[60:].all()
    for frame, true in enumerate([*truth, *second_truth]):
        if solved[frame] and frame % 6 == 0:
            assert _middle_error(cameras.camera(frame), true, standard) < 0.3, frame


@pytest.mark.parametrize("mirrored", [False, True])
def test_mirrored_film_is_noticed_by_its_numbers(mirrored: bool) -> None:
    if not WEIGHTS.exists():
        pytest.skip("no trained mark weights")
    standard, collector = get_standard("ncaa"), EvidenceCollector("ncaa", MarkFinder.load(), every=4)
    film = cv2.VideoCapture(str(DEMO / "clips" / "demo_p001_side.mp4"))
    for frame in range(24):
        bgr = film.read()[1]
        collector.add(frame, np.ascontiguousarray(bgr[:, ::-1]) if mirrored else bgr)
    assert collector.evidence is not None
    cameras = solve_clip(collector.evidence, standard)
    assert cameras.found_share > 0.9
    assert ("mirror" in cameras.message) == mirrored and cameras.needs_click == mirrored
