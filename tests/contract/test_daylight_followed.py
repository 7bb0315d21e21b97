"""Contract: the room followed by a sensor: learned, freed of our own light, smooth, never in a freeze."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from contract.meter_studio import RIG, Made, made, rig_of
from fillside.belief.daylight import own_light
from fillside.doors.mqtt.sensors import Sensors
from fillside.hold.events import DaylightChanged
from fillside.hold.machine.hold import Hold
from fillside.metering.daylight import SILENT_S
from fillside.metering.simulated_meter import truth_of
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.rig.problems import RigError
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.store import Store
from fillside_drivers.sim.truth import direct_lux, unit

WINDOW = "[sensors.window]\n"
SEES = '[sensors.window]\nat = [-0.4, 0.6, 1.5]\nfacing = "key"\n'
QUICK = '[hold]\npace = "quick"\n'
LATER_S = 60.0


@pytest.fixture
def store() -> Iterator[Store]:
    with Store.in_memory() as opened:
        yield opened


def rig_with(sensor: str = WINDOW, pace: str = QUICK) -> Rig:
    """The rig with a sensor, in a room of 20 lux."""
    return rig_of(text=RIG.replace("[hold]\n", f"{sensor}{pace}").replace("lux = 3", "lux = 20"))


async def learned(here: Made, shown_lux: float = 100.0, ambient_lux: float = 20.0) -> None:
    """The room, even light from all sides, metered with all heads out while the sensor speaks."""
    await here.do(do="sensor", name="window", value=shown_lux)
    for facing, receptor in (("key", "flat"), ("fill", "flat"), ("camera", "dome")):
        for _ in range(2):
            lux = 2 * ambient_lux if receptor == "dome" else ambient_lux
            await here.do(do="read", head="", value=lux, facing=facing, receptor=receptor)
    here.clock_s[0] += LATER_S


async def test_the_room_follows_the_sensor_times_what_was_learned(store: Store) -> None:
    async with made(rig_with(), store) as here:
        assert "not learned yet" in await here.do(do="sensor", name="window", value=100)
        await learned(here)
        before = here.hold.scene.ambient
        assert before == pytest.approx((20.0, 20.0, 40.0), rel=0.1)
        await here.do(do="sensor", name="window", value=300)
        assert here.hold.scene.ambient == pytest.approx([3 * lux for lux in before], rel=0.01)
        state = here.desk.view().daylight
        assert state is not None
        assert (state["sensor"], state["says"], state["shown_lux"]) == ("window", "followed", 300.0)


async def test_the_exposure_stays_while_the_daylight_comes_up(store: Store) -> None:
    """Judged in the simulated room, its light raised from 20 to 70 lux, for a dome by 100 of 330 lux."""
    async with made(rig_with(), store) as here:
        await here.calibrate()
        await learned(here)
        wanted = here.hold.snapshot().target.exposure_lux
        dark = true_exposure(here, 20.0)
        still = true_exposure(here, 70.0)
        await here.do(do="sensor", name="window", value=350)
        followed = true_exposure(here, 70.0)
        assert abs(math.log2(dark / wanted)) < 0.1
        assert math.log2(still / wanted) > 0.3
        assert abs(math.log2(followed / wanted)) < 0.1


def true_exposure(here: Made, ambient_lux: float) -> float:
    truth, at = truth_of(here.rig), here.rig.start
    toward = unit([c - p for c, p in zip(here.rig.camera.position, at, strict=True)])
    levels = here.levels
    lit = (direct_lux(h, "dome", at, toward) * h.output(levels[h.name]) for h in truth.heads)
    return 2 * ambient_lux + sum(lit)


async def test_light_of_our_own_is_taken_off_before_the_room_is_believed(store: Store) -> None:
    """The sensor's own light by the simulator: the room is dark, and what it shows comes from the heads."""
    async with made(rig_with(SEES), store) as here:
        await here.calibrate()
        await learned(here)
        truth, at = truth_of(here.rig), (-0.4, 0.6, 1.5)
        axis = unit((np.array(here.rig.head("key").position) - np.array(at)).tolist())

        def shown(room_lux: float) -> float:
            levels = here.levels
            lit = (direct_lux(h, "flat", at, axis) * h.output(levels[h.name]) for h in truth.heads)
            return room_lux + sum(lit)

        before = here.hold.scene.ambient
        assert shown(0.0) > 20
        await here.do(do="sensor", name="window", value=shown(100.0))
        assert here.hold.scene.ambient == pytest.approx(before, rel=0.1)
        note = await here.do(do="sensor", name="window", value=shown(1.0))
        assert "most of what it shows is our own light" in note
        assert here.hold.scene.ambient == pytest.approx(before, rel=0.1)
        here.moving = True
        assert "the light moves" in await here.do(do="sensor", name="window", value=10_000)


