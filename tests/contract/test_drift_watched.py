"""Contract: how far heads have drifted is seen in a simulated studio, and corrected slowly on request.

The studio is calibrated, then a lamp of the simulated room is exchanged for one that gives more or less; what
meters show is the simulator's physics, which the product does not share.
"""

from __future__ import annotations

import json
import math
from collections.abc import AsyncIterator, Iterator, Mapping
from typing import Any

import pytest

from contract.meter_studio import RIG, Made, copy, made, rig_of, settle
from fillside.belief.evidence import ReadingError
from fillside.doors.mqtt.sensors import Sensors
from fillside.hold.events import HeadLost, HeadsCorrected
from fillside.hold.machine.hold import Hold
from fillside.metering.simulated_meter import truth_of
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.rig.problems import RigError
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.store import Store
from fillside_drivers.sim.truth import direct_lux, unit

FACE = '[sensors.face]\nwatches = "heads"\nat = "chair"\nfacing = "camera"\nreceptor = "dome"\n'
CORRECT = "correct_drift = { most = 0.4, per_hour = 0.2 }\n"
NOT_CORRECTED = "correct_drift = false\n"
K95 = 1.96
"""Coverage factor of a 95 % interval of a normal quantity (JCGM 100:2008, G.1.3)."""
TURN_S = 5.0


@pytest.fixture
def empty() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


@pytest.fixture(scope="module")
async def calibrated_once() -> AsyncIterator[Store]:
    with Store.in_memory() as opened:
        async with made(rig_with(), opened) as here:
            await here.calibrate()
        yield opened


@pytest.fixture
def store(calibrated_once: Store, empty: Store) -> Store:
    """What the routine left once it had been gone through."""
    copy(calibrated_once, empty)
    return empty


def rig_with(tables: str = "", key: str = "", text: str = RIG) -> Rig:
    """The rig of two simulated heads; `key` are more keys of the first."""
    text = text.replace("[hold]\n", f'{tables}[hold]\npace = "quick"\n')
    return rig_of(text=text.replace('name = "key"\n', f'name = "key"\n{key}'))


def drifted(**stops: float) -> str:
    """The rig's text with lamps that give so many stops more than they did."""
    factors = {"key": "output_factor = 0.7", "fill": "output_factor = 1.3"}
    text = RIG
    for name, by in stops.items():
        old = factors[name]
        text = text.replace(old, f"output_factor = {float(old.split()[-1]) * 2**by:.6f}")
    return text


def drift(here: Made, **stops: float) -> None:
    """Lamps drift by so many stops; the hold knows nothing of that."""
    here.rig = rig_of(text=drifted(**stops))


def all_lit_lux(here: Made) -> float:
    return here.lux("dome", here.rig.start, "camera")


async def check_alone(here: Made, name: str) -> str:
    """A reading of one head alone at its level, the other hidden."""
    hidden = [head.name for head in here.rig.heads if head.name != name]
    value = here.lux("flat", here.rig.start, name, hidden)
    return await here.do(do="read", check=True, head=name, value=float(f"{value:.4g}"))


def told(here: Made) -> dict[str, Mapping[str, Any]]:
    return {one["head"]: one for one in here.desk.view().drift or []}


def assert_within(one: Mapping[str, Any], true_stops: float) -> None:
    assert abs(one["off_stops"] - true_stops) <= K95 * one["sigma_stops"]


@pytest.mark.parametrize("key", [-0.6, -0.25, 0.0, 0.4])
@pytest.mark.parametrize("fill", [-0.3, 0.2])
async def test_a_head_that_drifted_is_shown_within_its_interval(
    key: float, fill: float, store: Store
) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=key, fill=fill)
        for name in ("key", "fill"):
            await check_alone(here, name)
        assert_within(told(here)["key"], key)
        assert_within(told(here)["fill"], fill)
        assert told(here)["key"]["sigma_stops"] < 0.15


