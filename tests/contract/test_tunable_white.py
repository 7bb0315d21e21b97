"""Contract: a wanted white is held by whoever can, with the light it leaves, and missed in plain words."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping
from dataclasses import replace

import pytest

from contract.meter_studio import settle
from fillside.balance.prediction import predict
from fillside.balance.report import LimitReport
from fillside.balance.solution import solve_rig
from fillside.hold.machine.hold import Hold
from fillside.metering.simulated_meter import truth_of
from fillside.orders.parsing import parse_order
from fillside.photometry.colour import mired, mixed_cct_k
from fillside.rig.calibration import Calibration
from fillside.rig.checks.report import check_rig
from fillside.rig.file.build import apply_change
from fillside.rig.problems import RigError
from fillside.rig.scene.scene import scene
from fillside.rig.scene.whites import STEP_MIRED, White, white_fade
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside.runtime.wires import DriversInUse, drivers_of
from fillside_drivers.mqtt.bulb import Bulb
from fillside_drivers.mqtt.options import MqttDrive
from fillside_drivers.registry import build, kinds
from fillside_drivers.sim.driver import SimDriver
from fillside_drivers.sim.meter import VirtualMeter
from fillside_drivers.slots import SlotFrame
from protocol.wires import WHO
from rigs import head_at, sim, studio, toml

RIG = toml(
    studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.2]},
        marks={"stool": [0.0, 0.0, 1.2], "near": [-0.3, -0.3, 1.2]},
        balance={"exposure": 300, "cct": 4300},
        heads=[
            head_at(
                "key",
                [-1.0, -1.0, 1.9],
                intensity=2000,
                lamp={"cct": [2700, 6500]},
                drive={"driver": "wall", "universe": 1, "slot": 1, "cool_slot": 11, "bits": 16},
            ),
            head_at(
                "fill",
                [1.3, -1.2, 1.6],
                intensity=1500,
                lamp={"cct": [3200, 5600], "cool_share": 0.6},
                drive={"driver": "wall", "universe": 1, "slot": 3, "cool_slot": 13, "bits": 16},
            ),
        ],
        drivers=sim("wall"),
    )
)


TWO_WHITES_OF_FILL = """lamp = { cct = [3200, 5600], cool_share = 0.6 }
drive = { driver = "wall", universe = 1, slot = 3, cool_slot = 13, bits = 16 }"""


def plain_fill(lamp: str) -> tuple[str, str]:
    """The change that gives the fill a lamp of one white."""
    drive = 'drive = { driver = "wall", universe = 1, slot = 3, bits = 16 }'
    return TWO_WHITES_OF_FILL, f"lamp = {{ {lamp} }}\n{drive}"


def read(*changes: tuple[str, str]) -> Rig:
    text = RIG
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return load_rig_text(text, kinds=kinds())


def whites(rig: Rig) -> dict[str, White]:
    own = scene(rig)
    return {name: white for name, white in zip(own.names, own.whites, strict=True) if white is not None}


def off(rig: Rig) -> list[LimitReport]:
    return [limit for limit in solve_rig(rig).report.limits if limit.at == "colour"]


def test_the_most_light_is_that_of_the_mix() -> None:
    unsaid = read(("cct = 4300\n", ""))
    assert {white.most for white in whites(unsaid).values()} == {1.0}
    # At an end one channel is out, and half of the light with it.
    warm = read(("cct = 4300", "cct = 2700"))
    assert whites(warm)["key"].most == pytest.approx(0.5)
    at = (0.0, 0.0, 1.2)
    assert predict(warm, at).heads[0].lux == pytest.approx(predict(unsaid, at).heads[0].lux / 2)


def test_a_balance_is_solved_with_the_light_of_the_mix() -> None:
    for cct in (2700, 3200, 4300, 6500):
        report = solve_rig(read(("cct = 4300", f"cct = {cct}"))).report
        assert report.achieved.ratio == pytest.approx(2.0, abs=1e-3)
        assert report.achieved.exposure_lux == pytest.approx(300, rel=1e-3)


def test_a_calibration_made_at_one_white_serves_another() -> None:
    warm = read(("cct = 4300", "cct = 2700"))
    known = Calibration.model_validate({"heads": {"key": {"intensity_cd": 900.0, "of_full": 0.5}}})
    assert scene(warm, known).sources.intensity_cd[0] == pytest.approx(900)
    # Both channels at full are twice one of them.
    both = read(("cct = 4300\n", ""))
    assert scene(both, known).sources.intensity_cd[0] == pytest.approx(1800)
    silent = Calibration.model_validate({"heads": {"key": {"intensity_cd": 900.0}}})
    assert scene(both, silent).sources.intensity_cd[0] == pytest.approx(900)


def test_a_role_can_want_its_own_white() -> None:
    rig = read(("cct = 4300", "cct = { key = 5600 }"))
    assert whites(rig)["key"].wanted_k == 5600
    assert whites(rig)["fill"].wanted_k is None
    assert whites(rig)["fill"].held_k == pytest.approx(4400, abs=150)


def test_the_octets_are_those_of_both_channels() -> None:
    rig = read(("cct = 4300", "cct = 2700"))
    # All warm: the cool channel is out at every level.
    assert [len(head.wire) for head in solve_rig(rig).report.heads] == [4, 4]
    full = predict(rig, (0, 0, 1.2)).heads[0]
    assert full.wire == (255, 255, 0, 0)


async def lit(rig: Rig) -> tuple[Hold, DriversInUse, SimDriver, VirtualMeter]:
    """A studio in memory: the hold, its wires, and a meter in the simulated room."""
    loom = drivers_of(rig, lambda: 0.0, WHO)
    driver = loom.drivers["wall"]
    assert isinstance(driver, SimDriver)
    await driver.__aenter__()
    truth = truth_of(rig)
    truth = replace(truth, heads=tuple(replace(head, warm_factor=1.0) for head in truth.heads))
    return Hold(rig), loom, driver, VirtualMeter(driver, truth)


def temperature_k(levels: Mapping[str, float], name: str, warm_k: float, cool_k: float, part: float) -> float:
    """Of a head's light by its channels' levels; the curves here are linear."""
    warm, cool = (1 - part) * levels[name], part * levels[f"{name}/cool"]
    return mixed_cct_k(warm_k, cool_k, cool / (warm + cool))


async def test_colour_and_ratio_are_held_through_a_fade() -> None:
    rig = read()
    hold, loom, driver, meter = await lit(rig)
    sent: tuple[int, ...] = ()
    coloured = 0
    now = 0.0
    for order in ({"do": "follow"}, {"do": "expose", "by": -1.5}, {"do": "move", "mark": "near"}):
        hold.order(parse_order(order), now)
        while (wake := hold.wake_in(now)) is not None:
            now += wake
            codes = hold.tick(now)
            if codes is None:
                continue
            for wire, frame in loom.frames(hold.scene, codes, sent):
                wire.send(frame)
            sent = codes
            levels = driver.levels
            for name, warm, cool, part in (("key", 2700.0, 6500.0, 0.5), ("fill", 3200.0, 5600.0, 0.6)):
                if levels[name] > 0.02:
                    kelvin = temperature_k(levels, name, warm, cool, part)
                    assert mired(kelvin) == pytest.approx(mired(4300), abs=0.5)
                    coloured += 1
    assert coloured > 100
    at = (-0.3, -0.3, 1.2)
    state = hold.snapshot()
    assert state.settled
    assert state.achieved.ratio == pytest.approx(2.0, abs=2e-3)
    for i, name in enumerate(("key", "fill")):
        # The other head out, as one meters; the room has physics of its own.
        channels = zip((name, f"{name}/cool"), hold.scene.wire_codes(i, hold.codes[i]), strict=True)
        driver.send(dict.fromkeys(driver.channels, 0) | dict(channels))
        shown = meter.true_lux("flat", at, meter.toward(name, at), now)
        assert shown == pytest.approx(state.heads[i].lux, rel=1e-3)
    await driver.close()


PARTS = {"key": 0.5, "fill": 0.6}
"""The cool channel's part of each lamp's light with both at full."""


def lights(hold: Hold) -> dict[str, float]:
    """Each head's light over that with both channels at full; linear channels add up, and nothing else."""
    found = {}
    for i, (name, part) in enumerate(PARTS.items()):
        warm, cool = hold.scene.wire_codes(i, hold.codes[i])
        found[name] = ((1 - part) * warm + part * cool) / 65535
    return found


