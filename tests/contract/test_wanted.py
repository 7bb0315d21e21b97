"""Contract: what is wanted can be said as a rig file that says it by itself, however much was ordered."""

from __future__ import annotations

import pytest

from contract.hold_studio import studio
from fillside.demo.play import demo_studio
from fillside.hold.intent.intent import Intent
from fillside.rig.tables.model import Rig


@pytest.mark.parametrize(
    ("camera", "stops"),
    [
        ({}, 0.0),
        ({}, 2.5),
        ({"offset_stops": 8.0, "aperture": 0.7}, 5.0),
        ({"offset_stops": -8.0, "nd_stops": 10.0}, -5.0),
        ({}, 9.9),
    ],
)
def test_a_rig_that_says_all_by_itself_is_one_that_may_be(camera: dict[str, float], stops: float) -> None:
    file = demo_studio()
    wanted = Intent(place=file.start, camera=camera, exposure_stops=stops)
    alone: Rig = wanted.effective_rig(file)
    again = Intent(place=file.start)
    assert again.target(again.rig(alone)).exposure_lux == pytest.approx(
        wanted.target(wanted.rig(file)).exposure_lux
    )
    assert again.rig(alone).balance.ratio == wanted.rig(file).balance.ratio


def test_it_goes_on_saying_what_rules_the_exposure() -> None:
    """The camera, by an offset that goes so far; or a number of lux, which leaves the camera as it is."""
    file = demo_studio()
    assert file.balance.exposure == "camera"
    ruled = Intent(place=file.start, exposure_stops=2.5).effective_rig(file)
    assert (ruled.balance.exposure, ruled.camera.offset_stops) == ("camera", file.camera.offset_stops + 2.5)
    plain = studio(balance={"exposure": 300.0})
    brighter = Intent(place=plain.start, exposure_stops=1.0).effective_rig(plain)
    assert (brighter.balance.exposure, brighter.camera) == (600.0, plain.camera)
