"""Detector: players, officials, ball and other people on wide film."""

CORNER_PX = 0.5
"""From the middle of the first pixel, where the program and its cameras count from, to its corner, where
label files do."""