def dimmed(rig: Rig) -> tuple[Hold, float]:
    """A stop below the wanted exposure, so that another white has room; and the time when the light rests."""
    hold = Hold(rig)
    hold.order(parse_order({"do": "expose", "by": -1.0}), 0.0)
    return hold, settle(hold)


def largest_step_stops(hold: Hold, before: dict[str, float]) -> float:
    """Between any two frames until the light rests, the first one against `before` included."""
    now, most = 10.0, 0.0
    while True:
        after = lights(hold)
        most = max(most, *(abs(math.log2(after[name] / before[name])) for name in PARTS))
        before = after
        if (wake := hold.wake_in(now)) is None:
            return most
        now += wake
        hold.tick(now)


@pytest.mark.parametrize("order", [{"do": "follow"}, {"do": "freeze"}], ids=str)
@pytest.mark.parametrize("way", ["reload", "restart"])
@pytest.mark.parametrize("cct", [3300, 5500])
def test_another_white_does_not_make_the_light_jump(way: str, cct: int, order: dict[str, str]) -> None:
    """A frame apart, at the order speed, a head goes no further than that speed over 44 frames a second."""
    rig, edited = read(), read(("cct = 4300", f"cct = {cct}"))
    hold, now = dimmed(rig)
    before = lights(hold)
    if order["do"] == "freeze":
        hold.order(parse_order(order), now)
    if way == "reload":
        new = hold.replaced(edited, None, None, 10.0)
    else:
        new = Hold(edited, json.loads(json.dumps(hold.remember().model_dump(mode="json"))), 10.0)
    assert largest_step_stops(new, before) <= rig.hold.order_speed / 44 + 0.005
    assert new.snapshot().achieved.ratio == pytest.approx(2.0, abs=5e-3)
    for name, light in lights(new).items():
        assert light == pytest.approx(before[name], rel=3e-3)


