"""Journey: a simulated studio calibrated and lined up from the terminal; what outlives a kill."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fillside.demo.judge import Judge
from fillside.rig_file import load_rig
from journeys.forking import Forked, run
from journeys.running import HURRIED, Daemon, running
from rigs import CAMERA, Table, dimming, pair, sacn, sim, studio, toml

TRUTH = {"output_factor": 0.6, "exponent": 2.3, "setback": 0.2, "diameter": 0.7, "dead_zone": 0.03}
"""How the key really is; the file says another thing."""


def loft(**changes: Any) -> Table:
    """The studio with its key as it really is; `changes` are of that."""
    return studio(
        "loft",
        camera={**CAMERA, "aperture": 2.8},
        hold={"order_speed": 6.0},
        ambient={"lux": 3},
        heads=pair(
            key={"intensity": 1800, "drive": {"truth": {**TRUTH, **changes}}},
            fill={
                "intensity": 1300,
                "drive": {"truth": {"output_factor": 1.5, "exponent": 1.7, "setback": 0.1}},
            },
            modifier={"kind": "shoot-through", "diameter": 0.9},
            dimming=dimming(0.02),
            drive={"driver": "stage", "bits": 16},
        ),
        drivers=sim("stage", seed=3, noise_stops=0.02),
    )


PATIENCE_S = 120


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "loft.toml"
    path.write_text(toml(loft()))
    return path


def fillside(up: Daemon, *args: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return run(*args, typed=typed, environ={**os.environ, "FILLSIDE_URL": up.url}, timeout=PATIENCE_S)


def judged(rig: Path, state: dict[str, Any]) -> tuple[float, float]:
    """How far ratio and exposure at the chair truly are from wanted, in stops."""
    loaded = load_rig(rig)
    levels = {head["name"]: head["level"] for head in state["heads"]}
    found = Judge(loaded).verdict(loaded.start, levels, 2.0, state["target"]["exposure_lux"])
    return found.ratio_error_stops, found.exposure_error_stops


def test_a_studio_is_calibrated_lined_up_and_found_out_when_a_lamp_changed(rig: Path, tmp_path: Path) -> None:
    with running(rig, tmp_path / "data", entry=HURRIED) as up:
        before = judged(rig, up.settled())
        done = fillside(up, "calibrate", "--virtual-meter", "--no-warm-up")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "Stands: spread the legs" in done.stdout
        assert "Calibration: go" in done.stdout
        assert "Everything is as expected." in done.stdout
        state = up.settled()
        ratio_error_stops, exposure_error_stops = judged(rig, state)
        assert abs(before[0]) > 0.5
        assert abs(ratio_error_stops) <= 0.1
        assert abs(exposure_error_stops) <= 0.1
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", state["calibrated_at"])
        lined_up = fillside(up, "lineup", "--virtual-meter", "--json")
        assert lined_up.returncode == 0, lined_up.stdout
        assert json.loads(lined_up.stdout)["verdict"]["go"] is True
        assert up.stop() == 0
    rig.write_text(toml(loft(output_factor=0.35)))
    with running(rig, tmp_path / "data", entry=HURRIED) as up:
        assert up.settled()["calibrated_at"] == state["calibrated_at"]
        lined_up = fillside(up, "lineup", "--virtual-meter")
        assert lined_up.returncode == 1, lined_up.stdout
        assert "Line-up: not a go" in lined_up.stdout
        told = " ".join(lined_up.stdout.split())
        assert re.search(r"key: 0\.[789] stop less than expected\. That looks like a changed lamp", told)


@contextlib.contextmanager
def killed(rig: Path, data: Path) -> Iterator[Daemon]:
    """A daemon that ends by SIGKILL."""
    with running(rig, data, entry=HURRIED) as up:
        yield up
        up.stop(signal.SIGKILL)


def test_no_acknowledged_reading_is_lost_by_a_kill_and_the_routine_goes_on(rig: Path, tmp_path: Path) -> None:
    data, taken = tmp_path / "data", []
    for _ in range(3):
        with killed(rig, data) as up:
            routine = up.get("/api/v1/state")["routine"]
            act = "start" if routine is None else "resume"
            routine = up.do(do="calibrate", act=act)["state"]["routine"]
            for tick in routine["ticks"]:
                up.do(do="calibrate", act="tick", item=tick["item"])
            if routine["stage"] == "prepare":
                up.do(do="calibrate", act="go")
                up.do(do="calibrate", act="skip")
            answer = read_virtually(up)
            assert answer["ok"], answer
            taken.append(int(re.findall(r"reading (\d+) taken", answer["note"])[0]))
    with running(rig, data, entry=HURRIED) as up:
        kept = {one["id"]: one for one in up.get("/api/v1/readings")["readings"]}
        assert set(taken) <= set(kept)
        assert all(kept[number]["struck"] is None for number in taken)
        routine = up.get("/api/v1/state")["routine"]
        assert (routine["left"], routine["number"]) == (True, len(taken) + 1)
        assert up.settled()["shown"] is None
        up.do(do="calibrate", act="resume")
        assert read_virtually(up)["ok"]
        up.do(do="calibrate", act="finish")
        assert set(taken) <= used_readings(up)
        assert fillside(up, "readings", "strike", str(taken[0])).returncode == 0
        assert taken[0] not in used_readings(up)
        for _ in range(3):
            up.do(do="calibrate", act="skip")
        assert fillside(up, "readings", "strike", str(taken[1])).returncode == 0
        assert taken[1] not in used_readings(up)


def test_what_is_told_besides_readings_and_what_was_known_when(rig: Path, tmp_path: Path) -> None:
    """A tape, a round, a moved stand, a file that has it elsewhere, and the history of it all."""
    with running(rig, tmp_path / "data", entry=HURRIED) as up:

        def said(*args: str) -> str:
            done = fillside(up, *args)
            assert done.returncode == 0, done.stderr
            return done.stdout

        assert said("read", "1,82 m", "--head", "fill").startswith("tape 1 taken: fill is 1.82 m away")
        assert "Round: Each head read" in said("round", "--virtual-meter")
        assert used_readings(up) == {1, 2, 3}
        known = up.get("/api/v1/calibrations")["calibrations"][0]
        assert said("event", "fill", "moved", "--note", "bumped").startswith(
            "event 4 taken: what was metered"
        )
        unsure = up.get("/api/v1/calibrations")["calibrations"][0]
        sigmas = [one["body"]["heads"]["fill"]["sigma_stops"] for one in (known, unsure)]
        assert sigmas[1] > 1.2 * sigmas[0]
        table = said("readings")
        assert re.search(r"1 .* tape +fill +1.82 m", table), table
        assert re.search(r"4 .* event +fill +moved +bumped", table), table
        sheet = tmp_path / "kept.csv"
        sheet.write_text(said("readings", "--csv"))
        assert "2 readings, 1 tape measure, 1 event" in said("fit", str(rig), str(sheet))
        assert said("readings", "import", str(sheet)).startswith("2 readings, 1 tape measure, 1 event taken")
        for number in ("5", "6", "7", "8"):
            said("readings", "strike", number)

        text = rig.read_text()
        assert "[-1.3, -1.2, 1.6]" in text
        rig.write_text(text.replace("[-1.3, -1.2, 1.6]", "[-1.6, -1.2, 1.6]"))
        up.process.send_signal(signal.SIGHUP)
        assert "strike 9" in noted(up, "fill stands elsewhere")
        said("read", "200", "--head", "key", "--level", "1.0")
        told = up.get("/api/v1/calibrations")["calibrations"][0]["body"]["told"]
        assert [one["was"] for one in told if "was" in one] == [[-1.3, -1.2, 1.6]]

        then = datetime.fromtimestamp(known["at"] + 0.05, UTC).isoformat()
        assert re.search(rf" {known['id']} ", said("calibrations", "--at", then))
        compared = said("calibrations", "compare", str(known["id"]), str(unsure["id"]))
        assert re.search(r"^fill .*±", compared, re.MULTILINE), compared
        assert said("calibrations", "use", then) == f"calibration {known['id']} is in use\n"
        for wrong in (("use", "1999-01-01"), ("compare", "1", "x-y"), ("--at", "noon")):
            refused = fillside(up, "calibrations", *wrong)
            assert refused.returncode not in (0, 1), wrong
            assert len(refused.stderr.strip().splitlines()) <= 3


def noted(up: Daemon, words: str) -> str:
    """The note that says so, once it does."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        for note in up.get("/api/v1/state")["notes"]:
            if words in note:
                return str(note)
        time.sleep(0.05)
    raise AssertionError(f"nothing says {words}")


