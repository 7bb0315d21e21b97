"""Contract: wire codes are chosen together, kept unless another choice gains, and trims undo exactly."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from contract.balance_rigs import random_rig
from fillside.balance.limits import limits_of
from fillside.balance.rows import EXPOSURE, LIT, SHADOW, Metering
from fillside.balance.solution import solve_rig
from fillside.balance.solver.rounding import choose_codes, own_rounding, trim_codes
from fillside.balance.solver.solve import solve
from fillside.balance.solver.supply import supply_of
from fillside.balance.target import target_from_rig
from fillside.rig.file.build import apply_change
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig


def eight_bit_rig(seed: int, curve: str = "square") -> Rig:
    rig = random_rig(np.random.default_rng(seed), exposure=300.0)
    data = rig.dump()
    for head in data["heads"]:
        head["drive"]["bits"] = 8
        head["dimming"]["curve"] = curve
    return Rig.model_validate(data)


@pytest.mark.parametrize("curve", ["linear", "square", "log", "lightness"])
@pytest.mark.parametrize("seed", range(5))
def test_no_codes_one_off_their_own_rounding_are_better(seed: int, curve: str) -> None:
    metering = Metering(scene(eight_bit_rig(seed, curve)))
    own, wish, limits = metering.scene, target_from_rig(metering.scene.rig), limits_of(metering.scene)
    rows = metering.rows_at((0.0, 0.0, 1.2))
    solved = solve(supply_of(metering, rows, limits), wish).outputs
    goal = rows.lux(solved)

    def larger_error(codes: tuple[int, ...]) -> float:
        lux = rows.lux(own.dimmers.outputs(codes))
        ratio = math.log2(lux[LIT] / lux[SHADOW]) - math.log2(goal[LIT] / goal[SHADOW])
        return max(abs(ratio), abs(math.log2(lux[EXPOSURE] / goal[EXPOSURE])))

    chosen = choose_codes(supply_of(metering, rows, limits), wish, solved)
    rounded = own_rounding(own, limits, solved)
    balanced = metering.is_key | metering.is_fill
    options = [
        [c for c in (r - 1, r, r + 1) if limits.floor_codes[i] <= c <= 255] if balanced[i] else [chosen[i]]
        for i, r in enumerate(rounded)
    ]
    assert all(code in option for code, option in zip(chosen, options, strict=True))
    assert larger_error(chosen) <= min(larger_error(codes) for codes in product(*options)) + 1e-12


def crowded_rig(keys: int, fills: int) -> Rig:
    """So many keys and fills of 8 bits, each somewhat weaker and somewhere else than the last."""
    data = eight_bit_rig(3).dump()
    first = {head["role"]: head for head in data["heads"]}
    heads = [first["hair"]]
    for role, count in (("key", keys), ("fill", fills)):
        x, y, z = first[role]["position"]
        for n in range(count):
            beside = {"name": f"{role}-{n}", "position": (x, y - 0.07 * n, z + 0.05 * n)}
            heads.append({**first[role], **beside, "intensity": 700.0 / (1 + 0.13 * n)})
    return Rig.model_validate({**data, "heads": heads})


@pytest.mark.parametrize(("keys", "fills"), [(5, 5), (9, 4), (16, 16)])
def test_of_many_heads_none_alone_would_better_be_one_code_off(keys: int, fills: int) -> None:
    """Of so many not every choice is tried; it is still better than that of each head by itself."""
    metering = Metering(scene(crowded_rig(keys, fills)))
    own, wish, limits = metering.scene, target_from_rig(metering.scene.rig), limits_of(metering.scene)
    rows = metering.rows_at((0.0, 0.0, 1.2))
    solved = solve(supply_of(metering, rows, limits), wish).outputs
    goal = rows.lux(solved)

    def larger_error(codes: list[int]) -> float:
        lux = rows.lux(own.dimmers.outputs(tuple(codes)))
        ratio = math.log2(lux[LIT] / lux[SHADOW]) - math.log2(goal[LIT] / goal[SHADOW])
        return max(abs(ratio), abs(math.log2(lux[EXPOSURE] / goal[EXPOSURE])))

    chosen = list(choose_codes(supply_of(metering, rows, limits), wish, solved))
    each_alone = list(own_rounding(own, limits, solved))
    assert larger_error(chosen) < larger_error(each_alone) / 2
    assert max(abs(a - b) for a, b in zip(chosen, each_alone, strict=True)) == 1
    if larger_error(chosen) <= 1e-4:
        return
    for i in np.flatnonzero(metering.is_key | metering.is_fill):
        for code in (each_alone[i] - 1, each_alone[i], each_alone[i] + 1):
            if limits.floor_codes[i] <= code <= 255:
                assert larger_error(chosen) <= larger_error([*chosen[:i], code, *chosen[i + 1 :]]) + 1e-9


@pytest.mark.parametrize("seed", [3, 6, 9])
def test_present_codes_stay_until_a_change_gains_a_fiftieth_of_a_stop(seed: int) -> None:
    """Step by step along a millimetre grid, kept just as long as others are better by no more than 0.02."""
    metering = Metering(scene(eight_bit_rig(seed)))
    wish, limits = target_from_rig(metering.scene.rig), limits_of(metering.scene)
    balanced = metering.is_key | metering.is_fill

    def rounded(x: float, present: tuple[int, ...] | None) -> tuple[tuple[int, ...], float, float]:
        """The codes chosen, the error of the present ones, and that of the best there are."""
        rows = metering.rows_at((x, 0.0, 1.2))
        solved = solve(supply_of(metering, rows, limits), wish).outputs
        goal = rows.lux(solved)

        def error(codes: tuple[int, ...]) -> float:
            lux = rows.lux(metering.scene.dimmers.outputs(codes))
            ratio = math.log2(lux[LIT] / lux[SHADOW]) - math.log2(goal[LIT] / goal[SHADOW])
            return max(abs(ratio), abs(math.log2(lux[EXPOSURE] / goal[EXPOSURE])))

        best = choose_codes(supply_of(metering, rows, limits), wish, solved)
        chosen = choose_codes(supply_of(metering, rows, limits), wish, solved, present)
        return chosen, error(best if present is None else present), error(best)

    present, _, _ = rounded(0.0, None)
    kept = changed = 0
    for step in range(1, 60):
        chosen, stays, best = rounded(step / 1000, present)
        if abs(stays - best - 0.02) > 1e-9:
            same = all(a == b for a, b, own in zip(chosen, present, balanced, strict=True) if own)
            assert same == (stays - best <= 0.02)
            kept += same and stays > best + 1e-6
            changed += not same
        present = chosen
    assert kept >= 5, "codes that were not the best were kept"
    assert changed >= 2


def test_a_trim_halves_its_role_and_leaves_the_others_and_undoes_exactly() -> None:
    rig = random_rig(np.random.default_rng(5), exposure=250.0)
    metering = Metering(scene(rig))
    own, wish, limits = metering.scene, target_from_rig(rig), limits_of(metering.scene)
    rows = metering.rows_at(rig.start)
    codes = solve_rig(rig).codes
    trimmed = trim_codes(metering, rows, wish, limits, codes, {"fill": -1.0})
    before, after = own.dimmers.outputs(codes), own.dimmers.outputs(trimmed)
    for i, role in enumerate(own.roles):
        if role == "fill" and after[i] > limits.least[i]:
            assert math.log2(after[i] / before[i]) == pytest.approx(-1, abs=0.02)
        elif role != "fill":
            assert trimmed[i] == codes[i]
    assert trim_codes(metering, rows, wish, limits, codes, {"fill": 0.0}) == codes
    out = trim_codes(metering, rows, wish, limits, codes, {"hair": None})
    assert [out[i] for i in own.of_role("hair")] == [0]


def test_an_upward_trim_stops_at_the_most_light_on_the_face() -> None:
    rig = apply_change(random_rig(np.random.default_rng(5), exposure=250.0), {"subject.most_lux": 400.0})
    metering = Metering(scene(rig))
    wish, limits = target_from_rig(rig), limits_of(metering.scene)
    rows = metering.rows_at(rig.start)
    codes = solve_rig(rig).codes
    trimmed = trim_codes(metering, rows, wish, limits, codes, {"key": 3.0})
    lux = rows.lux(metering.scene.dimmers.outputs(trimmed))
    assert trimmed != codes
    assert max(lux[3], lux[4]) == pytest.approx(400.0, rel=2e-3)
    assert max(lux[3], lux[4]) <= 400.0 * (1 + 1e-9)


def test_trims_upward_share_what_the_face_allows_and_trims_downward_are_met_in_full() -> None:
    rig = random_rig(np.random.default_rng(7), exposure=250.0)
    metering = Metering(scene(rig))
    own, limits, rows = metering.scene, limits_of(metering.scene), metering.rows_at(rig.start)
    codes = own_rounding(own, limits, np.full(len(own.names), 0.32))
    before, free = own.dimmers.outputs(codes), target_from_rig(rig)

    def stops(trims: dict[str, float]) -> dict[str, float]:
        """By how much each role changed, where the face may get half of what the trims would add to it."""
        full = own.dimmers.outputs(trim_codes(metering, rows, free, limits, codes, trims))
        most = float(rows.lux(before)[3:5].max() + rows.lux(full)[3:5].max()) / 2
        wish = replace(free, most_lux=most)
        after = own.dimmers.outputs(trim_codes(metering, rows, wish, limits, codes, trims))
        assert max(rows.lux(after)[3:5]) == pytest.approx(most, rel=2e-3)
        return {role: math.log2(after[i] / before[i]) for i, role in enumerate(own.roles)}

    down = stops({"key": 1.5, "fill": -0.5})
    assert down["fill"] == pytest.approx(-0.5, abs=0.01)
    assert 0.3 < down["key"] < 1.45
    both = stops({"key": 1.5, "fill": 0.75})
    assert 0.2 < both["key"] < 1.45
    assert both["fill"] == pytest.approx(both["key"] / 2, abs=0.01)


def test_present_codes_below_a_floor_are_not_kept_however_good_they_are() -> None:
    """What was on the wire under an older file, with lower floors, is not what the lamps burn steadily at."""
    metering = Metering(scene(eight_bit_rig(3)))
    wish, limits = target_from_rig(metering.scene.rig), limits_of(metering.scene)
    rows = metering.rows_at((0.0, 0.0, 1.2))
    below = tuple(code - 1 for code in limits.floor_codes)
    outputs = metering.scene.dimmers.outputs(below)
    chosen = choose_codes(supply_of(metering, rows, limits), wish, outputs, below)
    assert all(code >= floor for code, floor in zip(chosen, limits.floor_codes, strict=True))
