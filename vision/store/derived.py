"""What follows from a corrected value and must follow it: the combination of each side from its routes."""

from __future__ import annotations

from typing import Any

import duckdb

from vision.combinations import Runner, match


def renew_combinations(db: duckdb.DuckDBPyConnection, play_id: str) -> None:
    """Name the sides' combinations anew from the stored routes, corrected ones counted as certain. A
    combination that a person set himself stays."""
    rows = db.execute(
        "SELECT r.player_id, m.side, m.receiver_number, m.role, m.depth_play_yd, m.lateral_play_yd, r.route, "
        "r.probability, r.runner_up, r.source, r.end_lateral_play_yd FROM routes r JOIN players m "
        "ON m.play_id = r.play_id AND m.player_id = r.player_id WHERE r.play_id = ?",
        [play_id],
    ).fetchall()
    found = match([runner for row in rows if (runner := _runner(*row)) is not None])
    fixed = {
        row[0]
        for row in db.execute(
            "SELECT what FROM corrections WHERE play_id = ? AND state = 'applied'", [play_id]
        ).fetchall()
    }
    for side in ("left", "right"):
        if f"plays.{side}_combination" not in fixed:
            name = found[side].name if side in found else ""
            db.execute(f"UPDATE plays SET {side}_combination = ? WHERE play_id = ?", [name or None, play_id])


def _runner(
    player_id: str,
    side: Any,
    number: Any,
    role: Any,
    depth: Any,
    lateral: Any,
    route: Any,
    probability: Any,
    runner_up: Any,
    source: Any,
    end: Any,
) -> Runner | None:
    """A stored route as the rules see it, as `vision.combinations.runners_of_play` makes it from a play."""
    if not route or route == "unknown" or (side is None and lateral is None):
        return None
    chances = {route: 1.0 if source == "corrected" else float(probability or 0.0)}
    if runner_up and source != "corrected" and runner_up != route:
        chances[runner_up] = max(0.0, min(1.0 - chances[route], 0.5))
    side = side or ("right" if lateral > 0 else "left")
    if role == "RB" and lateral is not None and abs(lateral) < 5.0 and depth is not None and depth < -2.5:
        number, side = 0, side if end is None else "right" if end > 0 else "left"
    nan = float("nan")
    return Runner(
        player_id,
        side,
        int(number or 0),
        chances,
        nan if lateral is None else lateral,
        nan if end is None else end,
    )
