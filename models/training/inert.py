"""Read the tensors of a pickled Ultralytics model without running anything that the file names.

Such a file holds whole Python objects; loading it the usual way lets it call any function. Here every class
and function the file names is replaced by an inert stand-in that only keeps what it was given, but for the
few that rebuild tensors from their bytes.
"""

from __future__ import annotations

import io
import pickle
import zipfile
from collections import OrderedDict
from pathlib import Path
from typing import Any

import numpy as np
import torch

STORAGES = {
    "FloatStorage": np.float32,
    "HalfStorage": np.float16,
    "DoubleStorage": np.float64,
    "LongStorage": np.int64,
    "IntStorage": np.int32,
    "BoolStorage": np.bool_,
}


class _Inert:
    """Stands for any object of the file: keeps its state, does nothing."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.state: Any = {}

    def __setstate__(self, state: Any) -> None:
        self.state = state

    def __setitem__(self, key: Any, value: Any) -> None:
        pass

    def append(self, value: Any) -> None:
        """Lists of the file end here."""

    def extend(self, values: Any) -> None:
        """Lists of the file end here."""


def _tensor(
    storage: np.ndarray, offset: int, shape: tuple[int, ...], stride: tuple[int, ...], *_: Any
) -> Any:
    last = offset + sum((n - 1) * s for n, s in zip(shape, stride, strict=True)) if all(shape) else -1
    if offset < 0 or min(stride, default=0) < 0 or last >= len(storage):
        raise pickle.UnpicklingError("a tensor reaches beyond its bytes")
    steps = [s * storage.itemsize for s in stride]
    view = np.lib.stride_tricks.as_strided(storage[offset:], shape, steps)
    return torch.from_numpy(view.copy())


def _parameter(data: torch.Tensor, *_: Any) -> torch.Tensor:
    return data


class _Reader(pickle.Unpickler):
    def __init__(self, archive: zipfile.ZipFile, member: str) -> None:
        super().__init__(io.BytesIO(archive.read(member)))
        self.archive, self.root = archive, member.removesuffix("data.pkl")

    def find_class(self, module: str, name: str) -> Any:
        """Only what rebuilds tensors is real."""
        if (module, name) == ("collections", "OrderedDict"):
            return OrderedDict
        if module == "torch._utils" and name == "_rebuild_tensor_v2":
            return _tensor
        if module == "torch._utils" and name == "_rebuild_parameter":
            return _parameter
        if module == "torch" and name in STORAGES:
            return name
        return type(name, (_Inert,), {})

    def persistent_load(self, pid: Any) -> np.ndarray:
        """Bytes of one storage."""
        _, kind, key, *_ = pid
        if kind not in STORAGES:
            raise pickle.UnpicklingError(f"unknown storage {kind!r}")
        return np.frombuffer(self.archive.read(f"{self.root}data/{key}"), STORAGES[kind])


def read_model_tensors(path: Path) -> dict[str, torch.Tensor]:
    """State dict (float32) of the module in a ``.pt`` file's ``model``; ValueError names the file."""
    path = Path(path)
    try:
        with zipfile.ZipFile(path) as archive:
            member = next(n for n in archive.namelist() if n.endswith("data.pkl"))
            content = _Reader(archive, member).load()
        found: dict[str, torch.Tensor] = {}
        _walk(content["model"], "", found)
    except Exception as error:
        raise ValueError(f"{path}: no readable model in it ({error})") from error
    if not found:
        raise ValueError(f"{path}: its model holds no tensors")
    return found


def _walk(module: Any, prefix: str, found: dict[str, torch.Tensor]) -> None:
    state = module.state
    for kind in ("_parameters", "_buffers"):
        for name, value in (state.get(kind) or {}).items():
            if isinstance(value, torch.Tensor):
                found[prefix + name] = value.float() if value.is_floating_point() else value
    for name, child in (state.get("_modules") or {}).items():
        if isinstance(child, _Inert):
            _walk(child, f"{prefix}{name}.", found)
