"""Contract: a round, which lights the metered heads one by one and takes one reading of each."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from contract.meter_studio import Made, head_table, made, rig_of
from fillside.orders.answers import Refusal
from fillside.storage.records import metering as kept
from fillside.storage.store import Store

HAIR = head_table("hair", "hair", (0.4, 1.2, 2.2), 'drive = { driver = "stage" }')
HOUSE = head_table("house", "work", (0, 0, 2.6), 'drive = { driver = "stage" }')


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


async def number(here: Made) -> str:
    """The person hands in the number that the meter shows, and nothing else."""
    return await here.do(do="read", value=here.asked_lux(), unit="lux")


def lit(here: Made) -> list[str]:
    return [name for name, level in here.levels.items() if level > 0]


async def test_each_head_is_lit_by_itself_and_read_once(store: Store) -> None:
    async with made(rig_of(HAIR + HOUSE), store) as here:
        held, codes = here.levels, here.hold.codes
        assert await here.do(do="round", act="start") == "begun"
        asked = []
        while here.step["stage"] == "read":
            step = here.step
            head = step["asks"]["head"]
            asked.append(head)
            assert lit(here) == [head]
            if head == "key":
                assert here.levels[head] == pytest.approx(held[head], abs=0.006)
            assert step["asks"]["at"] == [0.0, 0.0, 1.2]
            assert (step["asks"]["receptor"], step["asks"]["facing"]) == ("flat", "head")
            assert step["of"] == 3
            assert any("Glare: " in line for line in step["says"])
            note = await number(here)
            assert note.startswith(f"reading {len(asked)} taken; ratio known to ±")
        assert asked == ["key", "fill", "hair"]
        assert kept.calibrations(store)[0].readings == (1, 2, 3)
        assert here.step["title"] == "Each head read"
        assert [line.partition(" is known")[0] for line in here.step["says"]] == [
            "The light of key",
            "The light of fill",
            "The light of hair",
        ]
        assert here.step["verdict"] is None
        assert here.hold.snapshot().shown is None
        assert here.hold.codes != codes


async def test_every_reading_counts_with_all_that_is_known(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.calibrate()
        before = kept.calibrations(store)[0]
        await here.do(do="event", head="fill", kind="moved")
        await here.do(do="round", act="start")
        await number(here)
        await number(here)
        after = kept.calibrations(store)[0]
        assert set(before.readings) < set(after.readings)
        assert len(after.body["told"]) == 1
        assert len(after.readings) == len(before.readings) + 3
        assert here.step["stage"] == "done"


async def test_a_head_is_skipped_and_one_is_read_again(store: Store) -> None:
    async with made(rig_of(HAIR), store) as here:
        await here.do(do="round", act="start")
        await here.do(do="read", value=here.asked_lux() * 8)
        await here.do(do="round", act="repeat")
        assert here.step["asks"]["head"] == "key"
        assert kept.readings(store)[0].struck == "taken again"
        assert kept.current_calibration(store) is None
        await number(here)
        await here.do(do="round", act="skip")
        assert here.step["asks"]["head"] == "hair"
        await number(here)
        assert here.step["stage"] == "done"
        assert here.step["says"][-1] == "Not read: fill."
        assert kept.calibrations(store)[0].readings == (2, 3)


async def test_a_reading_struck_on_the_way_is_asked_for_again(store: Store) -> None:
    async with made(rig_of(HAIR), store) as here:
        await here.do(do="round", act="start")
        await number(here)
        await number(here)
        await here.do(do="strike", reading=1)
        assert here.step["asks"]["head"] == "key"
        assert kept.calibrations(store)[0].readings == (2,)
        await number(here)
        assert here.step["asks"]["head"] == "hair"


async def test_a_round_is_left_and_gone_on_with_also_after_a_restart(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await here.do(do="round", act="start")
        await number(here)
        await here.do(do="round", act="leave")
        assert here.hold.snapshot().shown is None
        with pytest.raises(Refusal, match="say which head"):
            await here.do(do="read", value=100)
        remembered = here.hold.remember().model_dump(mode="json")
    async with made(rig, store, remembered) as again:
        assert again.step["left"]
        await again.do(do="round", act="resume")
        assert again.step["asks"]["head"] == "fill"
        assert lit(again) == ["fill"]
        await number(again)
        assert again.step["stage"] == "done"
        assert kept.calibrations(store)[0].readings == (1, 2)


async def test_a_round_may_be_begun_over_and_ended(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="round", act="start")
        await number(here)
        await here.do(do="round", act="start")
        assert here.step["asks"]["head"] == "key"
        await here.do(do="round", act="finish")
        assert here.step["title"] == "The round is over"
        assert here.step["says"][-1] == "Not read: key and fill."
        for act in ("tick", "go"):
            with pytest.raises(Refusal):
                await here.do(do="round", act=act)


async def test_a_round_does_not_take_the_place_of_a_calibration_with_readings(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        await here.take()
        with pytest.raises(Refusal, match="1 reading is under way"):
            await here.do(do="round", act="start")


async def test_a_weighing_that_fails_loses_no_reading_of_a_round(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="round", act="start")
        here.apart.fails = "out of memory"
        assert await number(here) == "reading 1 taken; it is kept, but could not be weighed"
        here.apart.fails = ""
        await here.do(do="read", head="fill", level=1.0, value=300)
        assert kept.calibrations(store)[0].readings == (1, 2)
