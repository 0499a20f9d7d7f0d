"""Paints a football field into a texture, with its own table of rule-book positions.

The table is deliberately not the solver's. Sources, all quoted from memory of the rule books' field diagrams:
NFL Rule 1 (field diagram): hash rows 70 ft 9 in from the side lines; bottoms of the numbers 12 yd from
the side
line. NCAA Rule 1-2-1: hash 60 ft from the side lines; tops of the numbers 9 yd from the side line,
numbers 6 ft
by 4 ft. NFHS Rule 1-2-3: hash 53 ft 4 in from the side lines; numbers as NCAA. Canadian Rule 1-1: 110 x
65 yd,
hash 24 yd from the side lines, end zones 20 yd (15 and 18 on shorter grounds). Canadian numbers: no
source, many
fields have them 13 yd from the side line to the centre.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from models.synthetic.glyphs import glyph, text_mask
from models.synthetic.looks import Colour, FieldLook

HASH_FROM_SIDE_YD = {"nfl": 70.75 / 3, "ncaa": 20.0, "nfhs": 160 / 9, "canadian": 24.0}
NUMERAL_CENTRE_YD = {"nfl": 13.0, "ncaa": 8.0, "nfhs": 8.0, "canadian": 13.0}
WIDTH_YD = {"nfl": 160 / 3, "ncaa": 160 / 3, "nfhs": 160 / 3, "canadian": 65.0}
LENGTH_YD = {"nfl": 100, "ncaa": 100, "nfhs": 100, "canadian": 110}
MARGIN_YD = 6.0


def _premultiplied(colour: Colour, alpha: float) -> tuple[int, int, int, int]:
    r, g, b = (int(round(255 * v * alpha)) for v in colour)
    return r, g, b, int(round(255 * alpha))


class FieldPainter:
    """RGBA canvas (premultiplied) in field yards. Row index grows with y, column index with x."""

    def __init__(self, look: FieldLook, ppy: float) -> None:
        self.look, self.ppy = look, ppy
        self.length, self.width = float(LENGTH_YD[look.standard]), WIDTH_YD[look.standard]
        self.x0 = -look.end_zone_depth_yd - MARGIN_YD
        self.x1 = self.length + look.end_zone_depth_yd + MARGIN_YD
        self.y0, self.y1 = -MARGIN_YD, self.width + MARGIN_YD
        self.cols, self.rows = int((self.x1 - self.x0) * ppy), int((self.y1 - self.y0) * ppy)
        self.rgba = np.zeros((self.rows, self.cols, 4), np.uint8)
        self.drawn: dict[str, Any] = {
            "yard_lines": [],
            "row_ticks": [],
            "numerals": [],
            "side_lines": [],
            "arrows": [],
        }

    def _px(self, xy: Any) -> np.ndarray:
        p = np.asarray(xy, float).reshape(-1, 2)
        return np.stack([(p[:, 0] - self.x0) * self.ppy - 0.5, (p[:, 1] - self.y0) * self.ppy - 0.5], 1)

    def poly(self, xy: Any, colour: Colour, alpha: float = 1.0) -> None:
        """Filled polygon, antialiased (sub-pixel vertices)."""
        pts = np.round(self._px(xy) * 16).astype(np.int32)
        c = _premultiplied(colour, alpha)
        cv2.fillPoly(self.rgba, [pts], c, cv2.LINE_AA, 4)

    def bar(self, xa: float, ya: float, xb: float, yb: float, colour: Colour, alpha: float = 1.0) -> None:
        """Axis-parallel filled rectangle."""
        self.poly([(xa, ya), (xb, ya), (xb, yb), (xa, yb)], colour, alpha)

    def stroke(
        self, pts: Any, width_yd: float, colour: Colour, alpha: float = 1.0, closed: bool = False
    ) -> None:
        """Polyline of a given width."""
        p = np.round(self._px(pts) * 16).astype(np.int32)
        c = _premultiplied(colour, alpha)
        cv2.polylines(self.rgba, [p], closed, c, max(1, int(round(width_yd * self.ppy))), cv2.LINE_AA, 4)

    def stamp(
        self,
        mask: np.ndarray,
        centre: tuple[float, float],
        size: tuple[float, float],
        colour: Colour,
        alpha: float = 1.0,
        turned: bool = False,
    ) -> None:
        """Put a coverage mask (row 0 = top as read) at a field place; upright for a reader at low y."""
        w, h = max(1, int(size[0] * self.ppy)), max(1, int(size[1] * self.ppy))
        m = cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA)
        m = m[::-1] if not turned else m[:, ::-1]
        cx, cy = self._px(centre)[0]
        c0, r0 = int(round(cx - w / 2)), int(round(cy - h / 2))
        a0, b0 = max(0, -r0), max(0, -c0)
        a1, b1 = min(h, self.rows - r0), min(w, self.cols - c0)
        if a1 <= a0 or b1 <= b0:
            return
        view = self.rgba[r0 + a0 : r0 + a1, c0 + b0 : c0 + b1]
        k = m[a0:a1, b0:b1, None].astype(np.float32) / 255.0
        target = np.array(_premultiplied(colour, alpha), np.float32)
        view[...] = np.clip(view * (1 - k) + target * k, 0, 255).astype(np.uint8)

    def result(self) -> tuple[np.ndarray, tuple[float, float, float, float]]:
        """(rows, cols, 4) uint8 and its extent (x0, y0, x1, y1) in field yards."""
        return self.rgba, (self.x0, self.y0, self.x0 + self.cols / self.ppy, self.y0 + self.rows / self.ppy)


def yard_label(x: float, length: float) -> int:
    """Number a yard line carries: distance to the nearer goal line."""
    return int(round(min(x, length - x)))


def paint_field(
    look: FieldLook, ppy: float = 32.0
) -> tuple[np.ndarray, tuple[float, float, float, float], dict[str, Any]]:
    """Paint everything. Returns the premultiplied RGBA texture, its extent in field yards and what was
    drawn."""
    p = FieldPainter(look, ppy)
    rng = np.random.default_rng(look.emblem_seed)
    _end_zones(p, rng)
    if look.emblem > 0:
        _emblem(p, rng)
    _other_sports(p)
    _border(p)
    _yard_lines(p)
    _rows(p)
    _numerals(p)
    tex, extent = p.result()
    return np.ascontiguousarray(tex), extent, p.drawn


def _end_zones(p: FieldPainter, rng: np.random.Generator) -> None:
    look, w, depth = p.look, p.width, p.look.end_zone_depth_yd
    for x0, sign in ((-depth, 1), (p.length, -1)):
        if look.end_zone is not None:
            if look.end_zone_pattern in ("solid", "text"):
                p.bar(x0, 0, x0 + depth, w, look.end_zone, 0.9)
            elif look.end_zone_pattern == "diagonal":
                step = 2.0
                for k in range(int((w + depth) / step)):
                    a = k * step - depth
                    quad = np.array(
                        [(x0, a), (x0 + depth, a + depth), (x0 + depth, a + depth + 0.6), (x0, a + 0.6)]
                    )
                    quad[:, 1] = np.clip(quad[:, 1], 0, w)
                    p.poly(quad, look.end_zone, 0.9)
            else:
                for i in range(int(depth / 2)):
                    for j in range(int(w / 2)):
                        if (i + j) % 2:
                            p.bar(x0 + 2 * i, 2 * j, x0 + 2 * i + 2, 2 * j + 2, look.end_zone, 0.85)
        if look.end_zone_text:
            mask = text_mask(
                look.end_zone_text, "sans" if look.numeral_style == "block" else look.numeral_style, 96
            )
            turned = np.rot90(mask, 1 if sign > 0 else 3)
            length = min(w * 0.8, mask.shape[1] / mask.shape[0] * depth * 0.5)
            p.stamp(
                turned,
                (x0 + depth / 2, w / 2),
                (depth * 0.5, max(length, 12.0)),
                look.end_zone_text_colour,
                0.95,
            )


def _emblem(p: FieldPainter, rng: np.random.Generator) -> None:
    """Invented mid-field mark: rings, a star or polygon, letters."""
    look, r = p.look, p.look.emblem
    cx, cy = p.length / 2, p.width / 2
    for k in range(int(rng.integers(1, 4))):
        colour = look.emblem_colours[k % len(look.emblem_colours)]
        n = int(rng.choice([3, 4, 5, 6, 8, 40] if k else [5, 8, 12, 40, 40]))
        ang = np.linspace(0, 2 * np.pi, 2 * n, endpoint=False) + rng.uniform(0, 6)
        rad = (
            np.where(np.arange(2 * n) % 2, rng.uniform(0.55 if n < 40 else 0.99, 1.0), 1.0)
            * r
            * (1 - 0.25 * k)
        )
        stretch = rng.uniform(0.7, 1.6)
        p.poly(np.stack([cx + np.cos(ang) * rad * stretch, cy + np.sin(ang) * rad], 1), colour, 0.92)
    if rng.random() < 0.6:
        letters = "".join(rng.choice(list("ABCDEGHKLMNRSTUVWXZ"), int(rng.integers(1, 4))))
        p.stamp(
            text_mask(letters, "serif", 96),
            (cx, cy),
            (r * 0.5 * len(letters), r * 0.8),
            look.emblem_colours[-1],
            0.95,
        )
    for _ in range(int(rng.integers(0, 3))):  # small marks near the 25s
        x, y = (
            float(rng.choice([22.5, 27.5, p.length - 27.5])),
            float(rng.choice([p.width * 0.3, p.width * 0.7])),
        )
        p.poly(
            np.stack([x + 1.6 * np.cos(ang[::2]), y + 1.6 * np.sin(ang[::2])], 1), look.emblem_colours[0], 0.9
        )


def _circle(cx: float, cy: float, r: float, a0: float = 0, a1: float = 360) -> np.ndarray:
    t = np.deg2rad(np.linspace(a0, a1, 73))
    return np.stack([cx + r * np.cos(t), cy + r * np.sin(t)], 1)


def _other_sports(p: FieldPainter) -> None:
    """Soccer, lacrosse, hockey and youth lines over the same ground."""
    look, w, length, t = p.look, p.width, p.length, 0.11
    for sport, colour in zip(look.other_sports, look.other_colours, strict=False):
        alpha = look.line_alpha * 0.9
        cx, cy = length / 2, w / 2
        if sport == "soccer":
            x0, x1, y0, y1 = cx - 57, cx + 57, cy - 30, cy + 30
            p.stroke([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], t, colour, alpha, True)
            p.stroke([(cx, y0), (cx, y1)], t, colour, alpha)
            p.stroke(_circle(cx, cy, 10), t, colour, alpha, True)
            for x, s in ((x0, 1), (x1, -1)):
                for d, h in ((18, 22), (6, 10)):
                    p.stroke(
                        [(x, cy - h), (x + s * d, cy - h), (x + s * d, cy + h), (x, cy + h)], t, colour, alpha
                    )
                p.stroke(
                    _circle(x + s * 12, cy, 10, -53, 53) if s > 0 else _circle(x - 12, cy, 10, 127, 233),
                    t,
                    colour,
                    alpha,
                )
        elif sport == "lacrosse":
            for x in (cx - 20, cx, cx + 20):
                p.stroke([(x, 1), (x, w - 1)], t, colour, alpha)
            for x in (cx - 40, cx + 40):
                p.stroke(_circle(x, cy, 3), t, colour, alpha, True)
                p.stroke(_circle(x, cy, 13, 0, 360), t, colour, alpha, True)
            p.stroke([(cx - 35, cy - 20), (cx + 35, cy - 20)], t, colour, alpha)
            p.stroke([(cx - 35, cy + 20), (cx + 35, cy + 20)], t, colour, alpha)
        elif sport == "hockey":
            for x, a in ((cx - 50, -90), (cx + 50, 90)):
                p.stroke(_circle(x, cy, 16, a, a + 180), t, colour, alpha)
            for x in (cx - 25, cx, cx + 25):
                p.stroke([(x, cy - 30), (x, cy + 30)], t, colour, alpha)
        else:
            p.stroke([(cx - 30, 3), (cx + 30, 3), (cx + 30, w - 3), (cx - 30, w - 3)], t, colour, alpha, True)
            for k in range(-2, 3):
                p.stroke([(cx + 10 * k + 2.5, 3), (cx + 10 * k + 2.5, w - 3)], t, colour, alpha)


def _border(p: FieldPainter) -> None:
    look, w, depth = p.look, p.width, p.look.end_zone_depth_yd
    b, xa, xb = look.border_width_yd, -depth, p.length + depth
    for y0, y1 in ((-b, 0.0), (w, w + b)):
        p.bar(xa - b, y0, xb + b, y1, look.line_colour, look.border_alpha)
    for x0, x1 in ((xa - b, xa), (xb, xb + b)):
        p.bar(x0, -b, x1, w + b, look.line_colour, look.border_alpha)
    p.drawn["side_lines"] = [0.0, w]
    p.drawn["border_width_yd"] = b
    if look.dashed_restraint:
        for k in range(int((xb - xa) / 1.0)):
            for y in (-b - 2.5, w + b + 2.5):
                p.bar(xa + k, y, xa + k + 0.5, y + 0.11, (0.9, 0.8, 0.1), 0.9)


def _yard_lines(p: FieldPainter) -> None:
    look, w, t, gap = p.look, p.width, p.look.line_width_yd, p.look.yard_line_gap_yd
    coloured = dict(look.colour_lines)
    for x in range(0, int(p.length) + 1, 5):
        goal = x in (0, int(p.length))
        if float(x) in look.missing_lines and not goal:
            continue
        colour = coloured.get(float(x), look.line_colour)
        half = t if goal else t / 2
        p.bar(x - half, 0 if goal else gap, x + half, w if goal else w - gap, colour, look.line_alpha)
        if look.doubled_every and x % look.doubled_every == 0 and not goal:
            p.bar(x - half - 0.25, gap, x - half - 0.1, w - gap, colour, look.line_alpha)
        p.drawn["yard_lines"].append([float(x), gap, w - gap])
    for at in (2.0, p.length - 2.0) if look.standard == "nfl" else (3.0, p.length - 3.0):
        p.bar(at - t / 2, w / 2 - 0.5, at + t / 2, w / 2 + 0.5, look.line_colour, look.line_alpha)


def _rows(p: FieldPainter) -> None:
    """Hash-mark rows and the one-yard ticks at the side lines (two feet long)."""
    look, w, t = p.look, p.width, p.look.line_width_yd
    inset = HASH_FROM_SIDE_YD[look.standard]
    rows = (inset, w - inset)
    p.drawn["hash_rows_y_yd"] = list(rows) if look.ticks != "none" else []
    for x in range(1, int(p.length)):
        five = x % 5 == 0
        for k, y in enumerate(rows):
            inward = 1 if k == 0 else -1
            if five:
                if look.ticks != "none":
                    p.bar(x - 1 / 3, y - t / 2, x + 1 / 3, y + t / 2, look.line_colour, look.line_alpha)
            elif look.ticks == "every":
                out = -inward if look.standard == "nfl" else 1
                p.bar(
                    x - t / 2,
                    min(y, y + out * 2 / 3),
                    x + t / 2,
                    max(y, y + out * 2 / 3),
                    look.line_colour,
                    look.line_alpha,
                )
                p.drawn["row_ticks"].append([float(x), float(y)])
        if look.sideline_ticks and not five:
            for y in (0.12, w - 0.12 - 2 / 3):
                p.bar(x - t / 2, y, x + t / 2, y + 2 / 3, look.line_colour, look.line_alpha)


def _numerals(p: FieldPainter) -> None:
    """Two digits astride each ten-yard line, upright toward their side line, arrow toward the nearer goal."""
    look = p.look
    if not look.numerals_every:
        return
    h, dw = look.numeral_size
    cy = NUMERAL_CENTRE_YD[look.standard]
    gap = 0.18 + 0.5 * look.line_width_yd
    for x in range(look.numerals_every, int(p.length), look.numerals_every):
        if float(x) in look.missing_numerals:
            continue
        _one_numeral(p, float(x), str(yard_label(x, p.length)), h, dw, cy, gap)
    if look.standard == "canadian":
        _one_numeral(p, 55.0, "55" if look.emblem_seed % 2 else "C", h, dw, cy, gap)


def _one_numeral(p: FieldPainter, x: float, text: str, h: float, dw: float, cy: float, gap: float) -> None:
    look, w = p.look, p.width
    for near, y in ((True, cy), (False, w - cy)):
        sign = 1.0 if near else -1.0  # reading direction along x
        offsets = [-gap - dw / 2, gap + dw / 2] if len(text) == 2 else [0.0]
        for ch, off in zip(text, offsets, strict=True):
            big = glyph(ch, look.numeral_style, 96, int(96 * dw / h))
            if look.numeral_outline is not None:
                pad = cv2.copyMakeBorder(big, 10, 10, 10, 10, cv2.BORDER_CONSTANT, value=0)
                fat = cv2.dilate(pad, np.ones((13, 13), np.uint8))
                p.stamp(
                    fat,
                    (x + sign * off, y),
                    (dw * 1.22, h * 1.18),
                    look.numeral_outline,
                    look.line_alpha,
                    not near,
                )
            p.stamp(big, (x + sign * off, y), (dw, h), look.numeral_colour, look.line_alpha, not near)
        p.drawn["numerals"].append([x, y, text, h, 2 * (gap + dw), bool(near)])
        if look.arrows and len(text) == 2 and abs(x - p.length / 2) > 0.5:
            toward = -1.0 if x < p.length / 2 else 1.0
            ax, ay = x + toward * (gap + dw + 0.3), y + sign * h * 0.3
            p.poly(
                [(ax, ay - 0.25), (ax, ay + 0.25), (ax + toward * 1.0, ay)],
                look.numeral_colour,
                look.line_alpha,
            )
            p.drawn["arrows"].append([ax + toward * 0.4, ay, toward])
