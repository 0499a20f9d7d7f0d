"""The weighted mean of trained weights, in the compact form that ships.

Runs that went on from one start lie in one valley: the mean of their weights is a network, as a rule a better
one off the training's own path (Izmailov et al., arXiv 1803.05407; Wortsman et al., arXiv 2203.05482).

    python -m models.training.mean_weights OUT.pt FIRST.pt=0.25 SECOND.pt=0.75 [--plain]
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import torch

from models.detector.storage import WeightsError, read_state


def _shapes(state: dict[str, torch.Tensor]) -> dict[str, tuple[int, ...]]:
    return {name: tuple(value.shape) for name, value in state.items()}


def mean_state(parts: Sequence[tuple[Path, float]]) -> dict[str, torch.Tensor]:
    """Mean state (float32) of files and their shares (scaled to one). Whole numbers: the first file's.

    Raises WeightsError naming a file whose tensors are not those of the first.
    """
    total = sum(share for _, share in parts)
    if not parts or total <= 0:
        raise WeightsError("no weights to average: name at least one FILE=SHARE with a share above 0")
    out: dict[str, torch.Tensor] = {}
    for path, share in parts:
        state = read_state(path)
        out = out or {k: torch.zeros_like(v) if v.is_floating_point() else v for k, v in state.items()}
        odd = _shapes(out).items() ^ _shapes(state).items()
        if odd:
            raise WeightsError(f"{path}: other tensors than {parts[0][0]} (first: {min(odd)[0]})")
        for name, value in state.items():
            if value.is_floating_point():
                out[name] += value * (share / total)
    return out


def file_and_share(text: str) -> tuple[Path, float]:
    """FILE=SHARE of the command line."""
    path, _, share = text.rpartition("=")
    try:
        return Path(path), float(share)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: expected FILE=SHARE, as first.pt=0.25") from None


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("parts", type=file_and_share, nargs="+", metavar="FILE=SHARE")
    parser.add_argument("--plain", action="store_true", help="sixteen bits, not the compact form")
    args = parser.parse_args()
    from models.training.train_detector import write_state

    write_state(mean_state(args.parts), args.out, compact=not args.plain)
    print(f"{args.out}: mean of {len(args.parts)}, {args.out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
