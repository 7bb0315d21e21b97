"""Meter readings in their units, against ISO 2720 and the metre of the international foot."""

from __future__ import annotations

import math

import pytest

from fillside.belief.evidence import Reading

PLACE = (0.0, 0.0, 1.2)
FLAT_C = 250.0


def reading(value: float | None, unit: str) -> Reading:
    return Reading(heads=("key",), levels=(1.0,), at=PLACE, value=value, unit=unit)


# ISO 2720:1974, incident light: E = C 2^EV / S with C = 250 and S = 100; the column of lux that handbooks
# print beside EV at ISO 100.
@pytest.mark.parametrize(
    ("ev", "lux"), [(-2, 0.625), (0, 2.5), (3, 20), (6, 160), (8, 640), (10, 2560), (13, 20480), (16, 163840)]
)
def test_ev_at_iso_100(ev: float, lux: float) -> None:
    assert reading(ev, "ev100").lux(FLAT_C) == pytest.approx(lux, abs=5e-4)


# The same with the C of a hemispherical receptor, 340 in one maker's use (ISO 2720 allows 320 to 540).
@pytest.mark.parametrize(("ev", "lux"), [(0, 3.4), (8, 870.4), (12, 13926.4)])
def test_ev_with_a_dome(ev: float, lux: float) -> None:
    assert reading(ev, "ev100").lux(340.0) == pytest.approx(lux, abs=5e-2)


# ISO 2720: E = C N^2 / (t S), N the exact value of the nominal name (f/5.6 is 2^2.5).
@pytest.mark.parametrize(
    ("unit", "lux"),
    [
        ("f/2.8@800@1/50", 125.0),
        ("f/4@400@1/50", 500.0),
        ("f/4@400@1/60", 600.0),
        ("f/5.6@800@1/60", 600.0),
        ("f/5.6@400@1/50", 1000.0),
        ("f/8@400@1/50", 2000.0),
        ("f/5.6+1.0@400@1/50", 2000.0),
        ("f/5.6+0.5@400@1/50", 1414.2),
    ],
)
def test_f_stops(unit: str, lux: float) -> None:
    assert reading(None, unit).lux(FLAT_C) == pytest.approx(lux, abs=0.05)


def test_foot_candles() -> None:
    # 1 lm/ft^2 with the international foot of 0.3048 m: 10.7639 lx (NIST SP 811, appendix B.8).
    assert reading(1.0, "fc").lux(FLAT_C) == pytest.approx(10.7639, abs=5e-5)


# JCGM 100:2008, 4.3.7 and F.2.2.1: a display that steps by q has standard uncertainty q / sqrt(12).
@pytest.mark.parametrize(
    ("unit", "stops"),
    [
        ("f/4+0.3@400@1/50", 0.02886751346),
        ("f/4@400@1/50", 0.09622504486),
        ("f/13@400@1/50", 0.09622504486),
        ("f/4.8@400@1/50", 0.1443375673),
        ("f/4.8+0.1@400@1/50", 0.02886751346),
        ("ev100", 0.02886751346),
    ],
)
def test_steps_of_a_display_in_stops(unit: str, stops: float) -> None:
    one = reading(8.5 if unit == "ev100" else None, unit)
    lux = one.lux(FLAT_C)
    assert one.rounding_lux(lux) / lux / math.log(2) == pytest.approx(stops, abs=1e-10)


def test_a_tenth_of_a_stop_in_lux() -> None:
    # To first order ln 2 x 0.1 = 6.9314718 %; a tenth more is 7.1773463 %, a tenth less -6.6967008 %.
    plain = reading(None, "f/4@400@1/50")
    more, less = reading(None, "f/4+0.1@400@1/50"), reading(None, "f/4-0.1@400@1/50")
    lux = plain.lux(FLAT_C)
    assert more.rounding_lux(lux) * math.sqrt(12) / lux == pytest.approx(0.06931471805599453, abs=1e-9)
    assert more.lux(FLAT_C) / lux - 1 == pytest.approx(0.07177346253629313, abs=1e-9)
    assert less.lux(FLAT_C) / lux - 1 == pytest.approx(-0.06696700846319259, abs=1e-9)


@pytest.mark.parametrize(("value", "lux"), [(640.0, 0.2887), (64.5, 0.0289), (0.0, 0.2887)])
def test_steps_of_a_display_in_lux(value: float, lux: float) -> None:
    assert reading(value, "lux").rounding_lux(value) == pytest.approx(lux, abs=5e-5)
