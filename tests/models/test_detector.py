"""Detector: safe weights, boxes, scores against known answers, labels read with plain faults."""

from __future__ import annotations

import os
import pickle
import platform
import threading
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.detector.band import BandDetector, CarefulDetector, film_eye
from models.detector.detector import INPUT_WIDTH_PX, SHIPPED, Detector
from models.detector.network import KINDS, WeightsError, build_network, load_network, read_state
from models.detector.runtime import OpenVinoBackend, TorchBackend, bf16_on_cpu, prepare, select_boxes
from models.evaluation.detector import summarise
from models.training.frames import LabelError, read_label_folder
from models.training.start_weights import start_state


def raw_output(rows: list[tuple[float, ...]]) -> torch.Tensor:
    """Network output (1, 4 + kinds, N) from (cx, cy, w, h, scores...) rows."""
    return torch.tensor(rows, dtype=torch.float32).T[None]


def test_overlapping_linemen_survive_and_doubled_boxes_do_not() -> None:
    men = [
        (100, 100, 40, 60, 0.9, 0, 0, 0),
        (118, 100, 40, 60, 0.8, 0, 0, 0),
        (101, 101, 40, 60, 0.7, 0, 0, 0),
    ]
    xyxy, confidence, kind = select_boxes(raw_output(men))[0]
    assert confidence.tolist() == pytest.approx([0.9, 0.8])
    assert xyxy[0].tolist() == [80, 70, 120, 130]
    assert set(kind.tolist()) == {0}


def test_one_man_is_one_box_whatever_his_kind_but_a_ball_in_his_hands_stays() -> None:
    rows = [
        (100, 100, 40, 60, 0.3, 0.6, 0, 0),
        (100, 100, 40, 61, 0.5, 0.1, 0, 0),
        (100, 100, 39, 58, 0, 0, 0.4, 0),
    ]
    _, _, kind = select_boxes(raw_output(rows))[0]
    assert sorted(KINDS[k] for k in kind.tolist()) == ["ball", "official"]


def test_prepare_keeps_the_aspect_and_pads_below() -> None:
    picture = np.full((1080, 1920, 3), 255, np.uint8)
    x, scale = prepare(picture, 960)
    assert x.shape == (3, 544, 960) and scale == 0.5
    assert x[:, :540].min() == 1.0 and x[:, 540:].max() == 0.0


def frame(boxes: list, scores: list, kinds: list, true: list, true_kinds: list) -> dict[str, torch.Tensor]:
    return {
        "xyxy": torch.tensor(boxes, dtype=torch.float32).reshape(-1, 4),
        "confidence": torch.tensor(scores),
        "kind": torch.tensor(kinds),
        "true_xyxy": torch.tensor(true, dtype=torch.float32).reshape(-1, 4),
        "true_kind": torch.tensor(true_kinds),
    }


def test_scores_of_a_small_case_counted_by_hand() -> None:
    a, b, c = [0, 0, 10, 20], [50, 0, 60, 20], [100, 0, 110, 20]
    # two players (one found, one missed), one official called a player, one false box
    f = frame([a, c, [200, 0, 210, 20]], [0.9, 0.8, 0.3], [0, 0, 0], [a, b, c], [0, 0, 1])
    got = summarise([f])
    assert got["player"]["n"] == 2
    assert got["player"]["recall"] == 0.5
    assert got["player"]["precision"] == pytest.approx(1 / 3, abs=1e-3)
    assert got["official_as_player"] == 1.0


def test_a_perfect_detector_scores_one() -> None:
    boxes = [[i * 30.0, 0, i * 30 + 10, 20] for i in range(8)]
    got = summarise([frame(boxes, [0.9] * 8, [0] * 8, boxes, [0] * 8)])
    assert (
        got["player"]["ap50"] > 0.99 and got["player"]["ap"] > 0.99
    )  # 101-point interpolation ends at 0.995


def test_pickled_code_is_refused(tmp_path: Path) -> None:
    class Bomb:
        def __reduce__(self):
            return (Path.touch, (tmp_path / "exploded",))

    bad = tmp_path / "foreign.pt"
    torch.save({"model": Bomb()}, bad, pickle_module=pickle)
    with pytest.raises(WeightsError, match="foreign.pt"):
        read_state(bad)
    assert not (tmp_path / "exploded").exists()


