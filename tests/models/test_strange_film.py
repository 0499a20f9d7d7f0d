"""Film of the second drawing program: its camera, its paint, its boxes, and a folder that `score` reads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from models.detector import CORNER_PX
from models.synthetic import season, strange, strange_film
from models.synthetic.strange_film import (
    Ground,
    Stage,
    draw_exposure,
    draw_play,
    figures_at,
    folded,
    plan_film,
)
from models.synthetic.strange_motion import STRIDE_YD, FilmEye, Walk, watch
from models.training.frames import read_label_folder
from vision.score import read_truth

SIZE = (640, 360)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A game's stage on coarse paint, its first play, a sideline clip's exposures and walks."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(strange_film, "PAINT_PER_YD", 12)
        plan = plan_film(31, tmp_path_factory.mktemp("x"), "ncaa", SIZE)
        stage, call = Stage(plan), season.play_calls(plan, 1)[0]
        script = season.play_script(plan, call)
        t, eyes = watch(
            np.random.default_rng(1),
            script,
            "sideline",
            stage.places["sideline"],
            SIZE,
            25.0,
            stage.habits["sideline"],
        )
        walks = [Walk(np.random.default_rng(k), p, script.t_s) for k, p in enumerate(script.people)]
        yield {
            "plan": plan,
            "stage": stage,
            "call": call,
            "script": script,
            "t": t,
            "eyes": eyes,
            "walks": walks,
            "ground": Ground(stage, eyes[0]),
        }


def test_the_camera_is_opencvs_pinhole() -> None:
    # cv2.projectPoints with one radial coefficient, places of a field
    eye = FilmEye((1280, 720), np.array([48.0, -30, 14]), np.array([40.0, 24, 0]), 40.0, 0.01, -0.02)
    rng = np.random.default_rng(3)
    places = rng.uniform([20, 5, 0], [60, 45, 2], (40, 3))
    inside = np.array([[eye.focal, 0, 639.5], [0, eye.focal, 359.5], [0, 0, 1]])
    shift = -eye.rows @ eye.place
    turn, _ = cv2.Rodrigues(eye.rows)
    want, _ = cv2.projectPoints(places, turn, shift, inside, np.array([eye.k1, 0, 0, 0]))
    assert eye.see(places)[0] == pytest.approx(want[:, 0], abs=1e-6)


def test_ground_shows_lines_where_the_camera_sees_them(scene: dict[str, Any]) -> None:
    eye, ground = scene["eyes"][10], scene["ground"]
    grey = ground.seen(eye).mean(2)
    y = scene["stage"].rules.width / 2 + np.arange(-2.5, 2.5, 0.25)  # between the hash rows
    brighter, asked = 0, 0
    for x in np.arange(5.0, 100.0, 5.0):
        on, beside = (
            eye.see(np.stack([np.full_like(y, x + d), y, 0 * y], 1))[0].round().astype(int) for d in (0, 0.7)
        )
        if ((on < 2) | (on > [637, 357]) | (beside < 2) | (beside > [637, 357])).any():
            continue
        asked += 1
        brighter += bool(grey[on[:, 1], on[:, 0]].mean() > grey[beside[:, 1], beside[:, 0]].mean() + 4)
    assert asked >= 3 and brighter == asked


def test_ground_beyond_the_paint_repeats_its_plain_margin() -> None:
    at = np.linspace(-90, 190, 600, dtype=np.float32)
    from_start = folded(at, 100.0)
    room, margin = strange_film.ROOM_YD, strange_film.MARGIN_YD
    inside = (at >= -room) & (at <= 100 + room)
    assert from_start[inside] == pytest.approx(at[inside] + room, abs=1e-4)
    assert (from_start[at < -room] <= margin + 1e-4).all()
    assert (from_start[at > 100 + room] >= 100 + 2 * room - margin - 1e-4).all()


def outer_edges(mask: np.ndarray) -> np.ndarray:
    """(4,) left, top, right, bottom edge of the pixels that are set, in coordinates of pixels' centres."""
    v, u = np.nonzero(mask)
    return np.array([u.min() - 0.5, v.min() - 0.5, u.max() + 0.5, v.max() + 0.5])


def test_boxes_hold_what_was_painted(scene: dict[str, Any]) -> None:
    """Each man drawn alone: his paint's extent against the box that was written down."""
    eye, ground, t = scene["eyes"][40], scene["ground"], float(scene["t"][40])
    figures = [f for f in figures_at(scene["stage"], scene["walks"], t, False) if f.kind != "other"]
    empty = ground.seen(eye).astype(int)
    apart = []
    for man in figures:
        picture, rows = draw_exposure(eye, ground, [man], scene["script"], 0.5)
        rows = [r for r in rows if r["kind"] != "ball"]
        if not rows or min(rows[0]["box"][:2]) < 3 or (np.array(rows[0]["box"][2:]) > [636, 356]).any():
            continue
        changed = np.abs(picture.astype(int) - empty).max(2) > 6
        apart.append(outer_edges(changed) - rows[0]["box"])
        assert rows[0]["visible"] == pytest.approx(1.0, abs=0.02)
    assert len(apart) >= 12 and np.abs(apart).max() < 2.0
    np.testing.assert_allclose(np.median(apart, axis=0), 0.0, atol=1.0)  # the faintest edges count here


