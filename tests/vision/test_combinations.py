"""Combinations by the rule file: worked examples of the trade (common practice), tolerance, refusals."""

from __future__ import annotations

import pytest

from models.synthetic.playbook_calls import SIDE_CALLS
from vision.combinations import LEAST, RULES, TOGETHER, Runner, load_rules, match, together


def side(*routes: str, back: str = "", p: float = 0.95, where: str = "right") -> list[Runner]:
    sign = 1 if where == "right" else -1
    men = [
        Runner(f"{where}{k}", where, k + 1, {r: p}, sign * (18 - 5 * k), sign * (18 - 5 * k))
        for k, r in enumerate(routes)
    ]
    return men + ([Runner(f"{where}b", where, 0, {back: p}, 1.0, 8.0)] if back else [])


@pytest.mark.parametrize(
    "routes,back,name",
    [
        (("curl", "flat"), "", "flat-curl"),
        (("slant", "flat"), "", "slant-flat"),
        (("hitch", "corner"), "", "smash"),
        (("go", "go", "go"), "", "four verticals"),
        (("go", "out", "flat"), "", "flood"),
        (("curl",), "flat", "flat-curl"),
        (("curl", "go"), "", "curl-seam"),
        (("hook", "flat"), "", "hook-flat"),
        (("shallow_cross", "in"), "", "drive"),
        (("in", "in"), "", "levels"),
        (("go", "out"), "swing", "flood"),
        (("post", "corner"), "", "scissors"),
    ],
)
def test_worked_examples(routes, back, name):
    found = match(side(*routes, back=back))["right"]
    assert found.name == name
    assert found.probability > 0.6 and len(found.players) == len(found.routes)


def test_mesh_needs_both_sides():
    both = side("go", "shallow_cross") + side("post", "shallow_cross", where="left")
    assert {c.name for c in match(both).values()} == {"mesh"}
    one = side("go", "shallow_cross") + side("post", "in", where="left")
    assert match(one)["right"].name == "go-shallow" and match(one)["left"].name == "post-dig"


def test_every_called_combination_of_the_simulator_is_named():
    for calls in SIDE_CALLS.values():
        for name, labels, _ in calls:
            plain = tuple({"deep_in": "in", "deep_out": "out"}.get(x, x) for x in labels)
            assert match(side(*plain))["right"].name == name, (name, plain)


def test_one_uncertain_route_is_tolerated_two_are_not():
    men = side("curl", "flat")
    unsure = Runner("right0", "right", 1, {"post": 0.5, "curl": 0.45}, 18, 15)
    assert match([unsure, men[1]])["right"].name == "flat-curl"
    lost = Runner("right1", "right", 2, {"angle": 0.5, "flat": 0.3}, 13, 20)
    found = match([unsure, lost])["right"]
    assert found.name == "" and found.probability < LEAST


def test_order_from_the_sideline_counts():
    assert match(side("corner", "hitch"))["right"].name != "smash"


def test_who_changed_places():
    men = [Runner("a", "right", 1, {"post": 0.9}, 18, 9), Runner("b", "right", 2, {"corner": 0.9}, 12, 20)]
    found = match(men)["right"]
    assert found.name == "scissors" and found.switched and abs(found.spread_yd - 11) < 1e-9


def test_rule_file_is_checked(tmp_path):
    assert len(load_rules(RULES)[0]) >= 30
    bad = tmp_path / "r.yaml"
    bad.write_text("rules:\n  - {name: x, men: 2, routes: [go]}\n")
    with pytest.raises(ValueError, match="men is 2"):
        load_rules(bad)
    bad.write_text("rules:\n  - {name: x, men: 1, routes: [banana]}\n")
    with pytest.raises(ValueError, match="banana"):
        load_rules(bad)
    bad.write_text("rules:\n  - {name: x, routes: [go]}\n")
    with pytest.raises(ValueError, match="missing men"):
        load_rules(bad)


def test_a_coach_can_add_a_rule(tmp_path):
    own = tmp_path / "own.yaml"
    own.write_text("rules:\n  - {name: our favourite, men: 2, order: free, routes: [post, comeback]}\n")
    assert match(side("comeback", "post"), load_rules(own))["right"].name == "our favourite"


def test_the_closer_rule_wins_when_its_routes_are_the_likeliest():
    """A loose rule fits go and crosser whatever the man between them ran; he most likely ran the dig."""
    men = side("go", "in", "shallow_cross")
    between = Runner("right1", "right", 2, {"in": 0.56, "shallow_cross": 0.38}, 13, 8)
    found = match([men[0], between, men[2]])["right"]
    assert found.name == "drive" and found.routes == ("go", "in", "shallow_cross")
    assert 0.45 < found.probability < 0.6
    other = Runner("right1", "right", 2, {"in": 0.2, "shallow_cross": 0.75}, 13, 8)
    assert match([men[0], other, men[2]])["right"].name == "go-shallow"


def test_routes_that_make_a_combination_together_are_likelier():
    unsure = Runner("right0", "right", 1, {"out": 0.55, "comeback": 0.4}, 18, 20)
    flat = Runner("right1", "right", 2, {"flat": 0.97}, 8, 15)
    found = match([unsure, flat])["right"]  # an out over a flat is no combination, a comeback is
    assert found.name == "comeback-flat" and found.routes == ("comeback", "flat")
    assert LEAST < found.probability < 0.7


def test_one_receiver_alone_is_single_whatever_he_ran():
    lone = Runner("left0", "left", 1, {"go": 0.3, "post": 0.3, "in": 0.3}, -18, -15)
    assert match([lone])["left"].name == "single"


def test_men_of_a_side_read_together():
    stem = {"go": 0.45, "post": 0.4, "corner": 0.15}  # cut short by the throw
    flat = {"flat": 0.97, "out": 0.03}
    said = together([Runner("a", "right", 1, {"hitch": 0.5, "curl": 0.5}), Runner("b", "right", 2, flat)])
    assert said["a"]["curl"] == pytest.approx(0.5, abs=0.02)  # both make a combination with a flat
    said = together([Runner("a", "right", 1, stem), Runner("b", "right", 2, {"wheel": 0.9, "in": 0.1})])
    # post-wheel (0.36) and post-dig (0.04) count TOGETHER times, all others once; go-wheel is no combination
    assert said["a"]["post"] == pytest.approx(TOGETHER * 0.4 / (1.0 + (TOGETHER - 1) * 0.4), abs=0.03)
    assert sum(said["a"].values()) == pytest.approx(1.0) and sum(said["b"].values()) == pytest.approx(1.0)


def test_a_man_alone_or_a_certain_man_keeps_his_route():
    alone = {"go": 0.6, "post": 0.4}
    assert together([Runner("a", "left", 1, alone), Runner("b", "right", 1, alone)]) == {
        "a": alone,
        "b": alone,
    }
    sure = {"curl": 0.98, "post": 0.02}
    said = together([Runner("a", "right", 1, sure), Runner("b", "right", 2, {"wheel": 1.0})])
    # by hand: 0.98 against TOGETHER times 0.02
    assert said["a"]["curl"] == pytest.approx(0.98 / (0.98 + TOGETHER * 0.02)) and said["a"]["curl"] > 0.8
