"""The stepping of one play: every man wants a velocity, his body gives what it can."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.synthetic.playsim_motion import step_velocity
from models.synthetic.playsim_records import RATE_HZ, PersonScript, PlayScript, RouteTruth, to_field
from models.synthetic.playsim_routes import plan_route


def run_play(rng, standard, kind, direction, los, spot, width, length, **options: Any) -> PlayScript:
    dt = 1 / RATE_HZ
    n_side = 12 if standard == "canadian" else 11
    lat_lo, lat_hi = -(width - spot), spot
    if direction == -1:
        lat_lo, lat_hi = -spot, width - spot
    right, left = lat_hi, lat_lo
    # alignment
    men = [("O1", "QB", -5.0, 0.0)]
    men += [(f"O{i + 2}", "OL", -0.9 - 0.25 * abs(i - 2), (i - 2) * 1.9) for i in range(5)]
    men.append(("O7", "RB", -5.0, float(rng.choice([-1.6, 1.6]))))
    wr = [(right - rng.uniform(4, 11)), left + rng.uniform(4, 11), right * rng.uniform(.4, .6),
          left * rng.uniform(.4, .6)]
    if n_side == 12:
        wr.append(right * 0.7)
    for k, lat in enumerate(wr):
        men.append((f"O{8 + k}", "WR", -0.8 - 0.6 * (k > 1), float(lat)))
    dl = [("DL", 1.0, x) for x in (-5.2, -1.6, 1.6, 5.2)]
    lb = [("LB", rng.normal(4.5, .4), x + rng.normal(0, .6)) for x in (-3.5, 3.0)]
    cb = [("CB", rng.normal(6, 1.5), wr[0] - .7), ("CB", rng.normal(6, 1.5), wr[1] + .7)]
    s = [("LB", 5.0, wr[2] * .75), ("S", 11.5, -6.0), ("S", 12.0, 7.0)]
    dfn = dl + lb + cb + s + ([("S", 8.0, wr[4])] if n_side == 12 else [])
    for k, (role, d, lat) in enumerate(dfn):
        men.append((f"D{k + 1}", role, float(d), float(lat)))
    offs = [("X1", "R", -12.0, 6.0), ("X2", "U", 7.0, 1.0), ("X3", "H", 0.0, right + .5),
            ("X4", "L", 0.0, left - .5), ("X5", "B", 24.0, 0.0)]
    men += offs
    n = len(men)
    pos = np.array([[m[2], m[3]] for m in men])
    start = pos.copy()
    throw_s = float(np.clip(rng.lognormal(np.log(2.6), .3), 1.3, 5.0))
    end_s = throw_s + 2.5
    t = np.arange(-90, int((end_s + 1) * RATE_HZ)) * dt
    labels = ["hitch", "curl", "out", "in", "slant", "post", "corner", "go", "shallow_cross", "deep_cross"]
    plans, truth = {}, {}
    for i, m in enumerate(men):
        if m[1] == "WR" or m[1] == "RB":
            lab = str(rng.choice(labels)) if m[1] == "WR" else str(rng.choice(["flat", "swing", "checkdown", "block"]))
            plans[i] = plan_route(lab, rng, m[2], m[3], 1 if m[3] > 0 else -1)
            truth[m[0]] = RouteTruth(lab, plans[i].stem_depth, np.nan, plans[i].break_angle_deg)
    top = rng.uniform(7.2, 9.4, n)
    top[[i for i, m in enumerate(men) if m[1] in ("OL", "DL")]] = 5.5
    accel, brake = np.full(n, 6.5), np.full(n, 9.0)
    leg = np.zeros(n, int)
    vel = np.zeros((n, 2))
    xy = np.zeros((len(t), n, 2))
    v = np.zeros((len(t), n, 2))
    cover = {i: j for i in range(n) if men[i][1] == "CB" for j in range(n)
             if men[j][1] == "WR" and abs(start[j, 1] - start[i, 1]) < 1.5}
    for k, tk in enumerate(t):
        want = np.zeros((n, 2))
        if tk > 0.15:
            for i, m in enumerate(men):
                if i in plans:
                    lg = plans[i].legs[min(leg[i], len(plans[i].legs) - 1)]
                    d = np.array([lg.depth, np.clip(lg.lateral, left + 1, right - 1)]) - pos[i]
                    r = np.linalg.norm(d)
                    if r < lg.through + .3 and leg[i] < len(plans[i].legs) - 1:
                        leg[i] += 1
                        if leg[i] == plans[i].break_leg:
                            tr = truth[m[0]]
                            truth[m[0]] = RouteTruth(tr.label, tr.stem_depth_play_yd, float(tk), tr.break_angle_deg)
                    s_ = top[i] * lg.speed
                    if lg.settle:
                        s_ = min(s_, 2.5 * r)
                    elif lg.brake_to < 1:
                        s_ = min(s_, np.sqrt((top[i] * lg.brake_to) ** 2 + 2 * 7 * r))
                    want[i] = d / max(r, 1e-6) * s_
                elif m[1] == "QB" and tk < throw_s:
                    d = np.array([-8.5, 0.0]) - pos[i]
                    want[i] = d * 2
                elif m[1] == "OL" and tk < throw_s + .5:
                    want[i] = (np.array([-3.2, start[i, 1] * 1.15]) - pos[i]) * .8
                elif m[1] == "DL" and tk < throw_s + .5:
                    want[i] = (np.array([-2.4, start[i, 1] * .9]) - pos[i]) * .9
                elif i in cover:
                    j = cover[i]
                    want[i] = (pos[j] + np.array([2.0, -np.sign(pos[j, 1])]) - pos[i]) * 2.0
                elif m[1] in ("LB", "CB"):
                    d = np.array([8.5, start[i, 1] * 1.3]) - pos[i]
                    want[i] = d / max(np.linalg.norm(d), 1) * 4.5
                elif m[1] == "S":
                    want[i] = np.array([2.5, 0.0])
        vel = step_velocity(vel, want, top, accel, brake, dt)
        pos = pos + vel * dt
        xy[k], v[k] = pos, vel
    speed = np.linalg.norm(v, axis=2)
    people = []
    for i, m in enumerate(men):
        fld = to_field(xy[:, i], direction, los, spot)
        fv = v[:, i] * direction * np.array([1, -1])
        base = 0.0 if (m[0][0] == "O") == (direction == 1) else np.pi
        if m[0][0] == "D":
            base = np.pi if direction == 1 else 0.0
        face = np.where(speed[:, i] > 1.5, np.arctan2(fv[:, 1], fv[:, 0]), base)
        act = np.where(speed[:, i] > 5, "run", np.where(speed[:, i] > 2.2, "jog",
                       np.where(speed[:, i] > .4, "walk", "stand"))).astype("U10")
        if m[1] in ("OL", "DL"):
            act = np.where(t < .1, "stance3", np.where(t < throw_s, "block", act)).astype("U10")
            face = np.full(len(t), base)
        phase = np.cumsum(np.maximum(speed[:, i], .6) * dt / 2.4) % 1
        team = {"O": "offense", "D": "defense", "X": "official"}[m[0][0]]
        shape = {"OL": "lineman", "DL": "lineman", "LB": "linebacker", "QB": "linebacker"}.get(m[1], "skill")
        shape = "official" if team == "official" else shape
        people.append(PersonScript(m[0], team, m[1], None if team == "official" else int(rng.integers(1, 99)),
                                   shape, fld, face, act, phase))
    targets = [i for i in plans if truth[men[i][0]].label != "block"]
    target = int(rng.choice(targets))
    arrive_s = throw_s + float(np.clip(np.linalg.norm(start[target]) / 20, .5, 2))
    ball = np.zeros((len(t), 3))
    state = np.zeros(len(t), np.uint8)
    qb = people[0].xy_field_yd
    ball[:, :2] = qb
    ball[:, 2] = 1.3
    state[t > 0] = 1
    pre = t <= 0
    ball[pre] = [los, spot, 0.15]
    ka, kt = np.searchsorted(t, [arrive_s, throw_s])
    u = np.clip((t - throw_s) / (arrive_s - throw_s), 0, 1)
    tx = people[target].xy_field_yd
    fly = (t >= throw_s) & (t < arrive_s)
    ball[fly, :2] = (qb[kt] + u[:, None] * (tx[ka] - qb[kt]))[fly]
    ball[fly, 2] = (1.9 + 4 * 2.5 * u * (1 - u) - .5 * u)[fly]
    state[fly] = 2
    after = t >= arrive_s
    ball[after, :2] = tx[after]
    ball[after, 2] = 1.2
    events = dict(snap_s=0.0, set_s=throw_s - .4, throw_s=throw_s, arrival_s=arrive_s, end_s=end_s,
                  play_action=False, qb_drop="five-step", boot=False, result="complete",
                  target=men[target][0], yards=8.0, launch_play_yd=(-8.5, 0.0))
    return PlayScript(standard, direction, los, spot, kind, t, tuple(people), ball, state, events,
                      "2x2", {"left": "unknown", "right": "unknown"}, truth)
