"""What is known about a rendered frame: boxes, visibility, foot points, camera, marks, covered ground."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from models.synthetic.figures import PROP_ID, Exposure
from models.synthetic.lens import ViewCamera
from models.synthetic.looks import Look

KINDS = ("player", "official", "ball", "other")


def covered_map(exposure: Exposure, overlays: list[tuple[int, int, int, int]], step: int = 4) -> np.ndarray:
    """(h//step, w//step) uint8: 0 open ground or sky, 1 a person, 2 another thing or a burnt-in mark."""
    ids = exposure.ids
    m = np.zeros(ids.shape, np.uint8)
    m[(ids > 0) & (ids < PROP_ID - 8)] = 1
    m[ids >= PROP_ID - 8] = 2
    for x0, y0, x1, y1 in overlays:
        m[y0 // 2 : (y1 + 1) // 2, x0 // 2 : (x1 + 1) // 2] = 2
    h, w = exposure.picture.shape[:2]
    return cv2.resize(m, (w // step, h // step), interpolation=cv2.INTER_NEAREST)


def person_rows(rows: list[Any], ids: list[str], feet_z_yd: np.ndarray) -> list[dict[str, Any]]:
    """What `frame_labels` wants to know of each drawn person: kind, id, team, number, action, place (yd)."""
    return [
        {
            "kind": KINDS[r[0].kind],
            "id": pid,
            "team": r[0].team,
            "number": r[0].number,
            "action": r[5],
            "field_yd": [r[1], r[2], float(z)],
        }
        for r, pid, z in zip(rows, ids, feet_z_yd, strict=True)
    ]


def frame_labels(
    exposure: Exposure,
    cam: ViewCamera,
    people: list[dict[str, Any]],
    ball: dict[str, Any] | None,
    overlays: list[tuple[int, int, int, int]],
) -> list[dict[str, Any]]:
    """One dict per person in or near the picture.

    kind player|official|ball|other; box amodal x0 y0 x1 y1 (px, may pass the border); visible: share of
    his whole
    outline that is seen (borders, other people, things and burnt-in marks count as hidden); foot_px: his foot
    point; the rest is copied from ``people``.
    """
    w, h = cam.width_px, cam.height_px
    hidden = np.zeros(len(people))
    for x0, y0, x1, y1 in overlays:
        part = exposure.ids[y0 // 2 : (y1 + 1) // 2, x0 // 2 : (x1 + 1) // 2]
        hit = part[(part > 0) & (part <= len(people))]
        hidden += np.bincount(hit, minlength=len(people) + 1)[1 : len(people) + 1] * 4.0
    out = []
    feet, in_front = cam.project(np.array([p["field_yd"] for p in people]).reshape(-1, 3))
    for i, person in enumerate(people[: len(exposure.boxes)]):
        b = exposure.boxes[i]
        if (
            not np.isfinite(b).all()
            or b[2] < 0
            or b[3] < 0
            or b[0] > w - 1
            or b[1] > h - 1
            or b[3] - b[1] < 2
        ):
            continue
        share = float(max(exposure.visible_px[i] - hidden[i], 0.0) / max(exposure.area_px[i], 1.0))
        out.append(
            {
                **{k: v for k, v in person.items() if k != "field_yd"},
                "box": [round(float(v), 2) for v in b],
                "visible": round(min(share, 1.0), 3),
                "foot_px": [round(float(v), 2) for v in feet[i]] if in_front[i] else None,
                "field_yd": [round(float(v), 3) for v in person["field_yd"]],
            }
        )
    if ball is not None:
        out.append(ball)
    return out


def look_truth(look: Look, drawn: dict[str, Any]) -> dict[str, Any]:
    """What was painted on the field of a look, for the mark finder's targets."""
    f = look.field
    return {
        "seed": look.seed,
        "style": look.style,
        "standard": f.standard,
        "night": look.light.night,
        "field_crown_yd": f.crown_yd,
        "end_zone_depth_yd": f.end_zone_depth_yd,
        "line_width_yd": f.line_width_yd,
        "line_alpha": f.line_alpha,
        "line_wear": f.line_wear,
        "ticks": f.ticks,
        "snow": f.snow,
        "missing_lines": list(f.missing_lines),
        "doubled_every": f.doubled_every,
        "other_sports": list(f.other_sports),
        "drawn": drawn,
        "look": look.as_dict(),
    }
