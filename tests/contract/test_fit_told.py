"""Contract: `fillside fit` tells what it believes in plain words, each number with the digits that it has."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

import fillside
from contract.meter_studio import made, rig_of
from fillside.belief.belief import believe
from fillside.belief.evidence import Evidence, HeadEvent, Reading, ReadingError, TapeMeasure
from fillside.belief.evidence_table import evidence_from_csv
from fillside.belief.forward.priors import STAND, TAPE_SD_M
from fillside.belief.result.calibrating import belief_from_csv, calibration_from_csv, calibration_of
from fillside.belief.result.comparing import shared_words
from fillside.belief.result.figure_uncertainty import (
    ambient_uncertainty,
    direct_lux,
    intensity_sd_stops,
    output_sd_stops,
    room_sd_stops,
    steps_believed,
    tapes_off_m,
)
from fillside.cli.commands.offline import fit
from fillside.cli.render.calibration import COMPARED_LEVELS, curve_words, fit_lines
from fillside.photometry.dimming import curve
from fillside.photometry.source import facing_lux
from fillside.rig.calibration import CalibratedCurve, Calibration
from fillside.rig.scene.scene import scene
from fillside.storage.records import metering as kept
from fillside.storage.store import Store

CONFIG = Path(__file__).resolve().parents[2] / "config"
HEAD = "head,level,x,y,z,value,unit,receptor,facing,time,note\n"
READ = (
    "key,1,chair,,,300,lux,flat,head,2026-02-10T09:00,\nkey,0.5,chair,,,75,lux,flat,head,2026-02-10T09:00,\n"
)
TAPE = "key,,chair,,,1.64,m,,,2026-02-10T09:05,\n"
MOVED = "key,,,,,,moved,,,2026-02-11T09:30,bumped\n"
AFTER = "key,1,chair,,,220,lux,flat,head,2026-02-11T10:00,\n"
CHANGED = "fill,,,,,,changed,,,2026-02-11T09:30,\n"
COUNTED = [
    ("", "2 readings"),
    (TAPE, "2 readings, 1 tape measure"),
    (TAPE + TAPE + MOVED, "2 readings, 2 tape measures, 1 event"),
]


def told(csv: str) -> list[str]:
    """The lines of a fit of the meter's studio."""
    rig = rig_of()
    found = belief_from_csv(HEAD + csv, rig)
    return fit_lines(rig, calibration_of(found), found)


def cells(lines: Sequence[str], first: str) -> list[str]:
    """The cells of the first row that begins with a word."""
    (row, *_) = [line for line in lines if line.startswith(f"{first} ")]
    return re.split(r"  +", row)


@pytest.mark.parametrize(("more", "counted"), COUNTED)
def test_what_was_told_is_counted(more: str, counted: str) -> None:
    assert told(READ + more)[0].endswith(f": {counted}")


def test_tapes_and_events_stand_with_what_they_say() -> None:
    lines = told(READ + TAPE + MOVED + AFTER + CHANGED)
    tape, moved, changed = (cells(lines, word) for word in ("tape", "moved", "changed"))
    assert tape[1:3] == ["key", "1.64 m from 0.00, 0.00, 1.20 m"]
    assert re.fullmatch(r"as believed|\d+ cm (more|less) than believed", tape[3])
    assert tape[4] == "2026-02-10T09:05"
    assert moved[1:3] == ["key", "bumped"]
    far = re.fullmatch(r"([+-]\d\.\d) ±\d\.\d m away from chair", moved[3])
    assert far is not None
    # It gives less light than before, so it stands farther.
    assert float(far[1]) > 0
    assert changed[1] == "fill"
    assert "stop" in changed[2]


def test_a_tape_is_printed_in_metres_whatever_it_was_read_in() -> None:
    (in_feet,) = evidence_from_csv(HEAD + TAPE.replace("1.64,m", "5.38,ft"), rig_of()).tapes
    assert in_feet.distance_m == pytest.approx(5.38 * 0.3048, abs=1e-12)
    assert cells(told(READ + TAPE.replace("1.64,m", "5.38,ft")), "tape")[2].startswith("1.64 m from")


