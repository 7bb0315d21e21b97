"""Contract: the terminal's side of metering: what is typed of a display, files of spreadsheets, tables."""

from __future__ import annotations

import codecs
import io
import json
import re
from pathlib import Path
from typing import Any

import click
import pytest

from fillside.cli.client import Daemon, RefusedError
from fillside.cli.files import sheet_text
from fillside.cli.group import WrongUse, run
from fillside.cli.guide import COMMANDS, PersonWithMeter, RoutineGuide
from fillside.cli.meter_display import F_STOP, DisplayUnit, display_text, parse_reading
from fillside.cli.render.readings import calibration_lines, interval_text, reading_lines
from fillside.hold.snapshot.places import places_of
from fillside.rig.scene.scene import scene
from fillside.rig_file import load_rig
from fillside.storage.rows import LINEUP_TAPE

CONFIG = Path(__file__).parents[2] / "config"

AT_CAMERA = DisplayUnit.of_camera({"iso": 400, "shutter": "1/50"})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("640", {"value": 640.0, "unit": "lux"}),
        ("640 lux", {"value": 640.0, "unit": "lux"}),
        ("640lx", {"value": 640.0, "unit": "lux"}),
        ("640,5", {"value": 640.5, "unit": "lux"}),
        ("60 fc", {"value": 60.0, "unit": "fc"}),
        ("8.3 ev", {"value": 8.3, "unit": "ev100"}),
        ("-1 EV", {"value": -1.0, "unit": "ev100"}),
        ("\N{MINUS SIGN}1 EV", {"value": -1.0, "unit": "ev100"}),
        ("5.6+0.7", {"unit": "f/5.6+0.7@400@1/50"}),
        ("5,6 + 0,7", {"unit": "f/5.6+0.7@400@1/50"}),
        ("f/5.6", {"unit": "f/5.6@400@1/50"}),
        ("F4+.3", {"unit": "f/4+.3@400@1/50"}),
        ("f/8@100@1/125", {"unit": "f/8@100@1/125"}),
    ],
)
def test_what_is_typed_of_a_display(text: str, said: dict[str, Any]) -> None:
    assert parse_reading(text, AT_CAMERA)[0] == said


@pytest.mark.parametrize(
    "text", ["", "-5", "nan", "inf", "1e9", "5.6+7", "640 candela", "f/", "f/0", "f/4@0@1/50", "key", "5 6"]
)
def test_what_no_meter_shows_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        parse_reading(text, AT_CAMERA)


def test_a_bare_number_is_in_the_language_spoken_before() -> None:
    _, language = parse_reading("60 fc", AT_CAMERA)
    assert parse_reading("58", language)[0] == {"value": 58.0, "unit": "fc"}
    _, language = parse_reading("5.6+0.7", language)
    assert parse_reading("4", language)[0] == {"unit": "f/4@400@1/50"}
    assert parse_reading("400 lux", language)[0] == {"value": 400.0, "unit": "lux"}


def test_an_f_stop_needs_iso_and_shutter_from_somewhere() -> None:
    with pytest.raises(ValueError, match="ISO or shutter is not known"):
        parse_reading("f/4", DisplayUnit.of_camera({"iso": 400}))
    by_angle = DisplayUnit.of_camera({"iso": 400.0, "shutter_angle": 180.0, "fps": 25.0})
    assert parse_reading("f/4", by_angle)[0] == {"unit": "f/4@400@1/50"}


@pytest.mark.parametrize(
    ("unit", "lux", "shown"),
    [
        # ISO 2720: E = C N^2 / (t S), C = 250: f/5.6 at 1/50 s and ISO 400 is 250 * 32 * 50 / 400 = 1000 lx
        (F_STOP, 1000.0, "f/5.6"),
        # 2^0.7 more is 0.7 stop
        (F_STOP, 1000.0 * 2**0.7, "f/5.6 and 7 tenths"),
        (F_STOP, 1000.0 * 2**0.97, "f/8"),
        # E = C 2^EV / 100: EV 8 is 250 * 256 / 100 = 640 lx
        ("ev100", 640.0, "8.0 EV"),
        # a foot-candle is 1 / 0.3048^2 = 10.764 lx
        ("fc", 640.0, "59.5 fc"),
        ("lux", 640.0, "640 lx"),
        (F_STOP, 0.0, "0 lx"),
    ],
)
def test_what_a_meter_will_show(unit: str, lux: float, shown: str) -> None:
    assert display_text(lux, 250.0, DisplayUnit(unit, 400.0, 0.02)) == shown


