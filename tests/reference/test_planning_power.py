"""Circuits against the 125 % rule of NFPA 70, and lamps against published efficacies and equivalences."""

from __future__ import annotations

import pytest

from fillside.planning.equipment.lamps import (
    EFFICACY_LM_W,
    INCANDESCENT_WATTS_LM,
    MOST_EFFICACY_LM_W,
    incandescent_watts,
    lamp_labels,
    lamp_lumens,
    watts_ratio_stops,
)
from fillside.planning.safety.power import continuous_watts
from fillside.rig.tables.model import Head


# NFPA 70 (NEC) 210.20(A): a continuous load at 125 % of its current; 1440 W and 1920 W are the usual figures.
@pytest.mark.parametrize(
    ("volts", "amps", "watts"), [(120, 15, 1440), (120, 20, 1920), (230, 16, 2944), (230, 13, 2392)]
)
def test_continuous_load_of_a_circuit(volts: float, amps: float, watts: float) -> None:
    assert continuous_watts(volts, amps) == pytest.approx(watts)
    assert continuous_watts(volts, amps) * 1.25 == pytest.approx(volts * amps)


# Commission Regulation (EC) No 244/2009, annex II, table 6, LED column (from memory).
@pytest.mark.parametrize(("watts", "lumens"), INCANDESCENT_WATTS_LM)
def test_incandescent_equivalents(watts: float, lumens: float) -> None:
    assert incandescent_watts(lumens) == pytest.approx(watts)


def test_led_bulb_of_2500_lumens_stands_for_150_watts() -> None:
    # common practice, no source: 23 W LED, 2500 lm, sold as the equal of 150 W
    assert round(incandescent_watts(2500), -1) == 150
    assert EFFICACY_LM_W["led"].most >= 2500 / 23


def test_lamps_of_105_and_45_watts_give_about_two_to_one() -> None:
    # common practice, no source: 105 : 45 is 2.33 : 1, between 2:1 and 2.5:1
    assert 1.0 < watts_ratio_stops(105, 45) < 1.33


# Overview tables of luminous efficacy give 5 to 17.5 lm/W for tungsten, 46 to 75 for compact fluorescent.
@pytest.mark.parametrize(
    ("kind", "watts", "least", "most"),
    [("incandescent", 100, 500, 1750), ("cfl", 105, 4830, 7875), ("tube", 36, 2520, 3744)],
)
def test_lumens_from_watts_stay_inside_the_published_range(
    kind: str, watts: float, least: float, most: float
) -> None:
    answer = lamp_lumens(kind, watts=watts)
    assert (answer.least_lumens, answer.most_lumens) == pytest.approx((least, most))
    assert least < answer.lumens < most


def test_lumens_are_believed_before_watts_and_counted() -> None:
    assert lamp_lumens("led", watts=30, lumens=3200, count=2).lumens == 6400
    with pytest.raises(ValueError, match="give lumens"):
        lamp_lumens("other", watts=30)


def head(lumens: float, watts: float | None, kind: str = "cfl") -> Head:
    lamp = {"kind": kind, "lumens": lumens, **({} if watts is None else {"watts": watts})}
    return Head.model_validate(
        {
            "name": "key",
            "role": "key",
            "position": [1.0, -1.0, 1.5],
            "lamp": lamp,
            "dimming": {"curve": "fixed"},
        }
    )


def test_no_lamp_of_any_kind_gives_more_than_radiation_of_555_nm() -> None:
    # 683 lm/W at 540 THz defines the candela (SI brochure, 2.3.1); at its peak V(lambda) has 683.002 lm/W
    assert pytest.approx(683.0, abs=0.01) == MOST_EFFICACY_LM_W
    assert all(0 < kind.least < kind.usual < kind.most < 683 for kind in EFFICACY_LM_W.values())
    said = lamp_labels([head(6820, 10, "other"), head(6840, 10, "other")])
    assert [one.believable for one in said] == [True, False]


def test_labels_that_promise_too_much_are_doubted() -> None:
    # compact fluorescent lamps give 46 to 75 lm/W (overview tables of luminous efficacy)
    said = lamp_labels([head(6000, 105), head(9000, 105), head(9000, None)])
    assert [one.believable for one in said] == [True, False, True]
    assert said[0].incandescent_watts is None
    assert lamp_labels([head(1521, None)])[0].incandescent_watts == pytest.approx(100)
