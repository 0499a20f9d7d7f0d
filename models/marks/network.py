"""The mark network: the first layers of a detector's backbone and a small pyramid, output at stride 4.

Every question it answers is local (is there a five-yard line here, does one cross a hash row here,
does a two-digit number stand here); which line, which row, which number is left to geometry and to
voting, because a heat map cannot see that far.

Output channels (float, stride 4, logits except the offsets):
    0 yard line   ridge mask of every five-yard line (goal lines included)
    1 boundary    ridge mask of the side lines and end lines (inner edge of a wide border)
    2 tick        ridge mask of the one-yard ticks of the hash rows
    3 row         crossing of a five-yard line with a hash row (either row)
    4 side        crossing of a five-yard line with a side line
    5 numeral     middle of a two-digit number that straddles a line
    6..11         sub-cell offsets (x, y) of channels 3, 4, 5 in cells
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn

STRIDE = 4
MASKS = ("yard_line", "boundary", "tick")
POINTS = ("row", "side", "numeral")
CHANNELS = MASKS + POINTS
NORM_EPS = 1e-3
OLD_RIDGE_LOW_PX = 0.4
"""`ridge_low_px` of weights that do not say it: their targets were sampled half a pixel off in both axes;
mirrored windows cancel it along x, windows of 0.6 to 1.1 of the size leave this much along y."""


def _conv(c_in: int, c_out: int, kernel: int = 3, stride: int = 1, groups: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(c_in, c_out, kernel, stride, kernel // 2, groups=groups, bias=False),
        nn.BatchNorm2d(c_out, eps=NORM_EPS),
        nn.SiLU(inplace=True),
    )


class MarkNet(nn.Module):
    """Layers 0..6 of yolov8s (strides 2..16), one more at stride 32, a pyramid of 64 channels, a head.

    ridge_low_px: network-input pixels by which marks lie below the ridges of these weights; 0 for weights
    trained on truly sampled targets. Kept in the weights file: neither changes without the other.
    """

    ridge_low_px: torch.Tensor

    def __init__(self, width: int = 64) -> None:
        super().__init__()
        from ultralytics.nn.modules import C2f, Conv

        self.model = nn.ModuleList(
            [
                Conv(3, 32, 3, 2),
                Conv(32, 64, 3, 2),
                C2f(64, 64, 1, True),
                Conv(64, 128, 3, 2),
                C2f(128, 128, 2, True),
                Conv(128, 256, 3, 2),
                C2f(256, 256, 2, True),
            ]
        )
        for module in self.modules():
            if isinstance(module, nn.BatchNorm2d):
                module.eps = NORM_EPS
        self.context = nn.Sequential(
            _conv(256, 256, 3, 2, groups=256),
            _conv(256, 128, 1),
            _conv(128, 128, 5, groups=128),
            _conv(128, width, 1),
        )
        self.lateral16 = nn.Conv2d(256, width, 1)
        self.lateral8 = nn.Conv2d(128, width, 1)
        self.lateral4 = nn.Conv2d(64, width, 1)
        self.mix16 = _conv(width, width)
        self.mix8 = _conv(width, width)
        self.mix4 = nn.Sequential(_conv(width, width), _conv(width, width))
        self.head = nn.Conv2d(width, len(CHANNELS) + 2 * len(POINTS), 1)
        first = torch.tensor([-2.5] * len(MASKS) + [-4.5] * len(POINTS) + [0.0] * 2 * len(POINTS))
        self.head.bias = nn.Parameter(first)
        self.register_buffer("ridge_low_px", torch.zeros(()))

    def forward(self, images: torch.Tensor) -> torch.Tensor:
        """images (B, 3, H, W) RGB in 0..1, H and W multiples of 32 -> (B, 12, H / 4, W / 4)."""
        x = images
        levels = []
        for i, layer in enumerate(self.model):
            x = layer(x)
            if i in (2, 4, 6):
                levels.append(x)
        c4, c8, c16 = levels
        up = nn.functional.interpolate
        p = self.mix16(self.lateral16(c16) + up(self.context(c16), scale_factor=2.0, mode="nearest"))
        p = self.mix8(self.lateral8(c8) + up(p, scale_factor=2.0, mode="nearest"))
        p = self.mix4(self.lateral4(c4) + up(p, scale_factor=2.0, mode="nearest"))
        return self.head(p)

    def take_start(self, state: dict[str, torch.Tensor]) -> int:
        """Copy the backbone's tensors from a yolov8s state dict; returns how many were taken over."""
        own = self.state_dict()
        taken = {k: v.float() for k, v in state.items() if k in own and own[k].shape == v.shape}
        self.load_state_dict(own | taken)
        return len(taken)


def save_marks(net: MarkNet, path: Path | str, reader: dict[str, torch.Tensor] | None = None) -> None:
    """Write the state dict as float16 tensors only; the number reader's tensors go under ``reader.``."""
    state = {
        k: (v.half() if v.is_floating_point() else v).cpu().contiguous() for k, v in net.state_dict().items()
    }
    torch.save(state | {f"reader.{k}": v for k, v in (reader or {}).items()}, path)


def read_marks(path: Path | str) -> tuple[MarkNet, dict[str, torch.Tensor]]:
    """(network in eval mode, the reader's tensors, empty where there are none) from a tensors-only file.

    Raises ValueError naming the file and the reason.
    """
    path = Path(path)
    if not path.exists():
        raise ValueError(f"{path.name}: no such mark weights; train them with models.training.train_marks")
    try:
        raw = torch.load(path, map_location="cpu", weights_only=True)
        raw = {k: (v.float() if v.is_floating_point() else v) for k, v in raw.items()}
        reader = {k.removeprefix("reader."): v for k, v in raw.items() if k.startswith("reader.")}
        raw.setdefault("ridge_low_px", torch.tensor(OLD_RIDGE_LOW_PX))
        net = MarkNet()
        net.load_state_dict({k: v for k, v in raw.items() if not k.startswith("reader.")})
    except Exception as error:
        raise ValueError(
            f"{path.name}: not a mark network's weights ({str(error).splitlines()[0][:120]})"
        ) from error
    return net.eval(), reader