TEXT = "head,level\nkey,1\u00b0\n"


@pytest.mark.parametrize(
    "body",
    [
        TEXT.encode(),
        codecs.BOM_UTF8 + TEXT.encode(),
        TEXT.encode("utf-16"),
        codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"),
        TEXT.encode("cp1252"),
    ],
)
def test_files_in_the_encodings_of_spreadsheets(body: bytes, tmp_path: Path) -> None:
    file = tmp_path / "r.csv"
    file.write_bytes(body)
    assert sheet_text(file).lstrip("\ufeff") == TEXT


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"PK\x03\x04....", "save it as CSV"),
        (b"\x81\x8d\xff", "not a text"),
        (b" " * (5 * 1024 * 1024 + 1), "5 MiB"),
    ],
)
def test_files_that_are_none_are_refused_with_what_would_be_right(
    body: bytes, says: str, tmp_path: Path
) -> None:
    file = tmp_path / "r.csv"
    file.write_bytes(body)
    with pytest.raises(WrongUse, match=says):
        sheet_text(file)
    with pytest.raises(WrongUse, match="no such file"):
        sheet_text(tmp_path / "none.csv")


def test_tables_of_what_was_kept() -> None:
    body = {"heads": ["key"], "levels": [0.5], "at": [0, 0, 1.2], "value": 640.0, "unit": "lux"}
    reading = {"id": 7, "at": 0.0, "purpose": "calibrate", "body": body, "struck": "taken again"}
    (_, line) = reading_lines([reading])
    assert "640 lx" in line
    assert "does not count: taken again" in line
    for purpose in ("tape", LINEUP_TAPE):
        tape = {**reading, "purpose": purpose, "body": {"head": "key", "at": [0, 0, 1.2], "distance_m": 1.62}}
        assert re.search(r"key +1\.62 m +0\.00, 0\.00, 1\.20 m", reading_lines([tape])[1])
    made = {"id": 1, "at": 0.0, "readings": [1, 2], "used": True, "meter": {"receptor": "dome"}}
    marks = {"chair": {"ratio_sigma_stops": 0.05, "exposure_sigma_stops": 0.04}}
    lines = calibration_lines([{**made, "body": {"marks": marks}}])
    assert "in use" in lines[1]
    assert "±0.10 stop" in lines[1]
    assert "calibrate" in reading_lines([])[0]
    assert "calibrate" in calibration_lines([])[0]


def test_an_interval_is_the_expanded_uncertainty() -> None:
    """U = k u with k = 2 (JCGM 100:2008, 6.2.1): 0.1 stop is 0.20 stop either way, and 0.24 stop 0.48."""
    assert interval_text(0.1) == "±0.20 stop"
    assert interval_text(0.24) == "±0.48 stop"


class Script:
    """A daemon whose routine goes through given steps, and a hand that says given things."""

    patience = 3.0

    def __init__(self, *steps: dict[str, Any], says: list[Any], refuses: int = 0) -> None:
        self._steps, self._says, self._refuses = list(steps), says, refuses
        self.step: dict[str, Any] | None = None
        self.orders: list[dict[str, Any]] = []
        self.heard: list[str] = []

    def state(self) -> dict[str, Any]:
        return {"routine": self.step, "settled": True}

    def do(self, order: dict[str, Any]) -> dict[str, Any]:
        self.orders.append(order)
        if order["do"] == "read" and self._refuses:
            self._refuses -= 1
            raise RefusedError("the light is still moving", "not_now")
        if order.get("act") == "leave":
            assert self.step is not None
            self.step = {**self.step, "left": True}
        elif order.get("act") != "tick":
            self.step = self._steps.pop(0)
        return {"note": "done so", "state": {"routine": self.step}}

    def confirm_resume(self, step: dict[str, Any]) -> bool:
        return True

    def report(self, text: str) -> None:
        self.heard.append(text)

    def confirm_caution(self, says: str) -> bool:
        return bool(self._says.pop(0))

    def show_step(self, step: dict[str, Any]) -> None:
        self.heard.append(step["title"])

    def wait_until(self, unix_s: float) -> str:
        return ""

    def read_meter(self, step: dict[str, Any]) -> Any:
        said = self._says.pop(0)
        if isinstance(said, BaseException):
            raise said
        return said


def a_step(stage: str, title: str, **more: Any) -> dict[str, Any]:
    plain = {"routine": "calibrate", "stage": stage, "title": title, "number": 1, "left": False, "says": []}
    return {**plain, "asks": None, "wait_until": None, "ticks": [], "may": [], **more}


