"""Field points named by hand: the page and the file it saves."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from calibration import get_standard
from vision.clicking import named_lines, named_rows, read_clicks, write_click_page
from vision.trouble import SheetTrouble


def test_names_lie_where_the_standard_puts_them() -> None:
    for name, middle in (("ncaa", "50"), ("canadian", "55")):
        field = get_standard(name)
        lines = dict(named_lines(field.length_yd))
        assert lines[middle] == field.length_yd / 2 and lines["left goal line"] == 0
        assert lines["left 20"] == 20 and lines["right 20"] == field.length_yd - 20
        assert [y for _, y in named_rows(field.width_yd, field.hash_rows_yd)] == sorted(
            [0.0, *field.hash_rows_yd, field.width_yd]
        )


def test_page_holds_the_picture_and_nothing_from_outside(tmp_path: Path) -> None:
    picture = np.full((48, 64, 3), 90, np.uint8)
    path = write_click_page(
        picture, 7, "a.mp4", tmp_path / "c.html", [("50", 50.0)], [("near side line", 0.0)]
    )
    text = path.read_text()
    assert '"width": 64' in text and "frame 7" in text and not re.search(r'(src|href)="http', text)


def test_clicks_come_back(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text("frame,u_px,v_px,x_field_yd,y_field_yd\n7,10.5,20,50,0\n7,11,12,55,20\n9,1,2,3,4\n")
    assert read_clicks(path) == {7: [(10.5, 20, 50, 0), (11, 12, 55, 20)], 9: [(1, 2, 3, 4)]}


@pytest.mark.parametrize("text,words", [
    ("frame,u_px\n1,2\n", "no column v_px"), ("frame,u_px,v_px,x_field_yd,y_field_yd\n1,2,3,x,5\n", "line 2"),
    ("frame,u_px,v_px,x_field_yd,y_field_yd\n", "no points"),
])  # fmt: skip
def test_bad_files(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "c.csv"
    path.write_text(text)
    with pytest.raises(SheetTrouble, match=words):
        read_clicks(path)
