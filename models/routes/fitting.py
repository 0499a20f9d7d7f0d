"""Fitting a RouteClassifier: losses, calibration, threshold; for the training script and for researchers."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from scipy.optimize import minimize_scalar

from models.routes.classifier import RouteClassifier
from models.routes.features import Grid, hand_features, sequence_features
from models.routes.net import CHANNELS, RouteNet


@dataclass(frozen=True)
class Recipe:
    """Settings of one fit; everything that decides the result."""

    seed: int = 0
    epochs: int = 8
    batch: int = 256
    rate: float = 3e-3
    weight_decay: float = 1e-2
    smoothing: float = 0.03
    width: int = 40
    hidden: int = 96
    risk: float = 0.5
    """lowest calibrated probability answered, unless validation shows a better threshold"""
    device: str = "cpu"
    """where it is trained; only "cpu" gives the same weights again bit for bit"""


Batch = tuple[Grid, dict[str, np.ndarray]]
"""A grid and, per head, label indices (N,), -1 = no label in this set."""


def fit(
    make: Callable[[int], Batch],
    validation: Batch,
    label_sets: dict[str, tuple[str, ...]],
    recipe: Recipe,
    say: Callable[[str], None] = print,
    start: RouteClassifier | None = None,
) -> RouteClassifier:
    """Train on make(epoch) (fresh simulation, or the same rows each time), then calibrate on validation.

    start: a trained classifier whose shared layers are taken over; its heads too if the sets are the same.
    """
    torch.manual_seed(recipe.seed)
    rng = np.random.default_rng(recipe.seed)
    grid, labels = make(0)
    hand = hand_features(grid)
    if start is None:
        mean, sd = hand.mean(0), hand.std(0) + 1e-3
        net = RouteNet(
            hand.shape[1],
            {k: len(v) for k, v in label_sets.items()},
            recipe.width,
            recipe.hidden,
            channels=CHANNELS,
        )
    else:
        mean, sd = start.hand_mean, start.hand_sd
        net = RouteNet(
            hand.shape[1],
            {k: len(v) for k, v in label_sets.items()},
            start.net.settings["width"],
            start.net.settings["hidden"],
            channels=start.net.settings["channels"],
        )
        whole = start.label_sets == label_sets
        kept = {k: v for k, v in start.net.state_dict().items() if whole or not k.startswith("heads.")}
        net.load_state_dict(kept, strict=False)
    net.to(recipe.device)
    steps = recipe.epochs * max(1, len(hand) // recipe.batch)
    optimiser = torch.optim.AdamW(net.parameters(), lr=recipe.rate, weight_decay=recipe.weight_decay)
    plan = torch.optim.lr_scheduler.OneCycleLR(
        optimiser, recipe.rate, total_steps=steps + recipe.epochs + 1, pct_start=0.15
    )
    model = RouteClassifier(
        net, label_sets, mean, sd, dict.fromkeys(label_sets, 1.0), dict.fromkeys(label_sets, 0.0)
    )
    for epoch in range(recipe.epochs):
        if epoch:
            grid, labels = make(epoch)
        began = time.perf_counter()
        loss = _epoch(model, grid, labels, recipe, rng, optimiser, plan)
        say(
            f"epoch {epoch}: loss {loss:.3f} ({time.perf_counter() - began:.0f} s) "
            + _scores(model, validation)
        )
    net.cpu()
    calibrate(model, validation, recipe.risk)
    return model


def _epoch(model, grid, labels, recipe, rng, optimiser, plan) -> float:
    net, device = model.net.train(), recipe.device
    sequence = torch.from_numpy(sequence_features(grid)).to(device)
    hand = np.clip((hand_features(grid) - model.hand_mean) / model.hand_sd, -6, 6)
    hand_t = torch.from_numpy(hand.astype(np.float32)).to(device)
    targets = {k: torch.from_numpy(np.asarray(v, np.int64)).to(device) for k, v in labels.items()}
    order = rng.permutation(len(hand))
    total, count = 0.0, 0
    size = min(recipe.batch, len(order))
    for at in range(0, len(order) - size + 1, size):
        rows = torch.from_numpy(order[at : at + size]).to(device)
        out = net(sequence[rows], hand_t[rows])
        loss = torch.zeros((), device=device)
        for name, z in out.items():
            loss = loss + torch.nn.functional.cross_entropy(
                z, targets[name][rows], ignore_index=-1, label_smoothing=recipe.smoothing
            )
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        plan.step()
        total, count = total + float(loss.detach()), count + 1
    return total / max(1, count)


def _scores(model: RouteClassifier, data: Batch) -> str:
    z = model.logits(data[0])
    parts = []
    for name, y in data[1].items():
        ok = y >= 0
        parts.append(f"{name} {np.mean(z[name].argmax(1)[ok] == y[ok]):.3f}")
    return " ".join(parts)


def calibrate(model: RouteClassifier, validation: Batch, risk: float) -> None:
    """Temperature by maximum likelihood (Guo et al. 2017, from memory); threshold on the same rows.

    The threshold is the lowest of 0.3 ... 0.7 at which the answers just above it are right at least `risk`
    of the time, so that what is answered is more often right than not.
    """
    z = model.logits(validation[0])
    for name, y in validation[1].items():
        ok = (y >= 0) & validation[0].usable
        scores, truth = z[name][ok], y[ok]
        if len(truth) < 20:
            continue

        def loss(t: float, scores: np.ndarray = scores, truth: np.ndarray = truth) -> float:
            s = scores / np.exp(t)
            top = s.max(1)
            return float(
                np.mean(top + np.log(np.exp(s - top[:, None]).sum(1)) - s[np.arange(len(truth)), truth])
            )

        model.temperature[name] = float(np.exp(minimize_scalar(loss, bounds=(-1.5, 1.5), method="bounded").x))
        s = scores / model.temperature[name]
        p = np.exp(s - s.max(1, keepdims=True))
        p /= p.sum(1, keepdims=True)
        top, right = p.max(1), p.argmax(1) == truth
        model.threshold[name] = 0.7
        for level in np.arange(0.3, 0.7, 0.05):
            band = (top >= level) & (top < level + 0.1)
            if band.sum() >= 10 and right[band].mean() >= risk:
                model.threshold[name] = float(round(level, 2))
                break
