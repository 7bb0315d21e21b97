"""Contract: every remedy was tried, says what it leaves, and comes in the order a person would try it."""

from __future__ import annotations

import functools
import math
from typing import Any

import pytest

from fillside.balance.remedies.search import SearchEndedError, remedies
from fillside.balance.report import Remedy
from fillside.balance.solution import solve_rig
from fillside.rig.file.build import apply_change
from fillside.rig.tables.model import Rig

CAMERA_KEYS = ("camera.iso", "camera.aperture", "camera.nd_stops", "camera.shutter", "camera.shutter_angle")


def desk(**change: Any) -> Rig:
    """Two umbrellas and a hair light before a camera at f/4, ISO 400 and 1/50 s."""
    wire = {"driver": "wire", "bits": 16}
    square = {"curve": "square", "floor": 0.03}
    umbrella = {"kind": "shoot-through", "diameter": 1.0, "efficiency": 0.45}
    heads = [
        {"name": "key", "role": "key", "position": [1.1, -1.0, 1.9], "modifier": umbrella},
        {"name": "fill", "role": "fill", "position": [-1.2, -1.4, 1.6], "modifier": umbrella},
    ]
    for head in heads:
        head["lamp"] = {"kind": "led", "lumens": 6000, "count": 2, "watts": 60}
        head |= {"dimming": square, "drive": wire}
    rig = Rig.model_validate(
        {
            "rig": {"name": "desk"},
            "camera": {
                "position": [0.0, -2.4, 1.4],
                "iso": 400,
                "shutter": "1/50",
                "aperture": 4.0,
                "fps": 25,
            },
            "marks": {"chair": [0.0, 0.0, 1.2]},
            "balance": {"ratio": "2:1"},
            "heads": heads,
            "drivers": {"wire": {"kind": "sim"}},
        }
    )
    return apply_change(rig, change) if change else rig


FIXED_FILL = {"heads.fill.dimming.curve": "fixed", "heads.fill.drive": None, "heads.fill.lamp.lumens": 1000}
DAZZLED = {"camera.iso": 3200, "camera.aperture": 2.0, "balance.most_over": 0.0}
UNREACHABLE: dict[str, dict[str, Any]] = {
    "too dark for the camera": {"camera.iso": 100},
    "fill too bright at its floor": {"balance.ratio": "40:1"},
    "too bright at every floor": {"balance.exposure": 10.0},
    "key too weak for the ratio": {"heads.key.lamp.lumens": 900},
    "four stops of ND": {"camera.nd_stops": 4},
    "one stop of ND": {"camera.iso": 200, "camera.nd_stops": 1},
    "a shutter off the frame's half": {"camera.iso": 100, "camera.shutter": "1/200"},
    "lens and speed for the night": {"camera.iso": 6400, "camera.aperture": 1.4},
    "daylight over the wish": {"ambient.lux": 800},
    "a fill that cannot be dimmed": FIXED_FILL,
}


@functools.cache
def offered_for(case: str) -> tuple[Rig, tuple[Remedy, ...]]:
    """The rig of a case, and what is offered for it."""
    rig = desk(**UNREACHABLE[case])
    return rig, remedies(rig)


@pytest.mark.parametrize("case", UNREACHABLE)
def test_each_remedy_leaves_what_it_says(case: str) -> None:
    rig, offered = offered_for(case)
    error = solve_rig(rig).report.worst_error_stops
    assert error > 0.05
    assert len({next(iter(remedy.change)) for remedy in offered}) >= 3
    for remedy in offered:
        left = solve_rig(apply_change(rig, remedy.change)).report.worst_error_stops
        assert left == pytest.approx(remedy.leaves_stops, abs=1e-4)
        assert left < error


def crowd(keys: int) -> Rig:
    """The same desk with so many keys that are together too weak for the camera."""
    table = desk(**{"camera.iso": 50, "camera.nd_stops": 6}).dump()
    key, fill = table["heads"]
    weak = {**key, "lamp": {**key["lamp"], "lumens": 100}}
    return Rig.model_validate(
        {**table, "heads": [fill, *({**weak, "name": f"key-{i}"} for i in range(keys))]}
    )


