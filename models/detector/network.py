"""The detector's network: Ultralytics' yolov8s with our kinds, and safe reading of its weights.

Weights are files of tensors only (``torch.load(weights_only=True)``): nothing in them can run code.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import torch
from torch import nn

KINDS = ("player", "official", "ball", "other")
ARCHITECTURE = "yolov8s.yaml"


class WeightsError(ValueError):
    """A weights file that cannot be used: the message names the file, the reason and the remedy."""


def build_network(kinds: int = len(KINDS), architecture: str = ARCHITECTURE) -> nn.Module:
    """An untrained Ultralytics DetectionModel with ``kinds`` classes (strides 8, 16, 32)."""
    from ultralytics.nn.tasks import DetectionModel
    from ultralytics.utils import LOGGER

    level = LOGGER.level
    LOGGER.setLevel("ERROR")
    try:
        model = DetectionModel(architecture, nc=kinds, verbose=False)
    finally:
        LOGGER.setLevel(level)
    return model


def _all_tensors(raw: Any) -> bool:
    return isinstance(raw, dict) and bool(raw) and all(isinstance(v, torch.Tensor) for v in raw.values())


def read_state(path: Path) -> dict[str, torch.Tensor]:
    """State dict (float32) from a tensors-only file; refuses anything else with a plain reason."""
    path = Path(path)
    if not path.exists():
        raise WeightsError(f"{path}: no such weights file; the shipped ones are in models/weights")
    try:
        raw = torch.load(path, map_location="cpu", weights_only=True)
    except Exception as error:
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise WeightsError(
            f"{path}: not a tensors-only weights file ({reason}); expected a file written by "
            "`underneath train detector`, or pass --from a state dict saved with torch.save"
        ) from error
    if isinstance(raw, dict) and "state" in raw:
        raw = raw["state"]
    if not _all_tensors(raw):
        raise WeightsError(
            f"{path}: holds no state dict of tensors; expected one of yolov8s with {len(KINDS)} kinds"
        )
    return {k: (v.float() if v.is_floating_point() else v) for k, v in raw.items()}


def load_network(path: Path) -> nn.Module:
    """Network with the weights of ``path``, convolutions and batch-norms fused, in eval mode."""
    state = read_state(path)
    model = build_network()
    own = model.state_dict()
    wrong = [k for k, v in own.items() if k not in state or state[k].shape != v.shape]
    if wrong:
        raise WeightsError(
            f"{path}: {len(wrong)} of {len(own)} tensors are missing or of other shape (first: {wrong[0]}); "
            f"expected yolov8s with the kinds {', '.join(KINDS)}"
        )
    model.load_state_dict({k: state[k] for k in own})
    return model.fuse(verbose=False).eval()  # type: ignore[operator]


def file_hash(path: Path) -> str:
    """First 16 hexadecimal digits of the file's SHA-256: the weights' name in every run record."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()[:16]
