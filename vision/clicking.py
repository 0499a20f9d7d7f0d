"""Field points named by a person on one frame: a page to click them on, and the CSV it saves.

The CSV has one row per point: frame, u_px, v_px (in the picture as the program reads it: upright, square
pixels), x_field_yd, y_field_yd. `underneath calibrate --clicks` takes it.
"""

from __future__ import annotations

import base64
import io
import json
from importlib import resources
from pathlib import Path

import jinja2
import numpy as np
from PIL import Image

from vision.charting import _read
from vision.trouble import SheetTrouble

COLUMNS = ("frame", "u_px", "v_px", "x_field_yd", "y_field_yd")
Clicks = dict[int, list[tuple[float, float, float, float]]]


def read_clicks(path: str | Path) -> Clicks:
    """Points by frame: (u_px, v_px, x_field_yd, y_field_yd). Raises SheetTrouble naming row and column."""
    path = Path(path)
    header, lines = _read(path, "click file")
    missing = [c for c in COLUMNS if c not in header]
    if missing:
        raise SheetTrouble(f"{path}: no column {', '.join(missing)}; it has {', '.join(header)}",
                           f"needed: {', '.join(COLUMNS)}")  # fmt: skip
    at = [header.index(c) for c in COLUMNS]
    out: Clicks = {}
    for number, line in enumerate(lines, 2):
        try:
            frame, u, v, x, y = (float(line[i]) for i in at)
        except (ValueError, IndexError):
            raise SheetTrouble(f"{path} line {number}: five numbers are needed, found {','.join(line)}",
                               "correct the line or take it out") from None  # fmt: skip
        out.setdefault(int(frame), []).append((u, v, x, y))
    if not out:
        raise SheetTrouble(f"{path} holds no points", "click at least four on one frame")
    return out


def write_click_page(
    picture: np.ndarray, frame: int, name: str, out: str | Path, lines: list[tuple[str, float]],
    rows: list[tuple[str, float]],
) -> Path:  # fmt: skip
    """Write the page for one frame (bgr uint8). lines: (words, x_field_yd) of the yard lines; rows: (words,
    y_field_yd) of the rows across the field."""
    buffer = io.BytesIO()
    Image.fromarray(picture[..., ::-1]).save(buffer, "JPEG", quality=92)
    data = {"frame": frame, "name": Path(name).stem, "lines": lines, "rows": rows,
            "width": int(picture.shape[1]), "height": int(picture.shape[0])}  # fmt: skip
    room = resources.files("vision.sheets")
    template = jinja2.Environment(autoescape=True).from_string(
        room.joinpath("clicks.html").read_text("utf-8")
    )
    html = template.render(
        name=Path(name).name, frame=frame, picture=base64.b64encode(buffer.getvalue()).decode(),
        style=room.joinpath("style.css").read_text("utf-8"),
        data=json.dumps(data).replace("<", "\\u003c"),
    )  # fmt: skip
    out = Path(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(html, encoding="utf-8")
    return out


def named_lines(length_yd: float) -> list[tuple[str, float]]:
    """Yard lines as the sideline camera sees them: 'left goal line', 'left 5', ..., '50', ..."""
    out = []
    for x in np.arange(0.0, length_yd + 0.1, 5.0):
        near = min(x, length_yd - x)
        side = "" if x * 2 == length_yd else "left " if x * 2 < length_yd else "right "
        out.append((f"{side}{'goal line' if near == 0 else f'{near:g}'}", float(x)))
    return out


def named_rows(width_yd: float, hash_rows_yd: tuple[float, float]) -> list[tuple[str, float]]:
    """Rows across the field, nearest the camera first."""
    return [("near side line", 0.0), ("near hash marks", float(hash_rows_yd[0])),
            ("far hash marks", float(hash_rows_yd[1])), ("far side line", float(width_yd))]  # fmt: skip
