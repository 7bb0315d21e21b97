"""Contract: tape measures and events in the running studio: kept, weighed with the readings, and told."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pytest

from contract.meter_studio import Made, made, rig_of
from fillside.belief.evidence import dated
from fillside.belief.evidence_table import csv_from_readings, evidence_from_csv
from fillside.orders.answers import Refusal
from fillside.rig.calibration import Calibration
from fillside.storage.records import metering as kept
from fillside.storage.store import Store

MARK = (0.0, 0.0, 1.2)
HEADER = "head,level,x,y,z,value,unit,receptor,facing,time,note\n"


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


async def read(here: Made, head: str) -> str:
    """A perfect reading of one head at its present level."""
    hidden = [name for name in here.levels if name != head]
    return await here.do(do="read", head=head, value=here.lux("flat", MARK, head, hidden), at="chair")


async def both_read(here: Made) -> None:
    await read(here, "key")
    await read(here, "fill")


def used(here: Made) -> Calibration:
    found = kept.current_calibration(here.store)
    assert found is not None
    return Calibration.model_validate(found.body)


def sigma(here: Made, head: str) -> float:
    found = used(here).heads[head].sigma_stops
    assert found is not None
    return found


async def test_a_moved_stand_makes_its_head_less_sure_and_leaves_the_others(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        key, fill = sigma(here, "key"), sigma(here, "fill")
        note = await here.do(do="event", head="fill", kind="moved", note="bumped")
        assert note.startswith("event 3 taken: what was metered of fill before says no more where it stands")
        assert "; the light of fill is known to ±" in note
        assert "; ratio known to ±" in note
        assert sigma(here, "fill") > 1.3 * fill
        assert sigma(here, "key") == pytest.approx(key, rel=0.05)
        assert len(here.applied) == 3
        await read(here, "fill")
        assert sigma(here, "fill") < 1.1 * fill


async def test_a_changed_lamp_makes_its_light_less_sure_than_the_step_was_big(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        before = sigma(here, "key")
        note = await here.do(do="event", head="key", kind="changed")
        assert "says no more how bright it is" in note
        assert sigma(here, "key") == pytest.approx(math.hypot(before, 0.6), rel=0.1)


async def test_a_tape_measure_tells_where_a_moved_stand_is(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        await here.do(do="event", head="fill", kind="moved")
        before, at = sigma(here, "fill"), here.hold.codes
        away = math.dist(here.rig.head("fill").position, MARK)
        note = await here.do(do="read", head="fill", at="chair", value=round(away + 0.3, 2), unit="m")
        assert note.startswith(f"tape 4 taken: fill is {away + 0.3:.2f} m away, by the rig file {away:.2f} m")
        assert "; fill now counts as " in note
        assert "stop darker" in note
        assert sigma(here, "fill") < 0.8 * before
        assert here.hold.codes != at
        assert kept.readings(store, 1)[0].body == {
            "head": "fill",
            "at": list(MARK),
            "distance_m": round(away + 0.3, 2),
        }


async def test_a_doubt_is_told_of_the_reading_that_it_is_of(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="read", head="key", at="chair", value=1.64, unit="m")
        assert "taken, but it is" in await here.do(do="read", head="key", level=1.0, value=30000)
        assert "but it is" not in await here.do(do="event", head="key", kind="moved")


async def test_feet_are_feet(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="read", head="fill", at=[0.1, 0.0, 1.2], value="5,5", unit="ft")
        assert kept.readings(store, 1)[0].body["distance_m"] == pytest.approx(1.6764)
        assert kept.readings(store, 1)[0].purpose == "tape"


async def test_news_before_any_reading_leaves_the_light_and_is_kept(store: Store) -> None:
    async with made(rig_of(), store) as here:
        note = await here.do(do="event", head="fill", kind="moved")
        assert note.endswith("; nothing is metered yet, so the light stays as it is")
        assert here.applied == []
        assert kept.current_calibration(store) is None
        assert [one.purpose for one in kept.readings(store)] == ["event"]


async def test_news_is_struck_by_its_number(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        fill = sigma(here, "fill")
        await here.do(do="event", head="fill", kind="moved")
        await here.do(do="strike", reading=3, why="it was the other one")
        assert sigma(here, "fill") == pytest.approx(fill, rel=1e-3)
        assert used(here).told == ()


async def test_with_its_last_reading_struck_news_alone_is_no_calibration(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await read(here, "key")
        await here.do(do="event", head="key", kind="moved")
        await here.do(do="strike", reading=1)
        assert kept.current_calibration(store) is None


async def test_news_counts_in_every_later_weighing_of_what_is_older(store: Store) -> None:
    """Also after an earlier calibration, from before the event, was chosen again."""
    async with made(rig_of(), store) as here:
        await both_read(here)
        await here.do(do="event", head="fill", kind="moved")
        await here.do(do="calibration", use=2)
        assert used(here).told == ()
        await read(here, "key")
        assert [note.kind for note in used(here).told] == ["moved"]
        assert kept.calibrations(store)[0].readings == (1, 2, 3, 4)


async def test_a_calibration_from_elsewhere_brings_its_evidence(store: Store) -> None:
    with Store.in_memory() as first:
        async with made(rig_of(), first) as here:
            await both_read(here)
            await here.do(do="event", head="fill", kind="moved")
            await here.do(do="read", head="fill", at="chair", value=1.7, unit="m")
            exported = kept.calibrations(first)[0].body
    async with made(rig_of(), store) as here:
        assert await here.do(do="import", calibration=exported) == "calibration 1 is kept and used"
        imported = used(here)
        await read(here, "key")
        now = used(here)
        assert now.told == imported.told
        assert len(now.readings()) == 3
        assert [one.purpose for one in kept.readings(store)[::-1]] == [
            "calibrate",
            "calibrate",
            "tape",
            "event",
            "calibrate",
        ]
        await here.do(do="strike", reading=4)
        assert [note.kind for note in used(here).told] == ["tape"]


async def test_a_calibration_that_comes_back_brings_nothing_twice(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        await here.do(do="event", head="fill", kind="moved")
        exported = kept.calibrations(store)[0].body
        await here.do(do="import", calibration=exported)
        await read(here, "key")
        assert [one.id for one in kept.readings(store)] == [4, 3, 2, 1]
        assert kept.calibrations(store)[0].readings == (1, 2, 3, 4)


FILE = (
    f"{HEADER}"
    "key,0.7,chair,,,71.5,lux,flat,head,2026-02-10T09:00,\n"
    "key,0.4,chair,,,24.3,lux,flat,head,2026-02-10T09:00,\n"
    "key,,chair,,,1.57,m,,,2026-02-10T09:10,from the nose\n"
    "key,,,,,,moved,,,2026-02-11T09:30,somebody bumped it\n"
)


async def test_a_file_with_tapes_and_events_is_taken_and_comes_back(store: Store) -> None:
    async with made(rig_of(), store) as here:
        note = await here.do(do="import", readings=FILE)
        assert note.startswith("2 readings, 1 tape measure, 1 event taken; ratio known to ±")
        assert [note.kind for note in used(here).told] == ["tape", "moved"]
        rows = kept.readings(store)[::-1]
        assert [one.purpose for one in rows] == ["calibrate", "calibrate", "tape", "event"]
        pieces = [dated(piece, one.at) for one, piece in kept.valid_pieces(store, rows)]
        written = csv_from_readings(pieces)
        assert evidence_from_csv(written, here.rig) == evidence_from_csv(FILE, here.rig)


async def test_a_head_that_left_takes_its_news_along(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        kept.save_reading(store, "x", "event", {"head": "gone", "kind": "moved"}).result()
        kept.save_reading(store, "x", "tape", {"head": "key", "at": [0, 0, 1], "distance_m": -1}).result()
        await read(here, "key")
        assert used(here).told == ()
        assert len(used(here).readings()) == 3


async def test_news_in_a_routine_counts_in_it(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        await here.take()
        await here.take()
        read_so_far, head = here.step["number"], here.step["asks"]["head"] or "key"
        sure = here.step["ratio_sigma_stops"]
        await here.do(do="event", head=head, kind="moved")
        assert here.step["ratio_sigma_stops"] > 1.02 * sure
        assert here.step["stage"] == "read"
        assert here.step["number"] == read_so_far
        await here.to_the_end()
        assert [note.kind for note in used(here).told] == ["moved"]
        counted = [one.id for one in kept.readings(store) if one.purpose != "warm-up"]
        assert kept.calibrations(store)[0].readings == tuple(sorted(counted))


REFUSED: list[tuple[dict[str, Any], str, str]] = [
    ({"do": "read", "value": 0, "unit": "m"}, "out_of_range", "0 m; more than 0, at most"),
    ({"do": "read", "value": 31, "unit": "m"}, "out_of_range", "31 m; more than 0, at most 30 m"),
    ({"do": "read", "value": 1e9, "unit": "m"}, "out_of_range", "at most"),
    ({"do": "read", "value": -1.6, "unit": "m"}, "out_of_range", "at least 0"),
    ({"do": "read", "value": math.nan, "unit": "ft"}, "out_of_range", "finite"),
    ({"do": "read", "value": "nan", "unit": "m"}, "out_of_range", "more than 0"),
    ({"do": "read", "value": "far", "unit": "m"}, "bad_order", "give the number"),
    ({"do": "read", "unit": "m"}, "bad_order", "give the distance"),
    ({"do": "read", "value": 1.6, "unit": "m", "head": "kee"}, "unknown_name", 'no head "kee"'),
    ({"do": "read", "value": 1.6, "unit": "m", "head": ""}, "bad_order", "say which head"),
    ({"do": "read", "value": 1.6, "unit": "m", "at": "sofa"}, "unknown_name", 'no mark "sofa"'),
    ({"do": "read", "value": 1.6, "unit": "m", "at": [99, 0, 1]}, "bad_order", "more than 15 m"),
    ({"do": "read", "value": 1.6, "unit": "m", "level": 1.0}, "bad_order", "has no level"),
    ({"do": "read", "value": 1.6, "unit": "m", "receptor": "dome"}, "bad_order", "has no receptor"),
    ({"do": "read", "value": 1.6, "unit": "ft", "facing": "camera"}, "bad_order", "has no facing"),
    ({"do": "read", "value": 1.6, "unit": "m", "check": True}, "bad_order", "has no check"),
    ({"do": "read", "value": 1.6, "unit": "m", "virtual": True}, "bad_order", "has no virtual"),
    ({"do": "event", "head": "kee", "kind": "moved"}, "unknown_name", 'no head "kee"'),
    ({"do": "event", "head": "key", "kind": "painted"}, "bad_order", '"moved" or "changed"'),
    ({"do": "event", "head": "key"}, "bad_order", "kind"),
    ({"do": "event", "kind": "moved"}, "bad_order", "head"),
    ({"do": "event", "head": 7, "kind": "moved"}, "bad_order", "head"),
    ({"do": "event", "head": "key", "kind": "moved", "note": "x" * 201}, "bad_order", "note"),
]


@pytest.mark.parametrize(("order", "code", "says"), REFUSED, ids=[str(order) for order, _, _ in REFUSED])
async def test_news_that_cannot_be_is_refused_in_one_line_and_changes_nothing(
    order: dict[str, Any], code: str, says: str, store: Store
) -> None:
    given = order if order["do"] == "event" or "head" in order else {**order, "head": "fill"}
    async with made(rig_of(), store) as here:
        codes = here.hold.codes
        with pytest.raises(Refusal, match=says) as caught:
            await here.do(**given)
        assert caught.value.code == code
        assert "\n" not in str(caught.value)
        assert kept.readings(store) == []
        assert here.hold.codes == codes


async def test_news_that_cannot_be_stored_is_refused(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await both_read(here)
        store.close()
        with pytest.raises(Refusal, match="it cannot be kept") as caught:
            await here.do(do="event", head="fill", kind="moved")
        assert caught.value.code == "not_now"


async def test_a_reading_that_names_no_head_is_of_all_that_is_lit(store: Store) -> None:
    async with made(rig_of(), store) as here:
        lux = here.lux("dome", here.rig.start, "camera")
        note = await here.do(do="read", value=round(lux, 1))
        assert note.startswith("reading 1 taken")
        body = kept.readings(store)[0].body
        assert (body["heads"], body["receptor"], body["facing"]) == (["key", "fill"], "dome", "camera")
        assert min(body["levels"]) > 0


async def test_no_reading_is_taken_for_all_that_is_lit_before_a_routine_asks(store: Store) -> None:
    async with made(rig_of(), store) as here:
        await here.do(do="calibrate", act="start")
        with pytest.raises(Refusal, match="say which head was lit"):
            await here.do(do="read", value=100)
        assert kept.readings(store) == []


async def test_a_tape_from_elsewhere_answers_no_line_up(store: Store) -> None:
    """How far a head is from another place says nothing of how far it stood from the one that is asked."""
    async with made(rig_of(), store) as here:
        await here.through_the_cautions("calibrate")
        await here.do(do="calibrate", act="skip")
        await here.to_the_end()
        await here.through_the_cautions("lineup")
        while here.step["asks"]["unit"] == "lux":
            far = 2**-0.5 if "key" in here.step["title"] else 1.0
            await here.do(do="read", value=here.step["asks"]["expected_lux"] * far)
        asks = here.step["asks"]
        assert asks["unit"] == "m"
        x, y, z = asks["at"]
        with pytest.raises(Refusal, match="a tape from another place than this check wants"):
            await here.do(do="read", value=2.0, unit="m", at=[x + 0.5, y, z])
        assert here.step["asks"] == asks
        assert "farther" in await here.do(do="read", value=asks["expected_m"] + 0.3, unit="m", at=asks["at"])
