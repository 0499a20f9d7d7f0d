"""Single routes drawn a seventh way: a man under forces, each route a row of landmarks that pull him.

A landmark slides ahead of him along a ray, keeps to a lane near the sideline, or stands still; at the end of
a step the next takes over. Two defenders push him off his way, drag and the limits of his legs hold him back;
after the throw he runs on, eases off, drifts to the ball or stops. Shapes, depths, angles and habits: common
practice, no source; paces were set beside summary figures of real players.
"""

from __future__ import annotations

import re

import numpy as np

from models.synthetic.playsim_records import RATE_HZ
from models.synthetic.playsim_sampler import RouteSet
from models.synthetic.playsim_ways import draw_men

DT_S, FIELD_YD, MAX_STEPS, FASTEST = 1.0 / RATE_HZ, 160.0 / 3.0, 4, 10.3
STEM, RUN, LANE, STOP, WAIT = range(5)
RUN_ON, EASE, TO_BALL, HALT = range(4)
PUSH, BRAKE, SIDEWAYS, STEER = 6.3, 8.6, 7.2, 4.6
"""push of the legs from rest, braking and sideways push (yd/s^2), how fast the pull turns a man (1/s)"""
Array = np.ndarray

BOOK = """
hitch = 4ws1 U:4.6~.9@.8 S-150~25:.9~.6; 2ws1 U:5.8~.9 S-140~30:1.4~.8; 1w1 U:3~.7@.68 S-120:.8~.6; 1wst1
 U:4.4~1@.78 S150~25:.8~.6; 1ws1 U-7:4.6~.9@.76 W:.8~.2 R-95~15:3~1@.32 W:9
hook = 3st1 U:6~1.2@.82 S-160~30:.8~.6; 2st1 U-14~7:6.6~1.4@.82 S180~30:1~.7; 2st1 U:5~.6@.8 S135~25:1~.6;
 1st1 U:8.8~1.4 S-150~30:1.5~.8; 1st1 U9~5:5.8~1@.8 W:.7~.2 R85~25:2.5~.8@.3 W:9; 1b1 U6~10:5.2~1.2
 S180~25:.7~.5; 1b2 R55~10:3~1@.75 U-4:5.4~1@.82 S-160~30:.8~.5
curl = 3w1 U:9.4~1.2@.88 S-145~14:2.3~.8; 2w2 U:8~1.1@.88 R-32:2.2~.6@.75 S-150~12:2.2~.9; 1ws1 U5:11~1@.9
 S-140~14:3~1; 1ws1 U-4:8.6~1@.76 S-125~16:2.8~1
comeback = 3w1 U3:11.2~1@.92 R132~10:3.6~1@.6 W:9; 1w1 U-2:13.2~1@.95 R142:4.2~1.2@.65 W:9; 1ws1 U2:9.6~.9
 R120:4.5~1.4@.6 W:9
out = 3wst1 U:3.4~.9@.75 R80~10:@.84; 1.8st1 U:1.2~.7@.68 R76~10:@.84; 2.5wst1 U-6~6:4.8~.9@.82 R88:@.86;
 1wst2 U:4~1@.8 R38:2~.5@.8 R76:@.86; 1.6ws1 U-2:9.2~1.2@.9 R90:@.88; .8ws1 U:10.8~.8@.92 R98:@.84; .8st2
 U:2.5~.6@.75 R-48~10:2.6~.6@.6 R92:@.88; .7st2 U:5~.8@.8 R84:5~1.2@.8 S90:.8~.5; 1b2 R50~12:4~1@.8
 U5:3.2~1@.8 R80~10:@.8
in = 3ws1 U:8.2~1.1 R-72~11:@.72; 1.6ws1 U3:9.8~1@.9 R-88:@.74; 1.2wst1 U:4.6~.9@.78 R-72~11:@.72; 3ws2
 U:7~1.1 R-36:3~.8@.74 R-66~10:@.72; 1st1 U8~5:7.8~1.2 R-80:6~2@.7 S180:.8~.4; 1w1 U:8.4~1.2 R-80~10:5~1.5@.7
 S-130~30:.8~.5; 1ws1 U:8~1.3@.82 R-60:@.7
slant = 3ws1 U:1.1~.5@.54 R-50:6~1.5@.76 R-60~10:@.6; 2ws1 U:2.4~.6@.6 R-54:5~1.5@.74 R-70~10:@.55; 1.2w2
 R28:2.2~.5@.6 U-4:2~.6@.6 R-50:@.74; .8ws1 U:.4~.4@.52 R-42~6:@.72; 1.4wst1 U:1.6~.7@.58 R-48:4.5~1@.7
 S-120:.8~.6; 1ws1 W:.4~.12 R-46:7~2@.75 R-70~12:@.5
flat = 3b1 W:.5~.3 R58:7~2@.62 R80:@.56; 2b-1 R64:8~2@.66 R80:@.6; 2b2 W:.4~.2 R25~14:2.2~.7@.5 R72:@.64; 2b2
 W:.4~.25 R62:7.5~1.6@.62 S70:.8~.6; 2ts-1 R60:6~2@.7 R80:@.64; 1.5ts1 R46:2.4~.6@.68 R82:@.7; 1.5t1 W:1.1~.3
 R70:@.68; 1ts2 R56~10:3~.8@.65 R85:4~1@.65 S-150~60:.6~.5; .5wst1 W:.3~.1 R80~10:@.6
shallow_cross = 3wst1 U-8~8:.5~.6 R-81~5:; 2wst2 U:.8~.6 R-64:4~1@.92 R-86~5:; 1.5st1 U:3.2~.7 R-88~4:; .7t1
 W:.6~.2 R-74~6:; 1.4ws1 R-62~6:5.5~1.4@.9 R-86~4:; .6wst1 U:1~.7 R-82~5:13~3@.9 S180:.7~.5; .7st1 U:.8~.6
 R-84~5:12~3 R-58:
deep_cross = 3st2 U-8~6:4.5~1.2@.94 R-50:7~1.5@1 R-74~6:; 2st1 R-30:8~1.8 R-70~6:; 1.5ws1 U:7.6~1.1@.94
 R-69~6:; 1.2wst1 U3~5:6~1.2@.94 R-64~5:; .6st2 U-8:8.8~1@.94 R-76~6:14~2.5 S-100:1.5~.8
post = 3ws1 U4:6.4~1.1 R-25~4:@.83; 2.4wst1 U4:5.4~.9 R-18~4:@.83; 1.2w1 U3:9~1.1@.9 R-28~5:@.9; 1.4ws1
 U10:6.2~1.2 R-28~6:@.83; .7ws2 U:5.2~.8 R32:2.6~.6@.76 R-30~5:@.9; .7st2 U:6.2~1 R-42~6:3~.7@.8 R-22~5:@.85
corner = 3wst1 U2:8.4~1@.95 R46~5:; 2st1 U-4~5:7.6~1@.94 R50~6:; 1.4st1 U5:6.2~.6@.9 R50~6:; .7ws2 U:7~.8@.95
 R-26:2~.6@.9 R47~6:; 1.2st2 R26:4~1@.9 U5:9~1@.95 R42~5:@1; .7ws1 U2:8~1@.94 R40~6:6~1.5 R62:
go = 3ws-1 R15~6:4~1@.93 L:2.8~2; 1.8w-1 R34:2.6~.6@.85 R12~5:7~2@1 L:2.8~1.5; 1.2ws-1 R-14:2.5~1@.9
 R17~5:10~3@.99 R10~4:; 2.2st-1 R13~5:; 1.6st-1 R23:6~2 R13~5:; 1.1wst-1 R14:@.7; .9wst-1 R17:6~2@.64 R22:@.5;
 1.6ws-1 R18~6:; .6t-1 W:.6~.3 R16:@.9; .5ws-1 R4~4:12~2@1 R-8~4:@1; 1b-1 R16~14:
wheel = 3b2 R68:4~1@.92 R38:3~.8 L:6~2; 1b1 R42:6~1.5 L:6~2; 2st1 R54:4.6~1.2 L:6~2; 1.5wst2 U:2.6~.9
 R76:3.4~1@.85 R12~5:@1.02; 1wst2 R78:3~1@.85 R44:2.5~.8 R12~5:@1.02
angle = 3b1 R56~10:4.2~.8@.52 R-46:@.56; 1b2 R62:3~.7@.55 R18:1.8~.5@.55 R-55:@.58; 1b2 W:.4~.15
 R56~10:3~.7@.5 R-40:@.58; 1b1 R48:4.2~.8@.52 R-48:4~1@.55 S180:.5~.4; 1wst1 R42:3.2~.8@.7 R-52:@.75
swing = 3b-1 R118:2~.5@.6 R92~6:5~1@.66 R54~10:@.7; 2b-1 R92:5.5~1.2@.65 R62~10:@.68; 1b-1 R106:4.5~1@.7
 R82:4~1@.74 R42~10:@.75; 1b-1 W:.6~.25 R102:3~.8@.6 R72:@.64; 1b-1 R100:5~1.2@.6 R78:3~1@.5 S-120~60:.6~.5
screen = 2sw-1 R118:2~.6@.6 R86:3.2~1@.66 S20:.8~.6; 2w1 U:.6~.5@.55 R-108:4~1@.66 S-60:1~.7; 1ws1 W:.25~.1
 S-160~30:1.2~.5; 1.5b2 R20~25:.9~.4@.35 W:.8~.25 R80~12:4~1.2@.56 W:9; 1.2b1 R96~12:4~1.2@.56 S100:.8~.5;
 .8b1 W:1~.25 R-70~20:2.6~.8@.48 W:9; 1t1 W:1.1~.3 R-108~20:3~1@.56 W:9
checkdown = 3b2 W:.9~.3 R4~16:6.2~1.2@.58 S180:.6~.4; 2b2 R30~30:1.2~.5@.35 W:.7~.3 R0~20:5.4~1.2@.55 W:9; 1b3
 W:.6~.2 R42:3.5~.8@.55 R-20~14:3.2~1@.5 W:9; 1b2 W:1.4~.3 R18~18:5~1.2@.55 W:9; 1tsw2 W:.9~.3
 U-20~15:2.6~1@.6 S180:.5~.4
block = 3b-1 W:.3~.15 R15~40:1.6~.8@.34 S180:.9~.6@.2; 1b-1 R75~20:2.2~.8@.42 S150:.7~.5@.2; 1b-1
 R-60~30:2.2~.8@.4 S150:.7~.5@.2; 2t-1 R0~40:.7~.3@.3 S160~30:2~.9@.16; 1t-1 S150~30:3~.8@.28; 1ws-1
 U:3.5~1.4@.62 W:.8~.3@.3 R0~50:2~1@.3 W:9; 1ws-1 R-62~14:4~1.2@.6 W:9@.3
"""
"""Sub-kinds of each label: share, who (w wide, s slot, t tight end, b back), step of main break (-1 none),
steps: U up to a depth, R run so many yards, L lane so far from the sideline, S stop and come so many yards
that way, W wait so many s; heading (degrees, + outward) ~ sd : amount ~ sd @ effort, or as usual."""


