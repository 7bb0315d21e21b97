"""Journey: a rig file that was changed is taken while the light is held, or refused whole."""

from __future__ import annotations

import itertools
import math
import signal
import struct
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from journeys.running import Daemon, Ear, ends_stream, running, slots_of

CodePair = tuple[int, int]


def codes_of(packet: bytes) -> CodePair:
    """Key and fill as 16-bit codes, coarse slot first."""
    slots = slots_of(packet)
    return struct.unpack(">H", slots[0:2])[0], struct.unpack(">H", slots[510:512])[0]


def until(holds: Callable[[], Any], within_s: float = 60.0) -> Any:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if found := holds():
            return found
        time.sleep(0.05)
    raise AssertionError(f"it did not come to hold within {within_s} s")


def at_rest(daemon: Daemon, ear: Ear) -> CodePair:
    """The codes the light rests on, once heard: the last frame may wait for its turn on the wire."""

    def heard() -> CodePair | None:
        heads = daemon.settled()["heads"]
        key, fill = (struct.unpack(">H", bytes(head["wire"]))[0] for head in heads)
        packets = ear.waiting() or [ear.packet()]
        return (key, fill) if codes_of(packets[-1]) == (key, fill) else None

    codes: CodePair = until(heard)
    return codes


LATE_STOPS = 1.2
"""A frame that is late counts as a tenth of a second at most, at 6 stops a second 0.6 stop; and a machine so
late may put two in one packet."""
FLOOR_LEVEL = 0.03**0.5
DATA_OCTETS = 638


def fades(way: list[tuple[int, ...]]) -> bool:
    """Whether the light goes on in small steps, those below the floor left out; curves are square."""
    seen = [[2 * math.log2(max(code / 65535, FLOOR_LEVEL)) for code in codes] for codes in way]
    steps = [abs(b - a) for one, next_ in itertools.pairwise(seen) for a, b in zip(one, next_, strict=True)]
    return max(steps) < LATE_STOPS + 0.05


@pytest.fixture
def up(rig: Path, tmp_path: Path) -> Iterator[Daemon]:
    with running(rig, tmp_path / "data") as daemon:
        daemon.settled()
        yield daemon


def change(rig: Path, old: str, new: str, daemon: Daemon) -> None:
    text = rig.read_text()
    assert old in text
    rig.write_text(text.replace(old, new))
    daemon.process.send_signal(signal.SIGHUP)


def test_a_new_ratio_is_faded_to_from_the_present_light(up: Daemon, rig: Path, ear: Ear) -> None:
    last = at_rest(up, ear)
    change(rig, "[hold]", '[balance]\nratio = "8:1"\n[hold]', up)
    until(lambda: up.get("/api/v1/state")["balance"]["ratio"] == 8.0)
    after = up.settled()
    assert after["achieved"]["ratio"] == pytest.approx(8.0, rel=0.02)
    packets = ear.waiting()
    assert not any(ends_stream(packet) for packet in packets)
    way = [last, *(codes_of(packet) for packet in packets)]
    assert fades(way)
    assert 2 * math.log2(last[1] / way[-1][1]) > LATE_STOPS + 0.2


def test_a_change_of_nothing_on_the_wire_sends_nothing_new(up: Daemon, rig: Path, ear: Ear) -> None:
    before = {at_rest(up, ear)}
    change(rig, "desk = [0.6, 0.3, 1.25]", "desk = [0.5, 0.3, 1.25]\ndoor = [-0.8, 0.5, 1.6]", up)
    until(lambda: any(mark["name"] == "door" for mark in marks_of(up)))
    assert {codes_of(packet) for packet in ear.waiting()} <= before
    assert up.do(do="move", mark="door")["ok"] is True


def test_packets_are_numbered_on_over_an_exchanged_wire(up: Daemon, rig: Path, ear: Ear) -> None:
    """ANSI E1.31-2018, 6.7.2: a receiver drops what is up to twenty numbers behind, and would miss a fade."""
    at_rest(up, ear)
    numbers: list[int] = []

    def taken(priority: int) -> bool:
        packets = [packet for packet in ear.waiting() if len(packet) == DATA_OCTETS]
        numbers.extend(packet[111] for packet in packets)
        return any(packet[108] == priority for packet in packets)

    stage = "[drivers.stage]\n"
    change(rig, stage, f"{stage}priority = 110\n", up)
    until(lambda: taken(110))
    change(rig, "priority = 110", "priority = 120", up)
    until(lambda: taken(120))
    assert {(after - before) % 256 for before, after in itertools.pairwise(numbers)} == {1}


