"""The `[plan]` table: what it takes, what it refuses and in which words; nothing of it changes the light."""

from __future__ import annotations

import pytest

from fillside.rig.problems import RigError
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from rigs import kitchen_table, toml

RIG = toml(kitchen_table())


def read(plan: str) -> Rig:
    return load_rig_text(RIG + plan, kinds=None)


def test_everything_of_it_may_be_left_out() -> None:
    plan = read("").plan
    assert plan.pose.glasses is None
    assert plan.wall is None
    assert plan.wander == 0.5


def test_a_full_table_is_read() -> None:
    plan = read("""
[plan]
wall = 1.8
mains_volts = 230.0
mains_hertz = 50.0
view = { focal_mm = 35.0, sensor_mm = 23.5 }
pose = { yaw = 10.0, pitch = -3.0, glasses = { tilt = 9.0, curve = 4.0 } }
circuits = { wall-a = { amps = 16.0, heads = ["key"], other_watts = 60.0 } }
ripple = { key = { hertz = 1200.0, pulsed = true } }
screens = { monitor = { position = [0.3, -0.8, 1.1] } }
""").plan
    assert plan.pose.glasses is not None
    assert plan.pose.glasses.tilt == 9.0
    assert plan.circuits["wall-a"].heads == ("key",)
    assert plan.screens["monitor"].cct == 6500.0


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[plan]\nwal = 2.0", "wall"),
        ("[plan]\nmains_hertz = 55\nceiling = -1", "at least 0.1"),
        ('[plan.circuits.a]\namps = 16\nheads = ["kee"]', '"key"'),
        (
            '[plan.circuits.a]\namps = 16\nheads = ["key"]\n[plan.circuits.b]\namps = 16\nheads = ["key"]',
            "one plug",
        ),
        ("[plan.ripple.fill]\npercent = 10", 'no head "fill"'),
        ("[plan.ripple.key]\npulsed = true", "rate of its pulses"),
        ("[plan.ripple.key]\npulsed = true\nhertz = 400\npercent = 10", "leave percent out"),
        ("[plan.view]\nfocal_mm = 50", "go together"),
        ("[plan.view]\ndegrees = 40\nfocal_mm = 50\nsensor_mm = 36", "not both"),
        ("[plan.pose]\npitch = nan", "finite"),
    ],
)
def test_mistakes_are_told_with_their_line(table: str, says: str) -> None:
    with pytest.raises(RigError) as caught:
        read(table)
    assert says in str(caught.value)
    assert caught.value.line is not None
    assert caught.value.line > RIG.count("\n")