def colours(hold: Hold) -> dict[str, float]:
    """Each head's white on the wire [mired]."""
    ends = {"key": (2700.0, 6500.0), "fill": (3200.0, 5600.0)}
    found = {}
    for i, (name, part) in enumerate(PARTS.items()):
        warm, cool = hold.scene.wire_codes(i, hold.codes[i])
        levels = {name: warm / 65535, f"{name}/cool": cool / 65535}
        found[name] = mired(temperature_k(levels, name, *ends[name], part))
    return found


@pytest.mark.parametrize("cct", ["3300", "5500", "{ key = 6500, fill = 4300 }", "9000", None])
def test_on_the_way_to_another_white_neither_colour_nor_light_steps(cct: str | None) -> None:
    rig, edited = read(), read(("cct = 4300\n", f"cct = {cct}\n" if cct else ""))
    hold, now = dimmed(rig)
    whites_seen, lights_seen = [colours(hold)], [lights(hold)]
    for between in (*white_fade(rig, edited), edited):
        hold = hold.replaced(between, None, None, now)
        for _ in range(3):
            whites_seen.append(colours(hold))
            lights_seen.append(lights(hold))
            now += 1 / 44
            hold.tick(now)
    assert abs(whites_seen[-1]["key"] - whites_seen[0]["key"]) > 10
    for one, next_ in itertools.pairwise(whites_seen):
        assert max(abs(next_[name] - one[name]) for name in PARTS) < STEP_MIRED + 0.3
    for one, next_ in itertools.pairwise(lights_seen):
        assert max(abs(math.log2(next_[name] / one[name])) for name in PARTS) < 0.03


