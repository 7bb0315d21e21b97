"""Readings files as people and spreadsheets write them, and the one line that says what is wrong."""

from __future__ import annotations

import json

import pytest

from bench.simulated_studio import studio
from fillside.belief.evidence import Evidence, HeadEvent, Reading, ReadingError, TapeMeasure
from fillside.belief.evidence_table import csv_from_readings, evidence_from_csv, readings_from_csv
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig

HEADER = "head,level,x,y,z,value,unit,receptor,facing"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return Rig.model_validate(studio(1).rig_table())


def one(text: str, rig: Rig) -> Reading:
    (reading,) = readings_from_csv(f"{HEADER}\n{text}\n", rig)
    return reading


def test_a_plain_line(rig: Rig) -> None:
    reading = one("key,0.45,0.1,0.2,1.2,640,lux,flat,head", rig)
    assert reading == Reading(heads=("key",), levels=(0.45,), at=(0.1, 0.2, 1.2), value=640, unit="lux")


def test_what_a_spreadsheet_makes_of_it(rig: Rig) -> None:
    text = (
        "\ufeffhead;level;x;y;z;value;unit;receptor;facing;note\r\n"
        "\r\n"
        "key;0,45;0,1;0,2;1,2;640,5;lux;flat;head;first, by the window\r\n"
        ";;;;;;;;;\r\n"
        "key+fill;1,0+0,4;0;0;1,2;;f/5,6+0,7@400@1/50;Dome;camera;\r\n"
        "\r\n"
    )
    first, second = readings_from_csv(text, rig)
    assert (first.levels, first.at, first.value) == ((0.45,), (0.1, 0.2, 1.2), 640.5)
    assert first.note == "first, by the window"
    assert (second.heads, second.levels, second.receptor) == (("key", "fill"), (1.0, 0.4), "dome")
    assert second.unit == "f/5.6+0.7@400@1/50"


def test_tabs_quotes_and_columns_in_another_order(rig: Rig) -> None:
    header = 'unit\tvalue\thead\tlevel\t"x"\ty\tz\tfacing\treceptor\n'
    text = header + 'lux\t"640"\tfill\t45%\t0\t0\t1.2\thead\tflat\n'
    (reading,) = readings_from_csv(text, rig)
    assert (reading.heads, reading.levels, reading.value) == (("fill",), (0.45,), 640.0)


def test_decimal_commas_in_quotes_between_commas(rig: Rig) -> None:
    assert one('key,"0,5",0,0,"1,2","99,5",lux,flat,head', rig).value == 99.5


def test_all_out_is_ambient_light(rig: Rig) -> None:
    reading = one(",,0,0,1.2,12,lux,flat,fill", rig)
    assert (reading.heads, reading.levels, reading.facing) == ((), (), "fill")


def test_a_mark_stands_for_its_place(rig: Rig) -> None:
    assert one("key,1,chair,,,640,lux,flat,head", rig).at == rig.marks["chair"]


