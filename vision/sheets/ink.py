"""Colours and strokes of everything drawn: the same on paper, page and grey print.

Offense and defense differ in hue, in lightness and in form (round and solid against square and dashed), so
that no one needs to see colour. Contrast of text on paper is at least 7:1 (WCAG 2.2 AAA).
"""

from __future__ import annotations

PAPER = "#fbf8f1"
INK = "#14231f"
QUIET = "#5b6a64"
RULE = "#d8d3c4"
GRASS = "#eef1e6"
CHALK = "#b9c3b4"
OFFENSE = "#1c4f8b"
DEFENSE = "#b34a00"
BALL = "#6b3d1e"
AIM = "#e3b23c"
"""The aim the trade names: a soft yellow area behind the marks."""
