"""Identity: a level is converted alone to the same bits as among many, where no power is taken."""

from __future__ import annotations

import numpy as np
import pytest

from fillside.photometry.dimming import curve


@pytest.mark.parametrize("name", ["linear", "square", "fixed"])
def test_one_level_is_converted_as_many_are(name: str) -> None:
    values = np.concatenate(([-0.5, 0.0, 1.0, 2.0], np.random.default_rng(1).uniform(0, 1, 2000)))
    own = curve(name)
    outputs, levels = own.output_from_level(values), own.level_from_output(values)
    for i, value in enumerate(values.tolist()):
        assert own.output_from_level(value) == outputs[i]
        assert own.level_from_output(value) == levels[i]