def test_what_is_left_out_is_what_one_would_do(rig: Rig) -> None:
    assert one("key,1,0,0,1.2,640,,,", rig).model_dump(include={"unit", "receptor", "facing"}) == {
        "unit": "lux",
        "receptor": "flat",
        "facing": "head",
    }
    ambient = one(",,0,0,1.2,12,lux,,", rig)
    assert (ambient.facing, ambient.receptor) == ("camera", "dome")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("kye,1,0,0,1.2,640,lux,flat,head", 'there is no head "kye"'),
        ("key,1.2,0,0,1.2,640,lux,flat,head", "from 0 to 1"),
        ("key,-0.1,0,0,1.2,640,lux,flat,head", "from 0 to 1"),
        ("key,,0,0,1.2,640,lux,flat,head", "level is empty"),
        ("key+fill,1.0,0,0,1.2,640,lux,flat,head", "2 heads need 2 levels"),
        ("key+key,1+1,0,0,1.2,640,lux,flat,head", "named twice"),
        ("key,1,0,0,1.2,-640,lux,flat,head", "negative"),
        ("key,1,0,0,1.2,nan,lux,flat,head", 'value "nan" is not a number'),
        ("key,1,0,0,1.2,inf,lux,flat,head", 'value "inf" is not a number'),
        ("key,1,0,0,1.2,,lux,flat,head", "needs a number"),
        ("key,1,0,0,1.2,640,candela,flat,head", "not a unit of light"),
        ("key,1,0,0,1.2,,f/5.6@400,flat,head", "not an f-stop"),
        ("key,1,0,0,1.2,640,lux,round,head", "receptor"),
        ("key,1,0,0,1.2,640,lux,flat,door", 'there is no head "door"'),
        (",,0,0,1.2,640,lux,flat,head", "all heads out"),
        (",0.5,0,0,1.2,640,lux,flat,camera", "a level without a head"),
        ("key,1,0,0,120,640,lux,flat,head", "m"),
        ("key,1,0,0,4.5,640,lux,flat,head", "height z is 4.5 m"),
        ("key,1,99,0,1.2,640,lux,flat,head", "more than 15 m"),
        ("key,1,left,0,1.2,640,lux,flat,head", 'x "left" is not a number'),
        ("key,0,5,0,0,1,2,640,lux,flat,head", "semicolons"),
        ("key,1,0", "empty"),
        ('"key\x1b[2J\nx",1,0,0,1.2,640,lux,flat,head', "heads"),
        ('key,"1\n0",0,0,1.2,640,lux,flat,head', r'level "1\n0" is not a number'),
        ("key,1,0,0," + "9" * 5000 + ",640,lux,flat,head", "a value has 5000 characters; at most 400 can be"),
    ],
)
def test_a_wrong_line_is_named(line: str, says: str, rig: Rig) -> None:
    text = f"{HEADER}\nkey,1,0,0,1.2,640,lux,flat,head\n\n{line}\n"
    with pytest.raises(ReadingError) as caught:
        readings_from_csv(text, rig)
    assert caught.value.line == 4
    assert str(caught.value).startswith("line 4: ")
    assert says in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "columns missing"),
        (HEADER.replace("unit", "un\x9bit"), r'"un\x9bit" is not a column'),
        ("head,level\nkey,1\n", "columns missing: x, y, z, value, unit, receptor, facing"),
        (f"{HEADER},colour\n", '"colour" is not a column'),
        (f"{HEADER},head\n", "named twice"),
        (f"{HEADER}\n\n", "no reading"),
    ],
)
def test_a_wrong_first_line_is_named(text: str, says: str, rig: Rig) -> None:
    with pytest.raises(ReadingError, match="line 1: ") as caught:
        readings_from_csv(text, rig)
    assert says in str(caught.value)


def test_in_the_lit_face_nobody_meters(rig: Rig) -> None:
    x, y, z = rig.heads[0].position
    with pytest.raises(ReadingError, match="lit face"):
        one(f"key,1,{x},{y},{z},640,lux,flat,camera", rig)


@pytest.mark.parametrize(
    "junk", ["\x00", "\x00" * 50, '"', "€;;;", "a\rb\nc", "{}", "[1,2]", HEADER + '\n"key']
)
def test_garbage_gets_a_line_and_nothing_worse(junk: str, rig: Rig) -> None:
    with pytest.raises(ReadingError):
        readings_from_csv(junk, rig)


def test_what_is_exported_comes_back(rig: Rig) -> None:
    readings = (
        Reading(heads=("key",), levels=(1 / 3,), at=(0.1, 0.2, 1.25), value=640.25, note="a, b"),
        Reading(heads=("key", "fill"), levels=(1.0, 0.4), at=(0, 0, 1.2), unit="f/4+0.3@400@1/50"),
        Reading(at=(0, 0, 1.2), value=8.5, unit="ev100", receptor="dome", facing="camera", time="10:02"),
    )
    assert readings_from_csv(csv_from_readings(readings), rig) == readings


def told(rows: str, rig: Rig) -> Evidence:
    return evidence_from_csv(f"{HEADER},time,note\n{rows}\n", rig)


def test_a_row_of_metres_or_feet_is_a_tape_measure(rig: Rig) -> None:
    found = told("key,,0.1,0.2,1.2,1.52,m,,,,\nfill,,chair,,,5,FT,,,2026-02-11T09:30,by the strap", rig)
    first, second = found.tapes
    assert first == TapeMeasure(head="key", at=(0.1, 0.2, 1.2), distance_m=1.52)
    assert (second.head, second.at, second.time) == ("fill", rig.marks["chair"], "2026-02-11T09:30")
    # The international foot of 0.3048 m.
    assert second.distance_m == pytest.approx(1.524)
    assert second.note == "by the strap"
    assert (found.readings, found.events) == ((), ())