@pytest.mark.parametrize(("key", "fill"), [(-0.4, 0.0), (0.0, -0.4), (0.3, 0.3), (0.0, 0.0)])
async def test_a_reading_of_all_that_is_lit_is_shared_out(key: float, fill: float, store: Store) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=key, fill=fill)
        note = await here.do(do="read", check=True, value=all_lit_lux(here))
        assert "key gives" in note
        assert "fill gives" in note
        assert_within(told(here)["key"], key)
        assert_within(told(here)["fill"], fill)
        sum_alone = told(here)["fill"]["sigma_stops"]
        await check_alone(here, "key")
        assert_within(told(here)["key"], key)
        assert_within(told(here)["fill"], fill)
        assert told(here)["fill"]["sigma_stops"] < sum_alone


async def test_a_check_leaves_the_calibration_alone(store: Store) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=-0.5)
        assert here.desk.view().drift is None
        before = here.hold.calibration, len(here.applied)
        note = await check_alone(here, "key")
        assert "noted: key gives 0." in note
        assert "less than calibrated" in note
        assert (here.hold.calibration, len(here.applied)) == before
        assert [one.purpose for one in kept.readings(store, 1)] == ["check"]
        assert here.desk.view().notes[0].startswith("key gives 0.")
        assert here.desk.view().notes[0].endswith("line up to see whether the lamp or the stand changed")
        state = told(here)["key"]
        assert state["says"] == "changed"
        assert state["corrected_stops"] == pytest.approx(-state["off_stops"], abs=0.001)
        assert set(state) == {"head", "off_stops", "sigma_stops", "says", "corrected_stops", "at"}


async def test_a_small_drift_is_no_note(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await check_alone(here, "key")
        assert told(here)["key"]["says"] == "steady"
        assert here.desk.view().notes == ()


async def test_a_line_up_tells_of_drift(store: Store) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=-0.5)
        await here.through_the_cautions("lineup")
        await here.to_the_end()
        assert_within(told(here)["key"], -0.5)
        assert_within(told(here)["fill"], 0.0)


async def test_a_reading_weighed_into_the_calibration_is_no_drift(store: Store) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=-0.5)
        await check_alone(here, "key")
        await check_alone(here, "fill")
        await here.do(do="read", head="key", value=300)
        assert "key" not in told(here)
        assert "fill" in told(here)