def _read(book: str) -> dict[str, list[tuple[float, str, int, np.ndarray]]]:
    """Sub-kinds by label; steps as rows of mode, heading, its sd, amount, its sd, effort."""
    token = re.compile(r"([URLSW])([-.\d]*)(?:~([.\d]+))?:([.\d]*)(?:~([.\d]+))?(?:@([.\d]+))?(?=\s|$)")
    out: dict[str, list[tuple[float, str, int, np.ndarray]]] = {}
    for name, text in re.findall(r"(\w+) = ([^=]+)(?=\n|$)", book):
        for kind in text.split(";"):
            [(share, who, main)], steps = re.findall(r"^\s*([.\d]+)([wstb]+)(-?\d)\s", kind), []
            for mode, *given in token.findall(kind):
                m = "URLSW".index(mode)
                usual = (0.0, (4.0, 8.0, 0.0, 40.0, 0.0)[m], 99.0, 0.0, (0.85, 0.96, 1.0, 0.5, 0.25)[m])
                steps.append([m, *(float(g) if g else u for g, u in zip(given, usual, strict=True))])
            out.setdefault(name, []).append((float(share), who, int(main), np.array(steps)))
    return out


KINDS = _read(BOOK)


def sample_pulls(seed: int, n: int, prior: dict[str, float] | None = None) -> RouteSet:
    """Draw n routes of men under forces; `prior` weighs the labels as in `draw_starts`. The same seed gives
    the same routes."""
    men = draw_men((seed, 67), n, prior, None)
    path, break_s = _Walk(seed, men.label, men.group, men.start, men.throw_s).path(men.t_s)
    return men.ran(path.astype(np.float32), break_s)


