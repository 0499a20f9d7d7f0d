"""Labels on the film: none is written over another where there is room."""

import numpy as np
from PIL import Image, ImageDraw

from vision.show import _write


def test_labels_of_men_side_by_side_do_not_cover_each_other() -> None:
    picture = Image.new("RGB", (400, 300))
    taken: list[tuple[float, float, float, float]] = []
    for x in (100.0, 130.0, 160.0):
        box = np.array([x, 120.0, x + 25, 170.0])
        _write(ImageDraw.Draw(picture, "RGBA"), "38 checkdown", box, (255, 255, 255), taken)
    assert len(taken) == 3
    for i, a in enumerate(taken):
        for b in taken[i + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
    assert taken[0][1] == 120.0 - 17  # the first stands above its man
    assert np.asarray(picture).any()


def test_no_label_takes_no_room() -> None:
    taken: list[tuple[float, float, float, float]] = []
    _write(None, "", np.array([0.0, 0, 1, 1]), (0, 0, 0), taken)
    assert taken == []