def test_where_no_white_changes_there_is_no_way_to_go() -> None:
    assert list(white_fade(read(), read())) == []
    assert list(white_fade(read(), read(("cct = 4300", "cct = { key = 4300, fill = 4300 }")))) == []


async def test_only_changed_heads_are_sent_and_both_channels_of_them() -> None:
    hold, loom, driver, _ = await lit(read())
    ((_, frame),) = loom.frames(hold.scene, (1000, 2000), ())
    assert set(frame) == {"key", "key/cool", "fill", "fill/cool"}
    ((_, frame),) = loom.frames(hold.scene, (1000, 2001), (1000, 2000))
    assert set(frame) == {"fill", "fill/cool"}
    assert list(loom.frames(hold.scene, (1000, 2000), (1000, 2000))) == []
    await driver.close()


@pytest.mark.parametrize("kind", ["sacn", "dmx-serial"])
def test_slots_of_both_channels_are_claimed(kind: str) -> None:
    table = 'kind = "sacn"' if kind == "sacn" else 'kind = "dmx-serial"\ndevice = "/dev/null"'
    rig = [('kind = "sim"', table)] + ([] if kind == "sacn" else [("universe = 1, ", "")])
    assert whites(read(*rig))["key"].mix is not None
    for changes, says in (
        (("cool_slot = 11", "cool_slot = 2"), "slot and cool_slot must be two places that do not overlap"),
        (("cool_slot = 11", "cool_slot = 4"), "overlaps with head key"),
        (("cool_slot = 11", "cool_slot = 512"), "the last it can start at is 511"),
    ):
        with pytest.raises(RigError, match=says):
            read(*rig, changes)


def test_a_wire_has_both_channels_in_its_frame() -> None:
    drive = {"universe": 1, "slot": 1, "cool_slot": 11, "bits": 16, "fixed": {"20": 7}}
    wire = build("stage", "sacn", {"listen": False}, {"key": drive}, clock=lambda: 0.0, identity=WHO)
    assert list(wire.channels) == ["key", "key/cool"]
    frame = SlotFrame(wire.channels.values())
    frame.put({"key": 0x0102, "key/cool": 0x0304})
    octets = frame.octets
    assert (octets[0:2].hex(), octets[10:12].hex(), octets[19]) == ("0102", "0304", 7)


BULB = {
    "driver": "room",
    "send_to": "bulb/hair",
    "send_as": '{"power": {code}}',
    "cct_field": "kelvin",
}


def test_a_bulb_is_told_its_white_with_every_level() -> None:
    hair = head_at("hair", [0.3, 1.2, 2.3], intensity=400, lamp={"cct": [2200, 4000]}, drive=BULB)
    bulb_first = toml({"heads": [hair], "drivers": {"room": {"kind": "mqtt"}}})
    fill = '[[heads]]\nname = "fill"'
    rig = read((fill, bulb_first + fill))
    assert whites(rig)["hair"] == White(2200, 4000, 4300, 4000, sends_cct=True)
    loom = drivers_of(rig, lambda: 0.0, WHO)
    channel = loom.drivers["room"].channels["hair"]
    assert isinstance(channel.drive, MqttDrive)
    bulb = Bulb(channel.drive, channel.cct_k)
    bulb.want(200, 0.0)
    assert json.loads(bulb.take(0.0)[0].payload) == {"power": 200, "kelvin": 4000}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"cct_field": "ct", "cct_as": "mired"}, {"power": 9, "ct": 250}),
        ({"cct_field": "ct", "fade_field": "over"}, {"power": 9, "ct": 4000, "over": 0.0}),
        ({"fade_field": "over"}, {"power": 9, "over": 0.0}),
    ],
)
def test_a_bulb_hears_kelvin_or_mired(more: dict[str, str], said: dict[str, float]) -> None:
    drive = MqttDrive.model_validate({"send_to": "bulb/a", "send_as": '{"power": {code}}', **more})
    bulb = Bulb(drive, 4000.0)
    bulb.want(9, 0.0)
    assert json.loads(bulb.take(0.0)[0].payload) == said


