"""Contract: readings under several skies agree where a sensor told, and the light follows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from bench.bench_daylight import CASES, OFF_STOPS, Tally, tally_of
from fillside.balance.target import target_from_rig
from fillside.belief import observations
from fillside.belief.belief import Belief, believe
from fillside.belief.daylight import SensorLight, learned_lux, own_light
from fillside.belief.evidence import Reading, ReadingError
from fillside.belief.evidence_table import csv_from_readings, readings_from_csv
from fillside.belief.forward.model import model_of
from fillside.belief.forward.priors import AMBIENT, AMBIENT_X, INTENSITY, WINDOW_X
from fillside.belief.observations import wanted_of
from fillside.belief.result.calibrating import calibration_of
from fillside.belief.result.intervals import Intervals
from fillside.belief.result.restoring import known_belief
from fillside.hold.events import DaylightChanged
from fillside.hold.machine.hold import Hold
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from rigs import pair, sim, studio

MARK = (0.0, 0.0, 1.2)
SHOWN_LUX = 100.0
TABLES = studio(
    heads=pair(
        key={"intensity": 1800}, fill={"intensity": 1300}, modifier={"diameter": 0.6},
        dimming={"curve": "square"}, drive={"driver": "stage", "bits": 16},
    ),
    drivers=sim("stage"),
)  # fmt: skip


def rig(**tables: Any) -> Rig:
    return Rig.model_validate({**TABLES, "sensors": {"window": {}}, **tables})


def readings(rig: Rig, skies: dict[str, float], told: bool = True) -> list[Reading]:
    """The rig's own light, the key half a stop weaker, with 40 lx from a window under the sky that shows
    `SHOWN_LUX`: in the dark and of each head, under skies so many times as bright."""
    model = model_of(rig)
    z = np.zeros(model.size)
    model.per_head(z)[0, INTENSITY] = -0.5 / 0.65
    z[model.index_of_shared(AMBIENT)] = (
        math.log(8.0 / model.prior.ambient_lux[0]) / model.prior.ambient_lux[1]
    )
    z[model.index_of_shared(AMBIENT_X) + 1] = -0.6
    z[model.index_of_shared(WINDOW_X)] = math.asinh(32.0 / 0.7) / 1.7
    there, taken = model.figures(z), []
    asked: list[tuple[str, dict[str, Any]]] = [
        ("dark", {"facing": side, "receptor": "dome" if side == "camera" else "flat"})
        for side in ("camera", "key", "fill")
    ]
    asked += [
        (head, {"heads": (head,), "levels": (level,)})
        for head in ("key", "fill")
        for level in (1.0, 0.6, 0.4)
    ]
    for sky, fields in asked:
        times = skies.get(sky, 1.0)
        shown = {"daylight_lux": times * SHOWN_LUX}
        first = Reading.model_validate({"at": MARK, "value": 1.0, **fields, **shown})
        blind = model.quantities([wanted_of(first, model)])
        ambient = float(model.ambient_lux(there, blind)[0])
        lux = float(model.lux(there, blind)[0]) + (times - 1) * ambient
        taken.append(
            first.model_copy(update={"value": round(lux, 2), **({} if told else {"daylight_lux": None})})
        )
    return taken


def ambient_of(belief: Belief) -> tuple[float, ...]:
    found = calibration_of(belief).ambient
    assert found is not None
    return tuple(float(lux or 0.0) for lux in (found.toward_key, found.toward_fill, found.toward_camera))


CLOUDY = {"key": 8.0, "fill": 0.125}


def test_readings_under_cloud_and_sun_agree_about_one_studio() -> None:
    here = rig()
    one, several = (believe(readings(here, skies), here) for skies in ({}, CLOUDY))
    for i in range(2):
        assert several.figures.log2_cd[i] == pytest.approx(one.figures.log2_cd[i], abs=0.1)
    assert ambient_of(several) == pytest.approx(ambient_of(one), rel=0.07)
    blind = believe(readings(here, CLOUDY, told=False), here)
    assert np.abs(blind.figures.log2_cd - one.figures.log2_cd).max() > 0.3


def test_readings_under_one_other_sky_err_together() -> None:
    """Beside a sensor that does not see all: those under the sky of the dark readings share nothing."""
    noise = believe(readings(rig(), CLOUDY), rig()).problem.noise
    dark, key, fill = slice(0, 3), slice(3, 6), slice(6, 9)
    assert (noise[key, key] > 1e-5).all()
    assert (noise[fill, fill] > 1e-7).all()
    assert not noise[key, fill].any()
    assert np.count_nonzero(noise[dark]) == 3


def test_a_reading_of_which_no_sensor_told_may_be_of_a_sky_as_far_off_as_the_others() -> None:
    here = rig()
    still, restless = (
        [*readings(here, skies)[:-1], readings(here, {}, told=False)[-1]] for skies in ({}, CLOUDY)
    )
    calm, doubtful = (float(believe(one, here).problem.noise[-1, -1]) for one in (still, restless))
    assert doubtful > 1.5 * calm


def test_the_calibration_says_what_the_sensor_showed_when_the_room_was_read() -> None:
    here = rig()
    taken = readings(here, {"dark": 2.0})
    found = calibration_of(believe(taken, here))
    assert found.sensors["window"].shown_lux == 200.0
    assert learned_lux(scene(here, found), found, "window") == 200.0
    before = ambient_of(believe(readings(here, {}), here))
    assert ambient_of(believe(taken, here)) == pytest.approx([2 * lux for lux in before], rel=0.05)
    lit = [one for one in taken if one.heads]
    assert calibration_of(believe(lit, here)).sensors == {}
    assert calibration_of(believe(readings(here, {}, told=False), here)).sensors == {}


def test_the_word_of_another_sensor_does_not_count() -> None:
    here = rig()
    named = [one.model_copy(update={"daylight_sensor": "roof"}) for one in readings(here, CLOUDY)]
    assert calibration_of(believe(named, here)).sensors == {}
    blind = believe(readings(here, CLOUDY, told=False), here)
    assert believe(named, here).figures.log2_cd == pytest.approx(blind.figures.log2_cd)


def test_no_light_on_the_sensor_is_no_sky_to_learn_by() -> None:
    here = rig()
    dark = [one.model_copy(update={"daylight_lux": 0.0}) for one in readings(here, {})]
    assert calibration_of(believe(dark, here)).sensors == {}


def test_a_calibration_read_back_knows_of_the_skies() -> None:
    here = rig()
    belief = believe(readings(here, CLOUDY), here)
    calibration = Calibration.model_validate_json(calibration_of(belief).model_dump_json())
    again = known_belief(here, calibration)
    assert [one.daylight_lux for one in again.readings] == [one.daylight_lux for one in belief.readings]
    slopes = np.eye(belief.model.size)
    assert again.posterior.variance(slopes) == pytest.approx(belief.posterior.variance(slopes), abs=0.02)


def test_a_table_keeps_what_the_sensor_showed_and_refuses_what_it_cannot_show() -> None:
    here = rig()
    taken = readings(here, CLOUDY)
    text = csv_from_readings(taken)
    assert readings_from_csv(text, here) == tuple(taken)
    assert "daylight" not in csv_from_readings(
        [one.model_copy(update={"daylight_lux": None}) for one in taken]
    )
    for wrong in ("-1.0", "much", "nan", "1e9"):
        with pytest.raises(ReadingError, match="line 2: daylight_lux") as caught:
            readings_from_csv(text.replace(",100.0,", f",{wrong},", 1), here)
        assert "\n" not in str(caught.value)


def test_older_factors_say_what_the_sensor_showed() -> None:
    ambient = {"toward_key": 40.0, "toward_fill": 20.0, "toward_camera": 60.0}
    factors = {"toward_key": 0.4, "toward_fill": 0.2, "toward_camera": 0.6}

    def shown(**sensor: Any) -> float | None:
        found = Calibration.model_validate({"ambient": ambient, "sensors": {"window": sensor}})
        return learned_lux(scene(rig(), found), found, "window")

    assert shown(**factors) == pytest.approx(100.0)
    assert shown(**factors, shown_lux=50.0) == 50.0
    assert shown(**{**factors, "toward_fill": -0.2}) is None
    assert shown(toward_key=0.4) is None
    assert shown(shown_lux=0.0) is None
    assert shown(shown_lux="much") is None


def test_what_a_sensor_sees_of_our_own_heads_is_taken_off_while_it_is_little() -> None:
    assert SensorLight(440.0, 40.0).room_lux == pytest.approx(400.0)
    assert SensorLight(440.0, 40.0).lux_beside_a_reading == pytest.approx(400.0)
    assert SensorLight(0.0, 0.0).room_lux == 0.0
    assert SensorLight(-1.0, 0.0).room_lux is None
    assert SensorLight(70.0, 60.0).room_lux is None
    half = SensorLight(120.0, 70.0)
    assert half.room_lux == pytest.approx(50.0)
    assert half.lux_beside_a_reading is None
    assert half.sd_stops > 0.5 > 10 * SensorLight(440.0, 4.0).sd_stops


def test_a_sensor_without_a_place_sees_nothing_of_our_own() -> None:
    placed = rig(sensors={"window": {"at": [0.0, -1.0, 1.2], "facing": "key"}})
    assert own_light(scene(rig()), rig().sensors["window"]).tolist() == [0.0, 0.0]
    assert own_light(scene(placed), placed.sensors["window"])[0] > 1.0


def test_intervals_under_another_sky_are_of_that_sky(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cloud is no bias of the belief; what a sensor cannot tell counts, by its share in the light."""
    here = rig()
    found = calibration_of(believe(readings(here, {}), here))
    intervals, target = Intervals(here, found), target_from_rig(here)

    def exposure(times: float, sd: float = 0.0) -> float:
        intervals.daylight, intervals.daylight_sd = times, sd
        told = intervals.at(MARK, (0.6, 0.6), (True, True), target).uncertainty.exposure_stops
        assert told is not None
        return told

    still, cloud, sun = exposure(1.0), exposure(0.125), exposure(4.0)
    assert cloud < 1.25 * still
    assert exposure(0.0) == pytest.approx(exposure(1e-5), abs=1e-3)
    assert exposure(4.0, 0.5) > 1.3 * sun
    monkeypatch.setattr(observations, "DAYLIGHT_SD_STOPS", 0.0)
    assert exposure(4.0) < 0.97 * sun
    assert exposure(1.0) == still


