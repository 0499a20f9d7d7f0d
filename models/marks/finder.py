"""The mark finder: a picture in, marks out (calibration.evidence.FrameMarks)."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

from calibration.evidence import FrameMarks, in_boxes
from models.detector.runtime import openvino_hints
from models.marks.decode import peaks, ridges, sigmoid
from models.marks.network import MASKS, STRIDE, read_marks
from models.marks.numbers import NumberReader

WEIGHTS = Path(__file__).resolve().parents[1] / "weights" / "marks.pt"
INPUT_WIDTH_PX = 1280
MOST_RIDGE_POINTS = 500


class MarkFinder:
    """Finds yard lines, side lines, ticks, crossings and numerals in one frame.

    run: a callable from (1, 3, H, W) float32 RGB 0..1 to (12, H / 4, W / 4) float32. ``load`` builds
    one: OpenVINO (bf16 where the processor has it) when installed, else PyTorch.
    """

    def __init__(
        self,
        run: Any,
        reader: NumberReader | None = None,
        width_px: int = INPUT_WIDTH_PX,
        ridge_low_px: float = 0.0,
    ) -> None:
        self.run = run
        self.reader = reader
        self.width_px = width_px
        self.ridge_low_px = ridge_low_px

    @classmethod
    def load(
        cls,
        path: Path | str | None = None,
        backend: str | None = None,
        width_px: int = INPUT_WIDTH_PX,
        threads: int | None = None,
    ) -> MarkFinder:
        """Read the weights (the shipped ones by default); threads: of one inference in OpenVINO (None: one a
        core). Raises ValueError when they cannot be used."""
        net, tensors = read_marks(path or WEIGHTS)
        reader = NumberReader.from_tensors(tensors) if tensors else None
        low_px = float(net.ridge_low_px)
        if backend in (None, "openvino"):
            try:
                return cls(_OpenVino(net, threads), reader, width_px, low_px)
            except ImportError:
                if backend == "openvino":
                    raise
        return cls(_Torch(net), reader, width_px, low_px)

    def read_numbers(self, crops: np.ndarray) -> np.ndarray | None:
        """Log-probabilities of the numbers in rectified grey crops; None without a trained reader."""
        return self.reader.log_probabilities(crops) if self.reader is not None and len(crops) else None

    def find(self, bgr: np.ndarray, boxes_xyxy: np.ndarray | None = None) -> FrameMarks:
        """Marks of one picture (H, W, 3) uint8; ridge points on people's boxes are left out."""
        height, width = bgr.shape[:2]
        scale = self.width_px / width
        size = (self.width_px, round(height * scale))
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        small = bgr if scale == 1 else cv2.resize(bgr, size, interpolation=how)
        canvas = np.zeros((-(-size[1] // 32) * 32, -(-size[0] // 32) * 32, 3), np.uint8)
        canvas[: size[1], : size[0]] = small
        tensor = np.ascontiguousarray(canvas[:, :, ::-1].transpose(2, 0, 1)[None]).astype(np.float32) / 255
        output = self.run(tensor)[:, : -(-size[1] // STRIDE), : -(-size[0] // STRIDE)]
        boxes = np.zeros((0, 4)) if boxes_xyxy is None else np.asarray(boxes_xyxy, float).reshape(-1, 4)
        masks = sigmoid(output[: len(MASKS)])
        found = {
            name: _to_picture(_thin(ridges(masks[i], low_px=self.ridge_low_px)), scale)
            for i, name in enumerate(MASKS)
        }
        found = {k: v[~in_boxes(v[:, :2], boxes)] for k, v in found.items()}
        points = {
            k: _to_picture(peaks(output, k, t), scale)
            for k, t in (("row", 0.3), ("side", 0.3), ("numeral", 0.35))
        }
        points = {k: v[_in_picture(v, width, height)] for k, v in points.items()}
        as_bytes = (masks * 255).astype(np.uint8)
        return FrameMarks(
            width,
            height,
            found["yard_line"],
            found["boundary"],
            found["tick"],
            points["row"],
            points["side"],
            points["numeral"],
            as_bytes[0],
            as_bytes[1],
            STRIDE / scale,
            cv2.cvtColor(small, cv2.COLOR_BGR2GRAY),
            1 / scale,
            boxes,
        )


def _to_picture(rows: np.ndarray, scale: float) -> np.ndarray:
    out = rows.copy()
    out[:, :2] = (out[:, :2] + 0.5) / scale - 0.5
    return out


def _thin(points: np.ndarray) -> np.ndarray:
    step = -(-len(points) // MOST_RIDGE_POINTS)
    return points if step <= 1 else points[np.argsort(points[:, 1], kind="stable")][::step]


def _in_picture(rows: np.ndarray, width: int, height: int) -> np.ndarray:
    return np.asarray((rows[:, 0] >= 0) & (rows[:, 1] >= 0) & (rows[:, 0] < width) & (rows[:, 1] < height))


class _Torch:
    def __init__(self, net: torch.nn.Module) -> None:
        self.net = net.eval().to(memory_format=torch.channels_last)  # type: ignore[call-overload]

    @torch.inference_mode()
    def __call__(self, images: np.ndarray) -> np.ndarray:
        return self.net(torch.from_numpy(images)).float().numpy()[0]


class _OpenVino:
    """Converted once per weights (kept in the user's cache folder), compiled once per input size."""

    def __init__(self, net: torch.nn.Module, threads: int | None = None) -> None:
        import openvino

        self.core = openvino.Core()
        self.openvino = openvino
        self.net = net.eval()
        self.threads = threads
        self.compiled: dict[tuple[int, ...], Any] = {}

    def _model(self) -> Any:
        kept = _cache_folder() / f"marks-{_digest(self.net)}-{self.openvino.__version__[:8]}.xml"
        if kept.exists():
            return self.core.read_model(str(kept))
        model = self.openvino.convert_model(
            self.net, example_input=torch.zeros(1, 3, 64, 64), input=[("images", [1, 3, -1, -1])]
        )
        try:
            kept.parent.mkdir(parents=True, exist_ok=True)
            part = kept.with_name(f"{os.getpid()}-{kept.name}")
            self.openvino.save_model(model, str(part), compress_to_fp16=False)
            os.replace(part.with_suffix(".bin"), kept.with_suffix(".bin"))
            os.replace(part, kept)
        except OSError:
            pass  # a cache that cannot be written only costs time
        return model

    def __call__(self, images: np.ndarray) -> np.ndarray:
        shape = images.shape
        if shape not in self.compiled:
            model = self._model()
            model.reshape(list(shape))
            hints = openvino_hints(self.core, threads=self.threads) | {"PERFORMANCE_HINT": "LATENCY"}
            self.compiled[shape] = self.core.compile_model(model, "CPU", hints)
        return np.asarray(self.compiled[shape](images)[0], np.float32)[0]


def _cache_folder() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "underneath"


def _digest(net: torch.nn.Module) -> str:
    """Hash of a network's tensors."""
    h = hashlib.sha256()
    for key, value in net.state_dict().items():
        h.update(key.encode())
        h.update(value.detach().cpu().contiguous().numpy().tobytes())
    return h.hexdigest()[:16]