async def test_a_hand_before_the_sensor_is_no_cloud(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await learned(here)
        await here.do(do="sensor", name="window", value=100)
        before = here.hold.scene.ambient
        here.clock_s[0] += 0.5
        await here.do(do="sensor", name="window", value=0)
        assert here.hold.scene.ambient == pytest.approx([lux * math.exp(-0.1) for lux in before], rel=0.01)


async def test_a_sensor_that_falls_silent_leaves_the_room_as_it_was(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await learned(here)
        await here.do(do="sensor", name="window", value=200)
        before = here.hold.scene.ambient
        assert here.desk.view().notes == ()
        here.clock_s[0] += SILENT_S + 1
        state = here.desk.view().daylight
        assert state is not None
        assert "silent" in state["says"]
        assert here.desk.view().notes == (
            "the daylight is not followed by the sensor window: silent; the room's light is taken as it was",
        )
        assert here.hold.scene.ambient == before


async def test_a_new_calibration_does_not_forget_the_daylight(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await learned(here)
        await here.do(do="sensor", name="window", value=400)
        before = here.hold.scene.ambient
        await here.do(do="read", head="key", level=1.0, value=300)
        assert here.hold.scene.ambient == pytest.approx(before, rel=0.05)


async def test_every_reading_keeps_what_the_sensor_shows_of_the_room(store: Store) -> None:
    """Readings of lit heads too, without the light of ours that the sensor sees; none once it is silent."""
    async with made(rig_with(SEES), store) as here:
        ours = own_light_on_the_sensor(here)
        await here.do(do="sensor", name="window", value=2000 + ours)
        await here.do(do="read", head="", value=20, facing="camera")
        await here.do(do="read", head="key", level=1.0, value=300)
        here.clock_s[0] += 61
        await here.do(do="read", head="key", level=1.0, value=300)
        newest, *older = (one.body for one in kept.readings(store))
        assert "daylight_lux" not in newest
        assert len(older) == 2
        for body in older:
            assert (body["daylight_sensor"], body["daylight_lux"]) == ("window", pytest.approx(2000.0))


def own_light_on_the_sensor(here: Made) -> float:
    outputs = here.hold.scene.dimmers.outputs(here.hold.codes)
    return float(own_light(here.hold.scene, here.rig.sensors["window"]) @ outputs)


async def test_a_reading_keeps_no_daylight_where_our_own_light_outshines_it(store: Store) -> None:
    async with made(rig_with(SEES), store) as here:
        ours = own_light_on_the_sensor(here)
        for shown, is_kept in ((10 * ours, True), (1.6 * ours, False)):
            here.clock_s[0] += LATER_S
            await here.do(do="sensor", name="window", value=shown)
            await here.do(do="read", head="key", level=1.0, value=300)
            body = kept.readings(store)[0].body
            assert ("daylight_lux" in body) == is_kept
        here.clock_s[0] += LATER_S
        note = await here.do(do="sensor", name="window", value=1.6 * ours)
        assert "not learned yet" in note


async def test_a_check_keeps_the_daylight_too(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await learned(here)
        await here.do(do="sensor", name="window", value=200)
        await here.do(do="read", head="key", value=300, check=True)
        newest = kept.readings(store)[0]
        assert (newest.purpose, newest.body["daylight_lux"]) == ("check", pytest.approx(200.0, rel=1e-4))


async def test_rows_of_a_sensor_beside_earlier_readings_still_count(store: Store) -> None:
    """As they were stored before readings had the sensor's word in their own body."""
    async with made(rig_with(), store) as here:
        numbers: list[int] = []
        for facing, lux in (("key", 20), ("fill", 20), ("camera", 20)):
            await here.do(do="read", head="", value=lux, facing=facing)
            numbers.append(kept.readings(store)[0].id)
        for number in numbers:
            beside = {"sensor": "window", "lux": 100.0, "reading": number}
            kept.save_reading(store, "sensor window", "sensor", beside).result(10)
        assert "not learned yet" in await here.do(do="sensor", name="window", value=100)
        here.clock_s[0] += LATER_S
        await here.do(do="read", head="key", level=1.0, value=300)
        before = here.hold.scene.ambient
        await here.do(do="sensor", name="window", value=300)
        assert here.hold.scene.ambient == pytest.approx([3 * lux for lux in before], rel=0.01)


async def test_a_calibration_with_the_factors_of_before_is_followed(store: Store) -> None:
    ambient = {"toward_key": 30.0, "toward_fill": 20.0, "toward_camera": 60.0}
    factors = {"toward_key": 0.3, "toward_fill": 0.2, "toward_camera": 0.6}
    async with made(rig_with(), store) as here:
        await here.do(
            do="import", calibration={"heads": {}, "ambient": ambient, "sensors": {"window": factors}}
        )
        await here.do(do="sensor", name="window", value=250)
        assert here.hold.scene.ambient == pytest.approx((75.0, 50.0, 150.0))
        state = here.desk.view().daylight
        assert state is not None
        assert (state["toward_key"], state["toward_fill"], state["toward_camera"]) == (75.0, 50.0, 150.0)


async def test_the_word_of_a_sensor_that_the_file_renamed_is_not_taken_for_the_new_one(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await learned(here)
    async with made(rig_with(WINDOW.replace("window", "skylight")), store) as here:
        assert "not learned yet" in await here.do(do="sensor", name="skylight", value=100)
        here.clock_s[0] += SILENT_S
        await here.do(do="read", head="key", level=1.0, value=300)
        assert "not learned yet" in await here.do(do="sensor", name="skylight", value=100)


async def test_without_a_word_of_the_sensor_nothing_is_learned(store: Store) -> None:
    async with made(rig_with(), store) as here:
        await here.do(do="sensor", name="window", value=100)
        here.clock_s[0] += 61
        await here.do(do="read", head="", value=20, facing="camera")
        assert "not learned yet" in await here.do(do="sensor", name="window", value=300)
        assert {one.purpose for one in kept.readings(store)} == {"calibrate"}


@pytest.mark.parametrize(
    ("order", "code"),
    [
        ({"do": "sensor", "name": "roof", "value": 1}, "unknown_name"),
        ({"do": "sensor", "name": "window", "value": -1}, "bad_order"),
        ({"do": "sensor", "name": "window", "value": -1, "unit": "fc"}, "bad_order"),
    ],
)
async def test_what_no_sensor_says_is_refused(order: dict[str, Any], code: str, store: Store) -> None:
    async with made(rig_with(), store) as here:
        with pytest.raises(Refusal) as caught:
            await here.do(**order)
        assert caught.value.code == code
        assert here.desk.view().daylight["shown_lux"] is None  # type: ignore[index]


async def test_a_rig_without_a_sensor_shows_none(store: Store) -> None:
    async with made(rig_of(), store) as here:
        assert here.desk.view().daylight is None


def settled(hold: Hold, now: float, steps: list[float] | None = None) -> float:
    """Tick until nothing moves; the largest change of each frame in stops of output goes to `steps`."""
    while (wake_in := hold.wake_in(now)) is not None:
        before = np.array(hold.codes) / 65535
        now += wake_in
        hold.tick(now)
        after = np.array(hold.codes) / 65535
        if steps is not None:
            # The curve is the square of the level: 2 log2 of the levels' ratio, in stops.
            steps.append(float(np.abs(2 * np.log2(np.maximum(after, 0.1) / np.maximum(before, 0.1))).max()))
    return now


def test_the_hold_goes_along_at_the_speed_of_following() -> None:
    hold = Hold(rig_of(text=RIG.replace("[hold]\n", '[hold]\npace = "calm"\n')))
    now = settled(hold, 0.0) + 5.0
    before, steps = hold.codes, list[float]()
    hold.event(DaylightChanged(25.0), now)
    now = settled(hold, now, steps)
    assert hold.codes != before
    # A calm pace follows at 0.3 stop/s; DMX512-A has 44 frames a second, and codes are rounded.
    assert max(steps) <= 0.3 / 44 * 1.1 + 0.001
    assert hold.snapshot().achieved.exposure_lux == pytest.approx(
        hold.snapshot().target.exposure_lux, rel=0.01
    )


def test_a_calm_hold_rests_within_its_dead_band() -> None:
    hold = Hold(rig_of(text=RIG.replace("[hold]\n", '[hold]\npace = "calm"\n')))
    now = settled(hold, 0.0)
    before = hold.codes
    hold.event(DaylightChanged(3.0), now)
    settled(hold, now)
    assert hold.codes == before


@pytest.mark.parametrize("mode", ["freeze", "dark"])
def test_kept_levels_do_not_follow_until_follow(mode: str) -> None:
    hold = Hold(rig_of())
    now = settled(hold, 0.0)
    held = hold.codes
    hold.order(parse_order({"do": mode}), now)
    now = settled(hold, now)
    kept_codes = hold.codes
    hold.event(DaylightChanged(25.0), now)
    now = settled(hold, now)
    assert hold.codes == kept_codes
    hold.order(parse_order({"do": "follow"}), now)
    settled(hold, now)
    assert hold.codes not in (held, kept_codes)


def test_the_same_daylight_gives_the_same_codes_as_a_file_that_says_so() -> None:
    hold = Hold(rig_with())
    now = settled(hold, 0.0)
    hold.event(DaylightChanged(7.5), now)
    now = settled(hold, now)
    by_file = Hold(rig_of(text=RIG.replace("lux = 3", "lux = 150")))
    settled(by_file, 0.0)
    assert np.allclose(np.array(hold.codes), np.array(by_file.codes), atol=2)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[sensors.window]\nat = [0, 0, 1]\n", "give at and facing together"),
        ('[sensors.window]\nat = "sofa"\nfacing = "camera"\n', 'there is no mark "sofa"'),
        ('[sensors.window]\nat = [0.0, 0.0, 1.0]\nfacing = "door"\n', 'there is no head "door"'),
        ('[sensors.window]\nat = "chair"\nfacing = "chair"\n', "cannot face the place where it is"),
        ("[sensors.window]\n[sensors.roof]\n", "sensors"),
        ('[sensors.window]\nunit = "candela"\n', "unit"),
        ("[sensors.window]\nsees = 1\n", "sees"),
    ],
)
def test_tables_that_cannot_be_are_named(table: str, says: str) -> None:
    with pytest.raises(RigError, match="sensors") as caught:
        rig_with(table)
    assert says in str(caught.value)


def test_a_broker_s_word_for_the_window_is_the_sensor_s() -> None:
    sensors = Sensors(rig_with())

    def nobody() -> dict[str, Any]:
        raise AssertionError("the state is not looked at")

    order = {"do": "sensor", "name": "window", "value": 120.0}
    assert sensors.reading("window", b"120", 0.0, nobody) == order
    assert sensors.reading("window", b'{"value": 8, "unit": "ev100"}', 0.0, nobody) == {
        "do": "sensor", "name": "window", "value": 8, "unit": "ev100",
    }  # fmt: skip