def test_the_room_light_of_a_head_is_its_mean_and_a_share_of_its_direct_light() -> None:
    rig = rig_of()
    found = belief_from_csv(HEAD + READ, rig)
    calibration = calibration_of(found)
    lines = fit_lines(rig, calibration, found)
    room = calibration.heads["key"].room
    assert room is not None
    shown = re.fullmatch(r"([\d.]+) lx \(([\d.]+) %\), ±[\d.]+ stops?", cells(lines, "key")[3])
    assert shown is not None
    direct = float(facing_lux(scene(rig, calibration).sources, rig.first_mark)[0])
    assert direct_lux(found, 0) == pytest.approx(direct, rel=1e-4)
    within = 2.0 ** (2 * room_sd_stops(found, 0))
    assert 1 / within < float(shown[1]) / room.mean < within
    assert float(shown[2]) == pytest.approx(100 * room.mean / direct, rel=0.5)
    assert cells(lines, "fill")[3] == "–"
    assert "(of direct light at chair)" in "\n".join(lines)


def test_a_figure_has_no_digit_that_its_uncertainty_makes_meaningless() -> None:
    rig = rig_of()
    one = belief_from_csv(HEAD + "key,1,chair,,,300,lux,flat,head,,\n", rig)
    cd = cells(fit_lines(rig, calibration_of(one), one), "key")[1].removesuffix(" cd")
    said_within = 2.0 ** (2 * intensity_sd_stops(one, 0)) - 1
    last_digit = 10.0 ** (len(cd) - len(cd.rstrip("0")))
    assert last_digit / float(cd) > said_within / 30
    unread = cells(fit_lines(rig, calibration_of(one), one), "fill")
    assert float(unread[1].removesuffix(" cd")) == pytest.approx(rig.head("fill").intensity_cd)


def table_of(name: str, strays: float = 0.0) -> CalibratedCurve:
    """A standard curve as a calibration states it, so many stops above at half level."""
    levels = [i / 50 for i in range(51)]
    outputs = [float(curve(name).output_from_level(level)) for level in levels]
    bent = [
        min(1.0, own * 2.0 ** (strays * math.exp(-(((level - 0.5) / 0.15) ** 2))))
        for own, level in zip(outputs, levels, strict=True)
    ]
    return CalibratedCurve(levels=tuple(levels), outputs=tuple(max(bent[: i + 1]) for i in range(51)))


@pytest.mark.parametrize("name", ["linear", "square", "log", "lightness"])
def test_a_learned_curve_is_called_by_the_standard_one_that_it_is_like(name: str) -> None:
    known = [0.2] * len(COMPARED_LEVELS)
    assert curve_words(table_of(name), known, [0.3, 1.0]).startswith(
        f"like {name}, within 0.2 stop from 30 % on"
    )
    near = curve_words(table_of(name, 0.15), known, [0.1])
    assert near.startswith(f"like {name}, within 0.4 stop from 10 % on")


def test_a_curve_is_of_its_own_shape_only_where_that_is_known() -> None:
    far = table_of("linear", 0.8)
    assert curve_words(far, [0.2] * len(COMPARED_LEVELS), [0.1]).startswith("a shape of its own, up to ")
    assert curve_words(far, [2.0] * len(COMPARED_LEVELS), [0.1]).startswith("like ")
    assert curve_words(far, [0.2] * len(COMPARED_LEVELS), [1.0]) == "read at full alone: as the file says"


def test_ends_of_a_curve_are_told_where_readings_say_so() -> None:
    dead = CalibratedCurve(levels=(0.0, 0.2, 0.6, 0.9, 1.0), outputs=(0.0, 0.0, 0.5, 1.0, 1.0))
    known = [0.1] * len(COMPARED_LEVELS)
    said = curve_words(dead, known, [0.1, 0.6, 0.95])
    assert re.search(r", dark to 20 %, full from (8[5-9]|90) %$", said)
    assert "dark" not in curve_words(dead, known, [0.5, 0.95])
    assert "full from" not in curve_words(dead, known, [0.1, 0.6])