PREPARE = a_step("prepare", "before", ticks=[{"item": "stands", "says": "Stands", "ticked": False}])
WARM, READ = a_step("warm", "warm?", wait_until=1.0), a_step("read", "meter key")
DONE = a_step("done", "Go", verdict={"go": True})


def guided(script: Script, **more: Any) -> dict[str, Any] | None:
    return RoutineGuide("calibrate", script, script, **more).run()  # type: ignore[arg-type]


class _Places:
    """A daemon of which a person at a terminal wants no more than the camera and the constants."""

    def get(self, path: str) -> dict[str, Any]:
        return {}

    def state(self) -> dict[str, Any]:
        return {}


def typed(monkeypatch: pytest.MonkeyPatch, unit: str, *lines: str) -> Any:
    """What is made of lines typed where light, or with the unit m a tape of 1.62 m, is asked for."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join((*lines, ""))))
    asks = {"unit": unit, "expected_m": 1.62 if unit == "m" else None}
    return PersonWithMeter(_Places()).read_meter(a_step("verify", "", asks=asks, may=["skip"]))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("line", "order"),
    [
        ("1.86", {"value": 1.86, "unit": "m"}),
        ("1,86 m", {"value": 1.86, "unit": "m"}),
        ("6.1 ft", {"value": 6.1, "unit": "ft"}),
        ("104 lux", {"value": 104.0, "unit": "lux"}),
        ("60 fc", {"value": 60.0, "unit": "fc"}),
        ("skip", "skip"),
    ],
)
def test_a_tape_that_is_asked_for_is_typed_where_it_is_asked(
    line: str, order: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(monkeypatch, "m", line) == order
    assert "Tape shows [m], or skip: " in capsys.readouterr().out


def test_a_bare_number_that_is_no_such_distance_is_asked_about(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(monkeypatch, "m", "104", "104 lux") == {"value": 104.0, "unit": "lux"}
    assert '"104" of what? It stood 1.62 m away; say m, ft, or lux' in capsys.readouterr().out


def test_a_distance_where_light_is_asked_for_is_told_where_it_belongs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(monkeypatch, "lux", "1.86 m", "104") == {"value": 104.0, "unit": "lux"}
    assert "light is asked for here" in capsys.readouterr().out


def test_a_routine_is_led_from_the_cautions_to_the_verdict() -> None:
    script = Script(
        PREPARE, WARM, READ, READ, DONE, says=[True, "skip", {"value": 640.0, "unit": "lux"}, "finish"]
    )
    assert guided(script) == DONE
    assert [order.get("act", order["do"]) for order in script.orders] == [
        "start", "tick", "go", "skip", "read", "finish",
    ]  # fmt: skip
    assert script.heard[-1] == "Go"


def test_the_warm_up_is_passed_over_only_when_asked() -> None:
    script = Script(PREPARE, WARM, READ, DONE, says=[True, {"value": 640.0, "unit": "lux"}])
    assert guided(script, no_warm_up=True) == DONE
    assert {"do": "calibrate", "act": "skip"} in script.orders


def test_a_caution_that_was_not_seen_to_leaves() -> None:
    script = Script(PREPARE, says=[False])
    assert guided(script) is None
    assert script.orders[-1] == {"do": "calibrate", "act": "leave"}
    assert "goes on from here" in script.heard[-1]


def test_a_refused_reading_is_said_and_asked_for_again() -> None:
    reading = {"value": 640.0, "unit": "lux"}
    script = Script(READ, DONE, says=[reading, reading], refuses=1)
    assert guided(script) == DONE
    assert "Not taken: the light is still moving" in script.heard


def test_patience_ends_and_the_routine_is_left() -> None:
    reading = {"value": 640.0, "unit": "lux"}
    script = Script(READ, DONE, says=[reading] * 3, refuses=3)
    with pytest.raises(RefusedError):
        guided(script)
    assert script.orders[-1]["act"] == "leave"


def test_nobody_at_the_keyboard_any_more_leaves_and_so_does_an_interrupt() -> None:
    script = Script(READ, says=[EOFError()])
    assert guided(script) is None
    assert script.orders[-1]["act"] == "leave"
    script = Script(READ, says=[KeyboardInterrupt()])
    with pytest.raises(KeyboardInterrupt):
        guided(script)
    assert script.orders[-1]["act"] == "leave"


def test_a_reading_for_a_step_that_is_gone_is_not_handed_in() -> None:
    script = Script(READ, DONE, says=[])

    def other_door(step: dict[str, Any]) -> dict[str, Any]:
        script.step = a_step("done", "Go", verdict={"go": True})
        return {"value": 1.0, "unit": "lux"}

    script.read_meter = other_door  # type: ignore[method-assign]
    assert guided(script) == DONE
    assert not any(order["do"] == "read" for order in script.orders)


def test_a_routine_that_was_left_is_resumed() -> None:
    script = Script(READ, DONE, says=["finish"])
    script.step = {**READ, "left": True}
    assert guided(script) == DONE
    assert script.orders[0] == {"do": "calibrate", "act": "resume"}


def test_each_word_stands_for_an_act_of_the_routines() -> None:
    from typing import get_args

    from fillside.orders.metering import Act

    assert set(COMMANDS.values()) < set(get_args(Act))


def test_a_tape_that_is_to_be_told_only_is_not_taken_in_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from fillside.cli.commands import metering

    given: list[dict[str, Any]] = []

    class Deaf:
        def do(self, order: dict[str, Any]) -> dict[str, Any]:
            given.append(order)
            return {"ok": True, "note": ""}

    monkeypatch.setattr(metering, "patient_daemon", lambda *_: Deaf())
    CliRunner().invoke(metering.read, ["1.62", "m", "--head", "key", "--check"], catch_exceptions=False)
    assert given == [{"do": "read", "value": 1.62, "unit": "m", "head": "key", "check": True}]


def test_groups_hand_their_daemon_down() -> None:
    from fillside.cli.commands.metering import readings

    with pytest.raises(click.ClickException, match=r"127\.0\.0\.1:9"):
        readings.main(["--url", "http://127.0.0.1:9", "strike", "3"], standalone_mode=False)


def test_a_calibration_prints_as_json_the_shape_that_is_promised(tmp_path: Path) -> None:
    from click.testing import CliRunner

    from contract.meter_studio import RIG
    from fillside.cli.commands.offline import fit

    rig, readings = tmp_path / "r.toml", tmp_path / "r.csv"
    rig.write_text(RIG)
    readings.write_text(
        "head;level;x;y;z;value;unit;receptor;facing\nkey;0,7;chair;;;151,5;lux;flat;head\n\n;;0;0;1,2;3;lux;dome;camera\n"
    )
    done = CliRunner().invoke(fit, [str(rig), str(readings), "--json"])
    assert done.exit_code == 0
    found = json.loads(done.stdout)
    assert {"heads", "ambient", "next"} <= set(found)
    promised = {
        "intensity_cd",
        "setback_m",
        "diameter_m",
        "bounce",
        "curve",
        "floor",
        "sigma_stops",
        "readings",
    }
    assert promised <= set(found["heads"]["key"])
    assert set(found["heads"]["key"]["curve"]) == {"levels", "outputs"}
    assert {"residual_stops", "suspect"} <= set(found["heads"]["key"]["readings"][0])
    told = CliRunner().invoke(fit, [str(rig), str(readings)])
    assert "± is the expanded uncertainty, k = 2: about 95 %." in told.stdout
    readings.write_text("head,level,x,y,z,value,unit,receptor,facing\nkey,0.7,chair,,,-5,lux,flat,head\n")
    refused = CliRunner().invoke(fit, [str(rig), str(readings)], standalone_mode=False)
    assert isinstance(refused.exception, WrongUse)
    assert "line 2: -5 lux is negative" in refused.exception.message


@pytest.mark.parametrize("command", ["calibrate", "lineup"])
@pytest.mark.parametrize("rig", ["desk.toml", "presenter.toml"])
def test_a_simulated_meter_reads_where_every_lamp_is_simulated_and_is_refused_before_anything_starts(
    command: str, rig: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    places = places_of(scene(load_rig(CONFIG / rig))).model_dump(mode="json")
    orders: list[dict[str, Any]] = []

    def do(_: Daemon, order: dict[str, Any]) -> dict[str, Any]:
        orders.append(order)
        raise RefusedError("that is all", "not_now")

    monkeypatch.setattr(Daemon, "get", lambda _, path: places if path.endswith("places") else {})
    monkeypatch.setattr(Daemon, "do", do)
    with pytest.raises(SystemExit) as ended:
        run([command, "--virtual-meter"])
    if places["simulated"]:
        assert orders == [{"do": command, "act": "start"}]
        return
    assert orders == []
    assert ended.value.code == 2
    assert "not every lamp of this rig is simulated" in capsys.readouterr().err
