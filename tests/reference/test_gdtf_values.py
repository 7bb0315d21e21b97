"""Reference: DMX values as DIN SPEC 15800 (GDTF) reads them, table 1 of its text on attribute value types."""

from __future__ import annotations

import pytest

from fillside_drivers.gdtf.archive import GdtfError
from fillside_drivers.gdtf.reader import dmx_value


@pytest.mark.parametrize(
    ("text", "octets", "value"),
    [
        # "255/1" in a 16-bit channel is 65535 by mirroring, "255/1s" 65280 by shifting.
        ("255/1", 2, 65535),
        ("255/1s", 2, 65280),
        ("255/1", 1, 255),
        ("0/1", 4, 0),
        ("128/1", 2, 0x8080),
        ("65535/2", 1, 255),
        ("32768/2", 3, 0x800080),
        ("None", 1, None),
        ("", 1, None),
    ],
)
def test_values_are_mirrored_or_shifted_to_the_channels_width(
    text: str, octets: int, value: int | None
) -> None:
    assert dmx_value(text, octets) == value


@pytest.mark.parametrize("text", ["255", "256/1", "1/0", "1/5", "-1/1", "1/1x", "x", "１/1"])
def test_other_texts_are_no_dmx_values(text: str) -> None:
    with pytest.raises(GdtfError, match="is not a DMX value"):
        dmx_value(text, 1)