async def test_a_struck_check_tells_nothing_any_more(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await here.do(do="read", check=True, head="key", value=3)
        number = kept.readings(store, 1)[0].id
        assert told(here)["key"]["off_stops"] < -0.5
        await here.do(do="strike", reading=number)
        assert here.desk.view().drift is None


async def test_a_sensor_at_the_subject_tells(store: Store) -> None:
    async with made(rig_with(FACE), store) as here:
        drift(here, key=-0.5)
        for _ in range(20):
            here.clock_s[0] += 31
            note = await here.do(do="sensor", name="face", value=all_lit_lux(here))
        assert "key gives" in note
        assert_within(told(here)["key"], -0.5)
        assert_within(told(here)["fill"], 0.0)
        assert "one value in 30 s" in await here.do(do="sensor", name="face", value=1)


async def test_a_sensor_is_not_heard_in_a_routine_or_while_the_light_moves(empty: Store) -> None:
    async with made(rig_with(FACE), empty) as here:
        assert "nothing is calibrated" in await here.do(do="sensor", name="face", value=100)
        await here.calibrate()
        drift(here, key=-0.5)
        here.moving = True
        assert "moves" in await here.do(do="sensor", name="face", value=100)
        here.moving = False
        await here.do(do="lineup", act="start")
        assert "routine" in await here.do(do="sensor", name="face", value=100)
        with pytest.raises(Refusal, match="a routine is under way"):
            await here.do(do="read", check=True, value=100)
        assert here.desk.view().drift is None


async def test_both_sensors_go_side_by_side(empty: Store) -> None:
    async with made(rig_with(f"[sensors.window]\n{FACE}"), empty) as here:
        assert "not learned yet" in await here.do(do="sensor", name="window", value=100)
        assert here.desk.view().daylight["sensor"] == "window"  # type: ignore[index]
    sensors = Sensors(rig_with(FACE))
    order = {"do": "sensor", "name": "face", "value": 120.0}
    assert sensors.reading("face", b"120", 0.0, dict) == order


async def test_warming_up_is_told_from_ageing(store: Store) -> None:
    """A lamp that nears its light as 1 - exp(-t / 240 s) from half a stop below, and one that stays there."""
    async with made(rig_with(), store) as here:
        here.desk.turn()
        for minute in range(9):
            here.clock_s[0] = 60.0 * minute
            left = 0.5 * math.exp(-60 * minute / 240)
            for name, by in (("key", -left), ("fill", -0.5)):
                here.rig = rig_of(text=drifted(**{name: by}))
                await check_alone(here, name)
            if minute == 4:
                assert told(here)["key"]["says"] == "warming up"
                assert told(here)["fill"]["says"] == "changed"
                assert any(note.startswith("key is still warming up: about 0.2 stop") for note in notes(here))
        for minute in range(9, 30):
            here.clock_s[0] = 60.0 * minute
            left = 0.5 * math.exp(-60 * minute / 240)
            here.rig = rig_of(text=drifted(key=-left))
            await check_alone(here, "key")
        assert told(here)["key"]["says"] == "steady"
        assert_within(told(here)["key"], 0.0)


def notes(here: Made) -> tuple[str, ...]:
    return here.desk.view().notes


def true_lux(here: Made, name: str) -> float:
    """What the head gives at the subject now, facing it, without the room."""
    head = next(one for one in truth_of(here.rig).heads if one.name == name)
    toward = unit([a - p for a, p in zip(head.position, here.rig.start, strict=True)])
    return direct_lux(head, "flat", here.rig.start, toward) * head.output(here.levels[name])


def pass_time(here: Made, hours: float) -> None:
    for _ in range(round(hours * 3600 / TURN_S)):
        here.clock_s[0] += TURN_S
        here.desk.turn()


async def sense(here: Made) -> None:
    """The sensor at the subject tells for a while."""
    for _ in range(12):
        here.clock_s[0] += 31
        await here.do(do="sensor", name="face", value=all_lit_lux(here))


async def test_what_a_check_tells_is_corrected_at_the_pace_of_the_hold(store: Store) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=-0.3)
        before = true_lux(here, "key")
        await check_alone(here, "key")
        assert told(here)["key"]["corrected_stops"] == pytest.approx(0.3, abs=0.1)
        settle(here.hold, here.clock_s[0] + 1e3)
        assert math.log2(true_lux(here, "key") / before) == pytest.approx(0.3, abs=0.1)
        assert "the balance makes up for 0." in notes(here)[0]


async def test_a_check_corrects_half_a_stop_at_most(store: Store) -> None:
    async with made(rig_with(), store) as here:
        drift(here, key=-1.0)
        await check_alone(here, "key")
        assert here.hold.corrected == {"key": 0.5}


async def test_the_correction_moves_the_metered_light_the_right_way_and_slowly(store: Store) -> None:
    async with made(rig_with(FACE, key=CORRECT), store) as here:
        drift(here, key=-0.3, fill=-0.3)
        await sense(here)
        before, codes = true_lux(here, "key"), here.hold.codes
        seen = told(here)["key"]["off_stops"]
        pass_time(here, 0.5)
        # Half an hour at 0.2 stop an hour, to within one step that is handed on.
        assert math.log2(true_lux(here, "key") / before) == pytest.approx(0.1, abs=0.02)
        assert here.hold.codes != codes
        assert told(here)["key"]["corrected_stops"] == pytest.approx(0.1, abs=0.006)
        assert "the balance makes up for 0.10 stop of it" in notes(here)[0]
        # What is corrected is in the light: the drift seen now is the same as before.
        await sense(here)
        assert told(here)["key"]["off_stops"] == pytest.approx(seen, abs=0.05)
        assert_within(told(here)["key"], -0.3)
        pass_time(here, 3)
        at_the_end = told(here)["key"]
        assert at_the_end["corrected_stops"] == pytest.approx(-at_the_end["off_stops"], abs=0.006)
        assert math.log2(true_lux(here, "key") / before) == pytest.approx(0.3, abs=0.1)


