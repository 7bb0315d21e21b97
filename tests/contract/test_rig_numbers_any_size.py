"""Contract: every number of a rig file has a sane domain; outside of it there is one clear line, and inside
of it no command meets a fault, a warning of numpy, or a number that is none."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from fillside.balance.prediction import predict
from fillside.balance.remedies.search import remedies
from fillside.balance.solution import solve_rig
from fillside.balance.target import target_from_rig
from fillside.belief.result.intervals import Intervals
from fillside.cli.render.check import check_lines
from fillside.cli.render.plan_brief import brief_plan_lines
from fillside.cli.render.state import state_lines
from fillside.planning.figures import Lengths
from fillside.planning.plan import plan_rig
from fillside.rig.checks.report import check_rig
from fillside.rig.file.build import build_rig
from fillside.rig.file.schema import rig_schema
from fillside.rig.tables.model import Rig
from fillside_drivers.registry import kinds

Path = tuple[str | int, ...]

TINY = (5e-324, 1e-300, 1e-20)
HUGE: tuple[float, ...] = (1e300, -1e300, 2**64, 10**400, -(10**4400))
OWN_RULE = {"shutter", "ratio"}
"""Numbers or texts, judged by a rule of their own."""

HEAD: dict[str, Any] = {
    "name": "key",
    "role": "key",
    "position": [1.1, -1.0, 1.9],
    "aim": [0.0, 0.0, 1.2],
    "intensity": 1800.0,
    "lamp": {
        "kind": "led",
        "lumens": 3200.0,
        "count": 2,
        "cct": [2700.0, 6500.0],
        "cool_share": 0.5,
        "watts": 30.0,
    },
    "modifier": {
        "kind": "softbox",
        "diameter": 0.6,
        "efficiency": 0.5,
        "spread": 1.5,
        "diffusion": 0.5,
        "max_watts": 150.0,
    },
    "bounce": 0.1,
    "dimming": {"curve": {"levels": [0.3, 1.0], "outputs": [0.1, 1.0]}, "floor": 0.03},
    "correct_drift": {"most": 0.5, "per_hour": 0.2},
    "drive": {
        "driver": "stage",
        "universe": 1,
        "slot": 1,
        "cool_slot": 3,
        "bits": 16,
        "fixed": {"9": 255},
        "truth": {
            "output_factor": 0.9,
            "exponent": 2.0,
            "dead_zone": 0.1,
            "saturation": 0.9,
            "setback": 0.1,
            "diameter": 0.3,
            "bounce": 0.1,
            "warm_factor": 0.9,
            "warm_up_s": 300.0,
        },
    },
}
FILL: dict[str, Any] = {
    "name": "fill",
    "role": "fill",
    "position": [-1.2, -1.2, 1.4],
    "lamp": {"kind": "led", "lumens": 2400.0, "cct": 5600.0, "watts": 24.0},
    "modifier": {"kind": "panel", "diameter": 0.4, "loss": 1.0, "beam": 100.0},
    "dimming": {"curve": "square", "floor": 0.02},
    "drive": {"driver": "bulbs", "send_to": "a", "full_scale": 254, "most_per_s": 5.0, "latency_s": 0.1},
}
WALL: dict[str, Any] = {
    "name": "wall",
    "role": "background",
    "position": [0.8, 0.9, 2.0],
    "aim": [0.0, 1.8, 1.2],
    "modifier": {
        "kind": "reflector",
        "photometry": {
            "angles": [0.0, 30.0, 90.0],
            "candela": [900.0, 300.0, 0.0],
            "lamp_lumens": 1000.0,
            "said_lumens": 700.0,
            "uneven_stops": 0.2,
        },
    },
    "lamp": {"kind": "tube", "lumens": 800.0, "watts": 20.0, "cct": 4000.0},
    "dimming": {"curve": "log", "floor": 0.05},
    "drive": {"driver": "line", "slot": 4},
}
BASE: dict[str, Any] = {
    "rig": {"name": "corner"},
    "camera": {
        "position": [0.0, -2.4, 1.4],
        "iso": 400.0,
        "shutter": 0.02,
        "fps": 25.0,
        "aperture": 4.0,
        "nd_stops": 0.5,
        "loss_stops": 0.3,
        "offset_stops": 0.1,
    },
    "meter": {"receptor": "dome", "constant": 330.0, "sigma": 0.05},
    "marks": {"chair": [0.0, 0.0, 1.2], "desk": [0.5, 0.2, 1.2]},
    "subject": {"most_lux": 3000.0},
    "balance": {
        "ratio": 2.0,
        "most_over": 0.5,
        "most_under": 1.0,
        "relative": {"background": -1.5},
        "cct": {"key": 4300.0},
    },
    "hold": {"dead_band": 0.1, "follow_speed": 0.5, "order_speed": 1.0},
    "ambient": {"toward_key": 3.0, "toward_fill": 2.0, "toward_camera": 3.0},
    "heads": [HEAD, FILL, WALL],
    "drivers": {
        "stage": {
            "kind": "sim",
            "seed": 1,
            "noise_stops": 0.1,
            "ambient_lux": 3.0,
            "window_lux": 5.0,
            "window_from": [-1.0, 0.0, 0.0],
        },
        "bulbs": {"kind": "mqtt", "port": 1883, "keepalive_s": 10},
        "line": {"kind": "dmx-serial", "device": "/dev/none", "slots": 512, "rate_hz": 40.0},
        "net": {
            "kind": "sacn",
            "priority": 100,
            "ttl": 8,
            "sync_address": 7,
            "universes": {"7": {"priority": 90}},
        },
    },
    "doors": {
        "osc": {"answer_port": 9001},
        "mqtt": {"port": 1883, "keepalive_s": 10, "meters": {"sensor": {"at": [0.0, 0.0, 1.2]}}},
    },
    "sensors": {"window": {"at": [-1.8, 0.4, 1.6], "facing": [-3.0, 0.4, 1.6]}},
    "keys": {"debounce_ms": 120.0, "step_pause_ms": 750.0},
    "plan": {
        "wall": 1.8,
        "ceiling": 2.5,
        "mains_volts": 230.0,
        "mains_hertz": 50.0,
        "ambient_cct": 4000.0,
        "wander": 0.5,
        "readout_ms": 20.0,
        "view": {"focal_mm": 35.0, "sensor_mm": 36.0, "aspect": 1.78},
        "pose": {
            "yaw": 5.0,
            "pitch": 5.0,
            "brow": 55.0,
            "glasses": {
                "tilt": 8.0,
                "wrap": 5.0,
                "curve": 6.0,
                "width_mm": 50.0,
                "height_mm": 35.0,
                "apart_mm": 66.0,
                "temple_mm": 105.0,
            },
        },
        "circuits": {"socket": {"amps": 16.0, "heads": ["key"], "other_watts": 100.0}},
        "ripple": {"key": {"hertz": 100.0, "percent": 20.0}},
        "umbrellas": {
            "fill": {"bulb": 0.4, "beam": 120.0, "open_diameter": 1.1, "depth": 0.3, "closed_to": 0.8}
        },
        "screens": {"monitor": {"position": [0.4, -0.8, 1.2], "diameter": 0.6, "cct": 6500.0}},
    },
}
OTHERWISE: list[tuple[Path, Any]] = [
    (("camera", "shutter"), None),
    (("camera", "shutter_angle"), 180.0),
    (("balance", "exposure"), 400.0),
    (("balance", "cct"), 4300.0),
    (("ambient",), {"lux": 20.0}),
    (("plan", "view"), {"degrees": 40.0}),
    (("heads", 0, "lamp", "cct"), 5600.0),
    (("heads", 0, "lamp", "cool_share"), None),
    (("heads", 0, "drive", "cool_slot"), None),
    (("heads", 0, "intensity"), None),
]
"""What the rig of the other keys says instead; None where it says nothing."""


def put(data: dict[str, Any], path: Path, value: Any) -> None:
    for part in path[:-1]:
        data = data[part]  # type: ignore[index]
    if value is None:
        data.pop(path[-1], None)  # type: ignore[arg-type]
    else:
        data[path[-1]] = value  # type: ignore[index]


def other() -> dict[str, Any]:
    data = copy.deepcopy(BASE)
    for path, value in OTHERWISE:
        put(data, path, value)
    return data


def numbers(node: Any, path: Path = ()) -> Iterator[Path]:
    """The paths of all numbers."""
    if isinstance(node, dict):
        for key, inner in node.items():
            yield from numbers(inner, (*path, key))
    elif isinstance(node, list):
        for place, inner in enumerate(node):
            yield from numbers(inner, (*path, place))
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield path


def as_far_as_taken(base: dict[str, Any], value: float) -> Rig:
    """The rig with the value in every key that takes it."""
    data = copy.deepcopy(base)
    for path in numbers(base):
        put(data, path, value)
    for _ in range(20):
        rig, problems = build_rig(data, kinds())
        if rig is not None:
            return rig
        refused = {problem.path for problem in problems}
        for path in numbers(base):
            if any(path[: len(each)] == each or each[: len(path)] == path for each in refused):
                put(data, path, _at(base, path))
    raise AssertionError(problems)


def _at(data: Any, path: Path) -> Any:
    for part in path:
        data = data[part]
    return data


def worked_through(rig: Rig) -> None:
    """What check, solve and predict work out, and how they print it."""
    intervals = Intervals(rig)
    report = intervals.of(solve_rig(rig).report, target_from_rig(rig))
    found = report.model_copy(update={"remedies": remedies(rig)}).model_dump(mode="json")
    prediction = intervals.of_prediction(predict(rig, rig.start)).model_dump(mode="json")
    _is_plain(
        *check_lines(check_rig(rig), Lengths()),
        *state_lines({**found, "relative_uncertainty_stops": report.relative_uncertainty_stops}),
        *(json.dumps(each, allow_nan=False) for each in (found, prediction)),
    )


def _is_plain(*texts: str) -> None:
    assert not {"nan", "inf"} & set(re.findall(r"[a-z]+", " ".join(texts).lower()))


@pytest.mark.parametrize("base", [BASE, other()], ids=["one", "other"])
@pytest.mark.parametrize("value", TINY)
@pytest.mark.filterwarnings("error")
def test_numbers_next_to_nothing_are_worked_with_where_they_are_taken(
    base: dict[str, Any], value: float
) -> None:
    rig = as_far_as_taken(base, value)
    assert rig.dump() != base
    worked_through(rig)


@pytest.mark.filterwarnings("error")
def test_they_are_planned_with_too() -> None:
    _is_plain(*brief_plan_lines(plan_rig(as_far_as_taken(BASE, TINY[0]), wander=False), Lengths()))


@pytest.mark.parametrize("base", [BASE, other()], ids=["one", "other"])
@pytest.mark.parametrize("value", HUGE, ids=["1e300", "-1e300", "64-bits", "400-digits", "4400-digits"])
def test_numbers_beyond_all_are_refused_each_in_one_short_line(base: dict[str, Any], value: float) -> None:
    data = copy.deepcopy(base)
    for path in numbers(base):
        put(data, path, value)
    rig, problems = build_rig(data, kinds())
    assert rig is None
    assert len(problems) > 100
    for problem in problems:
        assert len(problem.message) < 250
        assert len(problem.message.splitlines()) == 1


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (("camera", "iso"), 1e-320, "must be at least 0.1, not 9.99989e-321"),
        (("camera", "shutter"), 1e-300, "from 1/1000000 to 60"),
        (("camera", "aperture"), 1e-200, "must be at least 0.5"),
        (("heads", 0, "intensity"), 5e-324, "must be at least 0.001"),
        (("heads", 0, "dimming", "curve", "levels", 0), 1e-300, "levels must rise, each by at least 1e-06"),
        (("heads", 0, "dimming", "curve", "outputs", 0), 1e-300, "an output is 0 or at least 1e-09"),
        (("drivers", "stage", "window_from", 0), 1e-200, "a direction must be at least 0.001 long"),
        (("hold", "order_speed"), 2**300, "must be at most 6, not a number of some 91 digits"),
    ],
)
def test_a_number_out_of_its_domain_is_told_with_the_domain(path: Path, value: float, says: str) -> None:
    data = copy.deepcopy(BASE)
    put(data, path, value)
    rig, problems = build_rig(data, kinds())
    assert rig is None
    assert [says in problem.message for problem in problems] == [True]


def test_every_number_has_a_least_and_a_most_and_what_is_above_0_is_so_by_something() -> None:
    loose = [
        key
        for key, number in _numbers_of(rig_schema(kinds()), "")
        if not {"minimum", "exclusiveMinimum"} & set(number)
        or not {"maximum", "exclusiveMaximum"} & set(number)
        or number.get("exclusiveMinimum") == 0
    ]
    assert set(loose) <= OWN_RULE


def _numbers_of(schema: Any, key: str) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(schema, dict):
        if schema.get("type") in ("number", "integer") and "enum" not in schema and "const" not in schema:
            yield key, schema
        for name, inner in schema.items():
            owner = key if name in ("anyOf", "prefixItems", "items", "additionalProperties") else name
            yield from _numbers_of(inner, owner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _numbers_of(inner, key)
