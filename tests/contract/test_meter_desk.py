"""Contract: readings and routines as orders: what is taken, what is refused, what changes and what lasts."""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import Iterator
from typing import Any

import pytest

from contract.meter_studio import RIG, Made, head_table, made, rig_of, settle
from fillside.demo.judge import Judge
from fillside.metering.calibrations import MOST_IN_A_FIT
from fillside.orders.answers import Refusal
from fillside.orders.light import Show
from fillside.orders.parsing import parse_order
from fillside.storage.records import metering as kept
from fillside.storage.store import Store


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


def everything(here: Made) -> Any:
    """All that an order of the meter's side can change."""
    return (
        kept.readings(here.store),
        kept.calibrations(here.store),
        kept.load_routine(here.store),
        here.hold.codes,
        here.hold.remember(),
        here.desk.routine(),
    )


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"do": "read", "head": "kee", "value": 640, "level": 1.0}, "unknown_name"),
    ({"do": "read", "head": "kee", "value": 640}, "unknown_name"),
    ({"do": "read", "head": "key+kee", "value": 640, "level": "1.0+1.0"}, "unknown_name"),
    ({"do": "read", "head": "key", "value": -640}, "out_of_range"),
    ({"do": "read", "head": "key", "value": math.nan}, "out_of_range"),
    ({"do": "read", "head": "key", "value": math.inf}, "out_of_range"),
    ({"do": "read", "head": "key", "value": "nan"}, "bad_order"),
    ({"do": "read", "head": "key", "value": "much"}, "bad_order"),
    ({"do": "read", "head": "key", "value": 1e300}, "out_of_range"),
    ({"do": "read", "head": "key"}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "unit": "candela"}, "bad_order"),
    ({"do": "read", "head": "key", "unit": "f/5.6@400"}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "level": 1.5}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "level": "x"}, "bad_order"),
    ({"do": "read", "head": "key+fill", "value": 640, "level": 1.0}, "bad_order"),
    ({"do": "read", "head": "key+key", "value": 640, "level": "1+1"}, "bad_order"),
    ({"do": "read", "head": "", "value": 3, "level": 0.5}, "bad_order"),
    ({"do": "read", "head": "", "value": 3, "facing": "head"}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "at": "sofa"}, "unknown_name"),
    ({"do": "read", "head": "key", "value": 640, "at": [0, 0, 9]}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "at": [99, 0, 1]}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "at": [1.1, -1.0, 1.9]}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "facing": "door"}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "colour": "red"}, "bad_order"),
    ({"do": "read", "head": "key", "value": 640, "virtual": True}, "not_now"),
    ({"do": "read", "head": 7, "value": 640}, "bad_order"),
    ({"do": "strike", "reading": 1}, "unknown_name"),
    ({"do": "strike", "reading": 0}, "out_of_range"),
    ({"do": "strike", "reading": -1}, "out_of_range"),
    ({"do": "strike"}, "bad_order"),
    ({"do": "calibration", "use": 1}, "unknown_name"),
    ({"do": "calibration"}, "bad_order"),
    ({"do": "calibrate", "act": "dance"}, "bad_order"),
    ({"do": "calibrate", "act": "go"}, "not_now"),
    ({"do": "lineup", "act": "resume"}, "not_now"),
    ({"do": "import"}, "bad_order"),
    ({"do": "import", "readings": "", "calibration": {}}, "bad_order"),
    ({"do": "import", "readings": ""}, "bad_order"),
    ({"do": "import", "readings": "head,level\n"}, "bad_order"),
    ({"do": "import", "calibration": {"heads": {"kee": {"intensity_cd": 100.0}}}}, "unknown_name"),
    ({"do": "import", "calibration": {"heads": {"key": {"intensity_cd": -1.0}}}}, "bad_order"),
    ({"do": "import", "calibration": {"heads": {"key": {"intensity_cd": 1e300}}}}, "bad_order"),
    ({"do": "import", "calibration": {"heads": 7}}, "bad_order"),
]


@pytest.mark.parametrize(("order", "code"), REFUSED, ids=[str(order) for order, _ in REFUSED])
async def test_what_cannot_be_is_refused_in_one_line_and_changes_nothing(
    order: dict[str, Any], code: str, store: Store
) -> None:
    async with made(rig_of(), store) as here:
        before = everything(here)
        with pytest.raises(Refusal) as caught:
            await here.do(**order)
        assert caught.value.code == code
        assert "\n" not in str(caught.value)
        assert str(caught.value)
        assert everything(here) == before


@pytest.mark.parametrize("said", [None, 7, "read", [], {"do": None}, {"do": "red"}, {}])
def test_what_is_no_order_is_none(said: object) -> None:
    with pytest.raises(Refusal):
        parse_order(said)