def test_a_bulb_of_which_nothing_is_wanted_is_told_nothing() -> None:
    drive = MqttDrive.model_validate({"send_to": "b", "send_as": '{"power": {code}}', "cct_field": "ct"})
    bulb = Bulb(drive, None)
    bulb.want(9, 0.0)
    assert json.loads(bulb.take(0.0)[0].payload) == {"power": 9}
    with pytest.raises(ValueError, match="cct_field needs a send_as that is a JSON object"):
        MqttDrive.model_validate({"send_to": "b", "cct_field": "ct"})


def test_what_a_lamp_cannot_reach_is_told_in_mired() -> None:
    rig = read(("cct = 4300", "cct = 7500"))
    # 10^6 / 6500 - 10^6 / 7500 = 20.5, 10^6 / 5600 - 10^6 / 7500 = 45.2
    assert [(limit.head, limit.says) for limit in off(rig)] == [
        ("key", "key comes nearest at 6500 K, 21 mired warmer than the 7500 K wanted"),
        ("fill", "fill comes nearest at 5600 K, 45 mired warmer than the 7500 K wanted"),
    ]
    assert off(read()) == []


def test_a_lamp_of_one_white_is_held_against_the_wish() -> None:
    assert [limit.says for limit in off(read(plain_fill("cct = 3200")))] == [
        # 312.5 - 232.6
        "fill burns at 3200 K, 80 mired warmer than the 4300 K wanted"
    ]
    assert off(read(plain_fill("cct = 4350"))) == []


TUNGSTEN = plain_fill('kind = "halogen", cct = 3200')


def test_tungsten_that_is_dimmed_is_told() -> None:
    rig = read(TUNGSTEN, ("cct = 4300\n", ""))
    report = solve_rig(rig).report
    output = report.heads[1].output
    moved = 312.5 * (output ** -(0.42 / 3.4) - 1)
    (limit,) = off(rig)
    stops = -math.log2(output)
    assert limit.says == (
        f"dimmed by {stops:.1f} {'stop' if stops < 1.05 else 'stops'}, "
        f"fill burns {moved:.0f} mired warmer than at full, {1e6 / (312.5 + moved):.0f} K"
    )
    # Hardly dimmed it stays within five mired.
    assert off(apply_change(rig, {"heads.fill.intensity": 1500 * output * 1.1})) == []


async def test_a_colour_that_is_off_is_not_in_the_way_of_an_order() -> None:
    hold = Hold(read(TUNGSTEN))
    answer = hold.order(parse_order({"do": "balance", "ratio": "3:1"}), 0.0)
    assert answer.note is None
    now = 0.0
    while (wake := hold.wake_in(now)) is not None:
        now += wake
        hold.tick(now)
    assert [limit.at for limit in hold.snapshot().limits] == ["colour"]
    assert hold.remedy_question(now) is None


def warned(rig: Rig) -> dict[str, str]:
    return {w.key: w.says for w in check_rig(rig).warnings}


