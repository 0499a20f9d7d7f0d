"""Routes drawn as a coach draws them: legs, the usual play, density, the sheet and the page."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_season import made_copy

from vision.commands import main
from vision.questions import asked, find
from vision.sheets.concepts import (
    Run,
    coach_line,
    combination_panel,
    density,
    receiver_panel,
    runs_of,
    typical,
    usual_play,
)
from vision.sheets.drawing import Frame
from vision.sheets.route_sheet import caption, combination_figures, receiver_figures
from vision.store import Season
from vision.trouble import QuestionTrouble


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return made_copy(tmp_path_factory.mktemp("concepts") / "made.season")


def legs(*corners: tuple[float, float], step: float = 0.5) -> np.ndarray:
    """A path along straight legs through the corners (depth, lateral)."""
    parts = []
    for a, b in zip(corners[:-1], corners[1:], strict=True):
        n = max(2, round(float(np.hypot(b[0] - a[0], b[1] - a[1])) / step))
        parts.append(np.linspace(a, b, n, endpoint=False))
    return np.vstack([*parts, [corners[-1]]])


def run(play: str, number: int, route: str, path: np.ndarray, caught: bool | None = None) -> Run:
    return Run(play, f"r{number}", route, number, path, caught)


def test_coach_line_keeps_the_corners_of_an_out() -> None:
    noise = np.random.default_rng(1).normal(0, 0.08, (100, 2))
    path = legs((0, 10), (10, 10), (10, 18))
    line = coach_line(path + noise[: len(path)])
    assert len(line) == 3
    assert np.abs(line - [[0, 10], [10, 10], [10, 18]]).max() < 0.8


def test_coach_line_keeps_a_turn_back_along_the_stem() -> None:
    """A curl that comes straight back lies on its own chord; the turn must stay all the same."""
    line = coach_line(legs((0, 5), (12, 5), (9, 5)))
    assert len(line) == 3 and line[1, 0] == pytest.approx(12, abs=0.6)
    assert len(coach_line(legs((0, 5), (20, 5)))) == 2
    assert len(coach_line(np.zeros((9, 2)))) == 2


def test_typical_path_is_the_middle_one() -> None:
    paths = [legs((0, 0), (d, 0)) for d in (10.0, 10.5, 11.0, 25.0)]
    assert typical(paths) == 2  # of the longer half (11 and 25) the one nearer to all


def test_usual_play_runs_the_common_routes() -> None:
    def play(name: str, inner: str, deep: float) -> list[Run]:
        return [
            run(name, 1, "curl", legs((0, 18), (deep, 18))),
            run(name, 2, inner, legs((0, 8), (2, 16))),
        ]

    runs = [*play("a", "flat", 12), *play("b", "flat", 12.5), *play("c", "go", 12.2), *play("d", "flat", 22)]
    assert usual_play(runs) in ("a", "b")
    assert usual_play([*runs, run("a", 3, "angle", legs((0, 2), (5, 5)))]) == "b"  # like most plays: two men


def test_density_is_dark_where_they_ran_and_empty_elsewhere() -> None:
    frame = Frame(0, 20, 0, 20)
    text = "".join(density(frame, [legs((0, 5), (15, 5))] * 3 + [legs((0, 15), (15, 15))]))
    cells = [tuple(map(float, m)) for m in re.findall(
        r'<rect x="(\d+)" y="(\d+)" width="(\d+)" height="\d+" opacity="([\d.]+)"', text)]  # fmt: skip

    def shade(lateral: float, depth: float) -> float:
        x, y = frame.x(lateral), frame.y(depth)
        return max((o for cx, cy, w, o in cells if cx <= x < cx + w and cy <= y < cy + 5), default=0.0)

    assert shade(5.2, 8.2) > shade(15.2, 8.2) > 0 == shade(10.2, 8.2) == shade(5.2, 19.2)
    assert density(frame, []) == []


def test_panels_name_the_routes_and_the_other_route_in_brackets() -> None:
    runs = []
    for k in range(6):
        runs.append(run(f"p{k}", 1, "curl", legs((0, 18), (12, 18), (10, 17)), caught=k < 2 or None))
        runs.append(run(f"p{k}", 2, "flat" if k < 4 else "wheel", legs((0, 8), (2 + k / 10, 16))))
    text = combination_panel(runs, "flat-curl")
    assert ">curl</text>" in text and ">flat</text>" in text and ">(wheel)</text>" in text
    assert "paths of 6 plays" in text
    text = receiver_panel([r for r in runs if r.number == 1], "#11")
    assert ">curl 6</text>" in text and "thrown to 2, caught 2" in text
    starts = [r.from_start()[0] for r in runs]
    assert np.allclose(np.array(starts)[:, 1], 0)


def test_runs_turn_both_sides_alike(season: Season) -> None:
    found = find(season, asked())
    runs = runs_of(season, found)
    assert len(runs) > 0.9 * len(found[found["side"].isin(["left", "right"])])
    outside = [r.path[0, 1] for r in runs if r.number == 1]
    assert np.mean(np.array(outside) > 0) > 0.95
    steps = np.concatenate([np.hypot(*np.diff(r.path, axis=0).T) for r in runs])
    assert np.percentile(steps, 99) < 1.3  # ten samples a second: under 13 yd/s


def test_every_named_combination_gets_a_panel_with_its_counts(season: Season) -> None:
    found = find(season, asked())
    runs = runs_of(season, found)
    figures = combination_figures(found, runs, most=50)
    names = {f["caption"].split(":")[0] for f in figures}
    known = found[~found["combination"].isin(["single", "none", ""])]["combination"].dropna()
    assert names and names <= set(known)
    first = figures[0]["caption"]
    name = first.split(":")[0]
    plays = known[known == name].index
    assert f"{found.loc[plays, 'play_id'].nunique()} play" in first
    assert len(receiver_figures(found, runs)) >= 1
    rows = found.head(3).assign(target=[True, False, False], result="complete")
    assert caption("x", rows, "route") == "x: 3 routes; thrown to 1, caught 1"


def test_sheet_command_and_page(season: Season, tmp_path: Path, capsys: Any) -> None:
    out = tmp_path / "routes.html"
    assert main(["sheet", "routes", str(out), "--season", str(season.path)]) == 0
    text = out.read_text()
    assert "By combination" in text and "By receiver" in text and "medical or return-to-play" in text
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    status = main(["sheet", "routes", str(out), "--season", str(season.path), "--play", "none-such"])
    assert status == QuestionTrouble.exit_status
    assert main(["page", str(tmp_path / "page"), "--season", str(season.path)]) == 0
    assert "drawn as on play" in (tmp_path / "page" / "index.html").read_text()