def tries(rig: Rig) -> int:
    """The number of changes of a rig that are tried."""
    count = 0

    def is_wanted() -> bool:
        nonlocal count
        count += 1
        return True

    remedies(rig, is_wanted=is_wanted)
    return count


def test_a_crowd_of_heads_is_not_tried_one_by_one() -> None:
    few, many, more = (tries(crowd(keys)) for keys in (8, 18, 24))
    assert few + 100 < many
    assert more == pytest.approx(many, abs=5)


def test_a_search_ends_once_nobody_wants_its_result() -> None:
    wanted = iter([True] * 5)
    with pytest.raises(SearchEndedError):
        remedies(desk(**{"camera.iso": 100}), is_wanted=lambda: next(wanted, False))
    assert next(wanted, None) is None


def test_a_reached_balance_needs_no_remedy() -> None:
    assert remedies(desk()) == ()


def band(remedy: Remedy) -> int:
    """0 for at most 0.1 stop left, 1 for at most 0.5, 2 for more."""
    return (remedy.leaves_stops > 0.1) + (remedy.leaves_stops > 0.5)


def trouble(rig: Rig, remedy: Remedy) -> int:
    """How much trouble a remedy is, least first (common practice, no source)."""
    key, value = next(iter(remedy.change.items()))
    if key == "camera.iso":
        return 0 if abs(math.log2(value / rig.camera.iso)) < 2.1 else 2
    if key == "camera.aperture":
        return 0 if 2 * abs(math.log2(value / rig.camera.aperture)) < 2.1 else 2
    order = (
        "camera.nd_stops",
        "camera.iso",
        "camera.shutter",
        ".diffusion",
        "ambient.",
        ".position",
        ".lamp.",
    )
    return 1 + next(i for i, part in enumerate(order) if part in key)


@pytest.mark.parametrize("case", UNREACHABLE)
def test_they_stand_by_what_they_leave_then_by_trouble_and_wishes_last(case: str) -> None:
    rig, offered = offered_for(case)
    wishes = [next(iter(remedy.change)).startswith("balance.") for remedy in offered]
    assert wishes == sorted(wishes)
    others = [remedy for remedy, wish in zip(offered, wishes, strict=True) if not wish]
    places = [(band(remedy), trouble(rig, remedy)) for remedy in others]
    assert places == sorted(places)
    assert len(others) >= 3


def test_nd_comes_off_before_a_stand_is_carried_or_noise_is_made() -> None:
    offered = remedies(desk(**{"camera.nd_stops": 4}))
    assert offered[0].do == "Take the 4 stops of ND off the lens."
    assert offered[0].change == {"camera.nd_stops": 0.0}


def test_the_shutter_is_the_last_of_the_camera() -> None:
    offered = remedies(desk(**{"camera.iso": 100, "camera.shutter": "1/100"}))
    keys = [key for remedy in offered for key in remedy.change if key in CAMERA_KEYS]
    assert len(keys) > 1
    assert keys[-1] == "camera.shutter"


def test_a_wider_lens_that_helps_less_than_the_shutter_does_not_stand_behind_it() -> None:
    """At 1/200 s two stops are wanting, all of them by the shutter; the lens has a third of a stop."""
    rig = desk(**{"camera.iso": 12800, "camera.shutter": "1/200", "camera.aperture": 1.6})
    rig = apply_change(rig, {"camera.loss_stops": 8})
    keys = [next(iter(remedy.change)) for remedy in remedies(rig)]
    assert keys[0] == "camera.shutter"
    assert "camera.aperture" not in keys


