"""Reference: what a rig file's ratios, shutter times, beams and lumens stand for."""

from __future__ import annotations

import math

import pytest

from fillside.rig.notation import ReadAs, number_of_stops, ratio_number, shutter_seconds
from fillside.rig.tables.head import Head
from fillside.rig.tables.lamp import ModifierTable
from fillside.rig.tables.model import Camera


@pytest.mark.parametrize(
    ("text", "read_as", "number"),
    [
        ("2:1", "key:fill", 2.0),
        ("3:2", "key:fill", 1.5),
        ("1:2", "key:fill", 0.5),
        ("2.5", "key:fill", 2.5),
        (2.0, "key:fill", 2.0),
        (3, "key+fill:fill", 3.0),
        ("2:1", "face", 2.0),
        ("1 stop", "key:fill", 2.0),
        ("+2 stops", "key:fill", 4.0),
        ("-1 stop", "key:fill", 0.5),
        ("1/2 stop", "key:fill", math.sqrt(2)),
    ],
)
def test_a_ratio_is_a_number_in_the_terms_it_is_read_in(
    text: str | float, read_as: ReadAs, number: float
) -> None:
    assert ratio_number(text, read_as) == pytest.approx(number, rel=1e-12)


@pytest.mark.parametrize(
    ("stops", "key_over_fill", "both_over_fill"),
    [("0 stops", 1, 2), ("1 stop", 2, 3), ("2 stops", 4, 5), ("3 stops", 8, 9), ("4 stops", 16, 17)],
)
def test_stops_are_key_over_fill_in_both_conventions(
    stops: str, key_over_fill: float, both_over_fill: float
) -> None:
    """Cinematography reads (key + fill) : fill, television key : fill; 200 and 100 foot-candles of key and
    fill, one stop apart, are 3:1 there (Wikipedia, "Lighting ratio")."""
    assert ratio_number(stops, "key:fill") == key_over_fill
    assert ratio_number(stops, "key+fill:fill") == both_over_fill


@pytest.mark.parametrize(
    "wrong",
    [
        *("", "2/1", "two", "2:1:1", "-2:1", "2:0", "0:1", "nan", "inf", "1e400", "2 : x", "1 stops stop"),
        *("٣:1", "11 stops", "1/0 stop", math.nan, math.inf, -1.0, 0.0, 1025.0, 1e-4),
    ],
)
def test_what_is_no_ratio_is_refused(wrong: str | float) -> None:
    with pytest.raises(ValueError, match=r"ratio|stops"):
        ratio_number(wrong, "key:fill")


@pytest.mark.parametrize("wrong", [1.0, "1:1", 0.5, "1:2"])
def test_key_and_fill_over_fill_is_always_above_one(wrong: str | float) -> None:
    with pytest.raises(ValueError, match="above 1:1"):
        ratio_number(wrong, "key+fill:fill")


@pytest.mark.parametrize(
    ("text", "stops"), [("1", 1.0), ("-0.5", -0.5), ("+1/3", 1 / 3), (" -2/3 ", -2 / 3), ("0", 0.0)]
)
def test_stops_are_numbers_or_fractions(text: str, stops: float) -> None:
    assert number_of_stops(text) == stops


@pytest.mark.parametrize("wrong", ["", "one", "1/0", "1//3", "--1", "1e3", "inf", "1" * 400])
def test_what_is_no_number_of_stops_is_refused(wrong: str) -> None:
    with pytest.raises(ValueError, match="is not a number of stops"):
        number_of_stops(wrong)


@pytest.mark.parametrize(
    ("text", "seconds"), [("1/50", 0.02), ("1/125", 0.008), ("1/29.97", 1 / 29.97), (0.5, 0.5), (2, 2.0)]
)
def test_a_shutter_time_means_what_it_says(text: str | float, seconds: float) -> None:
    assert shutter_seconds(text) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize("wrong", ["50", "1/0", "2/50", "1/-5", "", -0.02, 0, 61, math.nan, "1/0.001"])
def test_what_is_no_shutter_time_is_refused(wrong: str | float) -> None:
    with pytest.raises(ValueError, match="a shutter time is written"):
        shutter_seconds(wrong)


@pytest.mark.parametrize(
    ("angle", "fps", "seconds"),
    [(180, 25, 1 / 50), (172.8, 24, 1 / 50), (144, 24, 1 / 60), (360, 30, 1 / 30)],
)
def test_a_shutter_angle_is_its_share_of_a_frame(angle: float, fps: float, seconds: float) -> None:
    """172.8 and 144 degrees are what cinematographers set at 24 frames/s for 1/50 and 1/60 s (common
    practice, no source); the time is angle / 360 / fps."""
    camera = Camera(position=(0, 0, 0), shutter_angle=angle, fps=fps)
    assert camera.exposure_time_s == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize(("beam", "spread"), [(120.0, 1.0), (90.0, 2.0), (60.0, 4.819), (30.0, 19.99)])
def test_a_beam_angle_gives_the_exponent_of_its_cosine(beam: float, spread: float) -> None:
    """I = I0 cos^m falls to half at half the beam angle, so m = ln 0.5 / ln cos(beam / 2): the Lambertian
    order of optical wireless texts (Kahn and Barry, Proc. IEEE 85, 1997, from memory), 1 for 120 degrees."""
    digits = len(str(spread).partition(".")[2])
    assert ModifierTable(beam=beam).spread_exponent == pytest.approx(spread, abs=0.5 * 10**-digits)


@pytest.mark.parametrize(
    ("beam", "flux"),
    [(120.0, 3.1415926536), (90.0, 2.0943951024), (60.0, 1.0798000106), (30.0, 0.2992886970)],
)
def test_a_beam_of_one_candela_carries_two_pi_over_m_plus_one(beam: float, flux: float) -> None:
    """The cos^m model integrated over the half space: flux = 2 pi I0 / (m + 1)."""
    head = Head.model_validate(
        {
            "name": "key",
            "role": "key",
            "position": [0, 0, 2],
            "lamp": {"lumens": 1000},
            "modifier": {"beam": beam},
            "dimming": {"curve": "fixed"},
        }
    )
    assert 1000 / head.intensity_cd == pytest.approx(flux, abs=0.5001e-10)


def test_a_matt_face_of_4000_lumens_has_1273_candela() -> None:
    """A Lambertian face of flux F has F / pi on its axis, as any text on photometry derives."""
    head = Head.model_validate(
        {
            "name": "key",
            "role": "key",
            "position": [0, 0, 2],
            "lamp": {"lumens": 2000, "count": 2},
            "dimming": {"curve": "fixed"},
        }
    )
    assert head.intensity_cd == pytest.approx(1273.24, abs=0.005)


@pytest.mark.parametrize(
    ("modifier", "share"),
    [
        ({}, 1.0),
        ({"loss": 1.0}, 0.5),
        ({"efficiency": 0.25}, 0.25),
        ({"diffusion": 1.0}, 0.5),
        ({"efficiency": 0.5, "diffusion": 2.0}, 0.125),
        ({"loss": 1.5, "diffusion": 0.5}, 0.25),
    ],
)
def test_a_stop_of_loss_is_half_the_light(modifier: dict[str, float], share: float) -> None:
    """A stop is a factor of two in light (ISO 2720 and common practice)."""
    assert ModifierTable.model_validate(modifier).transmission == pytest.approx(share, rel=1e-12)
