"""Identity: a solution is the same to the last bit, whatever was solved before with the same supply."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from contract.balance_rigs import random_rig
from fillside.balance.limits import limits_of
from fillside.balance.rows import Metering
from fillside.balance.solver.rounding import choose_codes
from fillside.balance.solver.solve import solve
from fillside.balance.solver.supply import HeldHeads, Supply
from fillside.balance.target import BalanceTarget, target_from_rig
from fillside.rig.scene.scene import scene


@pytest.mark.parametrize("most_lux", [None, 400.0])
@pytest.mark.parametrize("read_as", ["key:fill", "key+fill:fill", "face"])
@pytest.mark.parametrize("seed", range(12))
def test_what_is_kept_of_a_supply_changes_no_bit(seed: int, read_as: str, most_lux: float | None) -> None:
    random = np.random.default_rng(seed)
    rig = random_rig(random, read_as=read_as, ratio=2.0, exposure=300.0)
    metering = Metering(scene(rig))
    limits = limits_of(metering.scene)
    kept = Supply(HeldHeads(metering, limits), metering.rows_at(rig.start))
    first = replace(target_from_rig(rig), most_lux=most_lux)
    present = None
    for target in _targets(first, random):
        fresh = Supply(HeldHeads(metering, limits), metering.rows_at(rig.start))
        before, now = solve(fresh, target), solve(kept, target)
        assert now.outputs.tobytes() == before.outputs.tobytes()
        assert (now.bounds, now.dropped) == (before.bounds, before.dropped)
        codes = choose_codes(kept, target, now.outputs, present)
        assert codes == choose_codes(fresh, target, before.outputs, present)
        present = codes


def test_a_way_with_one_point_more_is_the_way_through_all_points() -> None:
    """Elementwise arithmetic gives the same bits for one point as for many."""
    for seed in range(30):
        random = np.random.default_rng(seed)
        rig = random_rig(random, exposure=300.0)
        metering = Metering(scene(rig))
        supply = Supply(HeldHeads(metering, limits_of(metering.scene)), metering.rows_at(rig.start))
        target = target_from_rig(rig)
        solve(supply, target)
        assert supply.ground is not None
        plane = supply.ground.plane
        for mix in np.exp2(random.uniform(-9, 9, 10)).tolist():
            found, whole = plane.way(mix), plane._way_through(plane._mixes(mix))
            for one, other in ((found.mix, whole.mix), (found.key, whole.key), (found.fill, whole.fill)):
                assert one.tobytes() == other.tobytes()
            assert found.lux.tolist() == whole.lux.tolist()


def _targets(first: BalanceTarget, random: np.random.Generator) -> list[BalanceTarget]:
    """Return targets that change in ratio, in exposure, and in the stops of the hair light."""
    targets = [first]
    for _ in range(8):
        ratio = float(random.uniform(1.2, 8.0))
        wish = replace(targets[-1], ratio=ratio)
        if random.random() < 0.3:
            wish = replace(wish, exposure_lux=wish.exposure_lux * float(random.uniform(0.5, 2.0)))
        if random.random() < 0.3:
            wish = replace(wish, relative={"hair": float(random.uniform(-2, 1))})
        targets.append(wish)
    return targets
