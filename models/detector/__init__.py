"""Detector: players, officials, ball and other people on wide film."""