async def test_a_reading_is_kept_weighed_and_used(store: Store) -> None:
    async with made(rig_of(), store) as here:
        lux, level = here.lux("flat", (0.0, 0.0, 1.2), "key", hidden=("fill",)), here.levels["key"]
        note = await here.do(do="read", head="key", value=lux, at="chair")
        (one,) = kept.readings(store)
        assert one.body["levels"] == [level]
        assert one.body["at"] == [0.0, 0.0, 1.2]
        assert note.startswith(
            "reading 1 taken; fill is on too: strike this reading if that light fell on the meter; "
            "ratio known"
        )
        used = kept.current_calibration(store)
        assert used is not None
        assert used.readings == (1,)
        assert used.meter["receptor"] == "dome"
        assert len(here.applied) == 1
        label, told = here.rig.head("key").intensity_cd, used.body["heads"]["key"]["intensity_cd"]
        assert told < label


async def test_a_reading_without_a_level_is_at_the_level_there_is(store: Store) -> None:
    async with made(rig_of(), store) as here:
        level = here.levels["key"]
        await here.do(do="read", head="key", value=200)
        assert kept.readings(store)[0].body["levels"] == [level]
        await here.desk._studio.order(Show(do="show", heads={"fill": 0.5}))
        with pytest.raises(Refusal, match="key is out now"):
            await here.do(do="read", head="key", value=200)


async def test_a_reading_that_cannot_be_is_taken_and_flagged_with_the_reason(store: Store) -> None:
    async with made(rig_of(), store) as here:
        note = await here.do(do="read", head="key", level=1.0, value=30000)
        assert "taken, but it is" in note
        assert "above what this head can give there" in note
        assert len(kept.readings(store)) == 1


async def test_struck_readings_count_no_more_and_the_last_one_struck_leaves_the_file(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="read", head="key", level=1.0, value=300)
        await here.do(do="read", head="key", level=0.5, value=40)
        await here.do(do="strike", reading=1, why="stood in the light")
        used = kept.current_calibration(store)
        assert used is not None
        assert used.readings == (2,)
        assert kept.readings(store)[-1].struck == "stood in the light"
        await here.do(do="strike", reading=2)
        assert kept.current_calibration(store) is None
        assert here.applied[-1] is None
        with pytest.raises(Refusal, match="no reading 2 that counts"):
            await here.do(do="strike", reading=2)


async def test_one_can_go_back_to_an_earlier_calibration_and_to_the_file(store: Store) -> None:
    async with made(rig_of(), store) as here:
        first = here.hold.codes
        await here.do(do="read", head="key", level=1.0, value=200)
        second = here.hold.codes
        await here.do(do="read", head="fill", level=1.0, value=200)
        assert len({first, second, here.hold.codes}) == 3
        await here.do(do="calibration", use=1)
        assert here.hold.codes == second
        await here.do(do="calibration", use=None)
        assert here.hold.codes == first
        assert [each.used for each in kept.calibrations(store)] == [False, False]
        assert [each.id for each in kept.calibrations(store, most=1)] == [2]
        assert [each.id for each in kept.calibrations(store, before=2)] == [1]


async def test_the_whole_routine_ends_with_a_go_and_the_wanted_ratio(store: Store) -> None:
    """The light is judged by the simulator's own physics, at the levels that are then held."""
    async with made(rig_of(), store) as here:
        await here.calibrate()
        verdict = here.step["verdict"]
        assert verdict["go"], here.step["says"]
        assert here.step["may"] == ["start", "more"]
        assert here.hold.snapshot().shown is None
        judged = Judge(here.rig).verdict((0.0, 0.0, 1.2), here.levels, 2.0, verdict["exposure_wanted_lux"])
        assert abs(judged.ratio_error_stops) <= 0.1
        assert abs(judged.exposure_error_stops) <= 0.1
        assert verdict["ratio_metered"] == pytest.approx(2.0 * 2**judged.ratio_error_stops, rel=1e-3)
        purposes = {one.purpose for one in kept.readings(store)}
        assert purposes == {"calibrate", "verify"}
        counted = [one.id for one in kept.readings(store)]
        used = kept.current_calibration(store)
        assert used is not None
        assert used.readings == tuple(sorted(counted))


async def test_a_light_as_calibrated_that_is_not_the_wanted_one_is_no_go(store: Store) -> None:
    """The lamps give just what they are believed to give, and that is stops short of what is asked for."""
    honest = re.sub(r", truth = \{[^}]*\}", "", RIG)
    async with made(rig_of(text=honest), store) as here:
        await here.through_the_cautions("lineup")
        await here.to_the_end()
        assert here.step["verdict"]["go"], here.step["says"]
        here.hold.order(parse_order({"do": "expose", "by": 6}), 1e6)
        settle(here.hold, 1e6)
        await here.through_the_cautions("lineup")
        await here.to_the_end()
        found = here.step["verdict"]
        assert not found["go"]
        assert here.step["title"] == "Not a go"
        assert found["exposure_off_stops"] < -1
        assert found["exposure_off_stops"] == pytest.approx(
            math.log2(found["exposure_metered_lux"] / found["exposure_wanted_lux"]), abs=1e-3
        )
        says = " ".join(found["says"])
        assert "as expected" not in says
        short = re.search(
            r"Not as wanted: the exposure is ([0-9.]+) stops? under, metered ([0-9.]+) stops? under", says
        )
        assert short is not None, says
        assert float(short[2]) == pytest.approx(float(short[1]), abs=0.2)
        assert "is at its full light" in says


