"""The shipped mark finder on frames painted by a renderer that it was not trained on: marks where they are,
one picture enough for a camera."""

import numpy as np
import pytest
from painted_field import field_texture, paint_frame

from calibration import Camera, batch, get_standard
from calibration.evidence import FrameMarks
from calibration.sightings import BOUNDARY, LINE, Sightings
from calibration.start import solve_frame
from models.marks.finder import WEIGHTS, MarkFinder

STANDARD = get_standard("ncaa")


def cameras() -> list[Camera]:
    place = np.array([50.0, -45.0, 20.0])
    return [
        Camera(1280, 720, place, pan, 14.0, 0.4, 1500.0, field_width_yd=STANDARD.width_yd)
        for pan in (-28.0, -6.0, 24.0)
    ]


@pytest.fixture(scope="module")
def seen() -> list[tuple[Camera, FrameMarks]]:
    if not WEIGHTS.exists():
        pytest.skip("no trained mark weights")
    finder, rng = MarkFinder.load(backend="torch"), np.random.default_rng(4)
    texture, extent = field_texture(STANDARD)
    return [(c, finder.find(paint_frame(texture, extent, c, rng)[0])) for c in cameras()]


def test_ridges_lie_on_the_painted_lines_in_both_directions(seen) -> None:  # type: ignore[no-untyped-def]
    """Targets sampled off by a part of a pixel show as a shift of all ridges; weights trained so say
    how much it is (MarkNet.ridge_low_px)."""
    slopes, misses = [], []
    for camera, marks in seen:
        sightings = Sightings([marks], STANDARD, use=frozenset((LINE, BOUNDARY)))
        p, at = camera.parameters[None], sightings.kind == LINE
        target, ok, _ = sightings.associate(p, STANDARD.number_rows_yd[0])
        here, right, down = (
            batch.ground(sightings.px + d, p, sightings.frame, sightings.principal, STANDARD.width_yd)[0]
            for d in ([0.0, 0.0], [1.0, 0.0], [0.0, 1.0])
        )
        slope = np.stack([right - here, down - here], 1)[:, :, 0]
        size = np.hypot(*slope.T)
        miss = (here - target)[:, 0] / size
        good = at & ok & (np.abs(miss) < 2.5)
        slopes.append(slope[good] / size[good, None])
        misses.append(miss[good])
    shift_px, *_ = np.linalg.lstsq(np.concatenate(slopes), np.concatenate(misses), rcond=None)
    assert len(np.concatenate(misses)) > 300
    assert np.abs(shift_px).max() < 0.2, shift_px


def test_one_painted_picture_is_enough(seen) -> None:  # type: ignore[no-untyped-def]
    for camera, marks in seen:
        found = solve_frame(marks, STANDARD)
        assert found is not None and found.accepted
        px = np.random.default_rng(0).uniform([0, 250], [1280, 719], (200, 2))
        a, ok, _ = camera.to_field(px)
        b, ok2, _ = camera.with_parameters(found.parameters).to_field(px)
        inside = ok & ok2 & (a[:, 1] > 0) & (a[:, 1] < STANDARD.width_yd)
        d = (b - a)[inside]
        d[:, 0] -= np.round(np.median(d[:, 0]) / 5) * 5
        assert np.median(np.hypot(*d.T)) < 0.15