@pytest.mark.parametrize(
    ("changes", "key", "says"),
    [
        ((("cct = 4300\n", ""),), "heads.key.lamp", "no balance.cct is given for it; both whites run alike"),
        (
            (("cct = 4300", "cct = 9000"),),
            "heads.key.lamp.cct",
            "key comes nearest at 6500 K, 43 mired warmer",
        ),
        ((("cct = 4300", "cct = { kicker = 4300 }"),), "balance.cct.kicker", "no head has the role kicker"),
        ((TUNGSTEN,), "heads.fill.lamp", "moves about 28 mired a stop as it dims, from 3200 K at full"),
        ((TUNGSTEN,), "heads.fill.lamp", "more than 5 from 0.2 stop down"),
        (
            (("slot = 1, cool_slot = 11, bits = 16", "slot = 1"),),
            "heads.key.lamp",
            "set it to 4300 K by hand",
        ),
        (
            (
                ("cool_slot = 11, bits = 16 }", "cool_slot = 11 }\ndimming = { floor = 0.02 }"),
                ("cct = 4300", "cct = 3000"),
            ),
            "heads.key.lamp",
            "down to 2 % of its light it wanders by",
        ),
    ],
)
def test_check_says_what_to_mind(changes: tuple[tuple[str, str], ...], key: str, says: str) -> None:
    found = [w.says for w in check_rig(read(*changes)).warnings if w.key == key]
    assert any(says in text for text in found), found


def test_check_says_what_the_mix_costs() -> None:
    said = "\n".join(w.says for w in check_rig(read(("cct = 4300", "cct = 4000"))).warnings)
    assert "of what both channels give at full" in said
    assert "are pinkish, about Duv -0.006" in said


@pytest.mark.parametrize(
    ("kelvin", "off", "target"),
    [
        (3500, -0.00590, 0.00051),
        (4000, -0.00637, 0.00099),
        (4500, -0.00578, 0.00148),
        (5000, -0.00463, 0.00193),
    ],
)
def test_check_measures_pink_from_the_white_that_a_lamp_should_have(
    kelvin: int, off: float, target: float
) -> None:
    # `off` is from Planck's law and the CIE 1931 observer at 1 nm, both whites on the line and added by their
    # tristimulus values; `target` is ANSI C78.377's 57700 / T^2 - 44.6 / T + 0.00854 (from memory). Each is
    # more than 0.006 from the other, though most are less than that from the line.
    assert target - off > 0.006
    said = [w.says for w in check_rig(read(("cct = 4300", f"cct = {kelvin}"))).warnings]
    pink = next(says for says in said if "pinkish" in says)
    assert f"about Duv {off:.3f}, where a lamp of one white should have {target:.3f};" in pink


@pytest.mark.parametrize("kelvin", [3000, 5600, 6000])
def test_check_calls_no_mix_pink_that_a_lamp_of_one_white_might_be(kelvin: int) -> None:
    # Of the same lamp: Duv -0.0034, -0.0029 and -0.0016 for targets of 0.0001, 0.0024 and 0.0027.
    assert not any("pinkish" in w.says for w in check_rig(read(("cct = 4300", f"cct = {kelvin}"))).warnings)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ((("cct = [2700, 6500]", "cct = 2700"),), "needs the lamp's two ends, as lamp.cct = [2700, 6500]"),
        ((("cct = [2700, 6500]", "cct = [6500, 2700]"),), "two ends are the warm one, then the cool one"),
        ((("cct = [2700, 6500]", "cct = [2700, 16000]"),), "to 15000 K at most"),
        ((("cct = [2700, 6500]", "cct = [2700]"),), "its two ends, [2700, 6500]"),
        ((("cct = [2700, 6500]", 'cct = "warm"'),), "its two ends, [2700, 6500]"),
        ((("cct = 4300", "cct = 500"),), "must be at least 1000, not 500"),
        ((("cct = 4300", "cct = { key = 99999 }"),), "must be at most 20000"),
        ((("cct = [2700, 6500]", "cct = 2700, cool_share = 0.5"),), "is of a lamp with two whites"),
        ((("slot = 3, cool_slot = 13", "slot = 3"),), "the drive has no place for the second"),
        ((("cool_share = 0.6", "cool_share = 1.0"),), "must be at most 0.999"),
    ],
)
def test_bad_whites_are_refused(changes: tuple[tuple[str, str], ...], says: str) -> None:
    with pytest.raises(RigError) as caught:
        read(*changes)
    assert says in str(caught.value)
    assert caught.value.line is not None