class _Walk:
    """Men on their way, arrays (N,) or (N, 2): where, how fast, at which step; `path` walks them all."""

    def __init__(self, seed: int, label: Array, group: Array, start: Array, throw: Array) -> None:
        n = len(label)
        self.rng = rng = np.random.default_rng((seed, 7))
        self.throw, self.rows, self.screen = throw, np.arange(n), label == "screen"
        self.pos, self.vel = start[:, :2].copy(), np.zeros((n, 2))
        moving = (rng.random(n) < 0.035) & (start[:, 3] > 0) & (label != "block")
        self.vel[:, 1] = moving * rng.uniform(2.0, 5.5, n) * rng.choice([-1, -1, 1], n)
        self.anchor, self.at, self.since = self.pos.copy(), np.zeros(n, int), np.zeros(n)
        self.break_s, self.shake = np.full(n, np.nan), np.zeros((n, 2))
        self.sideline = start[:, 1] + start[:, 2]
        mate = (rng.random(len(size := np.bincount(group)))[group] * size[group]).astype(int)
        self.mate = mate = np.searchsorted(group, group) + mate  # to whom the ball of his play goes
        self.mirror, self.ball = np.where(mate == self.rows, 1.0, rng.choice([1.0, -1.0], n)), self.pos.copy()
        self._plan(label, group, start)
        self._habits(label, group, start)
        self._place_defenders(start)

    def _plan(self, label: Array, group: Array, start: Array) -> None:
        """A sub-kind for every man and its steps (N, MAX_STEPS), drawn around the book by play and by man."""
        rng, n = self.rng, len(label)
        step, self.main, self.last = np.zeros((n, MAX_STEPS, 6)), np.full(n, -1), np.zeros(n, int)
        tight, wide = start[:, 1] < 6.0, (start[:, 3] == 1) & (start[:, 1] > 9.0)
        role = np.where(start[:, 3] == 0, "b", np.where(tight, "t", np.where(wide, "w", "s")))
        for name, kinds in KINDS.items():
            rows = np.flatnonzero(label == name)
            fit = np.array([[k[0] * (1.0 if r in k[1] else 0.02) for k in kinds] for r in role[rows]])
            fit = np.cumsum(fit.reshape(-1, len(kinds)), axis=1)
            pick = (rng.random((len(rows), 1)) * fit[:, -1:] > fit).sum(1)
            for j, (_, _, at, steps) in enumerate(kinds):
                mine = rows[pick == j]
                step[mine, : len(steps)] = steps
                self.main[mine], self.last[mine] = at, len(steps) - 1
        deeper, loose = rng.normal(0, (0.06, 0.3), (int(group.max()) + 1, 2))[group].T[:, :, None]
        deeper, loose = 1.0 + deeper, np.exp(loose)
        self.mode = step[..., 0].astype(int)
        self.heading = np.deg2rad(step[..., 1] + step[..., 2] * loose * rng.normal(size=(n, MAX_STEPS)))
        amount = step[..., 3] + 1.2 * step[..., 4] * loose * rng.normal(size=(n, MAX_STEPS))
        self.amount = np.where(self.mode == STEM, amount * deeper, np.maximum(amount, 0.1))
        self.effort = step[..., 5] * np.exp(rng.normal(0, 0.05, (n, MAX_STEPS)) + rng.normal(0, 0.05, (n, 1)))

    def _habits(self, label: Array, group: Array, start: Array) -> None:
        """Bodies and habits; men of one play share some of them."""
        rng, n = self.rng, len(label)
        own = rng.normal(0, 1, (int(group.max()) + 1, 4))[group].T
        usual = np.where(start[:, 1] < 6.0, 8.75, 9.1)
        self.top = np.clip(usual + rng.normal(0, 0.6, n) + 0.25 * own[0], 7.2, FASTEST)
        self.legs = np.exp(rng.normal(0, 0.13, n) + 0.06 * own[1])
        self.lead = np.clip(rng.lognormal(0.9, 0.35, n), 1.0, 6.0)  # of the landmark, yd
        self.sharp = np.clip(rng.normal(0.5, 0.25, n) + 0.15 * own[2], 0.0, 1.0)
        self.delay = np.maximum(rng.normal(0.14, 0.06, n), 0.0) + (rng.random(n) < 0.04) * 0.5 * rng.random(n)
        self.wobble = rng.lognormal(0.1, 0.4, n) * np.exp(0.2 * own[3])
        self.settles = rng.random(n) < 0.08 + 0.17 * np.isin(label, ("hitch", "hook", "shallow_cross"))
        self.shy = rng.lognormal(0.0, 0.4, n) * (label != "block")
        self.react = rng.choice(4, n, p=(0.5, 0.24, 0.14, 0.12))
        self.notice = self.throw + rng.uniform(0.3, 0.6, n)
        self.roam = rng.normal(0, 1.6, n)  # who has stood open for long slides on, yd/s

    def _place_defenders(self, start: Array) -> None:
        """One over the man, press or off, inside or outside of him; one in a hook or flat near his way."""
        rng, n = self.rng, len(start)
        far = (start[:, 3] == 0) | (rng.random(n) < 0.7)
        self.cushion = rng.uniform(1.2, 2.2, n) + far * rng.uniform(2.3, 6.0, n)
        self.trail, self.chase = rng.normal(-0.3, 1.0, n), np.zeros((n, 2))
        self.leverage = rng.choice([-1.0, 1.0], n, p=(0.55, 0.45)) * rng.uniform(0.3, 1.8, n)
        self.over = np.stack([self.cushion, start[:, 1] + self.leverage], 1)
        deep = np.where(rng.random(n) < 0.65, rng.normal(5.0, 1.3, n), rng.normal(11.0, 2.2, n))
        self.zone = np.stack([deep, start[:, 1] + rng.normal(-3.0, 5.0, n)], 1)

    def path(self, t_s: Array) -> tuple[Array, Array]:
        """(N, T, 2) where they are and (N,) s of the main break."""
        out = self.pos[:, None] + np.minimum(t_s, 0.0)[:, None] * self.vel[:, None]
        for k in np.flatnonzero(t_s > 0):
            self._step(float(t_s[k - 1]))
            out[:, k] = self.pos
        return out, self.break_s

    def _step(self, now: float) -> None:
        """Everything of one tick: the ball, the pull, the pushes, the legs, the defenders."""
        cast = (self.throw >= now) & (self.throw < now + DT_S)
        landing = self.pos[self.mate] + 0.9 * self.vel[self.mate]
        self.ball[cast] = (landing * np.stack([np.ones(len(cast)), self.mirror], 1))[cast]
        self.noticed = (now > self.notice) & (self.react != RUN_ON)
        goal, want = self._landmark(now)
        way = (goal - self.pos) / (np.hypot(*(goal - self.pos).T)[:, None] + 1e-6)
        wish, want = self._pushes(way, want * (now >= self.delay))
        fresh = self.rng.normal(size=self.pos.shape) * np.sqrt(2 * DT_S / 0.45)
        self.shake += fresh - self.shake * DT_S / 0.45
        alive = 0.9 * self.wobble * np.minimum(1.0, np.hypot(*self.vel.T) / 3.0 + 0.15) * (now > self.delay)
        pull = STEER * (way * want[:, None] + wish - self.vel) + self.shake * alive[:, None]
        self.vel += self._legs(pull, want) * DT_S
        most = np.minimum(1.06 * self.top, FASTEST)
        self.vel *= np.minimum(1.0, most / (np.hypot(*self.vel.T) + 1e-6))[:, None]
        self.pos += self.vel * DT_S
        self._defend(now)

    def _landmark(self, now: float) -> tuple[Array, Array]:
        """Where each man is pulled (N, 2) and the speed he wants (N,); takes the next step where one ends."""
        self.since += DT_S * (now >= self.delay)
        mode, amount, ray, along = self._here()
        done = ((mode == STEM) & (self.pos[:, 0] >= amount)) | ((mode == RUN) & (along >= amount))
        done |= (mode == WAIT) & (self.since >= amount)
        done &= (self.at < self.last) & ~self.noticed
        self.at, self.since = self.at + done, np.where(done, 0.0, self.since)
        carry = 0.2 * (self.mode[self.rows, self.at] >= STOP)[:, None] * self.vel
        self.anchor = np.where(done[:, None], self.pos + carry, self.anchor)
        self.break_s[done & (self.at == self.main)] = now
        mode, amount, ray, along = self._here()
        off = self.pos - self.anchor - along[:, None] * ray
        self.anchor += off * np.where(mode <= RUN, 1.2 * DT_S, 0.0)[:, None]
        self.anchor[:, 1] += self.roam * ((mode == STOP) & (self.since > 1.3)) * DT_S
        slide = self.anchor + ray * (along + self.lead)[:, None]
        still = self.anchor + ray * np.where(mode == STOP, amount, 0.0)[:, None]
        ahead = np.stack([self.pos[:, 0] + 9.0, self.sideline - amount], 1)
        goal = np.where((mode >= STOP)[:, None], still, np.where((mode == LANE)[:, None], ahead, slide))
        want = self.effort[self.rows, self.at] * self.top * self._before_turn(mode, amount, along)
        goal, want = self._after_throw(now, goal, want)
        left = np.hypot(*(goal - self.pos).T)
        stands = (mode >= STOP) | (self.noticed & (self.react == TO_BALL))
        return goal, np.where(stands, np.minimum(want, 2.4 * left), want)

    def _here(self) -> tuple[Array, Array, Array, Array]:
        """Mode, amount and ray of each man's step, and how far along it he is."""
        at = (self.rows, self.at)
        ray = np.stack([np.cos(self.heading[at]), np.sin(self.heading[at])], 1)
        return self.mode[at], self.amount[at], ray, ((self.pos - self.anchor) * ray).sum(1)

    def _before_turn(self, mode: Array, amount: Array, along: Array) -> Array:
        """(N,) share of his speed kept as the end of a step nears: sharp men brake for a sharp turn."""
        rows = self.rows
        after = np.minimum(self.at + 1, self.last)
        turn = np.abs(np.angle(np.exp(1j * (self.heading[rows, after] - self.heading[rows, self.at]))))
        turn = np.where(self.mode[rows, after] >= STOP, 2.4, turn) * (self.at < self.last)
        left = np.where(mode == STEM, amount - self.pos[:, 0], np.where(mode == RUN, amount - along, 99.0))
        near = np.clip(1.0 - left / (0.4 + 0.9 * turn), 0.0, 1.0)
        return np.maximum(1.0 - self.sharp * near * np.minimum(turn / 2.4, 0.85), 0.2)

    def _after_throw(self, now: float, goal: Array, want: Array) -> tuple[Array, Array]:
        """Those who saw the ball go elsewhere ease, drift to it or stop; a screen man turns up with it."""
        noticed, ease = self.noticed, np.clip(1.0 - 0.7 * (now - self.notice), 0.35, 1.0)
        slower = np.where(self.react == EASE, ease, np.clip(2.0 * ease - 1.0, 0.0, 1.0))
        drift = noticed & (self.react == TO_BALL)
        goal = np.where(drift[:, None], self.ball, goal)
        want = np.where(
            drift, self.top * np.maximum(0.62 * ease, 0.45), np.where(noticed, want * slower, want)
        )
        runs = self.screen & (now > self.notice + 0.6) & (self.react == RUN_ON)
        goal = np.where(runs[:, None], self.pos + np.array([6.0, 1.5]), goal)
        return goal, np.where(runs, 0.85 * self.top, want)

    def _pushes(self, way: Array, want: Array) -> tuple[Array, Array]:
        """Speed sideways (N, 2) that defenders and sidelines add, and the wanted speed they leave."""
        side, wish = np.stack([-way[:, 1], way[:, 0]], 1), np.zeros_like(self.pos)
        moves = np.minimum(want / 4.0, 1.0) * self.shy
        for man, reach, strength in ((self.over, 2.2, 2.4), (self.zone, 4.0, 1.9)):
            gap, far = man - self.pos, np.hypot(*(man - self.pos).T)
            ahead = np.clip((gap * way).sum(1) / (far + 1e-6) + 0.3, 0.0, 1.0)
            weight = np.clip(1.0 - far / reach, 0.0, 1.0) * ahead * moves
            wish -= side * (strength * weight * np.where((gap * side).sum(1) >= 0, 1.0, -1.0))[:, None]
            sits = np.where(self.settles & (reach > 3.0), np.minimum(weight, 0.7), 0.0)
            want = want * (1.0 - np.minimum(0.5 * weight, 0.6)) * (1.0 - sits)
        out = self.pos[:, 1]
        wish[:, 1] -= 5.0 * (out - np.clip(out, self.sideline - FIELD_YD + 1.5, self.sideline - 1.5))
        return wish, want

    def _legs(self, pull: Array, want: Array) -> Array:
        """The pull as far as legs can follow: less push at speed, harder braking, less sideways when fast."""
        speed = np.hypot(*self.vel.T)
        front = np.where((speed < 0.4)[:, None], pull, self.vel)
        front = front / (np.hypot(*front.T)[:, None] + 1e-6)
        side = np.stack([-front[:, 1], front[:, 0]], 1)
        keen = self.legs * (0.55 + 0.45 * np.minimum(want / self.top, 1.0))
        most = PUSH * keen * (1.0 - 0.72 * speed / self.top)  # what drag leaves of it
        forward = np.clip((pull * front).sum(1), -BRAKE * self.legs, most)
        most = SIDEWAYS * self.legs * np.clip(1.0 - 0.05 * speed, 0.4, 1.0)
        across = np.clip((pull * side).sum(1), -most, most)
        return front * forward[:, None] + side * across[:, None]

    def _defend(self, now: float) -> None:
        """The man over him gives ground, then trails; the zone man slides toward him, within his hook."""
        near = self.trail + (self.cushion - self.trail) * np.exp(-max(now - 0.3, 0.0) / 1.1)
        goal = self.pos + np.stack([near, self.leverage], 1) - self.over
        pace = goal * (min(7.5, 12.0 * now) / np.maximum(np.hypot(*goal.T), 2.5))[:, None]
        self.chase += (pace - self.chase) * DT_S / 0.25
        self.over += self.chase * DT_S
        gap = self.pos - self.zone
        self.zone[:, 1] += (np.hypot(*gap.T) < 7.0) * np.clip(gap[:, 1], -2.2, 2.2) * DT_S
