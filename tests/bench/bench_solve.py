"""Solve time for 3, 32 and 512 heads, with and without geometry, beside `scipy.optimize.lsq_linear`.

The peer minimises the rows (L - r S) / X and X / X_target - 1 within the same bounds, the less protected row
scaled by 1e-3, limits binding. Measured are medians of pairs taken in turn. Run by
``python tests/bench/run.py solve``.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import lsq_linear

from bench.figures import Budget, Figure
from fillside.balance.limits import limits_of
from fillside.balance.rows import EXPOSURE, LIT, SHADOW, Metering, Rows
from fillside.balance.solver.solve import solve
from fillside.balance.solver.supply import supply_of
from fillside.balance.target import BalanceTarget
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

POINT = (0.05, -0.1, 1.2)
PEER = "scipy lsq_linear"
BUDGETS: dict[str, Budget] = {}


def rig_of(heads: int, random: np.random.Generator) -> Rig:
    """Half keys, half fills (one key more where odd), all a diameter or more away, every floor its own."""
    made = []
    for i in range(heads):
        role, side = ("key", 1) if i % 2 == 0 else ("fill", -1)
        angle, distance = np.radians(random.uniform(20, 70)), random.uniform(1.3, 3.0)
        made.append(
            {
                "name": f"head-{i}",
                "role": role,
                "position": [
                    side * distance * np.sin(angle),
                    -distance * np.cos(angle),
                    random.uniform(1.4, 2.2),
                ],
                "intensity": random.uniform(300, 3000) * 3 / heads,
                "modifier": {"diameter": random.uniform(0.3, 1.2)},
                "dimming": {"curve": "square", "floor": random.uniform(0.01, 0.2)},
                "drive": {"driver": "wire", "bits": 16},
            }
        )
    return Rig.model_validate(
        {
            "rig": {"name": "bench"},
            "camera": {"position": [0.0, -2.4, 1.4]},
            "marks": {"chair": [0.0, 0.0, 1.2]},
            "balance": {"exposure": 500.0},
            "heads": made,
            "drivers": {"wire": {"kind": "sim"}},
        }
    )


def peer(rows: Rows, wish: BalanceTarget, least: np.ndarray, most: np.ndarray) -> np.ndarray:
    """The peer's outputs (heads,)."""
    lit, shadow, exposure = (rows.matrix[k] for k in (LIT, SHADOW, EXPOSURE))
    ratio_row = (lit - wish.quotient * shadow) / wish.exposure_lux
    ratio_goal = -(rows.ambient[LIT] - wish.quotient * rows.ambient[SHADOW]) / wish.exposure_lux
    exposure_row, exposure_goal = exposure / wish.exposure_lux, 1 - rows.ambient[EXPOSURE] / wish.exposure_lux
    weights = (1.0, 1e-3) if wish.protect == "ratio" else (1e-3, 1.0)
    matrix = np.stack((weights[0] * ratio_row, weights[1] * exposure_row))
    goal = np.array([weights[0] * ratio_goal, weights[1] * exposure_goal])
    return np.asarray(lsq_linear(matrix, goal, bounds=(least, np.maximum(most, least + 1e-12))).x)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def protected_error(rows: Rows, wish: BalanceTarget, outputs: np.ndarray) -> float:
    lux = rows.lux(outputs)
    if wish.protect == "ratio":
        return abs(float(np.log2(lux[LIT] / lux[SHADOW] / wish.quotient)))
    return abs(float(np.log2(lux[EXPOSURE] / wish.exposure_lux)))


def compare(metering: Metering, protect: str, pairs: int) -> list[Figure]:
    """Medians over pairs taken in turn, and what remains wrong of what is protected."""
    limits, rows = limits_of(metering.scene), metering.rows_at(POINT)
    wish = BalanceTarget(
        ratio=2.0,
        exposure_lux=0.93 * float(rows.lux(limits.most)[EXPOSURE]),
        protect=protect,
        most_under=10.0,
    )
    ours, whole, theirs = [], [], []
    for _ in range(pairs):
        ours.append(seconds(lambda: solve(supply_of(metering, rows, limits), wish)))
        whole.append(seconds(lambda: solve(supply_of(metering, metering.rows_at(POINT), limits), wish)))
        theirs.append(seconds(lambda: peer(rows, wish, limits.least, limits.most)))
    alone, with_geometry, floor = (statistics.median(times) * 1e6 for times in (ours, whole, theirs))
    mine = protected_error(rows, wish, solve(supply_of(metering, rows, limits), wish).outputs)
    other = protected_error(rows, wish, peer(rows, wish, limits.least, limits.most))
    name = f"{len(limits.least)} heads, {protect} protected"
    return [
        Figure(f"solve {name}", alone, "µs", floor, PEER),
        Figure(f"solve {name}, with geometry", with_geometry, "µs", floor, PEER),
        Figure(f"error of {name}", mine, "stop", other, PEER),
    ]


def figures(quick: bool) -> list[Figure]:
    """For 3, 32 and 512 heads, protecting the ratio and the exposure."""
    random, found = np.random.default_rng(1), []
    for heads in (3, 512) if quick else (3, 32, 512):
        metering = Metering(scene(rig_of(heads, random)))
        for protect in ("ratio",) if quick else ("ratio", "exposure"):
            found += compare(metering, protect, 60 if heads < 512 else 25)
    return found
