"""The thrown ball among looks at everything else: flights by hand, then simulated plays filmed badly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from calibration.camera import Camera
from models.synthetic.plays import PlayScript, simulate_play
from models.synthetic.playsim_ball import GRAVITY_YD_PER_S2 as SIMULATED_GRAVITY
from vision.plays import understand_play
from vision.plays.sightings import (
    GRAVITY_YD_PER_S2,
    Sightings,
    Thrown,
    find_thrown,
    landing,
    moving,
    sightings_of,
)
from vision.plays.trial import OFFSET_S, tracks_of
from vision.records import BALL, Detections

SIDE = Camera(1280, 720, np.array([40.0, -45.0, 16.0]), 0.0, 16.0, 0.0, 1100.0)
END = Camera(1280, 720, np.array([-25.0, 26.7, 14.0]), 90.0, 10.0, 0.0, 1300.0)
RATE_HZ = 30.0


@dataclass(frozen=True)
class Still:
    """A clip's cameras that all stand alike."""

    one: Camera

    def camera(self, frame: int) -> Camera:
        return self.one


def boxes_of(
    camera: Camera, t_s: np.ndarray, ball_yd: np.ndarray, people_yd: np.ndarray, seed: int, found: float
) -> Detections:
    """Ball boxes of a clip: the ball (T,3) with 1.5 px of error on a share `found` of the frames, as the
    surest of its frame; five others a frame on people (P,T,2), half of them surer than the ball elsewhere."""
    rng = np.random.default_rng(seed)
    frames = []
    for k in range(len(t_s)):
        who = rng.integers(0, len(people_yd), 5)
        height = rng.uniform(0.0, 1.9, (5, 1))
        centres, valid = camera.project(np.hstack([people_yd[who, k] + rng.normal(0, 0.3, (5, 2)), height]))
        sure = rng.uniform(0.05, 0.3, 5)
        if rng.random() < found:
            px, ok = camera.project(ball_yd[k][None])
            centres = np.vstack([centres, px + rng.normal(0, 1.5, 2)])
            valid, sure = np.append(valid, ok), np.append(sure, 0.35)
        centres, sure = centres[valid], sure[valid]
        box = np.hstack([centres - 4, centres + 4])
        frames.append((box, sure, np.full(len(sure), BALL), None))
    return Detections.from_frames(frames, t_s, (camera.width_px, camera.height_px))


def flight(t0: float, tau: np.ndarray) -> np.ndarray:
    """From (30, 26, 2.1), 15 yd/s downfield, 6 to the side, 7 up; g 10.7247 yd/s^2 (standard gravity)."""
    up = 2.1 + 7.0 * tau - 0.5 * 10.7247 * tau**2
    return np.column_stack([30.0 + 15.0 * tau, 26.0 + 6.0 * tau, up])


def one_pass(found: float, cameras: tuple[Camera, ...], seed: int = 1) -> tuple[Sightings, np.ndarray]:
    """Looks at a pass thrown at 5.0 s and down after 1.4 s, snapped at 3.0; the passer's path."""
    t = np.arange(0.0, 9.0, 1 / RATE_HZ)
    rng = np.random.default_rng(seed)
    ball = np.where((t > 5.0)[:, None], flight(5.0, np.minimum(t - 5.0, 1.4)), [30.0, 26.0, 1.2])
    walk = rng.normal(0, 1, (12, 2)) * 1.5
    people = np.array([32.0, 26.0]) + rng.normal(0, 6, (12, 1, 2)) + walk[:, None] * t[:, None]
    boxes = [boxes_of(c, t, ball, people, seed + k, found) for k, c in enumerate(cameras)]
    looks = sightings_of([(b, Still(c), 0.0) for b, c in zip(boxes, cameras, strict=True)])
    return looks, np.tile([30.0, 26.0], (len(t), 1))


CLOCK = np.arange(0.0, 9.0, 1 / RATE_HZ)


def test_gravity_is_standard_gravity_in_yards() -> None:
    # 9.80665 m/s^2 (exact by definition, CGPM 1901) over 0.9144 m a yard
    assert pytest.approx(9.80665 / 0.9144, rel=1e-4) == GRAVITY_YD_PER_S2
    assert pytest.approx(SIMULATED_GRAVITY) == GRAVITY_YD_PER_S2


def test_a_path_by_hand() -> None:
    thrown = Thrown(5.0, 0.05, np.array([30.0, 26.0, 2.0]), np.array([15.0, 6.0, 7.0]), 6.0, 99.0, 20)
    # after one second: 15 and 6 yd on, 2 + 7 - 5.362 up
    assert thrown.at(6.0) == pytest.approx([45.0, 32.0, 3.638], abs=1e-3)
    assert thrown.at([5.0, 6.0]).shape == (2, 3)


def test_looks_are_lines_of_sight_through_the_ball() -> None:
    t = np.arange(3) / RATE_HZ
    ball = np.array([[38.0, 20.0, 3.0]] * 3)
    px = SIDE.project(ball[:1])[0]
    boxes = Detections.from_frames([(np.hstack([px - 3, px + 3]), [0.2], [BALL], None)] * 3, t, (1280, 720))
    looks = sightings_of([(boxes, Still(SIDE), 0.5)])
    assert looks.t_s == pytest.approx(t + 0.5) and len(looks) == 3
    to = ball[0] - looks.eye_yd[0]
    assert np.linalg.norm(to - (to @ looks.ray[0]) * looks.ray[0]) < 0.01
    assert not len(sightings_of([]))