def test_a_head_at_its_floor_is_offered_a_scrim_and_all_that_are_one_each() -> None:
    rig = desk(**{"balance.exposure": 10.0, "balance.most_over": 0.0, "heads.fill.intensity": 1500.0})
    floored = [head.name for head in solve_rig(rig).report.heads if head.at_limit == "floor"]
    assert floored == ["key", "fill"]
    scrims = [r for r in remedies(rig) if any(".diffusion" in key for key in r.change)]
    assert [scrim.do[:5] for scrim in scrims] == ["Take "] * 3
    assert "stop off key and fill, each," in scrims[0].do
    assert scrims[0].leaves_stops <= 0.1
    for scrim in scrims:
        more = scrim.change.get("heads.fill.modifier.diffusion")
        # A stated intensity is with all diffusion: more of it lowers that too.
        lowered = scrim.change.get("heads.fill.intensity")
        assert lowered == (None if more is None else pytest.approx(1500 * 2**-more, rel=1e-3))


@pytest.mark.parametrize(
    "ambient", [{"ambient.lux": 800}, {"ambient.toward_key": 90.0, "ambient.toward_fill": 60.0}], ids=str
)
def test_daylight_that_is_too_much_by_itself_is_to_be_shaded(ambient: dict[str, Any]) -> None:
    rig = desk(**ambient, **{"balance.ratio": "8:1"})
    shades = [r for r in remedies(rig) if r.do.startswith("Shade the daylight: ")]
    assert len(shades) == 1
    factors = {round(shades[0].change[key] / lux, 2) for key, lux in ambient.items()}
    assert len(factors) == 1, "all directions by the same"
    assert factors.pop() < 1


NO_WISH = {
    "a lux or two": {"balance.exposure": 3.0, "heads.key.lamp.lumens": 12, "heads.fill.lamp.lumens": 12},
    "four stops under": {"camera.nd_stops": 4},
    "fill over key": {"balance.exposure": 115.0, "heads.key.lamp.lumens": 600, **FIXED_FILL},
}


@pytest.mark.parametrize("change", NO_WISH.values(), ids=NO_WISH)
def test_what_nobody_would_wish_is_not_offered_as_a_wish(change: dict[str, Any]) -> None:
    """Under a few lux there is no picture, four stops are another one, a ratio turned round another face."""
    rig = desk(**change)
    assert solve_rig(rig).report.worst_error_stops > 0.5
    offered = remedies(rig)
    assert offered
    assert not [remedy.do for remedy in offered if remedy.do.startswith("Accept")]


def test_a_wish_near_the_one_stated_is_offered() -> None:
    wishes = [r for r in remedies(desk(**{"camera.iso": 100})) if r.do.startswith("Accept")]
    assert [list(wish.change) for wish in wishes] == [["balance.exposure"]]


def test_a_role_that_drops_out_is_no_cure() -> None:
    """Carried nearer, the fill comes to have this subject behind its plane: no ratio is left to miss."""
    weak = {"heads.fill.position": [-2.0, 0.0, 1.2], "heads.fill.lamp.lumens": 10}
    rig = desk(**weak, **{"balance.exposure": 3.0})
    behind = apply_change(rig, {"heads.fill.position": [-1.92, 0.48, 1.2]})
    subject = (-1.8, 1.2, 1.2)
    assert solve_rig(rig, subject).report.achieved.ratio_error_stops is not None
    assert solve_rig(behind, subject).report.achieved.ratio is None
    keys = [key for remedy in remedies(rig, subject) for key in remedy.change]
    assert keys
    assert "heads.fill.position" not in keys


def test_the_shutter_never_leaves_half_the_frame() -> None:
    keys = [key for remedy in remedies(desk(**{"camera.iso": 100})) for key in remedy.change]
    assert "camera.shutter" not in keys


@pytest.mark.parametrize(
    ("stated", "key", "value", "one_before", "words"),
    [
        ({"camera.iso": 100}, "camera.iso", 400.0, 320.0, "Set the camera to ISO 400 instead of 100."),
        ({"camera.iso": 100}, "camera.aperture", 2.0, 2.8, "Open the lens to f/2 from f/4."),
        (DAZZLED, "camera.iso", 1600.0, 2000.0, "Set the camera to ISO 1600 instead of 3200."),
        (DAZZLED, "camera.aperture", 2.8, 2.4, "Close the lens to f/2.8 from f/2."),
    ],
)
def test_the_camera_is_set_no_farther_than_it_takes(
    stated: dict[str, Any], key: str, value: float, one_before: float, words: str
) -> None:
    rig = desk(**stated)
    (found,) = [remedy for remedy in remedies(rig) if key in remedy.change]
    assert (found.change, found.do) == ({key: value}, words)
    assert (
        found.leaves_stops < 0.05 < solve_rig(apply_change(rig, {key: one_before})).report.worst_error_stops
    )


