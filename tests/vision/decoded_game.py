"""Games whose clips are decoded already, for tests of what a batch makes of several plays."""

from __future__ import annotations

import pickle
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.evidence import ClipEvidence
from calibration.standards import get_standard
from vision import batch
from vision.analyze import FilmPass
from vision.charting import read_sheet
from vision.records import Detections
from vision.store.keys import film_key

sys.path.append(str(Path(__file__).resolve().parents[1] / "calibration"))
from clip_sim import simulate_clip

Game = dict[str, tuple[ClipEvidence, float]]


def simulated_game() -> Game:
    """A bare clip (no painted number found) and a numbered one of one tripod, with its true x (yd)."""
    rng, field = np.random.default_rng(7), get_standard("nfhs")
    numbered, truth = simulate_clip(rng, field, frames=30)
    bare, _ = simulate_clip(rng, field, frames=30, place=truth[0])
    bare.marks = {f: replace(m, numeral_px=np.zeros((0, 3))) for f, m in bare.marks.items()}
    x = float(truth[0].centre_field_yd[0])
    return {"bare": (bare, x), "numbered": (numbered, x)}


def decoded(tmp_path: Path, evidence: dict[str, ClipEvidence]) -> list[Path]:
    """Clips of a game whose passes wait beside the season already, so that nothing is decoded."""
    folder, room = tmp_path / "game", tmp_path / ".s.season.film"
    folder.mkdir()
    room.mkdir()
    for name, one in evidence.items():
        path = folder / f"{name}.mp4"
        path.write_bytes(name.encode())
        at_s = np.arange(len(one)) / 30
        none: Any = np.zeros((0, 4))
        boxes = Detections(
            none[:, 0], none, none[:, 0], none[:, 0], none[:, :0], at_s, one.width_px, one.height_px
        )
        film = FilmPass(str(path), name, boxes, one, 1, at_s, one.width_px, one.height_px, (30, 1))
        key = film_key(path, batch._settings("nfhs", None))
        (room / f"{key}.pass").write_bytes(pickle.dumps(film))
    return sorted(folder.iterdir())


def a_game_with_a_sheet(
    tmp_path: Path, game: Game, teams: str = "offense,defense"
) -> tuple[list[Path], Path]:
    """Three decoded clips of one game, and its sheet with these two columns more."""
    sheet = tmp_path / "sheet.csv"
    rows = [f"{k},p{k}.mp4,g,X,Y" for k in (1, 2, 3)]
    sheet.write_text("\n".join([f"play,sideline,game,{teams}", *rows]))
    files = decoded(tmp_path, {f"p{k}": game["numbered"][0] for k in (1, 2, 3)})
    charted, room = read_sheet(sheet), tmp_path / ".s.season.film"
    for path in files:
        old = room / f"{film_key(path, batch._settings('nfhs', None))}.pass"
        old.rename(room / f"{film_key(path, batch._settings('nfhs', charted.row_of(path)))}.pass")
    return files, sheet
