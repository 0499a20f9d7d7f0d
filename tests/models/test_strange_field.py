"""The second drawing program's marked fields: its own truth, and the camera on pictures that owe the renderer
nothing."""

from __future__ import annotations

import numpy as np
import pytest

from calibration import get_standard
from calibration.evidence import EvidenceCollector
from calibration.solve import solve_clip
from models.marks.finder import MarkFinder
from models.synthetic.strange_field import RULES, Eye, draw_frame, paint_marks


@pytest.mark.parametrize("standard", list(RULES))
def test_paint_lies_where_the_pinhole_sees_the_marks(standard: str) -> None:
    rules = RULES[standard]
    rng = np.random.default_rng([7, len(standard)])
    eye = Eye(rng, (960, 540), rules, "sideline")
    picture, ground = paint_marks(rng, rules, eye)
    grey = picture.mean(2)
    y = rules.width / 2 + np.arange(-4, 4, 0.25)  # between the rows, where nothing else is painted
    brighter = 0
    lines = [x for x in np.arange(5.0, rules.length, 5.0)]
    asked = 0
    for x in lines:
        on, beside = (
            eye.see(np.stack([np.full_like(y, x + d), y, 0 * y], 1))[0].round().astype(int) for d in (0, 0.8)
        )
        inside = ((on >= 0) & (on < [960, 540]) & (beside >= 0) & (beside < [960, 540])).all(1)
        if inside.sum() < 10:
            continue
        asked += 1
        a, b = on[inside], beside[inside]
        brighter += grey[a[:, 1], a[:, 0]].mean() > grey[b[:, 1], b[:, 0]].mean() + 10
    assert asked >= 2 and brighter == asked
    assert ground.mean() > 0.3


def test_rules_agree_with_the_standards() -> None:
    # two lists written apart: lengths, widths and hash rows
    for name, rules in RULES.items():
        standard = get_standard(name)
        assert (rules.length, rules.width) == pytest.approx((standard.length_yd, standard.width_yd))


def test_same_seed_same_picture() -> None:
    a, b = (draw_frame(np.random.default_rng(5))[0] for _ in range(2))
    assert np.array_equal(a, b)


@pytest.mark.parametrize("standard", ["nfl", "canadian"])
def test_a_camera_from_one_foreign_picture(standard: str) -> None:
    """Feet within two thirds of a yard: the programs differ by a third on which side of a row ticks lie."""
    finder = MarkFinder.load()
    picture, truth = draw_frame(np.random.default_rng([31, len(standard)]), standard, "sideline")
    collector = EvidenceCollector(get_standard(standard), finder)
    collector.add(0, picture, np.array(truth["boxes_xyxy_px"]))
    assert collector.evidence is not None
    cameras = solve_clip(collector.evidence, get_standard(standard))
    feet = np.array(truth["feet"])
    at, valid, _ = cameras.to_field(0, feet[:, :2], 1e-3)
    assert valid.all()
    error = at - feet[:, 2:]
    error[:, 0] -= 5 * np.round(np.median(error[:, 0]) / 5) if cameras.needs_click else 0
    assert np.median(np.hypot(*error.T)) < 2 / 3