def test_a_head_moves_along_its_line_to_the_subject() -> None:
    rig = desk(**{"camera.iso": 100})
    moves = [r for r in remedies(rig) if "heads.key.position" in r.change]
    new, old = moves[0].change["heads.key.position"], rig.head("key").position
    factors = {round((n - t) / (o - t), 1) for n, o, t in zip(new, old, rig.start, strict=True)}
    assert len(factors) == 1
    assert "reading" in moves[0].do


def moves_of(head: str, change: dict[str, Any]) -> list[Any]:
    """The places that a head of the desk is to be moved to, of all remedies for a change."""
    key = f"heads.{head}.position"
    return [r.change[key] for r in remedies(desk(**change)) if key in r.change]


TOO_BRIGHT = {"balance.exposure": 10.0, "balance.most_over": 0.0}


def test_a_head_is_moved_no_higher_than_the_ceiling_leaves_room_for_it() -> None:
    bright = {**TOO_BRIGHT, "heads.fill.lamp.lumens": 600}
    free = moves_of("key", bright)
    assert free[0][2] > 2.1, "without a ceiling it goes higher"
    under = moves_of("key", {**bright, "plan.ceiling": 2.6})
    assert 1.9 < under[0][2] <= 2.6 - 0.5, "as far as it fits, as that still helps"
    assert moves_of("key", {**bright, "plan.ceiling": 2.41}) == [], "what would not fit is not offered"


def test_a_head_is_moved_no_farther_back_than_the_wall() -> None:
    before = {**TOO_BRIGHT, "heads.fill.position": [-1.2, 1.0, 1.3], "heads.fill.aim": "chair"}
    assert moves_of("fill", before)[0][1] > 1.5, "without a wall it goes farther"
    assert 1.0 < moves_of("fill", {**before, "plan.wall": 1.9})[0][1] <= 1.9 - 0.5
    assert moves_of("fill", {**before, "plan.wall": 1.52}) == []


def test_a_head_that_stands_closer_to_the_ceiling_than_advised_may_still_come_down() -> None:
    low = {"camera.iso": 100, "plan.ceiling": 2.0}
    assert moves_of("key", low) == moves_of("key", {"camera.iso": 100}) != []


def with_background(wanted_stops: float) -> Rig:
    """The desk before a wall, and a small lamp on that, so many stops over the exposure."""
    table = desk(**{"balance.relative": {"background": wanted_stops}}).dump()
    wall = {
        "name": "wall",
        "role": "background",
        "position": [1.0, 1.2, 1.8],
        "aim": [0.0, 1.8, 1.4],
        "intensity": 120.0,
        "drive": {"driver": "wire", "bits": 16},
    }
    return Rig.model_validate({**table, "heads": [*table["heads"], wall]})


def test_a_head_on_the_background_moves_along_its_line_to_that() -> None:
    rig = with_background(1.0)
    moves = [r.change for r in remedies(rig) if "heads.wall.position" in r.change]
    new, old = moves[0]["heads.wall.position"], rig.head("wall").position
    aim = rig.aim_of(rig.head("wall"))
    assert math.dist(new, aim) < math.dist(old, aim)
    assert math.dist(old, aim) == pytest.approx(math.dist(old, new) + math.dist(new, aim), abs=0.02)


def test_a_role_that_is_nearly_as_bright_as_wished_may_be_accepted_as_it_is() -> None:
    at_full = solve_rig(with_background(8.0)).report.achieved.relative["background"]
    assert at_full is not None
    offered = [remedy.change for remedy in remedies(with_background(at_full + 0.5))]
    (found,) = [change for change in offered if "balance.relative.background" in change]
    assert found["balance.relative.background"] == pytest.approx(at_full, abs=0.01)
