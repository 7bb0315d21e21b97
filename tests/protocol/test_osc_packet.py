"""Protocol: OSC messages are read as python-osc reads them, and refused where it refuses them."""

from __future__ import annotations

import random

import pytest
from pythonosc.osc_message import OscMessage, ParseError
from pythonosc.osc_message_builder import OscMessageBuilder

from fillside.doors.osc.packet import KNOWN_TAGS, MalformedError, messages_of

VALUES = {
    "i": lambda draw: draw.randint(-(2**31), 2**31 - 1),
    "h": lambda draw: draw.randint(-(2**63), 2**63 - 1),
    "f": lambda draw: draw.randint(-1000, 1000) / 8,
    "d": lambda draw: draw.gauss(0.0, 10.0),
    "s": lambda draw: "key fill °"[: draw.randint(0, 10)],
    "T": lambda draw: True,
    "F": lambda draw: False,
    "N": lambda draw: None,
}


def test_every_known_type_is_tried() -> None:
    assert VALUES.keys() == KNOWN_TAGS


@pytest.mark.parametrize("seed", range(200))
def test_messages_are_read_as_python_osc_reads_them(seed: int) -> None:
    draw = random.Random(seed)
    builder = OscMessageBuilder("/fillside/" + "x" * draw.randint(0, 9))
    wanted = []
    for tag in draw.choices([*VALUES], k=draw.randint(0, 6)):
        wanted.append(VALUES[tag](draw))
        builder.add_arg(wanted[-1], tag)
    packet = builder.build().dgram
    (message,) = messages_of(packet)
    assert list(message.values) == wanted
    assert message.address == builder.address
    for cut in range(4, len(packet), 4):
        try:
            theirs = OscMessage(packet[:cut]).params
        except (ParseError, UnicodeDecodeError):
            with pytest.raises(MalformedError):
                messages_of(packet[:cut])
        else:
            assert list(messages_of(packet[:cut])[0].values) == theirs