def marks_of(daemon: Daemon) -> list[dict[str, Any]]:
    marks = daemon.get("/api/v1/places")["marks"]
    return [{"name": name} for name in marks] if isinstance(marks, dict) else marks


BROKEN = [
    ('role = "fill"', 'role = "fil"', "role"),
    ("[hold]", "[hold", "line"),
    ('name = "corner"', 'name = "other"', "keeps the name of its rig"),
    ("universe = 7, slot = 511", "universe = 7, slot = 1", "slot"),
    ("[rig]", '[doors.osc]\nlisten = "192.0.2.1:9"\n[rig]', "192.0.2.1"),
]


def wish_and_light(daemon: Daemon) -> dict[str, Any]:
    """What a refused file must leave alone. A wire may call a busy machine late, whatever the file."""
    state = daemon.get("/api/v1/state")
    kept = ("rig", "mode", "balance", "trims", "subject", "target", "achieved", "limits")
    heads = [
        {name: head[name] for name in ("name", "role", "output", "level", "goal")} for head in state["heads"]
    ]
    return {**{name: state[name] for name in kept}, "heads": heads}


def test_a_broken_one_is_refused_whole_and_said_in_one_line(up: Daemon, rig: Path, ear: Ear) -> None:
    codes = {at_rest(up, ear)}
    before, good = wish_and_light(up), rig.read_text()
    for old, new, why in BROKEN:
        change(rig, old, new, up)
        notes = until(lambda: up.get("/api/v1/state")["notes"])
        assert len(notes) == 1
        assert notes[0].startswith("the changed rig file is not taken, the one before is held: ")
        assert why in notes[0]
        assert "\n" not in notes[0]
        assert wish_and_light(up) == before
        rig.write_text(good)
        up.process.send_signal(signal.SIGHUP)
        until(lambda: up.get("/api/v1/state")["notes"] == [])
    assert {codes_of(packet) for packet in ear.waiting()} <= codes
    assert up.do(do="trim", role="fill", by=-1)["ok"] is True
    assert at_rest(up, ear) not in codes
    assert up.stop() == 0
    said = [line for line in up.said.decode().splitlines() if "is not taken" in line]
    assert len(said) == len(BROKEN)
    assert all(line.startswith("fillside: error: ") for line in said)
    assert "Traceback" not in up.said.decode()


def test_wires_that_changed_are_replaced_and_others_never_notice(up: Daemon, rig: Path, ear: Ear) -> None:
    """The fill moves to a wire of its own; the key's slots stay, and the fill's begin where they were."""
    other = Ear()
    try:
        at_rest(up, ear)
        before = up.get("/api/v1/state")
        text = rig.read_text().replace(
            '{ driver = "stage", universe = 7, slot = 511, bits = 16 }',
            '{ driver = "side", universe = 9, slot = 511, bits = 16 }',
        )
        rig.write_text(text + f'[drivers.side]\nkind = "sacn"\nto = ["127.0.0.1:{other.port}"]\n')
        up.process.send_signal(signal.SIGHUP)
        until(lambda: "side" in up.get("/api/v1/state")["drivers"])
        first = other.packet()
        fill = next(head for head in before["heads"] if head["name"] == "fill")
        assert list(slots_of(first)[510:512]) == fill["wire"]
        key = next(head for head in before["heads"] if head["name"] == "key")
        packets = ear.waiting()
        assert not any(ends_stream(packet) for packet in packets)
        assert all(list(slots_of(packet)[0:2]) == key["wire"] for packet in packets)
        assert up.do(do="trim", role="fill", by=-1)["ok"] is True
        wanted = next(head for head in up.settled()["heads"] if head["name"] == "fill")["wire"]
        assert wanted != fill["wire"]
        assert until(lambda: list(slots_of(other.packet())[510:512]) == wanted)
    finally:
        other.close()


def test_orders_and_trims_outlive_a_reload(up: Daemon, rig: Path) -> None:
    up.do(do="trim", role="fill", by=-0.5)
    up.do(do="freeze")
    change(rig, "order_speed = 6.0", "order_speed = 5.0", up)
    time.sleep(0.5)
    state = up.settled()
    assert (state["trims"], state["mode"]) == ({"fill": -0.5}, "freeze")


