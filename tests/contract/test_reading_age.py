"""Contract: a reading counts with its age, which is from its own time or else from when it was stored."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pytest

from contract.meter_studio import Made, made, rig_of
from fillside.belief.belief import believe
from fillside.belief.evidence import Reading, seconds_of, time_of
from fillside.belief.since.changes import NewEvidence
from fillside.storage.records import metering as kept
from fillside.storage.store import Store

FIRST_S, YEAR_S = 1_795_000_000.0, 365 * 86_400.0
CSV = "head,level,x,y,z,value,unit,receptor,facing,time\nkey,1,chair,,,300,lux,flat,head,2026-02-10T09:00\n"


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


def dated(store: Store, unix_s: float) -> None:
    store.unix_clock = lambda: unix_s


def used_readings(store: Store, head: str = "key") -> list[dict[str, Any]]:
    used = kept.current_calibration(store)
    assert used is not None
    found: list[dict[str, Any]] = used.body["heads"][head]["readings"]
    return found


async def read(here: Made, lux: float) -> None:
    await here.do(do="read", head="key", level=1.0, at="chair", value=lux)


async def test_a_reading_without_a_time_is_of_when_it_was_stored(store: Store) -> None:
    async with made(rig_of(), store) as here:
        dated(store, FIRST_S)
        await read(here, 400)
        dated(store, FIRST_S + 60)
        await read(here, 402)
        first, second = used_readings(store)
        assert (first["time"], second["time"]) == (time_of(FIRST_S), time_of(FIRST_S + 60))
        assert seconds_of(first["time"]) == FIRST_S
        assert [one.body.get("time") for one in kept.readings(store)] == [None, None]


async def test_a_reading_with_a_time_of_its_own_keeps_it(store: Store) -> None:
    async with made(rig_of(), store) as here:
        dated(store, FIRST_S)
        await here.do(do="import", readings=CSV)
        (one,) = used_readings(store)
        assert one["time"] == "2026-02-10T09:00"


@pytest.mark.parametrize(("old_s", "nearer_to_new"), [(0.0, False), (YEAR_S, True)], ids=["same day", "old"])
async def test_a_newer_reading_outweighs_an_old_one_that_it_contradicts(
    store: Store, old_s: float, nearer_to_new: bool
) -> None:
    async with made(rig_of(), store) as here:
        dated(store, FIRST_S)
        await read(here, 400)
        dated(store, FIRST_S + old_s)
        await read(here, 300)
        old, new = used_readings(store)
        assert [one["left_out"] for one in (old, new)] == [False, False]
        off_old, off_new = (abs(one["residual_stops"]) for one in (old, new))
        assert off_old + off_new == pytest.approx(math.log2(400 / 300), abs=0.02)
        assert (off_new < off_old / 4) == nearer_to_new


def test_one_reading_of_another_day_is_no_slip_but_a_drift() -> None:
    """A dozen readings agree, and one of the next day is 0.3 stop below.

    It counts by the walk of a lamp in a day against its own error (JCGM 100:2008, 5.1.2).
    """
    rig = rig_of()
    old = [
        Reading(heads=("key",), levels=(0.6,), at=(0.0, 0.0, 1.2), value=300.0, time="2026-02-10T09:00")
        for _ in range(12)
    ]
    new = old[0].model_copy(update={"value": round(300.0 * 2**-0.3, 1), "time": "2026-02-11T09:00"})
    before, after = believe(old, rig), believe([*old, new], rig)
    assert not after.wrong.any()
    lux = [float(NewEvidence(one, (), [old[0]]).expected[0]) for one in (before, after)]
    assert math.log2(lux[1] / lux[0]) == pytest.approx(-0.3 * 0.15**2 / (0.15**2 + 0.065**2), abs=0.05)
    same_hour = new.model_copy(update={"time": "2026-02-10T09:20", "value": 300.0 / 2})
    assert believe([*old, same_hour], rig).wrong[-1]