async def test_never_more_than_the_file_allows(store: Store) -> None:
    async with made(rig_with(key=CORRECT), store) as here:
        drift(here, key=-1.0)
        await check_alone(here, "key")
        pass_time(here, 4)
        assert told(here)["key"]["corrected_stops"] == pytest.approx(0.4, abs=0.006)


@pytest.mark.parametrize("mode", ["freeze", "dark"])
async def test_no_correction_in_freeze_or_dark(mode: str, store: Store) -> None:
    async with made(rig_with(key=CORRECT), store) as here:
        drift(here, key=-0.3)
        level, value = here.levels["key"], here.lux("flat", here.rig.start, "key", ["fill"])
        here.hold.order(parse_order({"do": mode}), 1e5)
        await here.do(do="read", check=True, head="key", level=level, value=value)
        codes = here.hold.codes
        pass_time(here, 1)
        assert (here.hold.corrected, here.hold.codes) == ({}, codes)
        here.hold.order(parse_order({"do": "follow"}), 2e5)
        pass_time(here, 0.1)
        assert here.hold.corrected["key"] == pytest.approx(0.3, abs=0.1)


async def test_what_a_sensor_told_in_freeze_is_not_made_up_for_at_once(store: Store) -> None:
    async with made(rig_with(FACE, key=CORRECT), store) as here:
        drift(here, key=-0.3, fill=-0.3)
        here.hold.order(parse_order({"do": "freeze"}), 1e5)
        await sense(here)
        pass_time(here, 1)
        assert here.hold.corrected == {}
        here.hold.order(parse_order({"do": "follow"}), 2e5)
        pass_time(here, 0.1)
        assert here.hold.corrected["key"] == pytest.approx(0.02, abs=0.006)


async def test_a_process_that_slept_does_not_catch_up(store: Store) -> None:
    async with made(rig_with(FACE, key=CORRECT), store) as here:
        drift(here, key=-0.3, fill=-0.3)
        await sense(here)
        pass_time(here, 0.1)
        here.clock_s[0] += 8 * 3600
        before = here.hold.corrected["key"]
        here.desk.turn()
        assert here.hold.corrected["key"] - before <= 0.2 / 60 + 0.006


async def test_switched_off_nothing_is_corrected(store: Store) -> None:
    async with made(rig_with(key=NOT_CORRECTED), store) as here:
        drift(here, key=-0.3)
        await check_alone(here, "key")
        pass_time(here, 1)
        assert here.hold.corrected == {}


async def test_what_is_not_known_well_enough_is_not_corrected(store: Store) -> None:
    async with made(rig_with(key=CORRECT), store) as here:
        drift(here, key=-0.05)
        await check_alone(here, "key")
        pass_time(here, 1)
        assert here.hold.corrected == {}


async def test_a_head_that_warms_up_is_not_corrected_any_further(store: Store) -> None:
    async with made(rig_with(key=CORRECT), store) as here:
        corrected = []
        for minute in range(6):
            here.clock_s[0] = 60.0 * minute
            here.rig = rig_of(text=drifted(key=-math.exp(-minute / 4)))
            await check_alone(here, "key")
            corrected.append(here.hold.corrected)
        assert told(here)["key"]["says"] == "warming up"
        pass_time(here, 0.4)
        assert here.hold.corrected == corrected[-1] == {"key": 0.4}


async def test_switched_off_it_ends_at_the_same_slow_rate(store: Store) -> None:
    async with made(rig_with(key=CORRECT), store) as here:
        drift(here, key=-0.3)
        await check_alone(here, "key")
        pass_time(here, 1)
        full, codes = here.hold.corrected["key"], here.hold.codes
        without = rig_with(key=NOT_CORRECTED)
        here.hold = here.hold.replaced(without, here.hold.calibration, None, 1e6)
        here.desk.light_replaced()
        assert here.hold.codes == codes
        assert here.hold.corrected["key"] == full
        assert "key" in told(here)
        pass_time(here, 0.25)
        assert here.hold.corrected["key"] == pytest.approx(full - 0.05, abs=0.006)
        pass_time(here, 2)
        assert here.hold.corrected == {}


