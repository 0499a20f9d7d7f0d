"""What a defender's place says of his role: the model against hand counts, an oracle and simulated plays."""

from __future__ import annotations

import json

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from vision.plays.defense import FULL, _counts, _number_says
from vision.plays.defense_places import AFTER, AT_SNAP, MODEL, ROLES, PlaceModel, basis, features, role_logs
from vision.plays.fit_defense import KNOTS, fit, gather, right, shaken


def _five() -> np.ndarray:
    """A line (rows 0-4), two receivers on the right (5, 6), one on the left (7), eleven defenders (8-18): a
    tackle, a backer, a corner and a safety first."""
    line = [(-0.8, lateral) for lateral in (-3.0, -1.5, 0.0, 1.5, 3.0)]
    ends = [(-0.5, 12.0), (-1.5, 7.0), (-0.5, -14.0)]
    defense = [(0.9, 2.0), (4.5, -1.0), (6.0, 12.5), (12.0, -5.0)]
    defense += [(0.9, -2.0), (1.0, 4.5), (1.0, -4.5), (4.5, 2.5), (4.8, -5.5), (6.0, -13.5), (12.0, 6.0)]
    return np.array(line + ends + defense)


def test_features_by_hand() -> None:
    places = _five()
    later = places + np.array([1.0, 0.0])
    back = np.full(len(places), 1.0)
    rows = features(range(8, 19), places, range(5), {5: "WR", 6: "WR", 7: "WR"}, back, later)
    corner = dict(zip((*AT_SNAP, *AFTER), rows[2], strict=True))
    assert (corner["depth"], corner["outside"], corner["aside"]) == (6.0, 9.5, 12.5)
    assert (corner["outer"], corner["deeper"], corner["receivers"], corner["wide"]) == (0, 2, 2, 3)
    assert (corner["to_widest"], corner["to_any"], corner["inside"]) == (0.5, 0.5, 0.5)
    assert corner["near"] == pytest.approx(np.hypot(6.5, 0.5))
    assert (corner["back"], corner["deeper_by"], corner["wider_by"]) == (1.0, 1.0, 0.0)
    backer = dict(zip(AT_SNAP, rows[1], strict=False))
    assert (backer["outer"], backer["to_widest"], backer["inside"]) == (5, 13.0, -13.0)


def test_each_stands_for_what_he_is() -> None:
    """A nose on the ball, a backer behind him, a corner over the widest man, a safety twelve yards deep."""
    places = _five()
    gone = places + np.array(
        [[0.0, 0.0]] * 8 + [[-1.0, 0.0], [2.0, 0.0], [5.0, 0.0], [3.0, 0.0]] + [[1.0, 0.0]] * 7
    )
    ends = {5: "WR", 6: "WR", 7: "WR"}
    nowhere = np.full(len(places), np.nan)
    after = features(range(8, 19), places, range(5), ends, gone[:, 0] - places[:, 0], gone)
    alone = features(range(8, 19), places, range(5), ends, nowhere, places * np.nan)
    for rows in (after, alone):
        logs = role_logs(rows)
        assert [ROLES[k] for k in logs[:4].argmax(1)] == ["DL", "LB", "CB", "S"]
        assert np.exp(logs).sum(1) == pytest.approx(1.0, abs=0.01)


def test_the_model_is_scikit_learns() -> None:
    """Weights written and read give the oracle's chances."""
    rng = np.random.default_rng(4)
    values = rng.normal(3, 3, (400, len(AT_SNAP) + len(AFTER)))
    roles = [ROLES[int(k)] for k in np.clip(values[:, 0] // 2, 0, 3)]
    given = fit(values, roles, KNOTS)
    oracle = LogisticRegression(C=0.3, max_iter=3000)
    oracle.fit(basis(values, KNOTS), [ROLES.index(r) for r in roles])
    chance = oracle.predict_proba(basis(values, KNOTS))
    ours = np.exp(PlaceModel.of(given).logs(values))
    assert np.abs(ours - chance)[chance > 0.01].max() < 2e-3
    assert right(given, values, roles) > 0.85


def test_the_shipped_weights_hold_on_plays_never_fitted_on() -> None:
    values, roles = gather(range(910_000, 910_012))
    assert len(roles) > 90
    best = role_logs(values).argmax(1)
    assert np.mean([ROLES[k] == r for k, r in zip(best, roles, strict=True)]) > 0.86
    shaky = role_logs(shaken(values, np.random.default_rng(0))).argmax(1)
    assert np.mean([ROLES[k] == r for k, r in zip(shaky, roles, strict=True)]) > 0.8
    assert json.loads(MODEL.read_text())["roles"] == list(ROLES)


def test_counts_are_chances() -> None:
    """Two corners and two safeties more often than any other pair; more corners against more receivers; with
    men missing or one too many the weights still add up to the same whole."""
    two, four = dict(_counts(FULL, 2)), dict(_counts(FULL, 4))
    assert max(two, key=lambda c: two[c])[2:] == (2, 2)
    ratio = [np.exp(c[4, 2, 3, 2] - c[4, 3, 2, 2]) for c in (two, four)]
    assert ratio[1] > 2 * ratio[0]
    whole = sum(np.exp(w) for w in two.values())
    for men in (9, 12):
        assert sum(np.exp(w) for _, w in _counts(men, 2)) == pytest.approx(whole, rel=0.02)


def test_a_number_alone_says_a_little() -> None:
    assert _number_says("95")[0] > _number_says("95")[1] > _number_says("95")[2] == 0.0
    assert _number_says("") == _number_says("?") == (0.0, 0.0, 0.0, 0.0)