@pytest.mark.parametrize("cameras", [(SIDE,), (END,), (SIDE, END)])
@pytest.mark.parametrize("found", [0.35, 0.7])
def test_the_throw_is_found_among_other_looks(cameras: tuple[Camera, ...], found: float) -> None:
    """A ball found on two frames of three is sure alone, one found on a third with the men's word."""
    looks, passer = one_pass(found, cameras, 2)
    thrown = find_thrown(looks, CLOCK, passer, 3.0, None if found > 0.5 else (5.15, 0.25))
    assert thrown is not None
    assert thrown.throw_s == pytest.approx(5.0, abs=0.1)
    if cameras[0] is SIDE:  # along its line of sight a camera hardly sees how fast the ball is
        assert thrown.velocity_yd_per_s[:2] == pytest.approx([15.0, 6.0], abs=2.0)
    receiver = np.tile(flight(5.0, np.array([1.4]))[0, :2], (len(CLOCK), 1))
    arrival, sd = landing(thrown, looks, CLOCK, receiver[None])
    assert arrival == pytest.approx(6.4, abs=0.15) and 0.03 < sd < 0.4


def test_nothing_is_answered_where_nothing_flies() -> None:
    for seed in range(6):
        looks, passer = one_pass(0.0, (SIDE, END), seed)
        assert find_thrown(looks, CLOCK, passer, 3.0) is None
    looks, passer = one_pass(0.7, (SIDE,))
    assert find_thrown(looks, CLOCK, np.full_like(passer, np.nan), 3.0) is None
    assert find_thrown(looks.rows(slice(0, 10)), CLOCK, passer, 3.0) is None


def test_what_the_men_say_lets_few_looks_be_believed() -> None:
    looks, passer = one_pass(0.7, (SIDE,))
    early = looks.rows(~((looks.rank == 0) & (looks.t_s > 5.4)))
    few = find_thrown(early, CLOCK, passer, 3.0, expected=(5.1, 0.25))
    assert few is not None and few.throw_s == pytest.approx(5.0, abs=0.12)
    # the same looks are not believed a second away from what the men say
    assert find_thrown(early, CLOCK, passer, 3.0, expected=(6.4, 0.25)) is None


def test_looks_at_what_stands_still_are_left_out() -> None:
    t = np.arange(0, 3.0, 1 / RATE_HZ)
    still = SIDE.project(np.array([[38.0, 20.0, 1.0]]))[0]
    rows = []
    for k in range(len(t)):
        flown = SIDE.project(flight(0.0, t[k : k + 1]))[0]
        centre = np.vstack([still, flown])
        rows.append((np.hstack([centre - 3, centre + 3]), [0.4, 0.2], [BALL, BALL], None))
    looks = sightings_of([(Detections.from_frames(rows, t, (1280, 720)), Still(SIDE), 0.0)])
    kept = moving(looks)
    middle = (kept.t_s > 0.5) & (kept.t_s < 1.2)
    assert (kept.rank[middle] == 1).all() and middle.sum() >= 20


def filmed(script: PlayScript, found: float) -> Sightings:
    men = np.stack([p.xy_field_yd for p in script.people]).astype(float)
    middle = float(script.los_field_yd)
    camera = Camera(1280, 720, np.array([middle, -45.0, 16.0]), 0.0, 16.0, 0.0, 900.0)
    t = np.asarray(script.t_s, float)
    boxes = boxes_of(camera, t - t[0], np.asarray(script.ball_field_yd, float), men, 3, found)
    return sightings_of([(boxes, Still(camera), t[0] + OFFSET_S)])


def test_simulated_throws_are_timed_by_the_ball() -> None:
    errors, targets = [], []
    for seed in range(40_000, 40_014):
        script = simulate_play(seed, "ncaa", "pass")
        if "throw_s" not in script.events:
            continue
        tracks = tracks_of(script, np.random.default_rng(seed), "film")
        play = understand_play(tracks, "ncaa", {"kind": "pass"}, None, filmed(script, 0.6))
        if play.understood and play.quarterback_id:
            errors.append(abs(play.throw_s.value - OFFSET_S - script.events["throw_s"]))
            assert play.throw_s.source in ("measured", "estimated")
            targets.append(play.target_player_id == script.events["target"])
    assert len(errors) >= 9
    assert np.mean(np.array(errors) <= 0.15) >= 0.85
    assert np.mean(targets) >= 0.6


def test_no_throw_is_seen_on_sacks_and_runs() -> None:
    for seed in range(41_000, 41_060):
        script = simulate_play(seed, "nfl", "run" if seed % 2 else "pass")
        if "throw_s" in script.events:
            continue
        tracks = tracks_of(script, np.random.default_rng(seed), "film")
        play = understand_play(tracks, "nfl", None, None, filmed(script, 0.6))
        assert play.throw_s.source != "measured"


def test_a_persons_word_stands_above_the_ball() -> None:
    script = simulate_play(40_001, "ncaa", "pass")
    tracks = tracks_of(script, np.random.default_rng(1), "film")
    play = understand_play(tracks, "ncaa", {"kind": "pass"}, {"throw": OFFSET_S + 1.0}, filmed(script, 0.6))
    assert play.throw_s.value == pytest.approx(OFFSET_S + 1.0)
