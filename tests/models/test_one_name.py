"""One name for one man by the mapping of IDF1; trackeval's Identity metric is the oracle of the mapping."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.evaluation.one_name import IDENTITY_GATE_YD, kept_by_mapping, mapping

FRAMES = 20


def film(
    exchange_at: int | None = None, gap_yd: float = 4.0
) -> tuple[dict[int, pd.DataFrame], dict[int, pd.DataFrame]]:
    """Two true men `gap_yd` apart and our two, who exchange their places at a frame if told."""
    true, found = {}, {}
    for f in range(FRAMES):
        y = (0.0, gap_yd)
        ours = y[::-1] if exchange_at is not None and f >= exchange_at else y
        true[f] = pd.DataFrame({"player_id": ["a", "b"], "x_field_yd": 1.0 * f, "y_field_yd": y})
        found[f] = pd.DataFrame({"player_id": ["p", "q"], "x_field_yd": 1.0 * f + 0.1, "y_field_yd": ours})
    return found, true


@pytest.mark.parametrize(
    ("exchange_at", "gap_yd", "kept"),
    [(None, 4.0, True), (10, 4.0, False), (FRAMES - 1, 4.0, False), (10, 0.5, True)],
)
def test_a_name_that_goes_on_with_somebody_else_is_lost(exchange_at, gap_yd, kept) -> None:
    """Also at the very last instant; of men who never part by a yard nobody can tell."""
    found, true = film(exchange_at, gap_yd)
    assert kept_by_mapping(found, true, range(FRAMES)) == {"a": kept, "b": kept}


def test_who_is_missed_or_followed_too_briefly_is_not_kept() -> None:
    found, true = film()
    for f in range(FRAMES):
        found[f] = found[f][(found[f]["player_id"] == "p") & (f not in (9, 10, 11))]
    assert kept_by_mapping(found, true, range(FRAMES)) == {"a": False, "b": False}
    for f in range(9):  # b in view less than half of the time, and never found: not asked
        true[f] = true[f][true[f]["player_id"] == "a"]
    assert set(kept_by_mapping(found, true, range(FRAMES))) == {"a", "b"}
    for f in range(12):
        true[f] = true[f][true[f]["player_id"] == "a"]
    assert set(kept_by_mapping(found, true, range(FRAMES))) == {"a"}


def test_the_mapping_is_that_of_idf1() -> None:
    """trackeval (Identity: IDTP) counts as many instants under its own mapping as lie on ours."""
    from trackeval.metrics import Identity

    rng = np.random.default_rng(7)
    for _ in range(10):
        men = rng.uniform(0, 3.0, (5, 1, 2)) + np.cumsum(rng.normal(0, 0.4, (5, 30, 2)), 1)
        names = np.take_along_axis(
            men, rng.permuted(np.tile(np.arange(5)[:, None], 30), axis=0)[..., None], 0
        )
        names = names + rng.normal(0, 0.3, names.shape)
        off = np.linalg.norm(men[:, None] - names[None], axis=-1)
        close = off <= IDENTITY_GATE_YD
        near = {f"m{i}": [{f"n{j}" for j in np.flatnonzero(at)} for at in close[i].T] for i in range(5)}
        ours = sum(name in at for man, name in mapping(near).items() for at in near[man])
        everyone = [np.arange(5)] * 30
        data = {
            "gt_ids": everyone, "tracker_ids": everyone, "num_gt_ids": 5, "num_tracker_ids": 5,
            "num_gt_dets": 150, "num_tracker_dets": 150,
            "similarity_scores": [close[:, :, k].astype(float) for k in range(30)],
        }  # fmt: skip
        assert ours == Identity().eval_sequence(data)["IDTP"]