def test_all_light_of_the_hold_follows_the_sun() -> None:
    here = rig()
    found = calibration_of(believe(readings(here, {}), here))
    hold = Hold(here, calibration=found)
    before = hold.scene
    hold.event(DaylightChanged(4.0), 0.0)
    now = hold.scene
    assert now.ambient == pytest.approx([4 * lux for lux in before.ambient])
    assert now.ambient_light.mean_lux == pytest.approx(4 * before.ambient_light.mean_lux)
    assert before.window is not None
    assert now.window is not None
    assert now.window.toward_lux == pytest.approx([4 * lux for lux in before.window.toward_lux])
    hold.event(DaylightChanged(0.5), 0.0)
    assert hold.scene.ambient == pytest.approx([lux / 2 for lux in before.ambient])


def test_remedies_are_looked_for_under_the_sky_of_now() -> None:
    here = rig()
    found = calibration_of(believe(readings(here, {}), here))
    hold = Hold(here, calibration=found)
    hold.event(DaylightChanged(30.0), 0.0)
    now = 0.0
    while (wake := hold.wake_in(now)) is not None:
        now += wake
        hold.tick(now)
    question = hold.remedy_question(now + 10.0)
    assert question is not None
    assert question.calibration is not None
    ambient, calibrated = question.calibration.ambient, found.ambient
    assert ambient is not None
    assert calibrated is not None
    assert ambient.readings == calibrated.readings
    assert ambient.window_m == calibrated.window_m
    for side in ("toward_key", "toward_fill", "toward_camera", "mean"):
        assert getattr(ambient, side) == pytest.approx(30 * getattr(calibrated, side), rel=0.1)
    # A sky that is hardly another is no other question.
    hold.event(DaylightChanged(30.5), now)
    again = hold.remedy_question(now + 20.0)
    assert again is None or again.calibration == question.calibration


def judged(name: str) -> Tally:
    return tally_of(CASES[name], range(9000, 9006))


@pytest.mark.parametrize("name", ["one window, any dimmers, 6 a head", "read under several skies"])
def test_in_true_studios_the_light_is_near_what_is_said_or_it_is_said(name: str) -> None:
    tally = judged(name)
    errors, told = np.abs(np.array(tally.errors)), np.array(tally.told)
    assert len(errors) >= 8
    assert (errors <= np.maximum(told, OFF_STOPS)).mean() > 0.9
    assert np.median(told) < 0.6