def window_readings(lux: float) -> list[Reading]:
    """All heads out beside a window 2 m to the left: toward it, away from it, and from nearer to it."""
    chair = (0.0, 0.0, 1.2)
    found = []
    for x, facing, value in ((0.0, "fill", lux), (0.0, "key", 2.0), (-0.7, "fill", lux * (2 / 1.3) ** 2)):
        found.append(Reading(at=(x, *chair[1:]), value=round(value, 1), facing=facing))
    found.append(Reading(at=chair, value=3.0, facing="camera"))
    return found


def test_a_window_is_told_where_one_is_believed_and_else_not() -> None:
    rig = rig_of()
    by_day = believe(window_readings(160.0), rig)
    (line,) = [one for one in fit_lines(rig, calibration_of(by_day), by_day) if one.startswith("a window")]
    shown = re.fullmatch(r"a window about ([\d.]+) m away toward (.+), (\d+) lx at chair", line)
    assert shown is not None
    assert "left" in shown[2]
    assert "right" not in shown[2]
    by_night = believe([Reading(at=(0.0, 0.0, 1.2), value=3.0, facing=side) for side in ("key", "fill")], rig)
    lines = fit_lines(rig, calibration_of(by_night), by_night)
    assert not [one for one in lines if one.startswith("a window")]
    assert [one for one in lines if "on average over all directions" in one]


def _moved(z: Any, place: int, step: float) -> Any:
    other = z.copy()
    other[place] += step
    return other


def test_uncertainties_of_figures_are_those_of_their_slopes() -> None:
    """By differences of the figures themselves, unknown by unknown, and the covariance of all of them."""
    rig = rig_of()
    readings = [*window_readings(120.0), Reading(heads=("key",), levels=(0.5,), at=(0, 0, 1.2), value=90.0)]
    tape = TapeMeasure(head="key", at=(0.0, 0.0, 1.2), distance_m=1.7)
    moved, changed = HeadEvent(head="key", kind="moved"), HeadEvent(head="fill", kind="changed")
    found = believe(Evidence(tuple(readings), (tape,), (moved, changed)), rig)
    model, step, levels = found.model, 1e-5, COMPARED_LEVELS[[0, 20]]

    def figures(z: Any) -> list[float]:
        there = model.figures(z)
        cd = there.log2_cd + there.changes_stops.sum(axis=1)
        outputs = there.dimmers.log2_output(levels.astype(int) * 0, levels)
        window = there.window
        return [
            *cd[:2], cd[0] + math.log2(there.room_gain[0]), *outputs, math.log2(there.ambient_lux),
            2 * math.hypot(*there.ambient_lean), math.hypot(*window.toward_lux), math.log(window.away_m),
        ]  # fmt: skip

    rows = []
    for place in range(model.size):
        ahead, behind = (figures(_moved(found.z, place, sign * step)) for sign in (1, -1))
        rows.append([(a - b) / (2 * step) for a, b in zip(ahead, behind, strict=True)])
    slopes = np.array(rows).T
    expected = found.posterior.variance(slopes) ** 0.5
    sky = ambient_uncertainty(found)
    assert [
        *(intensity_sd_stops(found, head) for head in range(2)),
        room_sd_stops(found, 0),
        *output_sd_stops(found, 0, levels),
        sky.mean_stops, sky.lean[1], sky.window_lux, sky.window_away,
    ] == pytest.approx(expected, rel=1e-3)  # fmt: skip
    assert sky.lean[0] == pytest.approx(2 * math.hypot(*found.figures.ambient_lean))
    (went, _), (more, _) = steps_believed(found)
    assert went == pytest.approx(found.figures.moves_m[0].sum())
    assert more == pytest.approx(found.figures.changes_stops[1].sum())
    stand = TAPE_SD_M * found.z[model.head_block(0).start + STAND] + went
    measured = math.dist(rig.head("key").position, tape.at) + stand + tapes_off_m(found)[0]
    assert measured == pytest.approx(tape.distance_m)


