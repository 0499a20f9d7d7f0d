"""The closer look at the band that holds the men: where it looks, what it gives back, when it looks up."""

from __future__ import annotations

import numpy as np
import pytest

from models.detector.band import (
    SHAPES,
    STILL_WIDTHS_PX,
    WHOLE_EVERY,
    BandDetector,
    CarefulDetector,
    detect_still,
)
from models.detector.detector import INPUT_WIDTH_PX, Boxes

H, W = 720, 1280


class Eye:
    """Stands in for the network: finds the men drawn as grey rectangles, reports what it was shown."""

    width_px = None

    def input_width_px(self, width_px: int | None = None) -> int:
        return width_px or INPUT_WIDTH_PX

    def __init__(self) -> None:
        self.looks: list[tuple[int, int | None]] = []

    def detect(
        self, frames: list[np.ndarray], least: float = 0.05, width_px: int | None = None
    ) -> list[Boxes]:
        (frame,) = frames
        self.looks.append((frame.shape[0], width_px))
        out = []
        for value in np.unique(frame[frame > 0]):
            y, x = np.nonzero(frame[:, :, 0] == value)
            out.append([x.min(), y.min(), x.max() + 1, y.max() + 1])
        n = len(out)
        boxes = np.array(out, np.float32).reshape(-1, 4)
        return [Boxes(boxes, np.full(n, 0.9, np.float32), np.zeros(n, np.uint8))]


def picture(feet: list[int], tall: int = 40) -> np.ndarray:
    frame = np.zeros((H, W, 3), np.uint8)
    for i, foot in enumerate(feet):
        frame[foot - tall : foot, 100 + 60 * i : 120 + 60 * i] = i + 1
    return frame


FLAT = [300, 310, 320, 330, 340, 350]


def test_whole_first_then_the_band_then_whole_again() -> None:
    eye = Eye()
    band = BandDetector(eye)  # type: ignore[arg-type]
    for _ in range(WHOLE_EVERY + 1):
        boxes = band.detect(picture(FLAT))
        assert sorted(boxes.xyxy_px[:, 3]) == pytest.approx(FLAT)
    whole = [i for i, look in enumerate(eye.looks) if look == (H, None)]
    assert whole == [0, WHOLE_EVERY]
    assert eye.looks[1] == (480 * W // 1920, 1920)


def test_no_look_costs_more_than_the_whole_picture() -> None:
    for wide, tall in SHAPES:
        assert wide > INPUT_WIDTH_PX
        assert wide * tall <= INPUT_WIDTH_PX * 736


def test_men_all_over_the_picture_get_the_whole() -> None:
    eye = Eye()
    band = BandDetector(eye)  # type: ignore[arg-type]
    for _ in range(4):
        band.detect(picture([60, 200, 350, 500, 600, 700]))
    assert eye.looks == [(H, None)] * 4


def test_a_man_who_reaches_the_border_of_the_band_brings_the_whole_back() -> None:
    eye = Eye()
    band = BandDetector(eye)  # type: ignore[arg-type]
    band.detect(picture(FLAT))
    held = 480 * W // 1920
    middle = (300 - 40 + 350) / 2
    lowest = int(middle + held / 2)
    band.detect(picture([*FLAT, lowest + 30]))  # cut by the band's lower border
    boxes = band.detect(picture([*FLAT, lowest + 30]))
    assert [look[0] for look in eye.looks] == [H, held, H]
    assert boxes.xyxy_px[:, 3].max() == pytest.approx(lowest + 30)


def test_too_few_men_tell_no_band() -> None:
    eye = Eye()
    band = BandDetector(eye)  # type: ignore[arg-type]
    for _ in range(3):
        band.detect(picture([300, 320]))
    assert eye.looks == [(H, None)] * 3


@pytest.mark.parametrize(
    ("tall", "looks"),
    [(40, [1600, 1600, 1920, 1920]), (120, [1280, 1280, 1600, 1600]), (170, [])],
)
def test_a_still_is_looked_at_again_larger_the_smaller_its_men_are(tall: int, looks: list[int]) -> None:
    eye = Eye()
    boxes = detect_still(eye, picture(FLAT, tall))  # type: ignore[arg-type]
    assert [look[1] for look in eye.looks] == [None, *looks]
    assert {w for _, widths in STILL_WIDTHS_PX for w in widths} == {1280, 1600, 1920}
    assert sorted(boxes.xyxy_px[:, 3]) == pytest.approx(FLAT)


def test_a_careful_eye_looks_at_each_frame_as_at_a_still() -> None:
    """The first frame is looked at once to learn how tall men are, then the frame before tells; men lost, it
    asks again; tall men are looked at once."""
    eye = Eye()
    careful = CarefulDetector(eye)  # type: ignore[arg-type]
    for _ in range(2):
        boxes = careful.detect(picture(FLAT))
        assert sorted(boxes.xyxy_px[:, 3]) == pytest.approx(FLAT)
    assert [look[1] for look in eye.looks] == [None, *[1600, 1600, 1920, 1920] * 2]
    still = detect_still(Eye(), picture(FLAT))  # type: ignore[arg-type]
    np.testing.assert_allclose(boxes.xyxy_px, still.xyxy_px)
    eye.looks.clear()
    careful.detect(picture([300]))  # a cut: men as tall as they were are looked for, one is found
    careful.detect(picture(FLAT, 170))
    careful.detect(picture(FLAT, 170))
    assert [look[1] for look in eye.looks] == [1600, 1600, 1920, 1920, None, None, None]
