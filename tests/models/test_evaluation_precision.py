"""Average precision, against the code of COCO (PyPI pycocotools, Lin et al. 2014) and by hand."""

from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest
import torch
from torchvision.ops import box_iou

from models.evaluation.detector import match_frame, summarise
from models.evaluation.precision import average_precision, coco_matches
from models.evaluation.tally import Tally

pytestmark = pytest.mark.parity


def crowded_frames(seed: int, frames: int = 25) -> list[dict[str, torch.Tensor]]:
    """Pictures of men who stand in one another's way, found with errors, misses and false boxes."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(frames):
        n = int(rng.integers(4, 20))
        low = rng.uniform([0, 100], [180, 220], (n, 2))
        true = np.concatenate([low, low + rng.uniform([14, 36], [28, 60], (n, 2))], 1)
        kept = rng.random(n) < 0.9
        found = true[kept] + rng.normal(0, 3.0, (kept.sum(), 4)).clip(-6, 6)  # no box turned inside out
        false = rng.uniform([0, 100], [180, 220], (3, 2))
        found = np.concatenate([found, np.concatenate([false, false + [20, 45]], 1)])
        kinds = rng.integers(0, 2, n)
        said = np.concatenate(
            [np.where(rng.random(kept.sum()) < 0.95, kinds[kept], 1 - kinds[kept]), [0, 1, 0]]
        )
        out.append(
            {
                "xyxy": torch.tensor(found, dtype=torch.float32),
                "confidence": torch.tensor(rng.random(len(found)), dtype=torch.float32),
                "kind": torch.tensor(said, dtype=torch.int64),
                "true_xyxy": torch.tensor(true, dtype=torch.float32),
                "true_kind": torch.tensor(kinds, dtype=torch.int64),
            }
        )
    return out


def by_pycocotools(frames: list[dict[str, torch.Tensor]], kind: int) -> tuple[float, float]:
    """AP50-95 and AP50 of one kind by the published code."""
    coco_module = pytest.importorskip("pycocotools.coco")
    evaluation = pytest.importorskip("pycocotools.cocoeval")
    truth, found = [], []
    for picture, f in enumerate(frames, 1):
        for name, rows in (("true_", truth), ("", found)):
            for k, box in enumerate(f[f"{name}xyxy"].tolist()):
                x0, y0, x1, y1 = box
                row = {"image_id": picture, "category_id": int(f[f"{name}kind"][k]) + 1, "id": len(rows) + 1}
                row |= {"bbox": [x0, y0, x1 - x0, y1 - y0], "area": (x1 - x0) * (y1 - y0), "iscrowd": 0}
                if not name:
                    row["score"] = float(f["confidence"][k])
                rows.append(row)
    with contextlib.redirect_stdout(io.StringIO()):
        gold = coco_module.COCO()
        gold.dataset = {
            "images": [{"id": i + 1} for i in range(len(frames))],
            "annotations": truth,
            "categories": [{"id": 1}, {"id": 2}],
        }
        gold.createIndex()
        run = evaluation.COCOeval(gold, gold.loadRes(found), "bbox")
        run.params.catIds = [kind + 1]
        run.evaluate()
        run.accumulate()
        run.summarize()
    return float(run.stats[0]), float(run.stats[1])


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("kind", [0, 1])
def test_as_the_published_code(seed: int, kind: int) -> None:
    frames = crowded_frames(seed)
    ours = summarise(frames)[("player", "official")[kind]]
    ap, ap50 = by_pycocotools(frames, kind)
    assert ours["ap"] == pytest.approx(ap, abs=6e-5)
    assert ours["ap50"] == pytest.approx(ap50, abs=6e-5)


def test_a_box_whose_best_man_is_taken_gets_the_next() -> None:
    """Two men one before the other, both boxes nearest to the same one: both count."""
    true = torch.tensor([[0.0, 0, 20, 40], [4, 0, 24, 40]])
    found = torch.tensor([[1.0, 0, 21, 40], [1.5, 0, 21.5, 40]])
    assert (box_iou(found, true).argmax(1) == 0).all()
    kinds = torch.zeros(2, dtype=torch.int64)
    right = match_frame(found, kinds, torch.tensor([0.9, 0.8]), true, kinds)
    assert right[:, 0].all()


def test_by_hand() -> None:
    iou = np.array([[0.8, 0.0], [0.7, 0.0], [0.0, 0.58]])
    right = coco_matches(iou, np.array([0.5, 0.9, 0.3]))
    assert right[:, 0].tolist() == [False, True, True]  # the surer one takes the man
    assert right[:, 2].tolist() == [False, True, False]  # at IoU 0.6
    ap = average_precision(np.array([0.5, 0.9, 0.3]), right[:, :1], 2)
    assert ap[0] == pytest.approx((51 * 1.0 + 50 * 2 / 3) / 101)
    assert np.isnan(average_precision(np.zeros(0), np.zeros((0, 1)), 0)).all()
    assert average_precision(np.zeros(0), np.zeros((0, 1)), 3).tolist() == [0.0]


def test_films_add_up() -> None:
    one, two = Tally(), Tally()
    one.answers["a"], one.counts["a/asked"] = [(0.9, (True,)), (0.2, (False,))], 2
    two.answers["a"], two.counts["a/asked"] = [(0.8, (True,))], 1
    both = (one + two).figures()["a"]
    assert both["n"] == 3 and both["value"] == pytest.approx(67 / 101)
    assert one.figures()["a"]["value"] == pytest.approx(51 / 101)
