"""Contract: solved outputs are the nearest reachable ones, judged by trying a fine grid of all outputs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from contract.balance_rigs import random_rig
from fillside.balance.limits import OutputLimits, limits_of
from fillside.balance.rows import Metering, Rows
from fillside.balance.solver.solve import solve
from fillside.balance.solver.supply import supply_of
from fillside.balance.target import BalanceTarget
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

GRID = 220
HAIR_STOPS = -0.5
READINGS = ("key:fill", "key+fill:fill", "face")


def _errors(wish: BalanceTarget, lux: np.ndarray) -> np.ndarray:
    """|ratio error|, exposure error [stops] and the brighter side of the face [lux], of rows (5, n)."""
    lit, shadow, exposure, face_key, face_fill = lux
    bright, dark = (face_key, face_fill) if wish.read_as == "face" else (lit, shadow)
    # With key+fill:fill the ratio is 1 + lit / shadow, and its stops are counted without that 1.
    wanted = wish.ratio - 1 if wish.read_as == "key+fill:fill" else wish.ratio
    ratio_error = np.abs(np.log2(bright / (dark * wanted)))
    return np.stack((ratio_error, np.log2(exposure / wish.exposure_lux), np.maximum(face_key, face_fill)))


def _lux(rows: Rows, outputs: np.ndarray) -> np.ndarray:
    """Lit side, shadow side, exposure and the sides of the face (5, n) at outputs (n, heads) [lux]."""
    lux: np.ndarray = rows.matrix[:5] @ outputs.T + rows.ambient[:5, np.newaxis]
    return lux


def _grid(limits: OutputLimits, metering: Metering, rows: Rows) -> np.ndarray:
    """The rows (5, n) at all pairs of common outputs of key and fill; the one hair light follows the key."""
    common = np.geomspace(0.005, 1, GRID)
    key, fill = (np.zeros((GRID, len(limits.least))) for _ in range(2))
    for tried, mask in ((key, metering.is_key), (fill, metering.is_fill)):
        heads = np.flatnonzero(mask)
        tried[:, heads] = np.clip(common[:, np.newaxis], limits.least[heads], limits.most[heads])
    hair = int(np.flatnonzero(~metering.is_key & ~metering.is_fill)[0])
    wanted = key @ rows.matrix[0] * 2**HAIR_STOPS / rows.facing_lux[hair]
    key[:, hair] = np.clip(wanted, limits.least[hair], limits.most[hair])
    by_key, by_fill = _lux(rows, key), rows.matrix[:5] @ fill.T
    lux: np.ndarray = (by_key[:, np.newaxis, :] + by_fill[:, :, np.newaxis]).reshape(5, -1)
    return lux


def _turned(wish: BalanceTarget, lux: np.ndarray) -> np.ndarray:
    """By how many stops the side that the wish has darker is the brighter one; 0 where it is not."""
    bright, dark = lux[3:5] if wish.read_as == "face" else lux[:2]
    wanted = math.log2(wish.quotient)
    if abs(wanted) <= 0.05:
        return np.zeros(len(bright))
    return np.maximum(0.0, -math.copysign(1, wanted) * np.log2(bright / dark))


def _wishes(wish: BalanceTarget, lux: np.ndarray, grid_errors: np.ndarray) -> list[np.ndarray]:
    """How far rows (5, n) of lux are from each wish, in the order of the wishes, the most pressing first."""
    ratio_error, over, brighter = _errors(wish, lux)
    _, over_grid, brighter_grid = grid_errors
    least_over, least_brighter = over_grid[0], brighter_grid[0]
    most_lux = max(wish.most_lux or math.inf, least_brighter)
    too_bright = np.maximum(0.0, brighter - most_lux * (1 + 1e-6))
    if wish.protect == "exposure":
        return [too_bright, _turned(wish, lux), np.abs(over), ratio_error]
    together = over_grid[:: GRID + 1][brighter_grid[:: GRID + 1] <= most_lux]
    most_over, most = wish.most_over + max(0.0, least_over), min(0.0, together.max())
    return [
        too_bright,
        np.maximum(0.0, over - most_over - 1e-6),
        _turned(wish, lux),
        np.maximum(0.0, most - wish.most_under - over),
        ratio_error,
        np.abs(over),
    ]


@pytest.mark.parametrize("protect", ["ratio", "exposure"])
@pytest.mark.parametrize(
    ("read_as", "ratios"),
    [*((read_as, (1.2, 2, 4, 16)) for read_as in READINGS), ("key:fill", (0.25, 0.7)), ("face", (0.25, 0.7))],
)
@pytest.mark.parametrize("seed", range(8))
def test_no_outputs_on_a_grid_are_better_than_the_solved_ones(
    seed: int, read_as: str, ratios: tuple[float, ...], protect: str
) -> None:
    """Each wish in its order; where the ratio hardly answers to the lamps it may be 0.1 stop short."""
    random = np.random.default_rng([seed, len(read_as), len(protect)])
    metering = Metering(scene(random_rig(random, exposure=500.0)))
    rows = metering.rows_at((0.05, -0.1, 1.2))
    limits = limits_of(metering.scene)
    wish = BalanceTarget(
        ratio=float(random.choice(ratios)),
        exposure_lux=float(random.choice([20, 300, 900, 4000])),
        read_as=read_as,  # type: ignore[arg-type]
        protect=protect,
        most_over=float(random.choice([0, 0.5, 2])),
        most_under=float(random.choice([0.3, 1, 3])),
        relative={"hair": HAIR_STOPS},
    )
    if seed % 2 and ratios[0] > 1:  # the grid does not take the hair light down for the face
        wish = replace(wish, most_lux=float(random.choice([150, 400, 900])))
    solved = solve(supply_of(metering, rows, limits), wish).outputs
    assert (solved >= limits.least - 1e-12).all()
    assert (solved <= limits.most + 1e-12).all()
    grid = _grid(limits, metering, rows)
    errors = _errors(wish, grid)
    wishes = _wishes(wish, grid, errors)
    mine = [float(v[0]) for v in _wishes(wish, _lux(rows, solved[np.newaxis]), errors)]
    if not _both_count(wish, metering, rows, limits):
        wishes = wishes[: 1 if protect == "exposure" else 2]
    kept = np.ones(grid.shape[1], dtype=bool)
    for number, theirs in enumerate(wishes):
        is_ratio = number == (3 if protect == "exposure" else 4)
        assert mine[number] <= theirs[kept].min() + (0.1 if is_ratio else 0.03), number
        kept &= theirs <= max(mine[number], theirs[kept].min()) + 1e-9


def _both_count(wish: BalanceTarget, metering: Metering, rows: Rows, limits: OutputLimits) -> bool:
    """Whether key and fill each give half of their part of the exposure, or of what both can give."""
    lux = rows.lux(limits.most)
    asked, q = min(wish.exposure_lux, lux[2]), wish.quotient
    return bool(2 * lux[0] >= asked * q / (1 + q) and 2 * lux[1] >= asked / (1 + q))


@pytest.mark.parametrize("roles", [("key", "fill"), ("key",), ("fill",)])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_the_key_side_is_where_the_key_stands_or_else_where_the_fill_does_not(
    roles: tuple[str, ...], side: float
) -> None:
    """Keys of these rigs stand right of the camera's line of sight, along +y, and fills left of it."""
    table = random_rig(np.random.default_rng(7)).dump()
    heads = [head for head in table["heads"] if head["role"] in roles]
    for head in heads:
        x, y, z = head["position"]
        head["position"] = (side * x, y, z)
    one = Metering(scene(Rig.model_validate({**table, "balance": {"ratio": 2.0}, "heads": heads})))
    _, to_key_side = one.picture_axes((0.0, 0.0, 1.2))
    assert to_key_side == pytest.approx([side, 0.0, 0.0], abs=0.01)
    assert one.key_side == -side, "of somebody who looks at the camera"