async def test_one_head_at_a_time_is_shown_and_the_light_comes_back(store: Store) -> None:
    async with made(rig_of(), store) as here:
        held = here.hold.codes
        await here.through_the_cautions("calibrate")
        assert here.hold.codes == held
        await here.do(do="calibrate", act="skip")
        assert here.levels == pytest.approx({"key": float(here.step["asks"]["level"]), "fill": 0.0}, abs=1e-4)
        await here.do(do="calibrate", act="leave")
        assert here.hold.codes == held
        await here.do(do="calibrate", act="resume")
        assert here.levels["fill"] == 0.0


async def test_a_routine_outlives_a_restart_and_goes_on_where_it_was(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        await here.take()
        await here.take()
        asked, remembered = here.step["asks"], here.hold.remember().model_dump(mode="json")
    async with made(rig, store, remembered) as again:
        assert again.step["left"]
        assert again.hold.snapshot().shown is None
        with pytest.raises(Refusal, match="resume it first"):
            await again.do(do="calibrate", act="skip")
        with pytest.raises(Refusal, match="say which head"):
            await again.do(do="read", value=100)
        await again.do(do="calibrate", act="resume")
        assert (again.step["left"], again.step["number"]) == (False, 3)
        assert again.step["asks"] == asked
        await again.to_the_end()
        assert again.step["verdict"]["go"]


@pytest.mark.parametrize(
    "stored",
    [
        {"kind": "calibrate"},
        {"kind": "dance", "began": 0.0},
        {"kind": "calibrate", "began": 0.0, "stage": "done"},
        {
            "kind": "calibrate",
            "began": 0.0,
            "stage": "verify",
            "passed_over": ["head key", "head fill", "exposure"],
        },
    ],
)
async def test_a_routine_that_cannot_be_resumed_does_not_keep_the_daemon_from_starting(
    stored: dict[str, Any], store: Store
) -> None:
    kept.save_routine(store, stored).result()
    async with made(rig_of(), store) as here:
        assert here.desk.routine() is None
        await here.do(do="lineup", act="start")


async def test_a_routine_for_a_head_that_is_gone_does_not_either(store: Store) -> None:
    extra = head_table("rim", "key", (0.9, -1.2, 1.7), 'drive = { driver = "stage" }')
    async with made(rig_of(extra), store) as here:
        await here.calibrate(4)
        await here.through_the_cautions("lineup")
        await here.take()
        await here.do(do="read", value=here.asked_lux() * 4)
        remembered = here.hold.remember().model_dump(mode="json")
    async with made(rig_of(), store, remembered) as here:
        await here.do(do="lineup", act="start")
        await here.through_the_cautions("lineup")
        assert here.step["stage"] == "verify"


async def test_the_last_reading_is_corrected_by_taking_it_again(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        first = here.step["asks"]
        note = await here.do(do="read", value=here.asked_lux() * 16)
        assert note.startswith("reading 1 taken")
        await here.do(do="calibrate", act="repeat")
        assert here.step["asks"] == first
        assert here.step["number"] == 1
        assert kept.readings(store)[0].struck == "taken again"
        await here.take()
        assert here.step["number"] == 2


async def test_an_earlier_reading_of_the_routine_is_struck(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        await here.do(do="read", value=here.asked_lux() * 8)
        await here.take()
        await here.do(do="strike", reading=1)
        assert here.step["number"] == 2
        await here.to_the_end()
        used = kept.current_calibration(store)
        assert used is not None
        assert 1 not in used.readings
        assert here.step["verdict"]["go"]


async def test_a_head_that_is_skipped_is_not_asked_for_and_what_is_not_checked_is_no_go(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        skipped = here.step["asks"]["head"]
        await here.do(do="calibrate", act="skip")
        asked = set()
        while here.step["stage"] == "read":
            asked.add(here.step["asks"]["head"])
            await here.take()
        assert skipped not in asked
        while here.step["stage"] == "verify":
            await here.do(do="calibrate", act="skip")
        assert here.step["verdict"]["go"] is False
        assert any(says.startswith("Not checked: key, fill, exposure") for says in here.step["says"])


async def test_the_reading_is_not_taken_while_the_light_moves_or_is_another(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        here.moving = True
        with pytest.raises(Refusal, match="still moving"):
            await here.do(do="read", value=100)
        here.moving = False
        await here.desk._studio.order(Show(do="show", heads={"fill": 1.0}))
        with pytest.raises(Refusal, match="not as this reading wants it"):
            await here.do(do="read", value=100)
        assert kept.readings(store) == []
        assert await here.take() == "reading 1 taken"


async def test_of_two_readings_for_one_step_one_counts(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        lux = here.asked_lux()
        found = await asyncio.gather(
            here.do(do="read", value=lux), here.do(do="read", value=lux), return_exceptions=True
        )
        assert found[0] == "reading 1 taken"
        assert isinstance(found[1], Refusal)
        assert "gone on meanwhile" in str(found[1])
        assert len(kept.readings(store)) == 1


async def test_the_room_is_read_in_the_dark_that_was_asked_for(store: Store) -> None:
    house = head_table("house", "work", (0, 0, 2.6), 'drive = { driver = "stage" }')
    bright = RIG.replace("[ambient]\nlux = 3", "[ambient]\nlux = 40")
    async with made(rig_of(house, bright), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        while here.step["asks"]["head"]:
            with pytest.raises(Refusal, match="does not fit here"):
                await here.do(do="calibrate", act="go")
            await here.take()
        assert here.step["title"] == "Meter the room"
        number = here.step["number"]
        with pytest.raises(Refusal, match="go on into the dark first"):
            await here.do(do="read", value=3)
        assert here.levels["key"] > 0
        assert here.levels["house"] == 0
        await here.do(do="calibrate", act="go")
        assert set(here.levels.values()) == {0.0}
        assert here.asked_lux() == pytest.approx(40.0, rel=0.05)
        assert await here.do(do="read", value=here.asked_lux()) == f"reading {number} taken"
        assert kept.readings(store)[0].body["heads"] == []
        await here.do(do="calibrate", act="leave")
        assert here.levels["key"] > 0


async def test_a_check_is_of_its_own_place_and_receptor(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("lineup")
        for other in ({"at": [0.3, 0.0, 1.2]}, {"receptor": "dome"}, {"facing": "camera"}):
            with pytest.raises(Refusal, match="another place, receptor or direction"):
                await here.do(do="read", value=100, **other)
        assert here.step["number"] == 1


async def test_a_fit_that_fails_loses_no_reading_and_the_routine_goes_on(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        here.apart.fails = "out of memory"
        note = await here.take()
        assert note == "reading 1 taken; it is kept, but could not be weighed"
        with pytest.raises(Refusal, match="cannot be weighed"):
            await here.do(do="read", head="key", level=1.0, value=300)
        assert len(kept.readings(store)) == 2
        here.apart.fails = ""
        await here.take()
        assert here.step["stage"] == "read"


async def test_a_reading_that_was_kept_but_never_weighed_counts_with_the_next(store: Store) -> None:
    """As when the process was killed between keeping it and weighing it."""
    async with made(rig_of(), store) as here:
        here.apart.fails = "killed"
        with pytest.raises(Refusal):
            await here.do(do="read", head="key", level=1.0, value=300)
    async with made(rig_of(), store) as here:
        await here.do(do="read", head="fill", level=1.0, value=300)
        used = kept.current_calibration(store)
        assert used is not None
        assert used.readings == (1, 2)


async def test_a_calibration_is_not_begun_over_while_it_has_readings(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        await here.take()
        for kind in ("calibrate", "lineup"):
            with pytest.raises(Refusal, match="1 reading is under way"):
                await here.do(do=kind, act="start")


CSV = "head,level,x,y,z,value,unit,receptor,facing\nkey,1,chair,,,300,lux,flat,head\n"


async def test_a_file_of_readings_is_taken_whole_or_not_at_all(store: Store) -> None:
    async with made(rig_of(), store) as here:
        with pytest.raises(Refusal, match='line 3: there is no head "kee"'):
            await here.do(do="import", readings=CSV + "kee,1,chair,,,300,lux,flat,head\n")
        assert kept.readings(store) == []
        assert (await here.do(do="import", readings=CSV)).startswith("1 reading taken; ratio known to")
        with pytest.raises(Refusal, match=f"more than the {MOST_IN_A_FIT}"):
            await here.do(do="import", readings=CSV + "key,1,chair,,,300,,,\n" * MOST_IN_A_FIT)
        assert len(kept.readings(store)) == 1


async def test_a_calibration_that_was_exported_comes_back(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="import", readings=CSV)
        exported, codes = kept.calibrations(store)[0].body, here.hold.codes
        await here.do(do="calibration", use=None)
        assert here.hold.codes != codes
        assert await here.do(do="import", calibration=exported) == "calibration 2 is kept and used"
        assert here.hold.codes == codes
