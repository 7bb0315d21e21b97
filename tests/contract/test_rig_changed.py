"""Contract: a head that the rig file has elsewhere, or otherwise, since it was metered."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest

from contract.meter_studio import RIG, Made, made, rig_of
from fillside.belief.evidence import Evidence, HeadEvent, Reading
from fillside.belief.forward.model import model_of
from fillside.belief.observations import observations, steps_of
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.store import Store

MARK = (0.0, 0.0, 1.2)


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


def elsewhere(rig: Rig, head: str, *, by: float = 0.0, cd: float | None = None) -> Rig:
    """The same rig with a head so far to the right [m], or with another intensity."""
    heads = []
    for one in rig.heads:
        if one.name == head:
            x, y, z = one.position
            changed = {"position": (x + by, y, z), "intensity": cd or one.intensity}
            heads.append(one.model_copy(update=changed))
        else:
            heads.append(one)
    return rig.model_copy(update={"heads": tuple(heads)})


def reload(here: Made, rig: Rig) -> None:
    """The rig file is taken anew."""
    here.hold = here.hold.replaced(rig, here.desk._calibrator.calibration, None, 1e6)
    here.rig = rig
    here.desk.light_replaced()


def events(store: Store) -> list[dict[str, object]]:
    store.write(lambda connection: None).result(10)
    return [one.body for one in kept.readings(store)[::-1] if one.purpose == "event"]


async def read(here: Made, head: str) -> str:
    hidden = [name for name in here.levels if name != head]
    return await here.do(do="read", head=head, value=here.lux("flat", MARK, head, hidden), at="chair")


def figures(store: Store) -> Calibration:
    found = kept.current_calibration(store)
    assert found is not None
    return Calibration.model_validate(found.body)


async def test_a_head_that_moved_in_the_file_gets_an_event_by_itself(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await read(here, "key")
        await read(here, "fill")
        before = figures(store)
        reload(here, elsewhere(rig, "fill", by=0.6))
        assert events(store) == [{"head": "fill", "kind": "moved", "was": list(rig.head("fill").position)}]
        (note,) = here.desk.view().notes
        assert note.startswith("fill stands elsewhere in the rig file than when it was metered")
        assert note.endswith("strike 3")
        assert kept.readings(store)[0].who == "the rig file"
        await read(here, "key")
        after = figures(store)
        assert [told.kind for told in after.told] == ["moved"]
        assert here.desk.view().notes == ()
        assert after.heads["fill"].intensity_cd == pytest.approx(before.heads["fill"].intensity_cd, rel=0.02)


async def test_a_lamp_of_another_label_gets_one_too_and_its_light_goes_with_the_label(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await read(here, "key")
        await read(here, "fill")
        before = figures(store)
        reload(here, elsewhere(rig, "key", cd=2 * rig.head("key").intensity_cd))
        assert events(store) == [{"head": "key", "kind": "changed", "was_cd": 1800.0}]
        assert here.desk.view().notes[0].startswith("key is another lamp or modifier in the rig file")
        await read(here, "fill")
        was, now = before.heads["key"], figures(store).heads["key"]
        assert was.intensity_cd is not None
        assert now.intensity_cd == pytest.approx(2 * was.intensity_cd, rel=0.03)
        assert was.sigma_stops is not None
        assert now.sigma_stops is not None
        assert now.sigma_stops > 1.3 * was.sigma_stops


async def test_what_is_no_change_of_light_is_passed_over(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await read(here, "key")
        reload(here, rig)
        reload(here, elsewhere(rig, "key", by=0.004))
        reload(here, rig_of(text=RIG.replace("lux = 3", "lux = 4")))
        assert events(store) == []
        assert here.desk.view().notes == ()


async def test_a_head_that_nobody_metered_is_passed_over(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        reload(here, elsewhere(rig, "fill", by=1.0))
        assert kept.readings(store) == []


async def test_a_file_changed_between_two_runs_counts_as_much(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await read(here, "fill")
    async with made(elsewhere(rig, "fill", by=0.5), store):
        assert [one["kind"] for one in events(store)] == ["moved"]
    async with made(elsewhere(rig, "fill", by=0.5), store):
        assert len(events(store)) == 1


async def test_struck_as_a_mistake_of_the_file_it_counts_no_more(store: Store) -> None:
    rig = rig_of()
    async with made(rig, store) as here:
        await read(here, "fill")
        reload(here, elsewhere(rig, "fill", by=0.5))
        await here.do(do="strike", reading=2)
        await read(here, "key")
        assert figures(store).told == ()


def expected_lux(rig: Rig, reading: Reading, *events: HeadEvent) -> float:
    """What the labels expect of a reading [lux]."""
    told = Evidence.of([reading, *events])
    model = model_of(rig, steps_of(told, rig))
    lux = model.lux(model.figures(np.zeros(model.size)), observations(told, model).quantities)
    return float(lux[0])


@pytest.mark.parametrize("by", [0.3, 1.5])
def test_a_reading_is_expected_as_of_the_studio_that_it_was_taken_in(by: float) -> None:
    then = rig_of()
    now = elsewhere(then, "fill", by=by, cd=900.0)
    noon = "2026-02-11T12:00:00Z"
    moved = HeadEvent(head="fill", kind="moved", was=then.head("fill").position, time=noon)
    changed = HeadEvent(head="fill", kind="changed", was_cd=then.head("fill").intensity_cd, time=noon)
    before, after = (
        Reading(heads=("fill",), levels=(1.0,), at=MARK, value=100.0, time=f"2026-02-{day}T09:00:00Z")
        for day in (11, 12)
    )
    of_then, of_now = expected_lux(then, before), expected_lux(now, before)
    assert abs(math.log2(of_now / of_then)) > 0.2
    assert expected_lux(now, before, moved, changed) == pytest.approx(of_then, rel=0.07)
    assert expected_lux(now, after, moved, changed) == pytest.approx(of_now, rel=1e-9)


def test_of_two_moves_the_first_one_after_the_reading_says_where_it_stood() -> None:
    rig = rig_of()
    reading = Reading(heads=("fill",), levels=(1.0,), at=MARK, value=100.0, time="2026-02-11T12:00:00Z")
    events = [
        HeadEvent(head="fill", kind="moved", was=(5.0, 0.0, 1.0), time="2026-02-13T00:00:00Z"),
        HeadEvent(head="fill", kind="moved", was=(3.0, 0.0, 1.0), time="2026-02-12T00:00:00Z"),
        HeadEvent(head="fill", kind="moved", was=(1.0, 0.0, 1.0), time="2026-02-11T00:00:00Z"),
    ]
    told = Evidence.of([reading, *events])
    model = model_of(rig, steps_of(told, rig))
    seen = observations(told, model)
    assert seen.quantities.paths.stood.tolist() == [[3.0, 0.0, 1.0]]