@pytest.mark.parametrize("content", [b"", b"not weights at all" * 50])
def test_corrupt_weights_are_refused_with_the_reason(tmp_path: Path, content: bytes) -> None:
    bad = tmp_path / "corrupt.pt"
    bad.write_bytes(content)
    with pytest.raises(WeightsError, match="corrupt.pt"):
        read_state(bad)


def test_weights_of_another_network_name_the_first_missing_tensor(tmp_path: Path) -> None:
    other = tmp_path / "other.pt"
    torch.save({"layer.weight": torch.zeros(3)}, other)
    with pytest.raises(WeightsError, match=r"expected yolov8s"):
        load_network(other)


def test_folded_kernels_give_back_the_same_function() -> None:
    """A network fused by Ultralytics itself, read as the registry's ONNX is, answers alike."""
    torch.manual_seed(0)
    source = build_network(2).eval()
    for m in source.modules():
        if isinstance(m, torch.nn.BatchNorm2d):
            m.running_mean.normal_(0, 0.1)
            m.running_var.uniform_(0.5, 1.5)
            m.weight.data.uniform_(0.5, 1.5)
            m.bias.data.normal_(0, 0.1)
    x = torch.rand(1, 3, 64, 96)
    with torch.no_grad():
        expected = source(x)[0]
    fused = source.fuse(verbose=False)
    tensors = {k: v.numpy() for k, v in fused.state_dict().items()}
    target = build_network(2).eval()
    state, matched, unmatched = start_state(tensors, target)
    assert not unmatched and matched > 60
    target.load_state_dict(state)
    with torch.no_grad():
        got = target(x)[0]
    assert torch.allclose(got, expected, atol=2e-3, rtol=1e-3)


def write_pair(folder: Path, name: str, label: str) -> None:
    (folder / "images").mkdir(parents=True, exist_ok=True)
    (folder / "labels").mkdir(exist_ok=True)
    cv2.imwrite(str(folder / "images" / f"{name}.jpg"), np.zeros((48, 64, 3), np.uint8))
    (folder / "labels" / f"{name}.txt").write_text(label)


def test_label_faults_are_listed_file_by_file(tmp_path: Path) -> None:
    write_pair(tmp_path, "good", "0 0.5 0.5 0.2 0.2")
    write_pair(tmp_path, "outside", "0 0.95 0.5 0.3 0.2")
    write_pair(tmp_path, "kind", "9 0.5 0.5 0.2 0.2")
    write_pair(tmp_path, "words", "player 0.5")
    (tmp_path / "images" / "broken.jpg").write_bytes(b"no picture")
    with pytest.raises(LabelError) as caught:
        read_label_folder(tmp_path)
    text = str(caught.value)
    for name in ("outside.txt", "kind.txt", "words.txt", "broken.jpg"):
        assert name in text
    assert "good.txt" not in text


def test_labels_are_read_in_pixels(tmp_path: Path) -> None:
    write_pair(tmp_path, "a", "1 0.5 0.5 0.25 0.5\n")
    only = read_label_folder(tmp_path)[0]
    assert only.xyxy_px[0].tolist() == [24, 12, 40, 36] and only.kind.tolist() == [1]


