"""The dimming curve that is drawn while a calibration goes on, and where its readings lie."""

from __future__ import annotations

import pytest

from fillside.belief.result.charts import learned_curve
from fillside.rig.calibration import Calibration

HALF = {"heads": ["key"], "levels": [0.5], "residual_stops": 1.0, "suspect": True}
BOTH = {"heads": ["key", "fill"], "levels": [0.5, 0.5], "residual_stops": 0.0, "suspect": False}
CURVE = {"levels": [0.0, 0.5, 1.0], "outputs": [0.0, 0.25, 1.0]}
CALIBRATION = Calibration.model_validate(
    {
        "heads": {
            "key": {
                "curve": {"levels": [0.0, 0.5, 1.0], "outputs": [0.0, 0.25, 1.0]},
                "readings": [HALF, BOTH],
            },
            "fill": {},
        }
    }
)


def test_a_reading_lies_off_the_curve_by_its_residual() -> None:
    """A stop is a factor of two: one stop above 0.25 is 0.5."""
    found = learned_curve(CALIBRATION, "key")
    assert found is not None
    assert (found.head, found.levels, found.outputs) == ("key", (0.0, 0.5, 1.0), (0.0, 0.25, 1.0))
    (reading,) = found.readings
    assert (reading.level, reading.suspect) == (0.5, True)
    assert reading.output == pytest.approx(0.5)


@pytest.mark.parametrize("head", ["fill", "rim", ""])
def test_nothing_is_drawn_where_nothing_was_learned(head: str) -> None:
    assert learned_curve(CALIBRATION, head) is None
    assert learned_curve(None, head) is None
