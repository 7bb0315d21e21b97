"""Contract: what the rig file and a calibration say arrives as the numbers the balance uses."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fillside.photometry.dimming import curve
from fillside.photometry.source import facing_lux
from fillside.rig.calibration import Calibration
from fillside.rig.file.build import apply_change
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside_drivers.registry import kinds
from rigs import dimming, head_at, sacn, studio, toml

TEXT = toml(
    studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.4]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 500},
        ambient={"lux": 8},
        heads=[
            head_at(
                "key",
                [0.0, -3.0, 5.2],
                intensity=1500,
                modifier={"diameter": 0.8, "beam": 60},
                bounce=0.1,
                dimming=dimming(0.02),
                drive={"driver": "wall", "universe": 1, "slot": 1, "bits": 16},
            ),
            head_at(
                "rim",
                [1.0, 1.0, 2.0],
                holds_like="hair",
                aim=[1.0, 1.0, 0.0],
                lamp={"lumens": 1000, "count": 3},
                modifier={"efficiency": 0.5, "diffusion": 1},
                dimming={"curve": {"levels": [0.5, 1.0], "outputs": [0.25, 1.0]}},
                drive={"driver": "wall", "universe": 1, "slot": 3},
            ),
            head_at("practical", [2.0, 1.0, 1.0], role="work", intensity=50, dimming={"curve": "fixed"}),
        ],
        drivers=sacn("wall"),
    )
)


@pytest.fixture
def rig() -> Rig:
    return load_rig_text(TEXT, kinds=kinds())


def test_heads_arrive_in_the_order_of_the_file(rig: Rig) -> None:
    made = scene(rig)
    assert made.names == ("key", "rim", "practical")
    assert made.roles == ("key", "rim", "work")
    assert made.rules == ("key", "hair", "work")
    assert made.full_scales == (65535, 255, 0)
    assert made.fixed.tolist() == [False, False, True]
    assert made.floors.tolist() == [0.02, 0.0, 0.0]
    assert made.ambient == (8.0, 8.0, 16.0)
    assert made.index("rim") == 1
    assert made.of_role("rim") == (1,)
    with pytest.raises(KeyError):
        made.index("kez")


def test_axes_point_from_position_to_aim(rig: Rig) -> None:
    made = scene(rig)
    assert made.aims.tolist() == [[0, 0, 1.2], [1, 1, 0], [0, 0, 1.2]]
    assert np.allclose(made.sources.axis[0], [0.0, 0.6, -0.8])
    assert np.allclose(made.sources.axis[1], [0.0, 0.0, -1.0])
    assert np.allclose(np.linalg.norm(made.sources.axis, axis=1), 1.0)


def test_light_is_stated_or_follows_from_lamp_and_modifier(rig: Rig) -> None:
    """I0 = lumens x count x efficiency x (spread + 1) / 2 pi: a matt disc of flux F has F / pi candela
    (Lambertian emitter); an extra stop of diffusion halves it. beam 60 is cos^4.819 (ln 0.5 / ln cos 30)."""
    made = scene(rig)
    assert made.sources.intensity_cd[0] == 1500
    assert made.sources.intensity_cd[1] == pytest.approx(1000 * 3 * 0.5 / 2 / math.pi)
    assert made.sources.spread[0] == pytest.approx(4.819, abs=5e-4)
    assert made.sources.diameter_m.tolist() == [0.8, 0.0, 0.0]
    assert made.sources.setback_m.tolist() == [0.0, 0.0, 0.0]
    straight = facing_lux(made.sources, made.aims[0])[0]
    assert made.sources.room_mean_lux == pytest.approx([0.1 * straight, 0.0, 0.0])
    assert not made.sources.room_vector_lux.any()


def test_curves_are_those_of_the_file(rig: Rig) -> None:
    assert scene(rig).curves == (curve("square"), curve(((0.5, 1.0), (0.25, 1.0))), curve("fixed"))


def calibration(**key: Any) -> Calibration:
    return Calibration.model_validate(
        {
            "heads": {"key": key, "gone": {"intensity_cd": 1.0}},
            "ambient": {"toward_key": 12.5},
            "made_by": "a newer fit",
        }
    )


def test_a_calibration_overrides_what_it_knows_and_nothing_else(rig: Rig) -> None:
    read = calibration(
        intensity_cd=1320.5,
        setback_m=0.11,
        diameter_m=0.7,
        bounce=0.03,
        curve={"levels": [0.0, 0.5, 1.0], "outputs": [0.0, 0.2, 1.0], "how": "readings"},
        floor=0.05,
        sigma_stops=0.04,
        readings=[{"residual_stops": 0.01, "suspect": False}],
    )
    made, plain = scene(rig, read), scene(rig)
    assert made.sources.intensity_cd[0] == 1320.5
    assert made.sources.setback_m[0] == 0.11
    assert made.sources.diameter_m[0] == 0.7
    straight = facing_lux(made.sources, made.aims[0])[0]
    assert made.sources.room_mean_lux[0] == pytest.approx(0.03 * straight)
    assert made.curves[0].output_from_level(0.5) == pytest.approx(0.2)
    assert made.floors[0] == 0.05
    assert made.ambient == (12.5, 8.0, 16.0)
    assert made.sources.intensity_cd[1] == plain.sources.intensity_cd[1]
    assert made.curves[1:] == plain.curves[1:]
    assert read.unknown_heads(rig) == ("gone",)


def test_an_empty_calibration_changes_nothing(rig: Rig) -> None:
    made, plain = scene(rig, Calibration()), scene(rig)
    assert made.curves == plain.curves
    assert np.array_equal(made.sources.intensity_cd, plain.sources.intensity_cd)
    assert made.ambient == plain.ambient


def test_a_lamp_that_cannot_be_dimmed_stays_so_whatever_a_calibration_says(rig: Rig) -> None:
    read = Calibration.model_validate(
        {"heads": {"practical": {"curve": {"levels": [1.0], "outputs": [1.0]}, "intensity_cd": 40.0}}}
    )
    made = scene(rig, read)
    assert made.curves[2] == curve("fixed")
    assert made.sources.intensity_cd[2] == 40.0


ROOM: dict[str, object] = {"room.size": [3.0, 4.0, 3.0], "room.tone.walls": 0.5}
ROOM |= {"room.tone.ceiling": 0.8, "room.tone.floor": 0.2}


def test_the_room_s_light_is_as_read_else_as_bounce_else_by_the_room(rig: Rig) -> None:
    """Of 66 m2 that reflect half, a head's flux over 66 m2 comes back: the key states its bounce, the rim is
    metered, and the practical, a point of 50 cd and spread 1, gives 50 pi lm."""
    rig = apply_change(rig, ROOM)
    made = scene(rig)
    assert made.room_light == "from the rig file"
    straight = facing_lux(made.sources, made.aims[0])[0]
    rim = made.sources.intensity_cd[1] * math.pi
    assert made.sources.room_mean_lux == pytest.approx([0.1 * straight, rim / 66, 50 * math.pi / 66])
    read = Calibration.model_validate({"heads": {"rim": {"room": {"mean": 7.0, "vector": [3.0, 0.0, -4.0]}}}})
    metered = scene(rig, read)
    assert metered.room_light == "from readings"
    assert metered.sources.room_mean_lux.tolist() == [made.sources.room_mean_lux[0], 7.0, 50 * math.pi / 66]
    assert metered.sources.room_vector_lux.tolist() == [[0, 0, 0], [3, 0, -4], [0, 0, 0]]


def test_a_stated_bounce_of_nothing_is_none_whatever_the_room(rig: Rig) -> None:
    made = scene(apply_change(rig, {**ROOM, "heads.rim.bounce": 0.0}))
    assert made.sources.room_mean_lux[1] == 0.0
    assert made.sources.room_mean_lux[2] > 0


def test_of_a_room_that_nobody_tells_of_nothing_is_known(rig: Rig) -> None:
    silent = apply_change(rig, {"ambient.lux": None, "heads.key.bounce": None})
    assert scene(silent).room_light == "not known"
    assert not scene(silent).sources.has_room_light
    for told in ({"ambient.lux": 0.0}, {"heads.key.bounce": 0.0}, ROOM):
        assert scene(apply_change(silent, told)).room_light == "from the rig file"
    assert scene(silent, calibration()).room_light == "from readings"


def test_a_stand_that_moves_keeps_the_room_s_light_that_was_read(rig: Rig) -> None:
    read = Calibration.model_validate({"heads": {"key": {"room": {"mean": 9.0}}}})
    moved = apply_change(rig, {**ROOM, "heads.key.position": [0.0, -2.0, 3.2]})
    assert scene(moved, read).sources.room_mean_lux[0] == 9.0
    before, after = (scene(one).sources.room_mean_lux for one in (rig, moved))
    assert after[0] > 2 * before[0]
    farther = apply_change(moved, {"heads.rim.position": [2.0, 2.0, 3.0]})
    assert scene(farther).sources.room_mean_lux[1] == pytest.approx(after[1])


def test_a_vector_longer_than_twice_the_mean_is_kept_and_not_used(rig: Rig) -> None:
    read = Calibration.model_validate({"heads": {"rim": {"room": {"mean": 1.0, "vector": [3.0, 0.0, 0.0]}}}})
    assert scene(rig, read).sources.room_mean_lux[1] == 0.0
    assert read.model_dump(mode="json")["heads"]["rim"]["room"] == {"mean": 1.0, "vector": [3.0, 0.0, 0.0]}


def test_ambient_light_by_direction_is_as_read_else_the_most_even_that_fits(rig: Rig) -> None:
    """Flat toward the key 12.5 lx and 8 lx of even light, which a dome shows as 16 lx: key and camera lie in
    one plane, so the vector does."""
    fitted = scene(rig, calibration()).ambient_light
    to_key = np.array([0.0, -3.0, 4.0]) / 5
    to_camera = np.array([0.0, -2.5, 0.2]) / math.hypot(2.5, 0.2)
    assert fitted.on([to_key, to_camera], [False, True]) == pytest.approx([12.5, 16.0])
    assert fitted.vector_lux[0] == pytest.approx(0.0, abs=1e-9)
    even = scene(rig).ambient_light
    assert (even.mean_lux, math.hypot(*even.vector_lux)) == (pytest.approx(8.0), pytest.approx(0.0, abs=1e-9))
    told = {"toward_key": 12.5, "mean": 6.0, "vector": [0.0, -4.0, 3.0]}
    read = scene(rig, Calibration.model_validate({"ambient": told}))
    assert read.ambient_light.vector_lux == (0.0, -4.0, 3.0)
    assert read.with_daylight(2.0).ambient_light.mean_lux == pytest.approx(12.0)


def test_a_direction_left_out_says_nothing_of_the_others(rig: Rig) -> None:
    """A dome toward the camera alone shows 9 lx: 4.5 lx on a flat receptor that faces anywhere."""
    silent = apply_change(rig, {"ambient.lux": None, "ambient.toward_camera": 9.0})
    made = scene(silent)
    assert made.ambient == (0.0, 0.0, 9.0)
    assert made.ambient_light.mean_lux == pytest.approx(4.5)
