"""Running the network: picture to input, raw output to boxes, on PyTorch or OpenVINO.

Both back ends take the same input tensor and give the same raw output (B, 4 + kinds, anchors):
centre x, centre y, width, height in input pixels, then one score a kind.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
import torch
from torchvision.ops import nms

from models.detector.network import BALL, file_hash, load_network


class Backend(Protocol):
    """What a back end is: ``name`` and a call from input (B, 3, H, W) float32 0..1 to raw output."""

    name: str

    def __call__(self, images: np.ndarray) -> torch.Tensor: ...


def select_boxes(
    raw: torch.Tensor, least: float = 0.05, overlap: float = 0.8, most: int = 120
) -> list[tuple[torch.Tensor, torch.Tensor, torch.Tensor]]:
    """Non-maximum suppression of raw output (B, 4 + K, A), people together, balls apart.

    Returns per picture: xyxy (N, 4), confidence (N,), kind (N,) int64, best first. One man is one
    box whatever his kind, so kinds compete with each other; ``overlap`` is high because the network was
    taught to answer once a man, boxes are amodal and linemen overlap.
    """
    out = []
    for picture in raw:
        scores = picture[4:]
        confidence, kind = scores.max(0)
        keep = confidence >= least
        confidence, kind, xywh = confidence[keep], kind[keep], picture[:4, keep].T
        xyxy = torch.cat([xywh[:, :2] - xywh[:, 2:] / 2, xywh[:, :2] + xywh[:, 2:] / 2], 1)
        shifted = xyxy + (kind == BALL).to(xyxy.dtype)[:, None] * 1e5
        order = nms(shifted, confidence, overlap)[:most]
        out.append((xyxy[order], confidence[order], kind[order]))
    return out


def input_size(height_px: int, width_px: int, target_width_px: int) -> tuple[int, int, float]:
    """Input height and width (multiples of 32) and the scale picture -> input."""
    scale = target_width_px / width_px
    return -(-round(height_px * scale) // 32) * 32, -(-target_width_px // 32) * 32, scale


def prepare(bgr: np.ndarray, target_width_px: int) -> tuple[np.ndarray, float]:
    """Picture (H, W, 3) uint8 BGR to (3, h, w) float32 RGB 0..1, padded below; and the scale."""
    height, width, scale = input_size(bgr.shape[0], bgr.shape[1], target_width_px)
    new_w, new_h = target_width_px, round(bgr.shape[0] * scale)
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(bgr, (new_w, new_h), interpolation=how) if scale != 1 else bgr
    canvas = np.zeros((height, width, 3), np.uint8)
    canvas[:new_h, :new_w] = small
    return np.ascontiguousarray(canvas[:, :, ::-1].transpose(2, 0, 1)).astype(np.float32) / 255, scale


def bf16_on_cpu() -> bool:
    """Whether this processor computes in bf16 itself. Where it does not (most laptops, older servers) both
    back ends would imitate it, at 2.3 (PyTorch) and 3.5 times (OpenVINO) the cost of fp32."""
    ask = getattr(torch.cpu, "get_capabilities", None)  # not in older releases: fp32 then
    has: dict[str, object] = ask() if ask is not None else {}
    return any(bool(has.get(name)) for name in ("avx512_bf16", "amx_bf16", "bf16"))


def openvino_precision(core: Any) -> str:
    """The shortest numbers in which OpenVINO's CPU plug-in (of `openvino.Core()`) computes itself."""
    return "bf16" if "BF16" in core.get_property("CPU", "OPTIMIZATION_CAPABILITIES") else "f32"


def openvino_hints(core: Any, precision: str | None = None, threads: int | None = None) -> dict[str, Any]:
    """How to compile for the CPU plug-in of `core`: precision ("bf16", "f32"; None: the shortest it has),
    threads of one inference (None: one a core), and no pinning, which would put every worker on the first
    core."""
    return {
        "INFERENCE_PRECISION_HINT": precision or openvino_precision(core),
        "INFERENCE_NUM_THREADS": threads or os.cpu_count() or 1,
        "ENABLE_CPU_PINNING": False,
    }


class TorchBackend:
    """PyTorch: bf16 autocast where the processor or GPU has it, else fp32. half: None = that; False: fp32."""

    name = "torch"

    def __init__(self, weights: Path, device: str | None = None, half: bool | None = None) -> None:
        self.device = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
        self.half = (self.device.type != "cpu" or bf16_on_cpu()) if half is None else half
        network = load_network(weights)
        self.network = network.to(self.device, memory_format=torch.channels_last)  # type: ignore[call-overload]

    def __call__(self, images: np.ndarray) -> torch.Tensor:
        x = torch.from_numpy(images).to(self.device).contiguous(memory_format=torch.channels_last)
        with (
            torch.inference_mode(),
            torch.autocast(self.device.type, dtype=torch.bfloat16, enabled=self.half),
        ):
            return self.network(x).float().cpu()


class OpenVinoBackend:
    """OpenVINO on the CPU, in bf16 where the processor has it, else in fp32; compiled once per input shape.

    precision: "bf16" or "f32" (None: as above). The converted model is kept in the user's cache folder under
    the weights' hash.
    """

    name = "openvino"

    def __init__(self, weights: Path, threads: int | None = None, precision: str | None = None) -> None:
        import openvino as ov

        self.openvino, self.core = ov, ov.Core()
        self.weights = Path(weights)
        self.threads = threads
        self.precision = precision or openvino_precision(self.core)
        self._compiled: dict[tuple[int, ...], object] = {}

    def _model_file(self, shape: tuple[int, ...]) -> Path:
        base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "underneath"
        name = f"{self.weights.stem}-{file_hash(self.weights)}-{'x'.join(map(str, shape))}.xml"
        return base / name

    def _compile(self, shape: tuple[int, ...]) -> object:
        path = self._model_file(shape)
        if path.exists():
            model = self.core.read_model(path)
        else:
            network = load_network(self.weights)
            with torch.inference_mode(), warnings.catch_warnings():
                warnings.simplefilter("ignore")
                example = torch.zeros(shape)
                network(example)  # anchors are made at the first call of a shape; trace after that
                traced = torch.jit.trace(network, example, strict=False, check_trace=False)
                model = self.openvino.convert_model(traced, example_input=example, input=list(shape))
            path.parent.mkdir(parents=True, exist_ok=True)
            partial = path.with_name(f"{path.stem}.{os.getpid()}.xml")
            self.openvino.save_model(model, partial, compress_to_fp16=True)
            partial.with_suffix(".bin").replace(path.with_suffix(".bin"))
            partial.replace(path)
            model = self.core.read_model(path)
        config = openvino_hints(self.core, self.precision, self.threads)
        return self.core.compile_model(model, "CPU", config)

    def __call__(self, images: np.ndarray) -> torch.Tensor:
        shape = tuple(images.shape)
        if shape not in self._compiled:
            self._compiled[shape] = self._compile(shape)
        result = self._compiled[shape]({0: images})  # type: ignore[operator]
        return torch.from_numpy(np.array(result[0], dtype=np.float32))


def make_backend(name: str, weights: Path, threads: int | None = None) -> Backend:
    """``torch``, ``openvino`` or ``auto`` (GPU: torch; CPU: openvino when installed)."""
    if name not in ("auto", "torch", "openvino"):
        raise ValueError(f"unknown back end {name!r}: choose auto, torch or openvino")
    if name == "auto":
        try:
            import openvino  # noqa: F401

            name = "torch" if torch.cuda.is_available() else "openvino"
        except ImportError:
            name = "torch"
    return TorchBackend(weights) if name == "torch" else OpenVinoBackend(weights, threads)
