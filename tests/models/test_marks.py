"""The mark finder: decoding against drawn maps, labels against OpenCV, weights, pictures without a field."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from calibration import Camera, get_standard
from calibration.start import solve_frame
from models.marks.decode import peaks, ridges, to_cells, to_pixels
from models.marks.finder import WEIGHTS, MarkFinder
from models.marks.network import CHANNELS, MASKS, POINTS, MarkNet, read_marks, save_marks
from models.marks.numbers import CROP_H, CROP_W, NUMBERS, NumberNet, NumberReader
from models.training.marks_data import (
    CANVAS_H,
    CANVAS_W,
    IGNORED,
    PRESENT,
    RIDGE_SD_PX,
    STEP_PX,
    TARGET_STRIDE,
    MarkCache,
    distance_maps,
    point_targets,
)
from models.training.train_marks import Recipe, draw_heat, losses, make_batch, split_by_look

DRAWN = {
    "yard_lines": [[float(x), 0.0, 160 / 3] for x in range(0, 101, 5)],
    "side_lines": [0.0, 160 / 3],
    "hash_rows_y_yd": [20.0, 160 / 3 - 20],
    "row_ticks": [[float(x), 20.0] for x in range(1, 100) if x % 5],
    "numerals": [[40.0, 8.0, "40", 2.0, 3.0, True]],
    "extent": [-10.0, 110.0],
}


def a_camera() -> Camera:
    return Camera(1280, 720, np.array([50.0, -40.0, 18.0]), -5.0, 16.0, 0.5, 1500.0, -0.01, 0.2)


def test_cells_and_pixels_are_inverse() -> None:
    px = np.array([[0.0, 1.5], [1279.0, 719.0]])
    assert np.allclose(to_pixels(to_cells(px)), px)


def test_a_peak_comes_back_with_its_offset() -> None:
    output = np.full((len(CHANNELS) + 2 * len(POINTS), 20, 30), -8.0, np.float32)
    output[len(MASKS) + 1, 7, 11] = 3.0
    output[len(CHANNELS) + 2, 7, 11], output[len(CHANNELS) + 3, 7, 11] = 0.25, -0.5
    found = peaks(output, "side")
    assert len(found) == 1 and len(peaks(output, "row")) == 0
    assert np.allclose(found[0, :2], to_pixels(np.array([11.25, 6.5])))


@pytest.mark.parametrize("x", [13.0, 13.3, 13.49])
def test_a_ridge_is_found_between_cells(x: float) -> None:
    cols = np.arange(40)
    mask = np.tile(np.exp(-0.5 * ((cols - x) / 0.9) ** 2), (30, 1)) * 0.95
    points = ridges(mask)
    assert len(points) >= 20
    assert np.abs(points[:, 0] - to_pixels(x)).max() < 0.4
    assert (points[:, 2] == 1).all()  # sharp along x


def test_distance_targets_are_zero_on_the_projected_lines() -> None:
    camera = a_camera()
    maps = distance_maps(camera, DRAWN).astype(float) * STEP_PX
    px, ok = camera.to_image(np.array([(50.0, y) for y in np.linspace(5, 48, 30)]))
    inside = ok & (px > 2).all(1) & (px[:, 0] < 1270) & (px[:, 1] < 710)
    cells = np.round((px[inside] - 0.5) / 2).astype(int)
    assert inside.sum() > 10
    assert maps[0][cells[:, 1], cells[:, 0]].max() < 2.2
    between, _ = camera.to_image(np.array([(52.5, 20.0)]))
    at = np.round((between[0] - 0.5) / 2).astype(int)
    assert maps[0][at[1], at[0]] > 4 * RIDGE_SD_PX


@pytest.mark.parametrize("seed", range(4))
def test_mask_targets_lie_where_the_marks_are_in_every_window(seed: int) -> None:
    """A line across and one down through a point: their ridges meet at the point, mirrored or scaled."""
    torch.manual_seed(seed)
    x, y = 640.0, 360.0
    cols, rows = torch.arange(1, CANVAS_W, TARGET_STRIDE), torch.arange(1, CANVAS_H, TARGET_STRIDE)
    far = torch.zeros(1, len(MASKS), len(rows), len(cols))
    far[0, 0], far[0, 1] = (cols - x).abs()[None, :], (rows - y).abs()[:, None]
    cache = MarkCache(
        torch.zeros((1, 3, CANVAS_H, CANVAS_W), dtype=torch.uint8),
        (far / STEP_PX).round().clamp(max=255).to(torch.uint8),
        torch.ones((1, 1, len(rows), len(cols)), dtype=torch.uint8),
        [torch.tensor([[x, y, 0.0, float(PRESENT)]])],
    )
    recipe = Recipe(scales=(0.8, 1.2))
    _, ridge, _, _, points = make_batch(cache, torch.tensor([0]), recipe)
    ridge = ridge * (ridge > 0.02)
    for mask, axis, at in ((0, 0, points[0, 1]), (1, 1, points[0, 2])):
        profile = ridge[0, mask].sum(axis).numpy()
        middle = to_pixels((profile * np.arange(len(profile))).sum() / profile.sum())
        assert abs(middle - float(at)) < 0.12


def test_hidden_crossings_are_neither_asked_nor_punished() -> None:
    camera = a_camera()
    covered = np.zeros((720, 1280), bool)
    px, _ = camera.to_image(np.array([[50.0, 20.0]]))
    x, y = np.round(px[0]).astype(int)
    covered[y - 20 : y + 20, x - 20 : x + 20] = True
    rows = point_targets(camera, DRAWN, covered)
    crossing = rows[rows[:, 2] == POINTS.index("row")]
    nearest = crossing[np.hypot(*(crossing[:, :2] - px[0]).T).argmin()]
    assert nearest[3] == IGNORED
    assert (crossing[:, 3] == PRESENT).sum() > 4
    heat, _ = draw_heat(torch.tensor([[0.0, *nearest]], dtype=torch.float32), 1, (180, 320))
    assert heat.max() <= 0 and heat.min() == -1


def test_losses_fall_on_the_right_answer() -> None:
    points = torch.tensor([[0.0, 41.5, 41.5, 0.0, float(PRESENT)]])
    heat, points = draw_heat(points, 1, (20, 20))
    ridge, seen = torch.zeros(1, 3, 20, 20), torch.ones(1, 1, 20, 20)
    good = torch.full((1, 12, 20, 20), -6.0)
    good[:, 3][heat[:, 0] > 0.9] = 6.0
    good[:, 6:] = 0.0
    bad = torch.full((1, 12, 20, 20), -6.0)
    right, wrong = losses(good, ridge, seen, heat, points), losses(bad, ridge, seen, heat, points)
    assert right["heat"] < 0.2 * wrong["heat"] and right["ridge"] == wrong["ridge"]


def test_a_look_is_never_on_both_sides_of_the_split() -> None:
    looks = [f"set/{i // 3}" for i in range(300)]
    train, held = split_by_look(looks, 0.2)
    assert len(train) + len(held) == 300 and 20 < len(held) < 110
    assert not {looks[i] for i in train} & {looks[i] for i in held}


def test_start_weights_fill_the_backbone_only() -> None:
    net = MarkNet()
    state = {
        k: torch.randn_like(v)
        for k, v in net.state_dict().items()
        if k.startswith("model.") and v.is_floating_point()
    }
    assert net.take_start(state | {"model.22.odd": torch.zeros(3)}) == len(state)
    assert torch.equal(net.state_dict()["model.0.conv.weight"], state["model.0.conv.weight"])


def test_weights_survive_the_file_with_the_reader(tmp_path: Path) -> None:
    net, reader = MarkNet(), NumberNet()
    save_marks(net, tmp_path / "m.pt", reader.state_dict() | {"temperature": torch.tensor(1.5)})
    back, tensors = read_marks(tmp_path / "m.pt")
    assert float(back.ridge_low_px) == 0.0
    old = torch.load(tmp_path / "m.pt", weights_only=True)
    torch.save({k: v for k, v in old.items() if k != "ridge_low_px"}, tmp_path / "old.pt")
    assert float(read_marks(tmp_path / "old.pt")[0].ridge_low_px) == pytest.approx(0.4)
    image = torch.rand(1, 3, 64, 96)
    with torch.inference_mode():
        assert torch.allclose(back(image), net.eval()(image), atol=0.05)
    assert NumberReader.from_tensors(tensors).temperature == 1.5


def test_bad_weights_are_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no such mark weights"):
        read_marks(tmp_path / "none.pt")
    (tmp_path / "text.pt").write_text("hello")
    with pytest.raises(ValueError, match=r"text\.pt: not a mark network"):
        read_marks(tmp_path / "text.pt")


def test_reader_gives_probabilities() -> None:
    reader = NumberReader(NumberNet())
    logs = reader.log_probabilities(
        np.random.default_rng(0).integers(0, 255, (3, CROP_H, CROP_W)).astype(np.uint8)
    )
    assert logs.shape == (3, len(NUMBERS), 3)
    assert np.allclose(np.exp(logs).sum((1, 2)), 1, atol=1e-4)


@pytest.fixture(scope="module")
def finder() -> MarkFinder:
    if not WEIGHTS.exists():
        pytest.skip("no trained mark weights")
    return MarkFinder.load(backend="torch", width_px=960)


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea", "rocket"])
def test_real_photographs_without_a_field_make_no_camera(finder: MarkFinder, name: str) -> None:
    """Outside check: photographs that come with scikit-image."""
    data = pytest.importorskip("skimage.data")
    try:
        picture = getattr(data, name)()
    except Exception as error:  # the picture is not in this installation
        pytest.skip(str(error))
    bgr = cv2.resize(cv2.cvtColor(picture[..., :3], cv2.COLOR_RGB2BGR), (1280, 720))
    marks = finder.find(bgr)
    for standard in ("nfl", "canadian"):
        found = solve_frame(marks, get_standard(standard))
        assert found is None or not found.accepted