def test_a_row_may_say_what_was_done_to_a_head(rig: Rig) -> None:
    rows = (
        "key,,,,,,moved,,,2026-02-11T09:30,\nFill,,,,,,changed,,,,new bulb\nkey,1,0,0,1.2,640,lux,flat,head,,"
    )
    found = told(rows, rig)
    assert found.events == (
        HeadEvent(head="key", kind="moved", time="2026-02-11T09:30"),
        HeadEvent(head="fill", kind="changed", note="new bulb"),
    )
    assert [one.value for one in found.readings] == [640.0]
    assert max(found.times_s) == 1770802200.0


def test_a_spreadsheet_of_all_kinds(rig: Rig) -> None:
    text = (
        "\ufeffhead;level;x;y;z;value;unit;receptor;facing;time\r\n"
        "key;0,45;0,1;0,2;1,2;640,5;lux;flat;head;2026-02-11 09:00\r\n"
        "key;;0,1;0,2;1,2;1,47;m;;;\r\n"
        "key;;;;;;moved;;;2026-02-11T10:00:00+01:00\r\n"
    )
    found = evidence_from_csv(text, rig)
    assert (found.readings[0].value, found.tapes[0].distance_m) == (640.5, 1.47)
    assert found.events[0].kind == "moved"


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("kye,,0,0,1.2,1.5,m,,,,", 'there is no head "kye"; there are key, fill'),
        (",,0,0,1.2,1.5,m,,,,", "there is no head"),
        ("key+fill,,0,0,1.2,1.5,m,,,,", 'there is no head "key+fill"'),
        ("key,,0,0,1.2,,m,,,,", "value is empty; it must be a number"),
        ("key,,0,0,1.2,far,m,,,,", 'value "far" is not a number'),
        ("key,,0,0,1.2,0,m,,,,", "greater than 0"),
        ("key,,0,0,1.2,-1.5,m,,,,", "greater than 0"),
        ("key,,0,0,1.2,200,ft,,,,", "less than or equal to 30"),
        ("key,,0,,1.2,1.5,m,,,,", "y is empty"),
        ("key,,left,,,1.5,m,,,,", 'x "left" is not a number'),
        ("kye,,,,,,moved,,,,", 'there is no head "kye"'),
        ("key,,,,,,moved,,,yesterday,", '"yesterday" is no date and time such as 2026-02-11T09:30'),
        ("key,,,,,,gone,,,,", '"gone" is not a unit of light'),
        ("key,,,,,,move,,,,", "moved and changed of what was done to a head"),
    ],
)
def test_a_wrong_tape_measure_or_event_is_named(line: str, says: str, rig: Rig) -> None:
    with pytest.raises(ReadingError) as caught:
        told(f"key,1,0,0,1.2,640,lux,flat,head,,\n{line}", rig)
    assert caught.value.line == 3
    assert says in str(caught.value)
    assert str(caught.value).isprintable()
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("row", ["key,,0,0,1.2,1.5,m,,,,", "key,,,,,,moved,,,,"])
def test_where_only_a_meter_is_listened_to_other_rows_are_refused(row: str, rig: Rig) -> None:
    with pytest.raises(ReadingError, match="is no reading, and only those are taken here"):
        readings_from_csv(f"{HEADER},time,note\n{row}\n", rig)


def test_a_calibration_is_printed_as_it_was_read() -> None:
    """Keys of another version, and values that do not fit a key nobody needs, are kept as they came."""
    head = {
        "intensity_cd": 900.0,
        "setback_m": None,
        "diameter_m": None,
        "bounce": None,
        "curve": {"levels": [0.0, 1.0], "outputs": [0.0, 1.0], "kind": "new"},
        "floor": None,
        "of_full": None,
        "sigma_stops": 0.1,
        "readings": [{"number": 1, "levels": [1], "sky": "grey"}],
        "exponent": 2,
        "newer": {"list": [1, 2.5, None]},
    }
    asked = {"head": "key", "level": 0.5, "enough": "maybe"}
    ambient = {"toward_key": 1.0, "toward_fill": None, "toward_camera": 2.0, "readings": []}
    whole = {"heads": {"key": head}, "ambient": ambient, "next": asked, "marks": 3, "hand_sd_m": "far"}
    calibration = Calibration.model_validate(whole)
    assert json.loads(calibration.model_dump_json()) == whole
    assert calibration.model_dump(mode="json") == whole
    assert calibration.model_copy(update={"ambient": None}).model_dump(mode="json") == {
        **whole,
        "ambient": None,
    }
    assert Calibration.model_validate({}).model_dump(mode="json") == {
        "heads": {},
        "ambient": None,
        "next": None,
    }
