"""Weights on disk: the compact form, networks told by their shapes, foreign files read and never run."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest
import torch

from models.detector import detector as shipped
from models.detector.detector import Detector, weights_of
from models.detector.network import (
    KINDS,
    BallHead,
    FilmDetector,
    WeightsError,
    architecture_of,
    build_network,
    edge_px,
    feature_channels,
    load_network,
    read_state,
)
from models.detector.storage import CODE, STEP, pack
from models.training.detector_losses import Student, ball_shape, deployable
from models.training.inert import read_model_tensors
from models.training.mean_weights import file_and_share, mean_state
from models.training.start_weights import make_nano_start_state
from models.training.train_detector import build_parser, recipe_of, save_state


def _network(architecture: str = "yolov8s.yaml", pixels: bool = False) -> FilmDetector:
    torch.manual_seed(3)
    people = build_network(architecture=architecture)
    return FilmDetector(people, BallHead(*feature_channels(people), 32 if pixels else 24, pixels)).eval()


def test_the_compact_form_is_half_the_size_and_every_kernel_within_half_a_step(tmp_path: Path) -> None:
    save_state(_network(), tmp_path / "plain.pt")
    state = read_state(tmp_path / "plain.pt")
    packed = pack(state)
    torch.save(packed, tmp_path / "compact.pt")
    assert (tmp_path / "compact.pt").stat().st_size < 0.54 * (tmp_path / "plain.pt").stat().st_size
    back = read_state(tmp_path / "compact.pt")
    assert back.keys() == state.keys()
    coded = [k.removesuffix(CODE) for k in packed if k.endswith(CODE)]
    assert len(coded) > 40 and "model.0.conv.weight" not in coded
    assert not any(k.startswith(("ball.", "platt")) or k.endswith(".2.weight") for k in coded)
    for name, value in state.items():
        error = (back[name].float() - value.float()).abs()
        if name in coded:
            step = packed[name + STEP].float().view(-1, *[1] * (value.dim() - 1))
            assert bool((error <= 0.56 * step).all())  # half a step, and the step's own sixteen bits
        else:
            assert float(error.max()) == 0


def test_compact_weights_answer_as_the_plain_ones(tmp_path: Path) -> None:
    network = _network()
    save_state(network, tmp_path / "plain.pt")
    torch.save(pack(read_state(tmp_path / "plain.pt")), tmp_path / "compact.pt")
    images = torch.rand(1, 3, 96, 128)
    with torch.inference_mode():
        plain, compact = (
            load_network(tmp_path / "plain.pt")(images),
            load_network(tmp_path / "compact.pt")(images),
        )
    people = plain.shape[2] - 6
    assert float((plain - compact)[:, :4, :people].abs().max()) < 1.5  # input pixels
    assert float((plain - compact)[:, 4:, :people].abs().max()) < 0.01


def test_codes_without_their_steps_are_refused(tmp_path: Path) -> None:
    packed = pack(build_network().state_dict())
    packed.pop(next(k for k in packed if k.endswith(STEP)))
    torch.save(packed, tmp_path / "torn.pt")
    with pytest.raises(WeightsError, match=r"torn\.pt.*lacks its steps"):
        read_state(tmp_path / "torn.pt")


@pytest.mark.parametrize(("architecture", "pixels"), [("yolov8s.yaml", True), ("yolo11n.yaml", True)])
def test_a_file_tells_its_network_and_its_ball_head(tmp_path: Path, architecture: str, pixels: bool) -> None:
    network = _network(architecture, pixels)
    assert architecture_of(network.people.state_dict()) == architecture
    save_state(network, tmp_path / "mine.pt")
    loaded = load_network(tmp_path / "mine.pt")
    images = torch.rand(1, 3, 64, 96)
    with torch.inference_mode():
        expected, got = network(images), loaded(images)
    assert got.shape == expected.shape
    assert torch.allclose(got[:, 4:], expected[:, 4:], atol=5e-3)


def test_the_best_peaks_are_those_of_one_long_sort() -> None:
    torch.manual_seed(8)
    answer = torch.randn(2, 5, 40, 70)
    head = BallHead()
    rows = head.rows(answer)
    heat = answer[:, :1].sigmoid()
    heat = heat * (heat >= torch.nn.functional.max_pool2d(heat, 3, 1, 1))
    score, at = heat.flatten(1).topk(6)
    assert torch.allclose(rows[:, 6], score)
    centre = (torch.stack([at % 70, at // 70], 1) + 0.5) * 4
    offset = answer[:, 1:3].flatten(2).gather(2, at[:, None].expand(-1, 2, -1)) * 4
    assert torch.allclose(rows[:, :2], centre + offset, atol=1e-3)


def test_a_pickled_model_gives_its_tensors_and_runs_nothing(tmp_path: Path) -> None:
    model = build_network(3, "yolo11n.yaml")
    torch.save({"model": model.half(), "date": "today"}, tmp_path / "foreign.pt")
    found = read_model_tensors(tmp_path / "foreign.pt")
    own = model.state_dict()
    assert found.keys() >= own.keys()
    assert all(torch.equal(found[k], v.float() if v.is_floating_point() else v) for k, v in own.items())

    class Bomb:
        def __reduce__(self) -> tuple[object, ...]:
            return (Path.touch, (tmp_path / "exploded",))

    torch.save({"model": Bomb()}, tmp_path / "bomb.pt", pickle_module=pickle)
    with pytest.raises(ValueError, match=r"bomb\.pt"):
        read_model_tensors(tmp_path / "bomb.pt")
    assert not (tmp_path / "exploded").exists()


def test_the_nano_starts_with_every_kind_of_people_at_the_persons_score(tmp_path: Path) -> None:
    torch.manual_seed(4)
    source = build_network(1, "yolo11n.yaml").eval()
    for name, value in source.state_dict().items():
        if ".cv3." in name and name.endswith(".2.weight"):
            value.normal_(0, 0.5)
    images = torch.rand(1, 3, 64, 96)
    with torch.inference_mode():
        person = source(images)[0][:, 4]
    torch.save({"model": source}, tmp_path / "one_class.pt")
    state, report = make_nano_start_state(tmp_path / "one_class.pt")
    assert not report.unmatched and ball_shape(state) == (32, True)
    started = deployable(Student(state))
    with torch.inference_mode():
        rows = started.people(images)[0][0]
    for kind in ("player", "official", "other"):
        assert torch.allclose(rows[4 + KINDS.index(kind)], person[0], atol=1e-5)
    assert float(person.max()) > 0.01 and float(rows[4 + KINDS.index("ball")].max()) < 1e-4
    again, _ = make_nano_start_state(tmp_path / "one_class.pt")
    assert all(torch.equal(state[k], again[k]) for k in state)


def test_a_training_goes_on_with_the_ball_head_of_its_start(capsys: pytest.CaptureFixture[str]) -> None:
    network = _network(pixels=True)
    start = dict(network.people.state_dict())
    assert ball_shape(start) == (24, False)
    assert network.ball is not None
    start |= {f"ball.{k}": v for k, v in network.ball.state_dict().items()}
    asked = ["--data", "d", "--out", "o", "--start", "s.pt"]
    recipe = recipe_of(build_parser().parse_args(asked), start)
    assert (recipe.ball_width, recipe.ball_pixels) == (32, True)
    student = Student(start, recipe.ball_width, recipe.ball_pixels)
    assert torch.equal(student.ball.state_dict()["answer.weight"], start["ball.answer.weight"])
    assert capsys.readouterr().out == ""
    other = recipe_of(build_parser().parse_args([*asked, "--ball-width", "24", "--no-ball-pixels"]), start)
    assert (other.ball_width, other.ball_pixels) == (24, False)
    assert "begins anew" in capsys.readouterr().out


def test_a_detector_is_taken_by_its_size_where_its_weights_are_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(shipped.SIZES, "nano", tmp_path / "detector_nano.pt")
    with pytest.raises(WeightsError, match=r"nano: .*detector_nano\.pt does not come with this copy"):
        Detector.load(backend="torch", size="nano")
    with pytest.raises(WeightsError, match=r"'huge' is not known"):
        weights_of("huge")
    save_state(_network("yolo11n.yaml"), tmp_path / "detector_nano.pt")
    loaded = Detector.load(backend="torch", size="nano")
    assert weights_of("nano") == tmp_path / "detector_nano.pt"
    assert loaded.backend.network.people.model[0].conv.out_channels == 16  # type: ignore[attr-defined]


class _OneMan:
    """A back end that answers one man, 20 by 40 input pixels about (300, 200)."""

    name = "one man"

    def __call__(self, images: np.ndarray) -> torch.Tensor:
        row = torch.zeros(1, 4 + len(KINDS), 1)
        row[0, :5, 0] = torch.tensor([300.0, 200.0, 20.0, 40.0, 0.9])
        return row


def test_boxes_are_moved_from_the_corner_to_the_middle_of_a_pixel(tmp_path: Path) -> None:
    """Half a pixel of the picture, whatever the input's scale; files that do not say are not moved."""
    save_state(_network(), tmp_path / "new.pt")
    state = read_state(tmp_path / "new.pt")
    torch.save({k: v for k, v in state.items() if k != "edge_px"}, tmp_path / "old.pt")
    assert edge_px(tmp_path / "new.pt").tolist() == [0.5, 0.5]
    assert edge_px(tmp_path / "old.pt").tolist() == [0.0, 0.0]
    picture = np.full((180, 320, 3), 90, np.uint8)  # goes in at twice its size
    made = [Detector(_OneMan(), 640, "x", edge=e) for e in (None, np.array([0.5, 0.25], np.float32))]
    still, moved = (d.detect([picture])[0].xyxy_px for d in made)
    np.testing.assert_allclose(still, [[145, 90, 155, 110]])
    np.testing.assert_allclose(moved, [[144.5, 89.75, 154.5, 109.75]])


def test_the_mean_of_weights_is_their_mean(tmp_path: Path) -> None:
    for name in ("a", "b"):
        save_state(_network(), tmp_path / f"{name}.pt")
    a, b = read_state(tmp_path / "a.pt"), read_state(tmp_path / "b.pt")
    mean = mean_state([(tmp_path / "a.pt", 1.0), (tmp_path / "b.pt", 3.0)])
    key = "model.0.conv.weight"
    assert mean.keys() == a.keys()
    torch.testing.assert_close(mean[key], 0.25 * a[key] + 0.75 * b[key])
    assert file_and_share("x=y/first.pt=0.25") == (Path("x=y/first.pt"), 0.25)
    torch.save({k: v for k, v in b.items() if k != key}, tmp_path / "less.pt")
    with pytest.raises(WeightsError, match=r"less\.pt: other tensors.*conv"):
        mean_state([(tmp_path / "a.pt", 1.0), (tmp_path / "less.pt", 1.0)])
    with pytest.raises(WeightsError, match="no weights"):
        mean_state([])
