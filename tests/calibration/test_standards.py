"""Field standards against the dimensions that PyPI sportypy carries and the rule books (from memory)."""

import pytest

from calibration import STANDARDS, get_standard

FEET = 3.0


@pytest.mark.parity
@pytest.mark.parametrize(
    ("name", "league"),
    [("nfl", "NFLField"), ("ncaa", "NCAAField"), ("nfhs", "NFHSField"), ("canadian", "CFLField")],
)
def test_dimensions_agree_with_sportypy(name: str, league: str) -> None:
    football = pytest.importorskip("sportypy.surfaces.football")
    theirs = getattr(football, league)().field_params
    ours = get_standard(name)
    assert ours.length_yd == theirs["field_length"]
    assert ours.width_yd == pytest.approx(theirs["field_width"], abs=1e-3)
    assert ours.end_zone_yd == theirs["endzone_length"]
    assert ours.hash_spacing_yd == pytest.approx(theirs["inbound_cross_hashmark_separation"], abs=1e-3)
    assert ours.number_bottom_yd == theirs["sideline_to_bottom_of_numbers"]
    assert ours.number_height_yd == theirs["number_height"]
    assert ours.number_width_yd == pytest.approx(theirs["number_width"], abs=1e-3)
    assert ours.goal_line_width_yd == pytest.approx(theirs["goal_line_thickness"], abs=0.12)


def test_hash_rows_as_the_rule_books_give_them() -> None:
    # NFL Rule 1-1: 70 ft 9 in; NCAA Rule 1-2-1: 60 ft; NFHS Rule 1-2-3: 53 ft 4 in (rule numbers from memory)
    assert get_standard("nfl").hash_from_sideline_yd * FEET == pytest.approx(70.75)
    assert get_standard("NCAA").hash_from_sideline_yd * FEET == pytest.approx(60)
    assert get_standard(" nfhs ").hash_from_sideline_yd * FEET == pytest.approx(53 + 4 / 12)
    assert get_standard("canadian").hash_from_sideline_yd == 24


def test_numbers_and_arrows() -> None:
    us, can = get_standard("ncaa"), get_standard("canadian")
    assert us.number_at(30) == ("30", -1) and us.number_at(70) == ("30", 1)
    assert us.number_at(50) == ("50", 0)
    assert us.number_at(35) is None and us.number_at(0) is None and us.number_at(100) is None
    assert (
        can.number_at(50) == ("50", -1) and can.number_at(60) == ("50", 1) and can.number_at(55) == ("C", 0)
    )
    assert list(us.number_lines_yd) == [10, 20, 30, 40, 50, 60, 70, 80, 90]
    assert len(us.yard_lines_yd) == 21 and len(can.yard_lines_yd) == 23


def test_every_standard_names_its_rules() -> None:
    for standard in STANDARDS.values():
        assert {"length_yd", "hash_from_sideline_yd", "players_per_side"} <= set(standard.citations)
        assert standard.players_per_side == (12 if standard.name == "canadian" else 11)


def test_unknown_standard_says_what_is_known() -> None:
    with pytest.raises(ValueError, match="nfl, ncaa, nfhs, canadian"):
        get_standard("rugby")
