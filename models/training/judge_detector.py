"""Judge detector weights on four rendered test sets and on film drawn by another program.

    python -m models.training.judge_detector WEIGHTS.pt [WEIGHTS.pt ...] --same SAME --held HELD [--held ...]
        [--strange STRANGE] [--width 1280] [--out FIGURES.json]

SAME: looks that were trained on, at other moments (render the training seed with one more frame a look; only
the last frame of each look is used). HELD: looks of seeds never trained on; they are split by what is in
them: *fields and uniforms* (by day, from the usual places, no piles, 720p and up), *cameras and low light*
(night, cameras under 12 yd, or from behind an end zone), *hard* (480p, or piles and scattered poses).
STRANGE: a folder of ``models.synthetic.strange``. The ball counts when it is off the ground and at least six
pixels long at the input's size.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torchvision.ops import box_iou

from models.detector.network import BALL, load_network
from models.evaluation.detector import found_boxes, summarise
from models.training.frames import LabelledFrame, cache_frames, read_folder
from models.training.train_detector import Recipe

LOW_CAMERA_YD, FLYING_YD, LEAST_BALL_PX = 12.0, 1.5, 6.0
SURE = 0.35


def held_set(frame: LabelledFrame) -> str:
    """Which of the three held test sets a rendered frame belongs to."""
    truth = json.loads(frame.path.with_suffix(".json").read_text())
    look = frame.path.parents[1] / "looks" / f"{frame.path.stem.split('_')[0]}.json"
    night = look.exists() and bool(json.loads(look.read_text()).get("night"))
    if truth["camera"]["width_px"] < 1000 or truth["hard"] != "none":
        return "hard"
    low = truth["camera"]["centre_field_yd"][2] < LOW_CAMERA_YD
    return "cameras and low light" if night or low or truth["view"] != "sideline" else "fields and uniforms"


def last_of_each_look(frames: list[LabelledFrame]) -> list[LabelledFrame]:
    """The frame with the highest number of each look."""
    by_look = {f.path.stem.split("_")[0]: f for f in sorted(frames, key=lambda f: f.path.stem)}
    return list(by_look.values())


def flying(frame: LabelledFrame) -> bool:
    """Whether a rendered frame's ball is off the ground and half in view."""
    path = frame.path.with_suffix(".json")
    people = json.loads(path.read_text())["people"] if path.exists() else []
    balls = [p for p in people if p["kind"] == "ball" and p["visible"] >= 0.5]
    return any(p["field_yd"][2] > FLYING_YD for p in balls)


def ball_figures(
    found: list[dict[str, torch.Tensor]], scale: float, precision: float = 0.8
) -> dict[str, Any]:
    """Recall of balls long enough at a precision, by boxes (IoU 0.5) and by centres (half a length, 3 px).

    scale: input pixels a canvas pixel. A box on a shorter ball counts neither way.
    """
    out: dict[str, Any] = {}
    for how in ("box", "centre"):
        rows, total = [], 0
        for f in found:
            true = f["true_xyxy"][f["true_kind"] == BALL]
            asked = (true[:, 2:] - true[:, :2]).amax(1) * scale >= LEAST_BALL_PX
            total += int(asked.sum())
            mine = f["kind"] == BALL
            taken: set[int] = set()
            order = torch.argsort(f["confidence"][mine], descending=True)
            for box, score in zip(f["xyxy"][mine][order], f["confidence"][mine][order].tolist(), strict=True):
                hit = [i for i in _on(box, true, how, scale) if i not in taken]
                if hit:
                    taken.add(hit[0])
                    if bool(asked[hit[0]]):
                        rows.append((score, True))
                else:
                    rows.append((score, False))
        rows.sort(reverse=True)
        right = np.cumsum([r for _, r in rows]) if rows else np.zeros(0)
        share = right / np.arange(1, len(rows) + 1)
        enough = np.nonzero(share >= precision)[0]
        best = int(enough[-1]) if len(enough) else -1
        out[how] = {
            "n": total,
            "recall": round(float(right[best]) / max(1, total), 3) if best >= 0 else 0.0,
            "at_confidence": round(rows[best][0], 3) if best >= 0 else None,
        }
    return out


def _on(box: torch.Tensor, true: torch.Tensor, how: str, scale: float) -> list[int]:
    """True balls under a box, the best first."""
    if not len(true):
        return []
    if how == "box":
        iou = box_iou(box[None], true)[0]
        return [i for i in torch.argsort(iou, descending=True).tolist() if iou[i] >= 0.5]
    apart = ((box[:2] + box[2:]) / 2 - (true[:, :2] + true[:, 2:]) / 2).norm(dim=1)
    reach = torch.maximum((true[:, 2:] - true[:, :2]).amax(1) / 2, torch.tensor(3.0 / scale))
    return [i for i in torch.argsort(apart).tolist() if apart[i] <= reach[i]]


def any_person(found: list[dict[str, torch.Tensor]]) -> list[dict[str, torch.Tensor]]:
    """The same boxes and truth with all people of one kind."""

    def merged(kind: torch.Tensor) -> torch.Tensor:
        return torch.where(kind == BALL, kind, torch.zeros_like(kind))

    return [{**f, "kind": merged(f["kind"]), "true_kind": merged(f["true_kind"])} for f in found]


def judge(network: torch.nn.Module, sets: dict[str, list[LabelledFrame]], width_px: int, device: Any) -> Any:
    """Figures of a network on every set: kinds apart, all people as one, and the ball in the air."""
    out: dict[str, Any] = {}
    for name, frames in sets.items():
        found = found_boxes(network, cache_frames(frames, device), Recipe(width_px=width_px))
        air = [f for f, frame in zip(found, frames, strict=True) if flying(frame)]
        out[name] = summarise(found, SURE) | {
            "any_person": summarise(any_person(found), SURE)["player"],
            "ball_in_the_air": ball_figures(air, width_px / 1280),
        }
    return out


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("weights", type=Path, nargs="+")
    parser.add_argument("--same", type=Path, action="append", default=[])
    parser.add_argument("--held", type=Path, action="append", default=[])
    parser.add_argument("--strange", type=Path, action="append", default=[])
    parser.add_argument("--width", type=int, default=1280)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    sets: dict[str, list[LabelledFrame]] = {}
    same = last_of_each_look([f for folder in args.same for f in read_folder(folder)])
    if same:
        sets["same looks"] = same
    for frame in (f for folder in args.held for f in read_folder(folder)):
        sets.setdefault(held_set(frame), []).append(frame)
    strange = [f for folder in args.strange for f in read_folder(folder)]
    if strange:
        sets["strange"] = strange
    figures = {}
    for path in args.weights:
        figures[path.stem] = judge(load_network(path), sets, args.width, device)
        for name, row in figures[path.stem].items():
            print(path.stem, name, json.dumps(row), flush=True)
    if args.out:
        args.out.write_text(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
