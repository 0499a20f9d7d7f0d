"""Many single routes at once, for training: the plans of the tree, run by bodies, cut short by the throw.

Everything in (depth, out) yards: out is toward the sideline of the man's side. The same plans and the
same body model as in whole plays; here thousands of men are stepped together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.synthetic.playbook import Formation, RoutePlan, draw_formation
from models.synthetic.playbook_calls import THROW_S
from models.synthetic.playsim_motion import step_velocity
from models.synthetic.playsim_records import RATE_HZ, ROUTES
from models.synthetic.playsim_routes import plan_route

BEFORE_S, AFTER_S = 0.8, 5.4
_BACKS = {
    "swing": 1.0,
    "angle": 0.92,
    "checkdown": 0.97,
    "flat": 0.68,
    "screen": 0.55,
    "wheel": 0.55,
    "block": 0.75,
    "go": 0.03,
    "out": 0.08,
    "hook": 0.05,
    "shallow_cross": 0.02,
}
"""Share of men from the backfield for each label."""

PRIOR = {
    "go": 0.185,
    "hitch": 0.075,
    "hook": 0.06,
    "curl": 0.05,
    "comeback": 0.022,
    "flat": 0.115,
    "swing": 0.045,
    "shallow_cross": 0.075,
    "deep_cross": 0.055,
    "out": 0.085,
    "in": 0.07,
    "slant": 0.048,
    "post": 0.052,
    "corner": 0.048,
    "screen": 0.04,
    "angle": 0.018,
    "checkdown": 0.035,
    "wheel": 0.012,
    "block": 0.055,
}
"""Shares after the shared motion facts, spread over the finer labels."""

_EFFORT = {"go": 0.97, "wheel": 1.0, "in": 0.87, "post": 0.9, "corner": 0.95}
"""Share of a professional's top speed he runs at (0.92 where not named), so that peaks match real
ones."""
JOG_SHARE = 0.14
"""Share of go routes that are jogged: clearing out, or away from a quick throw (real ones reach down to 6 yd
of depth in the 10th percentile)."""


@dataclass(frozen=True)
class Style:
    """A way of running routes: one offense's habits, or a simulator unlike the one trained on."""

    depth_scale: float = 1.0
    tempo: float = 1.0
    untidy: float = 1.0
    brake: float = 9.0
    delay_s: float = 0.14


@dataclass(frozen=True)
class RouteSet:
    """N simulated routes on one clock of 30 Hz, 0 = snap.

    t_s (T,), path_yd (N, T, 2) absolute (depth, out), label (N,) str, throw_s (N,), room_yd (N,) from the
    start to the sideline of his side, ball_out_yd (N,) his distance from the ball, break_s (N,) NaN if not
    reached, stem_yd (N,), group (N,) number of the play he belongs to, number (N,) #1.. (0 = backfield),
    pro (N,) bool: run as real professionals do on average, not as the book draws it. end_s (N,): nothing
    later can be looked at (None = no such end). throw_s is NaN where nothing was thrown.
    """

    t_s: np.ndarray
    path_yd: np.ndarray
    label: np.ndarray
    throw_s: np.ndarray
    room_yd: np.ndarray
    break_s: np.ndarray
    stem_yd: np.ndarray
    group: np.ndarray
    number: np.ndarray
    pro: np.ndarray
    end_s: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.label)