def lux_toward_key(daemon: Daemon) -> float:
    """What the sensor makes of the room; it is smoothed over some seconds."""
    return float(daemon.get("/api/v1/state")["daylight"]["toward_key"])


def test_the_daylight_that_a_sensor_told_is_not_forgotten(rig: Path, tmp_path: Path, ear: Ear) -> None:
    rig.write_text(f"{rig.read_text()}\n[sensors.window]\n")
    with running(rig, tmp_path / "data") as daemon:
        daemon.settled()
        assert daemon.do(do="sensor", name="window", value=100)["ok"] is True
        for facing in ("key", "fill", "camera"):
            # Even light: a dome toward the camera shows twice what a flat receptor shows.
            lux = 40 if facing == "camera" else 20
            assert daemon.do(do="read", head="", value=lux, facing=facing)["ok"] is True
        without = at_rest(daemon, ear)
        until(lambda: daemon.do(do="sensor", name="window", value=600) and lux_toward_key(daemon) > 110)
        followed = at_rest(daemon, ear)
        assert followed != without
        change(rig, "desk = [0.6, 0.3, 1.25]", "desk = [0.5, 0.3, 1.25]\ndoor = [-0.8, 0.5, 1.6]", daemon)
        until(lambda: any(mark["name"] == "door" for mark in marks_of(daemon)))
        after = at_rest(daemon, ear)
        # Following rests within a dead band, a taken file in its middle; the room's light is a lot more.
        for forgotten, kept, found in zip(without, followed, after, strict=True):
            assert abs(found - kept) < abs(forgotten - kept) / 2
        assert daemon.get("/api/v1/state")["daylight"]["says"] == "followed"


def test_a_drift_that_was_told_is_not_forgotten(rig: Path, tmp_path: Path) -> None:
    with running(rig, tmp_path / "data") as daemon:
        daemon.settled()
        assert daemon.get("/api/v1/state")["drift"] is None
        for value in (300, 300, 300):
            assert daemon.do(do="read", head="key", level=1.0, value=value)["ok"] is True
        daemon.settled()
        assert daemon.do(do="read", check=True, head="key", level=1.0, value=150)["ok"] is True
        before = daemon.get("/api/v1/state")
        assert before["drift"][0]["says"] == "changed"
        assert any(note.startswith("key gives") for note in before["notes"])
        change(rig, "desk = [0.6, 0.3, 1.25]", "desk = [0.5, 0.3, 1.25]\ndoor = [-0.8, 0.5, 1.6]", daemon)
        until(lambda: any(mark["name"] == "door" for mark in marks_of(daemon)))
        assert daemon.get("/api/v1/state")["drift"] == before["drift"]
    with running(rig, tmp_path / "data") as daemon:
        again = daemon.settled()["drift"][0]
        assert again["off_stops"] == pytest.approx(before["drift"][0]["off_stops"], abs=0.01)


FILL_ON = "universe = 7, slot = 511, bits = 16"


def test_a_head_that_left_the_file_goes_out_gently_before_it_is_taken(
    up: Daemon, rig: Path, ear: Ear
) -> None:
    way = [at_rest(up, ear)]
    text = rig.read_text()
    fill = text[text.index('[[heads]]\nname = "fill"') : text.index("[drivers.stage]")]
    change(rig, fill, "", up)
    until(lambda: [head["name"] for head in up.get("/api/v1/state")["heads"]] == ["key"])
    up.settled()
    way += [codes_of(packet) for packet in ear.waiting()]
    assert way[-1][1] == 0
    assert way[-1][0] > 0
    assert fades(way)
    assert up.get("/api/v1/state")["notes"] == []
    rig.write_text(text)
    up.process.send_signal(signal.SIGHUP)
    until(lambda: len(up.get("/api/v1/state")["heads"]) == 2)
    assert at_rest(up, ear)[1] == way[0][1]


def test_a_head_with_another_name_keeps_its_light(up: Daemon, rig: Path, ear: Ear) -> None:
    up.do(do="trim", role="fill", by=-0.5)
    before = at_rest(up, ear)
    change(rig, 'name = "fill"', 'name = "window"', up)
    until(lambda: [head["name"] for head in up.get("/api/v1/state")["heads"]] == ["key", "window"])
    assert up.settled()["trims"] == {"fill": -0.5}
    assert {codes_of(packet) for packet in ear.waiting()} <= {before}


