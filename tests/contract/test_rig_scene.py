"""Contract: what the rig file and a calibration say arrives as the numbers the balance uses."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fillside.photometry.dimming import curve
from fillside.rig.calibration import Calibration
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
    assert made.sources.bounce.tolist() == [0.1, 0.0, 0.0]


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
    assert made.sources.bounce[0] == 0.03
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