def _pool(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Starts (depth, out, room, number) of split men and of backs, from many formations and spots."""
    split, backs = [], []
    for _ in range(n):
        standard = str(rng.choice(["nfl", "ncaa", "nfhs", "canadian"], p=[0.4, 0.3, 0.2, 0.1]))
        width = 65.0 if standard == "canadian" else 160 / 3
        spot = rng.uniform(0.34, 0.66) * width
        right, left = spot, width - spot
        form: Formation = draw_formation(rng, standard, right, left)
        for s in form.spots:
            if s.number:
                room = (right if s.side > 0 else left) - abs(s.lateral)
                split.append((s.depth, abs(s.lateral), room, s.number))
            elif s.role == "RB":
                side = 1 if s.lateral >= 0 else -1
                backs.append((s.depth, abs(s.lateral), (right if side > 0 else left) - abs(s.lateral), 0))
    return np.array(split), np.array(backs)


def _pack(plans: list[RoutePlan]) -> dict[str, np.ndarray]:
    """Legs of many plans as padded arrays (N, K)."""
    k = max(len(p.legs) for p in plans) + 1
    out = {
        name: np.zeros((len(plans), k))
        for name in ("depth", "out", "speed", "settle", "through", "brake", "wait")
    }
    for i, plan in enumerate(plans):
        for j in range(k):
            leg = plan.legs[min(j, len(plan.legs) - 1)]
            row = (leg.depth, leg.lateral, leg.speed, leg.settle, leg.through, leg.brake_to, leg.wait_s)
            for name, value in zip(out, row, strict=True):
                out[name][i, j] = value
    out["last"] = np.array([len(p.legs) - 1 for p in plans])
    return out


def sample_routes(
    seed: int,
    n: int,
    style: Style | None = None,
    prior: dict[str, float] | None = None,
    pro_share: float = 0.5,
) -> RouteSet:
    """Draw n routes. style None: every play gets habits of its own (training). pro_share: plays whose routes
    have the shapes and pace of real professionals; the others are run as the book draws them."""
    rng = np.random.default_rng(seed)
    label, group, start = draw_starts(rng, n, prior)
    n_groups = int(group.max()) + 1
    if style is None:
        scale = np.clip(rng.normal(1.0, 0.12, n_groups), 0.7, 1.35)[group]
        tempo = np.clip(rng.normal(1.0, 0.07, n_groups), 0.8, 1.2)[group]
        untidy = rng.gamma(4.0, 0.25, n_groups)[group]
    else:
        scale, tempo, untidy = (np.full(n, v) for v in (style.depth_scale, style.tempo, style.untidy))
    pro = (rng.random(n_groups) < pro_share)[group]
    plans = [
        plan_route(str(lab), rng, start[i, 0], start[i, 1], 1, float(scale[i]), bool(pro[i]))
        for i, lab in enumerate(label)
    ]
    throw = draw_throws(rng, label, n_groups, group)
    body = {
        "top": np.clip(rng.normal(8.3, 0.95, n), 5.8, 10.4) * tempo,
        "accel": np.clip(rng.normal(6.6, 0.8, n), 4.3, 9.0),
        "brake": np.clip(rng.normal(9.0 if style is None else style.brake, 1.3, n), 5.5, 13.0),
        "delay": np.clip(rng.normal(0.14 if style is None else style.delay_s, 0.08, n), 0.0, 0.6),
        "untidy": untidy,
        "effort": np.clip(rng.normal(_efforts(label, pro), 0.09), 0.55, 1.0),
    }
    jog = (label == "go") & pro & (rng.random(n) < JOG_SHARE)
    body["effort"] = np.where(jog, rng.uniform(0.5, 0.8, n), body["effort"])
    t, path, broke = _run(rng, plans, start, throw, body)
    stem = np.array([p.stem_depth for p in plans])
    return RouteSet(t, path, label, throw, start[:, 2], broke, stem, group, start[:, 3].astype(int), pro)


def draw_starts(
    rng: np.random.Generator, n: int, prior: dict[str, float] | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Labels (N,), the play each belongs to (N,), and starts (N, 4): depth, out, room, number."""
    shares = prior or PRIOR
    names = list(shares)
    chance = np.array([shares[k] for k in names])
    label = rng.choice(names, size=n, p=chance / chance.sum())
    quick = np.array([THROW_S.get(str(x), 2.6) for x in label]) + rng.normal(0, 0.27, n)
    label = label[np.argsort(quick)]
    group = np.arange(n) // 5
    n_groups = int(group[-1]) + 1
    group = rng.permutation(n_groups)[group]
    order = np.argsort(group, kind="stable")
    label, group = label[order], group[order]
    split, backs = _pool(rng, max(60, n // 40))
    from_back = rng.random(n) < np.array([_BACKS.get(x, 0.0) for x in label])
    start = np.where(
        from_back[:, None], backs[rng.integers(0, len(backs), n)], split[rng.integers(0, len(split), n)]
    )
    return label, group, _fit_alignment(rng, label, start, split)


def _efforts(label: np.ndarray, pro: np.ndarray) -> np.ndarray:
    """(N,) mean share of his top speed that each man runs at."""
    book = np.where(np.isin(label, ("go", "wheel")), 0.97, 0.92)
    return np.where(pro, [_EFFORT.get(str(x), 0.92) for x in label], book)


def _fit_alignment(
    rng: np.random.Generator, label: np.ndarray, start: np.ndarray, split: np.ndarray
) -> np.ndarray:
    """Usual alignments: curls and comebacks by #1, hooks and flats by inside men, wheels by #2."""
    outside, inside = split[split[:, 3] == 1], split[split[:, 3] > 1]
    picks = (
        (("curl", "comeback", "hitch", "slant", "post"), outside, 0.75),
        (("hook", "corner", "wheel"), inside, 0.8),
        (("flat", "shallow_cross", "deep_cross"), inside, 0.7),
    )
    out = start.copy()
    for names, pool, share in picks:
        rows = np.flatnonzero(np.isin(label, names) & (start[:, 3] > 0) & (rng.random(len(label)) < share))
        out[rows] = pool[rng.integers(0, len(pool), len(rows))]
    curl = np.flatnonzero((label == "curl") & (out[:, 3] > 1))
    out[curl] = outside[rng.integers(0, len(outside), len(curl))]
    return out


def draw_throws(rng: np.random.Generator, label: np.ndarray, n_groups: int, group: np.ndarray) -> np.ndarray:
    """One throw per play, near the time usual for the route of its target."""
    target = np.minimum(np.arange(n_groups) * 5 + rng.integers(0, 5, n_groups), len(label) - 1)
    mean = np.array([THROW_S.get(str(label[i]), 2.7) for i in target])
    own = np.array([THROW_S.get(str(x), 2.7) for x in label])
    share = np.clip(own, 1.6, 3.0)
    group_mean = np.bincount(group, share, n_groups) / np.bincount(group, minlength=n_groups)
    mean = 0.5 * mean + 0.5 * group_mean
    late = np.where(rng.random(n_groups) < 0.12, rng.exponential(1.0, n_groups), 0.0)
    return np.clip(mean + rng.normal(0, 0.42, n_groups) + late, 1.1, 5.0)[group]


def _run(rng, plans, start, throw, body):
    n = len(plans)
    legs = _pack(plans)
    dt = 1 / RATE_HZ
    t = np.arange(-int(BEFORE_S * RATE_HZ), int(AFTER_S * RATE_HZ)) * dt
    path = np.empty((n, len(t), 2), np.float32)
    pos, vel = start[:, :2].copy(), np.zeros((n, 2))
    moving = rng.random(n) < 0.07
    vel[:, 1] = np.where(moving, rng.uniform(-4.5, 4.5, n), 0.0)
    pos[:, 1] -= vel[:, 1] * BEFORE_S
    leg, rows = np.zeros(n, int), np.arange(n)
    break_leg = np.array([p.break_leg for p in plans])
    broke = np.full(n, np.nan)
    wait = np.zeros(n)
    wobble = np.zeros(n)
    jam_start, jam_len = (
        rng.uniform(0.2, 0.5, n),
        np.where(rng.random(n) < 0.16, rng.uniform(0.2, 1.0, n), 0.0),
    )
    jam_len = np.where(start[:, 0] < -3, 0.0, jam_len)
    jam_side = rng.normal(0, 1.2, n)
    after = rng.choice(4, size=n, p=[0.45, 0.25, 0.18, 0.12])
    notice = throw + rng.gamma(3.0, 0.14, n)
    spot = np.stack([rng.normal(8, 8, n), start[:, 1] + rng.normal(-8, 10, n)], axis=1)
    limit = start[:, 1] + start[:, 2] - 1.0
    for k, now in enumerate(t):
        goal = np.stack([legs["depth"][rows, leg], np.minimum(legs["out"][rows, leg], limit)], axis=1)
        d = goal - pos
        r = np.hypot(d[:, 0], d[:, 1])
        going = (now >= body["delay"]) & (now >= wait)
        last = np.where(
            (leg > 0)[:, None],
            np.stack(
                [legs["depth"][rows, np.maximum(leg - 1, 0)], legs["out"][rows, np.maximum(leg - 1, 0)]], 1
            ),
            start[:, :2],
        )
        along = goal - last
        passed = ((pos - goal) * along).sum(1) > -0.05 * np.hypot(along[:, 0], along[:, 1])
        step = going & (leg < legs["last"]) & ((r < legs["through"][rows, leg]) | passed)
        wait = np.where(step, now + legs["wait"][rows, leg], wait)
        leg = leg + step
        broke = np.where(step & (leg == break_leg) & (break_leg > 0), now, broke)
        top = body["top"] * body["effort"] * legs["speed"][rows, leg]
        settle, brake_to = legs["settle"][rows, leg] > 0, legs["brake"][rows, leg]
        top = np.where(settle, np.minimum(top, np.minimum(np.sqrt(9.0 * r), 3.0 * r)), top)
        slow = np.sqrt((body["top"] * brake_to) ** 2 + 14.0 * r)
        top = np.where(~settle & (brake_to < 1), np.minimum(top, slow), top)
        jam = (now > jam_start) & (now < jam_start + jam_len)
        top = np.where(jam, 0.25 * top, top)
        want = np.where(going[:, None], d / np.maximum(r, 1e-6)[:, None] * top[:, None], 0.0)
        want[:, 1] += np.where(jam & going, jam_side, 0.0)
        want = _after_throw(now, notice, after, want, vel, pos, spot)
        wobble += -wobble * dt / 0.7 + rng.normal(0, 0.11, n) * body["untidy"] * np.sqrt(dt / 0.7)
        c, s = np.cos(wobble), np.sin(wobble)
        want = np.stack([c * want[:, 0] - s * want[:, 1], s * want[:, 0] + c * want[:, 1]], axis=1)
        if now < 0:
            want = np.where(moving[:, None], vel, 0.0)
        vel = step_velocity(vel, want, body["top"] * 1.05, body["accel"], body["brake"], dt)
        pos = pos + vel * dt
        path[:, k] = pos
    return t, path, broke


def _after_throw(now, notice, after, want, vel, pos, spot):
    """0 runs on, 1 slows, 2 drifts to where the ball goes, 3 pulls up."""
    seen = now > notice
    slow = seen & (after == 1)
    want = np.where(slow[:, None], vel * 0.93, want)
    d = spot - pos
    r = np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-6)
    drift = seen & (after == 2)
    want = np.where(drift[:, None], d / r[:, None] * np.minimum(5.5, 2.0 * r)[:, None], want)
    return np.where((seen & (after == 3))[:, None], vel * 0.6, want)


assert set(PRIOR) == set(ROUTES)