def test_what_was_told_of_heads_is_in_the_json_and_comes_back_with_it() -> None:
    csv = HEAD + READ + TAPE + MOVED + AFTER
    told_of = json.loads(calibration_from_csv(csv, rig_of()).model_dump_json())["told"]
    assert [(one["kind"], one["head"]) for one in told_of] == [("tape", "key"), ("moved", "key")]
    assert told_of[0]["distance_m"] == 1.64
    assert told_of[1]["note"] == "bumped"


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("kee,,chair,,,1.6,m,,,,\n", 'line 2: there is no head "kee"; there are key, fill'),
        ("key,,chair,,,,m,,,,\n", "line 2: value is empty; it must be a number"),
        ("key,,chair,,,-1,m,,,,\n", "line 2: distance_m: input should be greater than 0"),
        ("key,,bed,,,1.6,m,,,,\n", 'line 2: x "bed" is not a number'),
        ("key,,,,,,moved,,,yesterday,\n", 'line 2: time: "yesterday" is no date and time such as'),
        ("key+fill,,,,,,changed,,,,\n", 'line 2: there is no head "key+fill"'),
    ],
)
def test_a_wrong_row_gets_one_clear_line(row: str, why: str) -> None:
    with pytest.raises(ReadingError) as refused:
        evidence_from_csv(HEAD + row, rig_of())
    assert str(refused.value).startswith(why)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("row", "purpose", "what"),
    [(TAPE, "tape", "1 tape measure"), (MOVED, "event", "1 event"), (CHANGED, "event", "1 event")],
)
async def test_the_daemon_takes_all_that_fit_takes(row: str, purpose: str, what: str) -> None:
    with Store.in_memory() as store:
        async with made(rig_of(), store) as here:
            note = await here.do(do="import", readings=HEAD + READ + row)
            assert [one.purpose for one in kept.readings(store)[::-1]] == ["calibrate", "calibrate", purpose]
    assert note.startswith(f"2 readings, {what} taken; ratio known to ±")


def test_a_head_whose_room_light_alone_changed_is_named() -> None:
    rig = rig_of()
    figures = {"intensity_cd": 1300.0, "room": {"mean": 20.0, "vector": [0.0, 0.0, 0.0]}}
    before = Calibration.model_validate({"heads": {"fill": figures}})
    brighter = {**figures, "room": {"mean": 60.0, "vector": [0.0, 0.0, 0.0]}}
    after = Calibration.model_validate({"heads": {"fill": brighter}})
    direct = float(facing_lux(scene(rig, before).sources, rig.first_mark)[1])
    stops = math.log2((direct + 60.0) / (direct + 20.0))
    words = shared_words(rig, before, after, ("key",))
    assert words.startswith(f"; fill now counts as {stops:.2f} stop brighter")


def test_the_command_prints_them(tmp_path: Path) -> None:
    rows = (CONFIG / "desk-readings.csv").read_text("utf-8")
    file = tmp_path / "all.csv"
    file.write_text(rows + "key,,chair,,,1.63,m,,,\nfill,,,,,,changed,,,a new panel\n", "utf-8")
    done = CliRunner().invoke(fit, [str(CONFIG / "desk.toml"), str(file)])
    assert done.exit_code == 0
    assert done.output.startswith("desk: 9 readings, 1 tape measure, 1 event\n")
    assert "a new panel" in done.output


def test_the_example_of_the_manual_is_taken(tmp_path: Path) -> None:
    page = (Path(fillside.__file__).parent / "manual" / "metering.md").read_text("utf-8")
    (example,) = re.findall(r"```csv\n(.*?)```", page, re.DOTALL)
    file = tmp_path / "example.csv"
    file.write_text(example, "utf-8")
    done = CliRunner().invoke(fit, [str(CONFIG / "desk.toml"), str(file)])
    assert done.exit_code == 0
    lines = done.output.splitlines()
    assert lines[0] == "desk: 3 readings, 1 tape measure, 1 event"
    assert cells(lines, "moved")[2] == "somebody bumped it"
    assert not [line for line in lines if "left out" in line]