def test_a_head_on_other_slots_goes_out_at_the_old_and_comes_up_at_the_new(
    up: Daemon, rig: Path, ear: Ear
) -> None:
    before = at_rest(up, ear)
    change(rig, FILL_ON, "universe = 7, slot = 21, bits = 16", up)

    def moved() -> tuple[int, int, int]:
        slots = slots_of(ear.packet())
        key, new, old = (struct.unpack(">H", slots[i : i + 2])[0] for i in (0, 20, 510))
        way.append((key, new, old))
        return way[-1]

    way: list[tuple[int, ...]] = [(before[0], 0, before[1])]
    until(lambda: moved() == (before[0], before[1], 0))
    assert fades(way)
    assert not any(new and old for _, new, old in way)


def test_a_head_that_left_comes_back_where_the_file_cannot_be_taken(up: Daemon, rig: Path, ear: Ear) -> None:
    way = [at_rest(up, ear)]
    text = rig.read_text()
    nowhere = f'[drivers.side]\nkind = "sacn"\ninterface = "192.0.2.7"\nto = ["127.0.0.1:{ear.port}"]\n'
    fill = text[text.index('[[heads]]\nname = "fill"') : text.index("[drivers.stage]")]
    hair = fill.replace('"fill"', '"hair"').replace(
        'driver = "stage", universe = 7', 'driver = "side", universe = 9'
    )
    change(rig, fill, hair + nowhere, up)
    notes = until(lambda: [n for n in up.get("/api/v1/state")["notes"] if "not taken" in n])
    assert "192.0.2.7" in notes[0]
    way += [codes_of(packet) for packet in ear.waiting()]
    assert at_rest(up, ear) == way[0]
    assert min(code for _, code in way) == 0
    assert fades(way)


def test_another_white_is_turned_to_slowly_and_back_where_the_file_cannot_be_taken(
    rig: Path, tmp_path: Path, ear: Ear
) -> None:
    text = rig.read_text().replace(
        "intensity = 2600", 'intensity = 2600\nlamp = { kind = "led", cct = [2700, 6500], dimmable = true }'
    )
    text = text.replace(FILL_ON, "universe = 7, slot = 511, cool_slot = 3, bits = 16")
    rig.write_text(text.replace("[hold]", "[balance]\ncct = 3000\n[hold]"))
    warm_ones: list[float] = []

    def look() -> float:
        """The warm channel's part of the fill's light; curves are square."""
        for packet in ear.waiting() or [ear.packet()]:
            slots = slots_of(packet)
            warm, cool = (struct.unpack(">H", slots[i : i + 2])[0] ** 2 for i in (510, 2))
            if warm + cool:
                warm_ones.append(warm / (warm + cool))
        return warm_ones[-1]

    with running(rig, tmp_path / "data") as daemon:
        daemon.settled()
        warm = until(lambda: (part := look()) > 0.5 and part)
        good = rig.read_text()
        nowhere = f'[drivers.side]\nkind = "sacn"\ninterface = "192.0.2.7"\nto = ["127.0.0.1:{ear.port}"]\n'
        changed = good.replace("cct = 3000", "cct = 5600").replace(
            "[drivers.stage]", f"{nowhere}[drivers.stage]"
        )
        changed = changed.replace(
            'driver = "stage", universe = 7, slot = 1,', 'driver = "side", universe = 9, slot = 1,'
        )
        rig.write_text(changed)
        daemon.process.send_signal(signal.SIGHUP)
        until(
            lambda: (
                look() is not None
                and any("not taken" in note for note in daemon.get("/api/v1/state")["notes"])
            )
        )
        until(lambda: look() == pytest.approx(warm, abs=0.01))
        assert len(daemon.settled()["notes"]) == 1
        assert min(warm_ones) < 0.5
        rig.write_text(good.replace("cct = 3000", "cct = 5600"))
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: look() < 0.25 and len(daemon.get("/api/v1/state")["notes"]) == 1)
        assert daemon.settled()["notes"][0].startswith("balance.cct was edited")
    assert max(abs(b - a) for a, b in itertools.pairwise(warm_ones)) < 0.1
