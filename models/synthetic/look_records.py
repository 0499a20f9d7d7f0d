"""What one rendered game looks like: field paint, turf, light, venue, uniforms and picture quality.

Colours are sRGB triples in 0..1. A look is plain data: ``dataclasses.asdict`` makes it JSON.
"""

from __future__ import annotations

import dataclasses
from dataclasses import asdict, dataclass
from typing import Any

Colour = tuple[float, float, float]
STANDARDS = ("nfl", "ncaa", "nfhs", "canadian")
STYLES = ("pro", "college", "school")


@dataclass(frozen=True)
class FieldLook:
    """Paint and turf. Lengths in yards; alphas and wear 0..1."""

    standard: str
    crown_yd: float
    turf: Colour
    turf_second: Colour
    mow: str  # none, five, ten, across, checker
    mow_strength: float
    grain: float
    blotch: float
    wear: float  # bare ground between the hash rows and at the benches
    wear_colour: Colour
    snow: float
    line_colour: Colour
    line_alpha: float
    line_wear: float
    line_width_yd: float
    numeral_style: str
    numeral_colour: Colour
    numeral_outline: Colour | None
    numeral_size: tuple[float, float]  # height, width of one digit (yd)
    numerals_every: int
    arrows: bool
    ticks: str  # every, cross, none
    sideline_ticks: bool
    border_width_yd: float
    border_alpha: float
    yard_line_gap_yd: float
    end_zone: Colour | None
    end_zone_pattern: str
    end_zone_text: str
    end_zone_text_colour: Colour
    emblem: float  # radius in yards, 0 none
    emblem_colours: tuple[Colour, ...]
    emblem_seed: int
    colour_lines: tuple[tuple[float, Colour], ...]  # (x_field_yd, colour)
    doubled_every: int  # 0 none: a second line beside every n-th yard line
    missing_lines: tuple[float, ...]
    missing_numerals: tuple[float, ...]
    other_sports: tuple[str, ...]
    other_colours: tuple[Colour, ...]
    end_zone_depth_yd: float
    apron: Colour
    track: Colour | None
    track_inner_yd: float
    track_width_yd: float
    beyond: Colour
    dashed_restraint: bool


@dataclass(frozen=True)
class LightLook:
    """Directions point from the ground to the light (unit vectors); colours are linear radiance factors."""

    night: bool
    directions: tuple[tuple[float, float, float], ...]
    colours: tuple[Colour, ...]
    ambient_sky: Colour
    ambient_ground: Colour
    softness_px: float
    contact: float
    stadium_shadow: tuple[float, float, float, float] | None  # nx, ny, d, darkness
    sky_top: Colour
    sky_low: Colour
    haze: float
    haze_colour: Colour
    rain: float


@dataclass(frozen=True)
class Kit:
    """Uniform of one side. ``pattern`` names sleeve/side decoration drawn by the palette."""

    jersey: Colour
    sleeve: Colour
    number: Colour
    number_outline: Colour
    pants: Colour
    pants_stripe: Colour
    helmet: Colour
    helmet_stripe: Colour
    facemask: Colour
    sock: Colour
    shoe: Colour
    glove: Colour
    number_style: str


@dataclass(frozen=True)
class OfficialKit:
    """Officials: stripes black/white, trousers, cap and jacket are drawn per man from these weights."""

    striped: bool
    shirt: Colour
    stripe: Colour
    pants: Colour
    cap: Colour
    jacket_share: float


@dataclass(frozen=True)
class VenueLook:
    """Stands and things round the field. Distances in yards."""

    kind: str  # stadium, bowl, school, park
    far_gap_yd: float
    far_rows: int
    far_length_yd: float
    far_base_yd: float
    occupancy: float
    seat: Colour
    wall: Colour
    end_stand: bool
    trees: float
    buildings: float
    cars: int
    masts: int
    fence: bool
    bench_people: int
    near_people: int
    front_people: int
    post_colour: Colour
    nets: bool
    scoreboard: bool
    crowd_people: int
    seed: int


@dataclass(frozen=True)
class PictureLook:
    """Camera electronics and codec."""

    exposure: float
    contrast: float
    saturation: float
    white_balance: Colour
    gamma: float
    vignette: float
    bloom: float
    noise: float
    chroma_noise: float
    denoise: float
    sharpen: float
    blur_px: float
    internal_height_px: int  # resolution at which the film was once stored, before upscaling
    jpeg_quality: int
    pre_jpeg_quality: int
    chroma_half: bool
    interlace: float
    shutter_s: float
    overlay: str  # none, scorebug, timecode, mark, both
    overlay_seed: int
    over_exposure: float


@dataclass(frozen=True)
class Look:
    seed: int
    style: str
    field: FieldLook
    light: LightLook
    offense: Kit
    defense: Kit
    officials: OfficialKit
    venue: VenueLook
    picture: PictureLook
    extra: dict[str, Any] = dataclasses.field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain JSON-ready dictionary."""
        return asdict(self)
