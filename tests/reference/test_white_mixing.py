"""Reference: mixed whites against CIE illuminants and McCamy's formula, and tungsten as it dims."""

from __future__ import annotations

import pytest

from fillside.photometry.colour import (
    cct_of_uv_k,
    cool_share_for,
    duv,
    mccamy_cct_k,
    mired,
    mixed_cct_k,
    mixed_uv,
    planckian_uv,
    tungsten_cct_k,
    uv_of_xy,
    xy_of_uv,
)

A, D65 = (0.44758, 0.40745), (0.31271, 0.32902)
"""CIE standard illuminants A (2856 K) and D65 (6504 K), x and y (CIE 15:2004)."""


@pytest.mark.parametrize(
    ("x", "y", "kelvin"), [(*A, 2856), (*D65, 6504), (0.34567, 0.35850, 5003), (0.33242, 0.34743, 5503)]
)
def test_illuminants_have_their_temperatures(x: float, y: float, kelvin: float) -> None:
    # CIE 15:2004: A 2856 K, D65 6504 K, D50 5003 K, D55 5503 K. The line's approximation costs 0.3 mired.
    assert mired(cct_of_uv_k(*uv_of_xy(x, y))) == pytest.approx(mired(kelvin), abs=0.3)


# Mixes of two black bodies, in mired, from Planck's law (c2 = 1.4388e-2 m K) and the CIE 1931 observer at 1
# nm (the tables of the package colour-science 0.4.7): tristimulus values added, nearest point of that line.
@pytest.mark.parametrize(
    ("warm", "cool", "share", "exact", "within"),
    [
        (2700, 6500, 0.25, 311.004, 0.2), (2700, 6500, 0.5, 252.975, 0.2), (2700, 6500, 0.75, 199.600, 0.2),
        (3200, 5600, 0.5, 241.685, 0.2), (1800, 6500, 0.5, 337.137, 0.6), (2000, 8000, 0.6, 251.832, 0.6),
        (1800, 10000, 0.2, 454.328, 0.6), (1800, 10000, 0.5, 300.701, 0.6), (1800, 10000, 0.55, 274.788, 0.6),
        (1800, 10000, 0.8, 161.823, 0.6), (1000, 15000, 0.7, 266.187, 1.8),
    ],
)  # fmt: skip
def test_a_mix_is_as_near_the_exact_line_as_is_said(
    warm: float, cool: float, share: float, exact: float, within: float
) -> None:
    assert mired(mixed_cct_k(warm, cool, share)) == pytest.approx(exact, abs=within)


# u, v of black bodies from the same law and tables, six digits, where the approximation is worst among them.
@pytest.mark.parametrize(
    ("kelvin", "u", "v", "exact_mired"),
    [
        (1000, 0.448011, 0.354625, 1000.0),
        (1500, 0.357911, 0.360330, 666.667),
        (15_000, 0.185711, 0.282341, 66.667),
    ],
)
def test_a_black_body_is_as_near_its_temperature_as_is_said(
    kelvin: float, u: float, v: float, exact_mired: float
) -> None:
    assert mired(cct_of_uv_k(u, v)) == pytest.approx(exact_mired, abs=0.35)
    assert planckian_uv(kelvin) == pytest.approx((u, v), abs=1.1e-4)


def test_uv_of_d65() -> None:
    # u = 4x / (-2x + 12y + 3), v = 6y / (-2x + 12y + 3): 0.19783, 0.31222.
    assert uv_of_xy(*D65) == pytest.approx((0.19783, 0.31222), abs=5e-6)
    assert xy_of_uv(*uv_of_xy(*D65)) == pytest.approx(D65)


def added(share: float) -> tuple[float, float]:
    """x, y of A and D65 together, D65 giving `share` of the luminance: tristimulus values add (Grassmann)."""
    x, y, z = (
        (1 - share) * a / A[1] + share * d / D65[1]
        for a, d in zip((A[0], A[1], 1 - sum(A)), (D65[0], D65[1], 1 - sum(D65)), strict=True)
    )
    return x / (x + y + z), y / (x + y + z)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.5, 0.75, 0.9])
def test_mixed_illuminants_have_the_temperature_that_mccamy_gives(share: float) -> None:
    # McCamy is good to 2 K beside the line; D65 lies 0.003 beside it, which costs ours 1.4 mired.
    expected = mccamy_cct_k(*added(share))
    assert mired(mixed_cct_k(2856, 6504, share)) == pytest.approx(mired(expected), abs=2.0)


@pytest.mark.parametrize("wanted", [2800, 3200, 4300, 5600, 6400])
def test_the_share_for_a_temperature_gives_it_by_mccamy_too(wanted: float) -> None:
    mix = xy_of_uv(*mixed_uv(2700, 6500, cool_share_for(2700, 6500, wanted)))
    # McCamy's own error grows to 1 % off the line, where the mix is.
    assert mccamy_cct_k(*mix) == pytest.approx(wanted, rel=0.01)


def test_a_mix_lies_on_the_pink_side_of_the_black_bodys_line() -> None:
    # The line is curved and a mix straight: below it, Duv negative, most in the middle (CIE 1960 u, v).
    middle = duv(*xy_of_uv(*mixed_uv(2700, 6500, 0.5)))
    assert middle < duv(*xy_of_uv(*mixed_uv(2700, 6500, 0.1))) < 0
    assert abs(duv(*xy_of_uv(*planckian_uv(4000)))) < 1e-4


def test_tungsten_at_3200_k_moves_about_28_mired_a_stop() -> None:
    # Handbook exponents of voltage, 3.4 of light and 0.42 of temperature: 312.5 (2^(0.42 / 3.4) - 1) = 27.9.
    assert mired(tungsten_cct_k(3200, 0.5)) - mired(3200) == pytest.approx(28, abs=0.5)
    # Five mired come after log2(1 + 5 / 312.5) / 0.1235 = 0.19 stop.
    assert mired(tungsten_cct_k(3200, 2**-0.19)) - mired(3200) == pytest.approx(5, abs=0.2)