def test_labels_hold_what_was_painted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Men who stand free, as label files `read_label_folder` reads them, against white paint on black."""
    monkeypatch.setattr(
        strange, "draw_ground", lambda rng, eye: np.zeros((eye.height, eye.width, 3), np.float32)
    )
    white = {part: np.full(3, 230.0) for part in ("jersey", "pants", "sock", "helmet", "skin")}
    monkeypatch.setattr(strange, "_colours", lambda rng, official: white)
    strange.write_set(tmp_path, 8, 5)
    apart = []
    for frame in read_label_folder(tmp_path):
        picture = cv2.imread(str(frame.path)).max(2)
        boxes = frame.xyxy_px - CORNER_PX
        for k, box in enumerate(boxes):
            rest = np.delete(boxes, k, 0)
            free = ((rest[:, :2] > box[2:] + 6) | (rest[:, 2:] < box[:2] - 6)).any(1).all()
            x0, y0, x1, y1 = (int(round(c)) for c in (*(box[:2] - 4), *(box[2:] + 5)))
            if not free or min(x0, y0) < 1 or x1 >= picture.shape[1] or y1 >= picture.shape[0]:
                continue
            near = picture[y0:y1, x0:x1]
            painted = near > 0.35 * np.percentile(near, 98)
            if painted.sum() > 20:
                apart.append(outer_edges(painted) + [x0, y0, x0, y0] - box)
    assert len(apart) >= 50
    np.testing.assert_allclose(np.median(apart, axis=0), 0.0, atol=0.35)


def test_a_man_behind_others_is_seen_less(scene: dict[str, Any]) -> None:
    eye, ground, t = scene["eyes"][40], scene["ground"], float(scene["t"][40])
    man = next(f for f in figures_at(scene["stage"], scene["walks"], t, False) if f.kind == "player")
    nearer = man.place + 0.4 * (eye.place[:2] - man.place) / np.linalg.norm(eye.place[:2] - man.place)
    front = replace(man, name="front", place=nearer)
    _, rows = draw_exposure(eye, ground, [front, man], scene["script"], 0.5)
    seen = {r["id"]: r["visible"] for r in rows}
    assert seen[man.name] < 0.6 < 0.95 < seen["front"]


def test_feet_take_turns_over_the_ground(scene: dict[str, Any]) -> None:
    """A runner's left foot leads once every two steps of the ground he covers."""
    walk = max(scene["walks"], key=lambda w: w.along[-1])
    t = np.linspace(0, float(scene["t"][-1]), 400)
    ahead = np.array([walk.at(float(s))[2]["foot_l"][0] for s in t])
    turns = int((np.diff(np.sign(ahead[np.abs(ahead) > 0.02])) > 0).sum())
    covered = float(np.interp(t[-1], walk.t_s, walk.along) - np.interp(0, walk.t_s, walk.along))
    assert turns == pytest.approx(covered / STRIDE_YD, abs=2)


def test_a_game_is_written_as_score_reads_it(scene: dict[str, Any], tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(strange_film, "PAINT_PER_YD", 8)
        patch.setattr(strange_film, "FINE", 1)
        plan = replace(plan_film(32, tmp_path, "nfhs", (320, 180)), views=("sideline",))
        made = season.write_game(plan, season.draw_plays(draw_play, plan, 1, workers=1))
    truth = read_truth(tmp_path)
    clip = truth["clips"].iloc[0]
    with av.open(str(tmp_path / "clips" / clip["path"])) as film:
        assert sum(1 for _ in film.decode(video=0)) == clip["frames"] == made["frames"]
    at = truth["boxes"][(truth["boxes"]["frame"] == clip["snap_frame"])]
    assert (at["team"] == "offense").sum() >= 8 and (at["kind"] == "official").sum() >= 2
    assert abs(at["t_s"].iloc[0]) <= 0.5 / float(plan.fmt.rate) + 1e-9
    assert {"players", "routes", "matchups", "tracking", "cameras"} <= set(truth)


def test_same_seed_same_picture(scene: dict[str, Any]) -> None:
    plan, t = scene["plan"], 0.7
    pictures = []
    for stage in (scene["stage"], Stage(plan)):
        figures = figures_at(stage, scene["walks"], t, False)
        pictures.append(
            draw_exposure(scene["eyes"][30], Ground(stage, scene["eyes"][0]), figures, scene["script"], t)
        )
    assert np.array_equal(pictures[0][0], pictures[1][0]) and pictures[0][1] == pictures[1][1]