@pytest.mark.skipif(not SHIPPED.exists(), reason="no shipped weights in this checkout")
def test_both_back_ends_agree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stated tolerance: bf16 OpenVINO against fp32 PyTorch, same boxes above 0.5 within IoU 0.9."""
    from torchvision.ops import box_iou

    from models.synthetic.strange import draw_frame

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    picture, _ = draw_frame(np.random.default_rng(5))
    picture = cv2.resize(picture, (640, 360))
    one = Detector(TorchBackend(SHIPPED, half=False), 640, "")
    two = Detector(OpenVinoBackend(SHIPPED, threads=2), 640, "")
    a, b = (d.detect([picture])[0] for d in (one, two))
    sure = a.at_least(0.5)
    assert len(sure) >= 3
    iou = box_iou(torch.from_numpy(sure.xyxy_px), torch.from_numpy(b.xyxy_px))
    assert (iou.max(1).values > 0.9).float().mean() >= 0.95


@pytest.mark.skipif(not SHIPPED.exists(), reason="no shipped weights in this checkout")
@pytest.mark.skipif(len(getattr(os, "sched_getaffinity", lambda _: {0})(0)) < 2, reason="needs two cores")
def test_a_worker_at_work_may_use_any_core(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the kernel sees the calling thread meanwhile: OpenVINO by itself pins it to the first core, the
    same one in every worker."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    run = OpenVinoBackend(SHIPPED, threads=1)
    picture = np.zeros((1, 3, 192, 320), np.float32)
    run(picture)
    caller, allowed = threading.get_native_id(), os.sched_getaffinity(0)
    seen: list[set[int]] = []
    done = threading.Event()

    def watch() -> None:
        while not done.wait(0.002):
            seen.append(os.sched_getaffinity(caller))

    watcher = threading.Thread(target=watch)
    watcher.start()
    for _ in range(8):
        run(picture)
    done.set()
    watcher.join()
    assert len(seen) > 20 and all(cores == allowed for cores in seen)


def test_numbers_are_as_short_as_the_processor_computes_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked of OpenVINO, of PyTorch and of the kernel (Linux's flags): bf16 is never imitated."""
    import openvino as ov

    kinds = ov.Core().get_property("CPU", "OPTIMIZATION_CAPABILITIES")
    assert OpenVinoBackend(SHIPPED).precision == ("bf16" if "BF16" in kinds else "f32")
    kernel = Path("/proc/cpuinfo")
    if kernel.exists() and platform.machine() == "x86_64":
        assert bf16_on_cpu() == bool({"avx512_bf16", "amx_bf16"} & set(kernel.read_text().split()))
    monkeypatch.setattr(torch.cpu, "get_capabilities", lambda: {"avx512_f": True})
    assert not bf16_on_cpu()
    if SHIPPED.exists():
        assert not TorchBackend(SHIPPED, device="cpu").half


@pytest.mark.parametrize("film", [1920, 1280, 960, 852])
def test_every_film_goes_in_at_one_width(film: int) -> None:
    seen = []

    def backend(images: np.ndarray) -> torch.Tensor:
        seen.append(images.shape[3])
        return torch.zeros(len(images), 4 + len(KINDS), 10)

    backend.name = "fake"  # type: ignore[attr-defined]
    Detector(backend, None, "").detect([np.zeros((film * 9 // 16, film, 3), np.uint8)])  # type: ignore[arg-type]
    assert seen == [INPUT_WIDTH_PX]


@pytest.mark.slow
@pytest.mark.skipif(not SHIPPED.exists(), reason="no shipped weights in this checkout")
def test_a_user_adapts_the_shipped_weights_on_twenty_frames(tmp_path: Path) -> None:
    """`underneath train detector --labels FOLDER --from WEIGHTS`: the loss falls, the file loads again."""
    from models.detector.storage import read_state
    from models.synthetic.strange import write_set
    from models.training.detector_losses import deployable
    from models.training.frames import load_cache
    from models.training.train_detector import Recipe, save_state, train

    write_set(tmp_path / "labels", 20, seed=77)
    cache = load_cache([tmp_path / "labels"], torch.device("cpu"))
    assert len(cache.boxes) == 20
    log: list[dict[str, float]] = []
    recipe = Recipe(width_px=480, height_px=288, batch=4, steps=12, rate=3e-4)
    student = train(cache, read_state(SHIPPED), recipe, log)
    save_state(deployable(student), tmp_path / "mine.pt")
    load_network(tmp_path / "mine.pt")
    assert np.isfinite(log[-1]["cls_loss"])


def test_the_fast_detector_looks_at_smaller_pictures() -> None:
    """The same weights at 0.65 of every width, still or band, in multiples of the coarsest stride."""
    small, fast = Detector.load(backend="torch"), Detector.load(backend="torch", size="fast")
    assert [small.input_width_px(w) for w in (None, 1600, 1920)] == [INPUT_WIDTH_PX, 1600, 1920]
    assert [fast.input_width_px(w) for w in (None, 1600, 1920)] == [832, 1024, 1248]
    assert fast.weights_hash == f"{small.weights_hash}-fast"
    seen: list[int] = []

    def answer(pictures: np.ndarray) -> torch.Tensor:
        seen.append(pictures.shape[3])
        return torch.zeros(1, 8, 21)

    fast.backend = answer
    assert len(fast.detect([np.zeros((360, 640, 3), np.uint8)])[0]) == 0
    assert seen == [832]


def test_the_careful_detector_is_told_from_the_others() -> None:
    small, careful = Detector.load(backend="torch"), Detector.load(backend="torch", size="careful")
    assert careful.weights_hash == f"{small.weights_hash}-careful" and careful.careful and not small.careful
    assert isinstance(film_eye(careful), CarefulDetector) and isinstance(film_eye(small), BandDetector)