async def test_a_new_calibration_of_the_head_ends_it_at_once(store: Store) -> None:
    async with made(rig_with(key=CORRECT), store) as here:
        drift(here, key=-0.3)
        await check_alone(here, "key")
        await here.do(do="read", head="fill", value=here.lux("flat", here.rig.start, "fill", ["key"]))
        assert here.hold.corrected["key"] > 0.09
        await here.do(do="read", head="key", value=here.lux("flat", here.rig.start, "key", ["fill"]))
        assert here.hold.corrected == {}
        assert "key" not in told(here)


async def test_a_restart_does_not_step_the_light(store: Store) -> None:
    rig = rig_with(key=CORRECT)
    async with made(rig, store) as here:
        drift(here, key=-0.3)
        await check_alone(here, "key")
        pass_time(here, 1)
        before, codes = here.hold.corrected, here.hold.codes
        stored = json.loads(json.dumps(here.hold.remember().model_dump(mode="json")))
    async with made(rig, store, stored) as back:
        assert (back.hold.corrected, back.hold.codes) == (before, codes)
        assert_within(told(back)["key"], -0.3)
        assert told(back)["key"]["corrected_stops"] == pytest.approx(before["key"], abs=0.001)


async def test_what_was_remembered_before_there_were_corrections_is_understood(store: Store) -> None:
    async with made(rig_with(), store) as here:
        stored = here.hold.remember().model_dump(mode="json")
    del stored["corrected"]
    assert Hold(here.rig, stored).snapshot().notes == ()


def test_the_hold_takes_a_correction_as_a_weaker_lamp() -> None:
    """Corrected by half a stop the codes are those of a file that says so many candela less."""
    hold = Hold(rig_with())
    now = settle(hold, 0.0)
    hold.event(HeadsCorrected((("key", 0.5),)), now)
    settle(hold, now)
    weaker = Hold(rig_with(text=RIG.replace("intensity = 1800", f"intensity = {1800 * 2**-0.5:.6f}")))
    settle(weaker, 0.0)
    assert hold.codes == pytest.approx(weaker.codes, abs=2)
    assert hold.snapshot().achieved.ratio_error_stops == pytest.approx(0.0, abs=0.01)


def test_a_correction_moves_no_faster_than_following() -> None:
    hold = Hold(rig_of(text=RIG.replace("[hold]\n", "[hold]\ndead_band = 0\nfollow_speed = 0.3\n")))
    now = settle(hold, 0.0) + 5.0
    before = hold.codes[0] / 65535
    hold.event(HeadsCorrected((("key", 0.5),)), now)
    hold.tick(now)
    hold.tick(now + 0.1)
    # The curve is the square of the level: 2 log2 of the levels' ratio, in stops. The first of DMX512-A's 44
    # frames a second comes at once; codes are rounded.
    assert 0 < 2 * math.log2(hold.codes[0] / 65535 / before) <= 0.3 * (0.1 + 1 / 44) + 0.001


def frames_of_a_correction() -> list[tuple[int, ...]]:
    """The codes of a walk with corrections on the way."""
    hold = Hold(rig_with())
    now, frames = settle(hold, 0.0) + 5.0, []
    hold.order(parse_order({"do": "balance", "ratio": "3:1"}), now)
    for step in range(60):
        now += 0.05
        if step % 10 == 0:
            hold.event(HeadsCorrected((("fill", -0.01 * step), ("key", 0.005 * step))), now)
        if (codes := hold.tick(now)) is not None:
            frames.append(codes)
    return frames


def test_the_same_corrections_give_the_same_codes_again() -> None:
    frames = frames_of_a_correction()
    assert len(frames) > 10
    assert frames_of_a_correction() == frames


