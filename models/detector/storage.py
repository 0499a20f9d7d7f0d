"""Weights on disk: tensors only, nothing in a file can run code; and a compact form at half the size.

Compact: a kernel of at least ``LEAST_PACKED`` numbers is kept as whole numbers of eight bits with one step an
output channel (symmetric rounding; the channel's largest magnitude is 127 steps), under its name with ``|q``
and ``|step``. Everything else (first layer, last layers, norms, the ball's head) stays in sixteen bits.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import torch

CODE, STEP = "|q", "|step"
LEAST_PACKED = 4096
LEVELS = 127


class WeightsError(ValueError):
    """A weights file that cannot be used: the message names the file, the reason and the remedy."""


def _all_tensors(raw: Any) -> bool:
    return isinstance(raw, dict) and bool(raw) and all(isinstance(v, torch.Tensor) for v in raw.values())


def read_tensors(path: Path) -> dict[str, torch.Tensor]:
    """The tensors of a file as they lie there (kernels may be codes); all else is refused, and why."""
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
        raise WeightsError(f"{path}: holds no state dict of tensors; expected one of the detector's networks")
    return raw


def read_state(path: Path) -> dict[str, torch.Tensor]:
    """State dict (float32) from a tensors-only file, plain or compact; all else is refused, and why."""
    raw = read_tensors(path)
    try:
        return unpack(raw)
    except KeyError as error:
        raise WeightsError(
            f"{path}: a compact tensor lacks its steps ({error}); write the file again"
        ) from error


def keeps_sixteen_bits(name: str, tensor: torch.Tensor) -> bool:
    """Kernels too small, too near the picture or too near the answer to be rounded."""
    if tensor.dim() != 4 or tensor.numel() < LEAST_PACKED or not name.startswith("model."):
        return True
    parts = name.split(".")
    last = parts[2].removeprefix("one2one_") in ("cv2", "cv3") and parts[4:] == ["2", "weight"]
    return parts[1] == "0" or last or ".dfl." in name


def pack(
    state: dict[str, torch.Tensor], keep: Callable[[str, torch.Tensor], bool] = keeps_sixteen_bits
) -> dict[str, torch.Tensor]:
    """The compact form of a state dict: int8 codes and a float16 step an output channel, the rest float16."""
    out: dict[str, torch.Tensor] = {}
    for name, tensor in state.items():
        if not tensor.is_floating_point():
            out[name] = tensor.clone()
        elif tensor.dim() < 2 or keep(name, tensor):
            out[name] = tensor.half() if tensor.numel() > 2 else tensor.float()
        else:
            flat = tensor.float().flatten(1)
            step = (flat.abs().amax(1) / LEVELS).clamp_min(1e-6).half()
            code = (flat / step.float()[:, None]).round().clamp(-LEVELS, LEVELS)
            out[name + CODE] = code.to(torch.int8).view(tensor.shape)
            out[name + STEP] = step
    return out


def unpack(raw: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """Float32 state dict of a plain or compact one. KeyError: codes without their steps."""
    out: dict[str, torch.Tensor] = {}
    for name, tensor in raw.items():
        if name.endswith(CODE):
            bare = name.removesuffix(CODE)
            step = raw[bare + STEP].float()
            out[bare] = tensor.float() * step.view(-1, *[1] * (tensor.dim() - 1))
        elif not name.endswith(STEP):
            out[name] = tensor.float() if tensor.is_floating_point() else tensor
    return out


def file_hash(path: Path) -> str:
    """First 16 hexadecimal digits of the file's SHA-256: the weights' name in every run record."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()[:16]