def read_virtually(up: Daemon) -> dict[str, Any]:
    """What is asked for, by the simulated meter; in the dark where that is wanted."""
    if "go" in up.get("/api/v1/state")["routine"]["may"]:
        up.do(do="calibrate", act="go")
        up.settled()
    answer: dict[str, Any] = up.do(do="read", virtual=True)
    return answer


def used_readings(up: Daemon) -> set[int]:
    (used,) = (one for one in up.get("/api/v1/calibrations")["calibrations"] if one["used"])
    return set(used["readings"])


def test_a_reading_handed_in_while_the_daemon_is_killed_is_kept_or_was_not_acknowledged(
    rig: Path, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    with killed(rig, data) as up:
        acknowledged = [up.do(do="read", head="key", level=1.0, value=200.0 + n)["ok"] for n in range(3)]
        words = ("read", "210", "--head", "key", "--level", "1.0")
        asked = Forked(*words, environ={**os.environ, "FILLSIDE_URL": up.url})
    status = asked.wait(timeout=60)
    with running(rig, data, entry=HURRIED) as up:
        values = [one["body"]["value"] for one in up.get("/api/v1/readings")["readings"]]
        assert {200.0, 201.0, 202.0} <= set(values)
        assert acknowledged == [True] * 3
        assert status != 0 or 210.0 in values


def test_a_person_at_the_terminal_types_leaves_and_comes_back(rig: Path, tmp_path: Path) -> None:
    with running(rig, tmp_path / "data", entry=HURRIED) as up:
        typed = "\n" * 6 + "skip\nbright\n160 lux\n"
        first = fillside(up, "calibrate", typed=typed)
        assert first.returncode == 1
        assert '"bright" is not what a meter shows' in first.stdout
        assert "reading 1 taken" in first.stdout
        assert "Left. `fillside calibrate` goes on from here." in first.stdout
        again = fillside(up, "calibrate", typed="y\nfinish\nskip\nskip\nskip\n")
        assert "Calibration was left at: reading, 2" in again.stdout
        assert "Not checked: key, fill, exposure." in again.stdout
        assert again.returncode == 1


SHEET = """head;level;x;y;z;value;unit;receptor;facing
key;0,7;chair;;;136;lux;flat;head
key;1;chair;;;282;lux;flat;head

fill;0,5;chair;;;147;lux;flat;head
fill;0,9;chair;;;402;lux;flat;head
"""


def test_files_go_out_and_come_in(rig: Path, tmp_path: Path) -> None:
    (tmp_path / "typed.csv").write_text(SHEET)
    with running(rig, tmp_path / "data", entry=HURRIED) as up:
        assert fillside(up, "readings", "import", str(tmp_path / "typed.csv")).returncode == 0
        sheet = fillside(up, "readings", "--csv").stdout
        body = fillside(up, "calibrations", "export", "1").stdout
        level = up.settled()["heads"][0]["level"]
    (tmp_path / "kept.csv").write_text(sheet)
    (tmp_path / "kept.json").write_text(body)
    fitted = run("fit", str(rig), str(tmp_path / "kept.csv"), "--json")
    assert fitted.returncode == 0, fitted.stderr
    one, other = json.loads(fitted.stdout)["heads"]["key"], json.loads(body)["heads"]["key"]
    assert one["intensity_cd"] == pytest.approx(other["intensity_cd"], rel=0.01)
    solved = run("solve", str(rig), "--calibration", str(tmp_path / "kept.json"), "--json")
    assert solved.returncode == 0, solved.stderr
    assert json.loads(solved.stdout)["heads"][0]["level"] == pytest.approx(level, abs=1e-3)
    with running(rig, tmp_path / "other", entry=HURRIED) as up:
        assert fillside(up, "calibrations", "import", str(tmp_path / "kept.json")).returncode == 0
        assert up.settled()["heads"][0]["level"] == pytest.approx(level, abs=1e-3)
        assert fillside(up, "readings", "import", str(tmp_path / "kept.csv")).returncode == 0
        assert up.settled()["heads"][0]["level"] == pytest.approx(level, abs=0.02)
        refused = fillside(up, "calibrations", "use", "17")
        assert (refused.returncode, refused.stderr.count("\n")) == (2, 1)


def test_there_is_no_simulated_meter_for_lamps_that_are_there(rig: Path, tmp_path: Path) -> None:
    wired = loft()
    for slot, head in zip((1, 3), wired["heads"], strict=True):
        head["drive"] = {"driver": "stage", "bits": 16, "universe": 1, "slot": slot}
    rig.write_text(toml({**wired, "drivers": sacn("stage", 9)}))
    with running(rig, tmp_path / "data", entry=HURRIED) as up:
        done = fillside(up, "lineup", "--virtual-meter")
        assert done.returncode == 2
        assert "there is no simulated meter" in done.stderr