@pytest.mark.parametrize(
    ("order", "error"),
    [
        ({"do": "read", "check": True, "head": "lamp", "value": 1}, "no head"),
        ({"do": "read", "check": True, "head": "", "value": 1, "facing": "camera"}, "no head lit"),
        ({"do": "read", "check": True, "head": "key", "value": 1, "level": 2}, "level"),
        ({"do": "sensor", "name": "roof", "value": 1}, "there is no sensor"),
        ({"do": "sensor", "name": "face", "value": -1}, "value|negative|lux"),
    ],
)
async def test_what_cannot_be_is_refused_and_tells_nothing(
    order: dict[str, Any], error: str, store: Store
) -> None:
    async with made(rig_with(FACE), store) as here:
        with pytest.raises((Refusal, ReadingError), match=error):
            await here.do(**order)
        assert here.desk.view().drift is None


@pytest.mark.parametrize("value", [math.nan, math.inf, -1.0, "much"])
async def test_values_that_are_none_are_refused(value: Any, store: Store) -> None:
    async with made(rig_with(FACE), store) as here:
        for order in ({"do": "read", "check": True, "head": "key"}, {"do": "sensor", "name": "face"}):
            with pytest.raises(Refusal, match=r"value|negative"):
                await here.do(**order, value=value)
        assert here.desk.view().drift is None


async def test_without_a_calibration_there_is_nothing_to_check(empty: Store) -> None:
    async with made(rig_with(), empty) as here:
        with pytest.raises(Refusal, match="nothing is calibrated"):
            await here.do(do="read", check=True, head="key", value=100)
        assert kept.readings(empty) == []


async def test_a_head_that_cannot_be_reached_tells_nothing_of_its_lamp(store: Store) -> None:
    async with made(rig_with(FACE), store) as here:
        here.hold.event(HeadLost("key"), 1e5)
        assert "key does not obey" in await here.do(do="sensor", name="face", value=100)
        with pytest.raises(Refusal, match="key does not obey"):
            await here.do(do="read", check=True, head="key", value=10)
        await check_alone(here, "fill")
        assert list(told(here)) == ["fill"]


async def test_no_light_at_all_is_a_reading_too(store: Store) -> None:
    async with made(rig_with(FACE), store) as here:
        await here.do(do="read", check=True, head="key", value=0)
        await here.do(do="sensor", name="face", value=0)
        assert all(math.isfinite(one["off_stops"]) for one in told(here).values())


@pytest.mark.parametrize(
    ("tables", "key", "says"),
    [
        ("", "correct_drift = { most = 5 }\n", "most"),
        ("", "correct_drift = { most = -0.1 }\n", "most"),
        ("", "correct_drift = { per_hour = nan }\n", "per_hour"),
        ("", "correct_drift = { per_hour = 1.5 }\n", "per_hour"),
        ("", "correct_drift = true\n", "correct_drift"),
        ('[sensors.face]\nwatches = "heads"\n', "", "needs at and facing"),
        ('[sensors.face]\nwatches = "clouds"\n', "", "watches"),
        (FACE + FACE.replace("face]", "nose]"), "", "one sensor of each kind"),
        ("[sensors.a]\n[sensors.b]\n", "", "one sensor of each kind"),
    ],
)
def test_tables_that_cannot_be_are_named(tables: str, key: str, says: str) -> None:
    with pytest.raises(RigError) as caught:
        rig_with(tables, key)
    assert says in str(caught.value)


async def test_a_correction_is_told_though_what_was_read_is_older_than_the_calibration(store: Store) -> None:
    """A reading of the other head made a new calibration; after a restart this one is corrected on."""
    rig = rig_with(key=CORRECT)
    async with made(rig, store) as here:
        drift(here, key=-0.3)
        await check_alone(here, "key")
        value = here.lux("flat", here.rig.start, "fill", ["key"])
        await here.do(do="read", head="fill", level=here.levels["fill"], value=value)
        pass_time(here, 0.1)
        corrected = here.hold.corrected["key"]
        stored = json.loads(json.dumps(here.hold.remember().model_dump(mode="json")))
    async with made(rig, store, stored) as back:
        assert back.hold.corrected["key"] == corrected
        assert notes(back) == (
            "key was not read since the start, and drifted before; the balance makes up for "
            f"{corrected:.2f} stop of it",
        )
