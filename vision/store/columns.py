"""What the season file holds: every table, its columns and types. The one list that schema, checks and
exports are made from. Names, units and meaning of exported columns are a promise; columns may be added.

Types: S text, F float (blank = not known), I integer, B yes/no, T time stamp.
"""

from __future__ import annotations

SCHEMA_VERSION = 1

SOURCES = ("measured", "charted", "corrected", "estimated")
MOMENTS = ("snap", "break", "throw", "arrival")
KINDS = ("nearest", "underneath", "responsible")

_EVENTS = " ".join(f"{e}_s:F {e}_source:S {e}_sd_s:F" for e in ("snap", "throw", "arrival", "end"))
_ROTATION = " ".join(f"r{i}{j}:F" for i in (1, 2, 3) for j in (1, 2, 3))
_DEPTHS = " ".join(f"depth_{k:02d}_play_yd:F" for k in (5, 10, 15, 20, 25, 30))

# Columns of the exported files, in their order.
_EXPORTED: dict[str, str] = {
    "clips": "clip_id:S path:S view:S width_px:I height_px:I fps_num:I fps_den:I frames:I play_id:S "
    "start_s:F end_s:F status:S reason:S",
    "plays": f"play_id:S {_EVENTS} los_field_yd:F direction:I hash:S down:I distance:F qb_drop:S "
    "play_action:B launch_depth_play_yd:F launch_lateral_play_yd:F time_to_throw_s:F formation:S "
    "left_combination:S right_combination:S target_player_id:S result:S result_source:S yards:F",
    "cameras": f"clip_id:S frame:I pts_s:F status:S fx_px:F cx_px:F cy_px:F k1:F {_ROTATION} "
    "tx_yd:F ty_yd:F tz_yd:F field_crown_yd:F sd_px:F",
    "tracks": "clip_id:S play_id:S frame:I t_s:F player_id:S team:S x_field_yd:F y_field_yd:F sd_yd:F "
    "speed_yd_per_s:F observed:B x0_px:F y0_px:F x1_px:F y1_px:F box_confidence:F",
    "loose_boxes": "clip_id:S play_id:S frame:I kind:S x0_px:F y0_px:F x1_px:F y1_px:F box_confidence:F",
    "players": "play_id:S player_id:S team:S role:S jersey:I jersey_probability:F receiver_number:I side:S "
    "split_yd:F landmark:S",
    "routes": "play_id:S player_id:S route:S probability:F runner_up:S stem_depth_play_yd:F break_s:F "
    "break_angle_deg:F max_depth_play_yd:F end_depth_play_yd:F end_lateral_play_yd:F "
    "route_twelve:S route_twelve_probability:F",
    "matchups": "play_id:S receiver_id:S defender_id:S kind:S moment:S t_s:F distance_yd:F cushion_yd:F "
    "inside_yd:F under_yd:F leverage:S lane_yd:F sd_yd:F",
    "drops": f"play_id:S player_id:S start_depth_play_yd:F first_move:S {_DEPTHS} "
    "first_second_speed_yd_per_s:F settle_s:F qb_set_s:F throw_depth_play_yd:F deepest_play_yd:F "
    "bite_yd:F turn_s:F reaction_s:F break_speed_yd_per_s:F path_efficiency:F arrival_distance_yd:F",
    "corrections": "play_id:S what:S before:S after:S who:S when:T",
}

# Columns of our own beside them: where a row came from, and what the questions need.
_ADDED: dict[str, str] = {
    "clips": "game_id:S play_number:S film_key:S run_id:S",
    "plays": "game_id:S play_number:S kind:S kind_probability:F standard:S offense:S defense:S "
    "spot_y_field_yd:F quarter:I strength:S field_side:S boot:B set_s:F qb_set_depth_play_yd:F "
    "target_probability:F warnings:S look:B look_reason:S run_id:S",
    "players": "role_probability:F depth_play_yd:F lateral_play_yd:F job:S in_motion:B source:S run_id:S",
    "routes": "source:S route_called_twelve:S route_called_twelve_probability:F route_chances:S run_id:S",
    "matchups": "run_id:S",
    "drops": "job:S drop_style:S regained_yd:F start_lateral_play_yd:F throw_lateral_play_yd:F "
    "reaction_sd_s:F carried_receiver_id:S coverage:S coverage_probability:F number2_flat_s:F "
    "widen_s:F curl_inside_yd:F curl_under_yd:F sd_yd:F run_id:S",
    "corrections": "correction_id:I state:S",
}

Column = tuple[str, str]


def _parse(text: str) -> tuple[Column, ...]:
    return tuple((name, kind) for name, kind in (item.split(":") for item in text.split()))


EXPORTED: dict[str, tuple[Column, ...]] = {table: _parse(text) for table, text in _EXPORTED.items()}
TABLES: dict[str, tuple[Column, ...]] = {
    table: columns + _parse(_ADDED.get(table, "")) for table, columns in EXPORTED.items()
}

# Rows that belong to one play, replaced together.
PLAY_TABLES = ("plays", "players", "tracks", "loose_boxes", "routes", "matchups", "drops")

REQUIRED: dict[str, tuple[str, ...]] = {
    "clips": ("clip_id",),
    "plays": ("play_id",),
    "cameras": ("clip_id", "frame"),
    "tracks": ("play_id", "player_id"),
    "loose_boxes": ("play_id", "frame"),
    "players": ("play_id", "player_id"),
    "routes": ("play_id", "player_id"),
    "matchups": ("play_id", "receiver_id", "defender_id", "kind", "moment"),
    "drops": ("play_id", "player_id"),
}

ALLOWED: dict[tuple[str, str], tuple[str, ...]] = {
    ("clips", "view"): ("sideline", "endzone"),
    ("cameras", "status"): ("measured", "interpolated", "lost"),
    ("tracks", "team"): ("offense", "defense", "official"),
    ("loose_boxes", "kind"): ("player", "official"),
    ("players", "team"): ("offense", "defense", "official"),
    ("players", "role"): ("QB", "RB", "TE", "WR", "OL", "DL", "LB", "CB", "S"),
    ("matchups", "kind"): KINDS,
    ("matchups", "moment"): MOMENTS,
    ("plays", "direction"): (1, -1),  # type: ignore[dict-item]
}

# Other spellings taken in and stored under the promised name.
ALIASES: dict[str, dict[str, str]] = {
    "plays": {
        **{f"{e}_s_source": f"{e}_source" for e in ("snap", "throw", "arrival", "end")},
        **{f"{e}_s_sd_s": f"{e}_sd_s" for e in ("snap", "throw", "arrival", "end")},
    }
}

# Words of the makers for "not known", stored as blank.
BLANK_WORDS = {("tracks", "team"): ("A", "B", "unknown"), ("players", "team"): ("A", "B", "unknown"),
               ("players", "role"): ("unknown",)}  # fmt: skip

# Whole numbers for which makers write 0 when they do not know.
ZERO_IS_BLANK = {"plays": ("direction", "down"), "players": ("receiver_number",)}


def names(table: str, exported: bool = False) -> tuple[str, ...]:
    """Column names of a table in order; with `exported`, only those of the file contract."""
    return tuple(name for name, _ in (EXPORTED if exported else TABLES)[table])
