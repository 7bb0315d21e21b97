"""Contract: solved outputs are the nearest reachable ones, judged by trying a fine grid of all outputs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from contract.balance_rigs import random_rig
from fillside.balance.limits import Limits, limits_of
from fillside.balance.rows import Metering, Rows
from fillside.balance.solve import solve
from fillside.balance.wish import Wish
from fillside.rig.scene import scene

GRID = 220
HAIR_STOPS = -0.5
READINGS = ("key:fill", "key+fill:fill", "face")


def _errors(wish: Wish, metering: Metering, rows: Rows, outputs: np.ndarray) -> np.ndarray:
    """|ratio error|, exposure error [stops], lux on the brighter side of the face, of (n, heads) outputs."""
    lux = outputs @ rows.matrix.T + rows.ambient
    lit, shadow, exposure, face_key, face_fill = lux[:, :5].T
    ratio = {"key:fill": lit / shadow, "key+fill:fill": 1 + lit / shadow, "face": face_key / face_fill}
    if wish.read_as == "key+fill:fill":
        ratio_error = np.abs(np.log2(ratio["key:fill"] / (wish.ratio - 1)))
    else:
        ratio_error = np.abs(np.log2(ratio[wish.read_as] / wish.ratio))
    return np.stack((ratio_error, np.log2(exposure / wish.exposure_lux), np.maximum(face_key, face_fill)))


def _grid(limits: Limits, metering: Metering, rows: Rows) -> np.ndarray:
    """All pairs of common outputs of key and fill; the one hair light follows the key."""
    common = np.geomspace(0.005, 1, GRID)
    tried = np.zeros((GRID * GRID, len(limits.least)))
    key, fill = (m.ravel() for m in np.meshgrid(common, common))
    for mask, values in ((metering.is_key, key), (metering.is_fill, fill)):
        for head in np.flatnonzero(mask):
            tried[:, head] = np.clip(values, limits.least[head], limits.most[head])
    hair = int(np.flatnonzero(~metering.is_key & ~metering.is_fill)[0])
    wanted = tried @ rows.matrix[0] * 2**HAIR_STOPS / rows.facing_lux[hair]
    tried[:, hair] = np.clip(wanted, limits.least[hair], limits.most[hair])
    return tried


@pytest.mark.parametrize("protect", ["ratio", "exposure"])
@pytest.mark.parametrize("read_as", READINGS)
@pytest.mark.parametrize("seed", range(8))
def test_no_outputs_on_a_grid_are_better_than_the_solved_ones(seed: int, read_as: str, protect: str) -> None:
    random = np.random.default_rng([seed, len(read_as), len(protect)])
    metering = Metering(scene(random_rig(random, exposure=500.0)))
    rows = metering.rows_at((0.05, -0.1, 1.2))
    limits = limits_of(metering.scene)
    wish = Wish(
        ratio=float(random.choice([1.2, 2, 4, 16])),
        exposure_lux=float(random.choice([20, 300, 900, 4000])),
        read_as=read_as,  # type: ignore[arg-type]
        protect=protect,
        most_over=float(random.choice([0, 0.5, 2])),
        relative={"hair": HAIR_STOPS},
    )
    if seed % 2:
        wish = replace(wish, most_lux=float(random.choice([150, 400, 900])))
    solved = solve(metering, rows, wish, limits).outputs
    assert (solved >= limits.least - 1e-12).all()
    assert (solved <= limits.most + 1e-12).all()
    ratio_error, over, brighter = _errors(wish, metering, rows, solved[np.newaxis])[:, 0]
    grid = _grid(limits, metering, rows)
    lowest = _errors(wish, metering, rows, grid[:1])[:, 0]
    cap = max(wish.most_over if protect == "ratio" else math.inf, lowest[1])
    most_lux = max(wish.most_lux or math.inf, lowest[2])
    assert over <= cap + 1e-6
    assert brighter <= most_lux * (1 + 1e-6)
    tried = _errors(wish, metering, rows, grid)
    allowed = tried[:, (tried[1] <= cap) & (tried[2] <= most_lux)]
    theirs = allowed[0], np.abs(allowed[1])
    mine = ratio_error, abs(over)
    if protect == "exposure":
        theirs, mine = theirs[::-1], mine[::-1]
    assert mine[0] <= theirs[0].min(initial=math.inf) + 1e-3
    equally_good = np.abs(theirs[0] - mine[0]) < 1e-6
    assert mine[1] <= theirs[1][equally_good].min(initial=math.inf) + 0.02
