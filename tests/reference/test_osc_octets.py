"""Reference: octets of Open Sound Control 1.0.

Source: the OSC 1.0 specification (opensoundcontrol.stanford.edu/spec-1_0) and its page of examples; the two
messages are from memory of that page, the bundle is put together by the specification's rules with `struct`.
"""

from __future__ import annotations

import struct

import pytest

from fillside.doors.osc.packet import MalformedError, Message, messages_of, packet_of

FREQUENCY = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
FOO = bytes.fromhex("2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d")


def test_the_examples_of_the_specification_are_read() -> None:
    assert messages_of(FREQUENCY) == [Message("/oscillator/4/frequency", (440.0,))]
    (foo,) = messages_of(FOO)
    assert foo.address == "/foo"
    assert foo.values[:3] == (1000, -1, "hello")
    assert foo.values[3:] == pytest.approx((1.234, 5.678), abs=1e-3)


def test_the_examples_of_the_specification_are_written() -> None:
    assert packet_of(Message("/oscillator/4/frequency", (440.0,))) == FREQUENCY


# Laid out by hand by the specification's rules: null-ended strings filled to four octets, big-endian numbers.
RATIO = bytes.fromhex("2f73747564696f2f726174696f0000002c66000040400000")
LEVEL = bytes.fromhex("2f6b65792f6c6576656c00002c696600000000013f000000")
AT_ONCE = bytes.fromhex(
    "2362756e646c65000000000000000001000000182f73747564696f2f726174696f0000002c66000040400000"
)


def test_octets_laid_out_by_hand() -> None:
    assert packet_of(Message("/studio/ratio", (3.0,))) == RATIO
    assert packet_of(Message("/key/level", (1, 0.5))) == LEVEL
    assert messages_of(RATIO) == messages_of(AT_ONCE) == [Message("/studio/ratio", (3.0,))]
    (level,) = messages_of(LEVEL)
    assert (level.address, level.values) == ("/key/level", (1, 0.5))
    assert [type(value) for value in level.values] == [int, float]


def _bundle(tag: int, *elements: bytes) -> bytes:
    sized = b"".join(struct.pack(">i", len(element)) + element for element in elements)
    return b"#bundle\x00" + struct.pack(">Q", tag) + sized


def test_a_bundle_keeps_its_order_and_its_time() -> None:
    assert messages_of(_bundle(1, FREQUENCY, FOO)) == [*messages_of(FREQUENCY), *messages_of(FOO)]
    # 2 208 988 800 s lie between 1900 and 1970 (RFC 868); half a second is 2^31 of 2^32.
    (later,) = messages_of(_bundle((2_208_988_800 + 1_000_000_000 << 32) + 2**31, FREQUENCY))
    assert later.at_s == 1_000_000_000.5
    inner = _bundle(1, FREQUENCY)
    assert messages_of(_bundle(1, inner, FOO)) == [*messages_of(FREQUENCY), *messages_of(FOO)]
    assert messages_of(_bundle(1)) == []


@pytest.mark.parametrize(
    "packet",
    [
        b"",
        b"\x00" * 4,
        b"/a\x00",
        b"/abc",
        b"/abc\x00\x00\x00\x00,i\x00\x00",
        b"/abc\x00\x00\x00\x00i\x00\x00\x00",
        b"/abc\x00\x00\x00\x00,z\x00\x00",
        b"/abc\x00\x00\x00\x00,b\x00\x00\x7f\xff\xff\xff",
        b"/\xff\xfe\x00,\x00\x00\x00",
        b"#bundle\x00",
        b"#bundle\x00" + b"\x00" * 7,
        _bundle(1) + struct.pack(">i", -4),
        _bundle(1) + struct.pack(">i", 0),
        _bundle(1) + struct.pack(">i", 2**31 - 4),
        _bundle(1) + b"\x00\x00",
        _bundle(1, b"junk"),
        _bundle(1, _bundle(1, _bundle(1, _bundle(1, _bundle(1, FREQUENCY))))),
        _bundle(1, *[FREQUENCY] * 65),
        b"/" + b"a" * 9000,
    ],
)
def test_what_is_no_packet_is_malformed_and_nothing_else(packet: bytes) -> None:
    with pytest.raises(MalformedError):
        messages_of(packet)
