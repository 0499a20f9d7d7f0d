"""The ball's head learns alone: people's tensors stay bit for bit, the ball's loss falls, the file loads."""

from __future__ import annotations

from pathlib import Path

import torch

from models.detector.detector import SHIPPED
from models.detector.network import BALL_PREFIX, load_network, read_state
from models.training.augment import photometric
from models.training.frames import load_cache
from models.training.train_ball import BallRecipe, build_parser, train_ball
from models.training.train_detector import Recipe, write_state


def test_only_the_balls_tensors_change(tmp_path: Path) -> None:
    from models.synthetic.strange import write_set

    write_set(tmp_path / "labels", 3, seed=78)
    cache = load_cache([tmp_path / "labels"], torch.device("cpu"))
    start = read_state(SHIPPED)
    log: list[dict[str, float]] = []
    pictures = Recipe(width_px=320, height_px=192, batch=2, ball_share=4.0)
    state = train_ball(cache, start, BallRecipe(steps=3, width=16), pictures, log)
    people = [k for k in start if not k.startswith(BALL_PREFIX)]
    assert people and all(torch.equal(state[k], start[k]) for k in people)
    assert state[f"{BALL_PREFIX}from_fine.weight"].shape[0] == 16  # another shape begins anew
    write_state(state, tmp_path / "ball.pt")
    network = load_network(tmp_path / "ball.pt")
    with torch.no_grad():
        assert torch.isfinite(network(torch.rand(1, 3, 192, 320))).all()
    assert log[-1]["step"] == 3


def test_its_loss_falls_on_one_frame_seen_again_and_again(tmp_path: Path) -> None:
    from models.synthetic.strange import write_set

    write_set(tmp_path / "labels", 4, seed=79)
    cache = load_cache([tmp_path / "labels"], torch.device("cpu"))
    start = read_state(SHIPPED)

    def last(steps: int) -> float:
        log: list[dict[str, float]] = []
        pictures = Recipe(width_px=320, height_px=192, batch=4, wild=False, faults=False)
        train_ball(cache, start, BallRecipe(steps=steps, width=8, rate=1e-2), pictures, log)
        return log[-1]["ball_loss"]

    assert last(40) < 0.5 * last(1)


def test_spotless_pictures_keep_their_detail() -> None:
    torch.manual_seed(3)
    board = (torch.arange(64)[:, None] + torch.arange(64)[None]) % 2
    images = (0.4 + 0.2 * board.float()).expand(8, 3, 64, 64).clone()
    clean = photometric(images, hue=0.0, faults=False)
    assert float(clean.std((2, 3)).min()) > 0.02  # no blur, no lower resolution
    assert float(photometric(images, hue=0.0).std((2, 3)).min()) < 0.02


def test_the_command_line_names_its_start() -> None:
    args = build_parser().parse_args(["--data", "a", "--start", "b.pt", "--out", "c", "--no-pixels"])
    assert (args.start, args.pixels, args.width) == (Path("b.pt"), False, 24)
