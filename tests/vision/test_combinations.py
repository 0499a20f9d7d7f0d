"""Combinations by the rule file: worked examples of the trade (common practice), tolerance, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from models.routes.called import shipped
from models.routes.labels import LABELS
from models.routes.repeated import CALLS_COUNT
from models.synthetic.playbook_calls import SIDE_CALLS
from vision.combinations import LEAST, RULES, Runner, load_rules, match, together
from vision.route_doubt import SHARES


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


def test_two_sides_with_closer_names_keep_them():
    both = side("post", "in", "shallow_cross") + side("in", "corner", "shallow_cross", where="left")
    assert {s: c.name for s, c in match(both).items()} == {"right": "drive", "left": "corner-in"}
    loose = side("go", "corner", "shallow_cross") + side("in", "corner", "shallow_cross", where="left")
    assert {c.name for c in match(loose).values()} == {"mesh"}  # the corner has no part in go-shallow


def test_a_flood_is_one_whoever_runs_which_level():
    assert match(side("go", "flat", "out"))["right"].name == "flood"


def test_every_called_combination_of_the_simulator_is_named():
    for calls in SIDE_CALLS.values():
        for name, labels, _ in calls:
            plain = tuple({"deep_in": "in", "deep_out": "out"}.get(x, x) for x in labels)
            assert match(side(*plain))["right"].name == name, (name, plain)


def test_one_uncertain_route_is_tolerated_two_are_not():
    men = side("curl", "flat")
    unsure = Runner("right0", "right", 1, {"post": 0.5, "curl": 0.45}, 18, 15)
    assert match([unsure, men[1]])["right"].name == "flat-curl"
    other = Runner("right0", "right", 1, {"post": 0.75, "curl": 0.1}, 18, 15)
    lost = Runner("right1", "right", 2, {"angle": 0.6, "flat": 0.1}, 13, 20)
    found = match([other, lost])["right"]
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
    assert found.probability > 0.45
    # what was seen of him clearly stands against the call
    other = Runner("right1", "right", 2, {"in": 0.03, "shallow_cross": 0.92}, 13, 8)
    assert match([men[0], other, men[2]])["right"].name == "go-shallow"


def test_routes_that_make_a_combination_together_are_likelier():
    unsure = Runner("right0", "right", 1, {"out": 0.55, "comeback": 0.4}, 18, 20)
    flat = Runner("right1", "right", 2, {"flat": 0.97}, 8, 15)
    found = match([unsure, flat])["right"]  # an out over a flat is no combination, a comeback is
    assert found.name == "comeback-flat" and found.routes == ("comeback", "flat")
    assert LEAST < found.probability < 0.9


def test_one_receiver_alone_is_single_whatever_he_ran():
    lone = Runner("left0", "left", 1, {"go": 0.3, "post": 0.3, "in": 0.3}, -18, -15)
    assert match([lone])["left"].name == "single"


def test_one_man_runs_while_the_others_stay_in():
    found = match(side("hitch", "block"))["right"]
    assert found.name == "single" and found.routes == ("hitch",) and found.probability > 0.8
    assert match(side("out", "checkdown"))["right"].name == "single"
    assert match(side("screen", "block"))["right"].name == "crack screen", "a rule goes before it"
    assert match(side("out", "in"))["right"].name == "", "two who run are not alone"
    unsure = [Runner(f"right{k}", "right", k + 1, {"out": 0.8, "block": 0.2}, 18 - 9 * k, 20) for k in (0, 1)]
    assert match(unsure)["right"].name == "double out"


def weight(*routes: str) -> float:
    """How often a set counts: a share CALLS_COUNT of it as called together, the rest as drawn apart."""
    return 1.0 - CALLS_COUNT + CALLS_COUNT * shipped().ratio(routes)


def test_men_of_a_side_read_together():
    stem = {"go": 0.45, "post": 0.4, "corner": 0.15}  # cut short by the throw
    said = together([Runner("a", "right", 1, stem), Runner("b", "right", 2, {"wheel": 1.0})])
    # go and corner are never called over a wheel, a post is
    post = 0.4 * weight("post", "wheel")
    assert weight("go", "wheel") == pytest.approx(1.0 - CALLS_COUNT) and weight("post", "wheel") > 3
    assert said["a"]["post"] == pytest.approx(post / (post + 0.6 * (1.0 - CALLS_COUNT)))
    assert sum(said["a"].values()) == pytest.approx(1.0) and said["b"]["wheel"] == pytest.approx(1.0)


def test_backs_and_men_alone_and_certain_men_keep_their_routes():
    alone = {"go": 0.6, "post": 0.4}
    men = [Runner("a", "left", 1, alone), Runner("b", "right", 1, alone), Runner("c", "right", 0, alone)]
    assert together(men) == {"a": alone, "b": alone, "c": alone}
    sure = {"curl": 0.98, "post": 0.02}
    said = together([Runner("a", "right", 1, sure), Runner("b", "right", 2, {"wheel": 1.0})])
    assert said["a"]["curl"] > 0.7  # though nobody calls a curl beside a wheel


def test_men_whose_routes_are_drawn_apart_lose_little():
    """Coaches call other things than the table: sides drawn without any call are named as well as before."""
    rng, share = np.random.default_rng(3), np.array(list(SHARES.values())) / sum(SHARES.values())
    before, after = [], []
    for _ in range(1500):
        truth = rng.choice(list(SHARES), 2, p=share)
        men = []
        for number, name in enumerate(truth, 1):
            other = [str(r) for r in rng.choice([r for r in LABELS if r != name], 2, replace=False)]
            first = float(rng.choice([0.25, 0.5, 0.75, 0.95]))
            chances = {str(name): first, other[0]: 0.8 * (1 - first), other[1]: 0.2 * (1 - first)}
            men.append(Runner(str(number), "left", number, chances))
        said = together(men)
        for man, name in zip(men, truth, strict=True):
            before.append(man.likely == name)
            after.append(max(said[man.player_id], key=lambda r: said[man.player_id][r]) == name)
    assert 0.7 < np.mean(before) < 0.8
    assert np.mean(after) > np.mean(before) - 0.03
