"""One name for one man: the mapping of IDF1, asked of every man by himself.

IDF1 (Ristani, Solera, Zou, Cucchiara and Tomasi, ECCV workshops 2016; from memory) pairs men and names once
for a whole stretch of film, one to one, so that as many instants as possible lie within the gate. Other men
who come near take nothing from a pair that stays within it; a man whose name goes on with somebody else is
left outside it from there on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

IDENTITY_GATE_YD = 1.0
KEPT_SHARE, SEEN_SHARE = 0.9, 0.5


def mapping(names_near: Mapping[str, Sequence[set[str]]]) -> dict[str, str]:
    """{man: name}, one to one, with the most instants on which the name was near. names_near: for every man
    the names within the gate of him, instant by instant."""
    count = Counter((man, name) for man, instants in names_near.items() for near in instants for name in near)
    men, names = sorted(names_near), sorted({name for _, name in count})
    table = np.array([[count[man, name] for name in names] for man in men], float).reshape(len(men), -1)
    rows, columns = linear_sum_assignment(table, maximize=True)
    return {men[i]: names[j] for i, j in zip(rows, columns, strict=True) if table[i, j]}


def kept_by_mapping(
    by_found: Mapping[int, pd.DataFrame], by_true: Mapping[int, pd.DataFrame], frames: Sequence[int]
) -> dict[str, bool]:
    """True id -> whether his name by the mapping is within a yard of him on nine tenths of the instants on
    which he is in view, and on the first and the last of them. A man near whom nobody ever was is asked only
    if he was in view half of the time.

    by_found, by_true: rows with player_id and places by frame; of the truth the men in view only.
    """
    near: dict[str, list[set[str]]] = {}
    for frame in frames:
        men = by_true[frame]
        ours = by_found.get(frame)
        true_yd = men[["x_field_yd", "y_field_yd"]].to_numpy(float)
        for man, place in zip(men["player_id"].astype(str), true_yd, strict=True):
            names: set[str] = set()
            if ours is not None and len(ours):
                off = np.linalg.norm(ours[["x_field_yd", "y_field_yd"]].to_numpy(float) - place, axis=1)
                names = set(ours.loc[off <= IDENTITY_GATE_YD, "player_id"].astype(str))
            near.setdefault(man, []).append(names)
    name_of = mapping(near)
    out: dict[str, bool] = {}
    for man, instants in near.items():
        if not any(instants) and len(instants) < SEEN_SHARE * len(frames):
            continue
        right = [name_of.get(man) in names for names in instants]
        out[man] = sum(right) >= KEPT_SHARE * len(right) and right[0] and right[-1]
    return out
