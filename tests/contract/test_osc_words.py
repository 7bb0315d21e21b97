"""Contract: what OSC addresses mean, and that garbage means nothing."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fillside.doors.osc.addresses import ADDRESSES, order_from
from fillside.doors.osc.packet import MalformedError, Message, messages_of, packet_of
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.orders.registry import ORDERS


@pytest.mark.parametrize(
    ("address", "values", "order"),
    [
        ("trim/fill", (-1,), {"do": "trim", "role": "fill", "by": -1}),
        ("trim/fill", ("-1/3",), {"do": "trim", "role": "fill", "by": "-1/3"}),
        ("trim/fill/to", (0.0,), {"do": "trim", "role": "fill", "to": 0.0}),
        ("trim/hair/to", ("out",), {"do": "trim", "role": "hair", "to": "out"}),
        ("balance", ("3:1",), {"do": "balance", "ratio": "3:1"}),
        ("expose", (0.5,), {"do": "expose", "by": 0.5}),
        ("expose/to", ("camera",), {"do": "expose", "to": "camera"}),
        ("camera/aperture", (2.8,), {"do": "camera", "aperture": 2.8}),
        ("mode", ("freeze",), {"do": "freeze"}),
        ("move/desk", (), {"do": "move", "mark": "desk"}),
        ("move/desk", (1,), {"do": "move", "mark": "desk"}),
        ("move/desk", (1.0,), {"do": "move", "mark": "desk"}),
        ("move/desk", (0,), None),
        ("move/desk", (False,), None),
        ("move", ("desk",), {"do": "move", "mark": "desk"}),
        ("move", (0.6, 0.3, 1.25), {"do": "move", "to": [0.6, 0.3, 1.25]}),
        ("subject", (0.6, 0.3, 1.25), {"do": "subject", "to": [0.6, 0.3, 1.25]}),
        ("only/key", (1,), {"do": "only", "head": "key"}),
        ("only/key/level", (0.5,), {"do": "only", "head": "key", "level": 0.5}),
        ("dark", (True,), {"do": "dark"}),
        ("dark", (0.0,), None),
        ("undo", (), {"do": "undo"}),
        ("do", ('{"do": "freeze"}',), {"do": "freeze"}),
    ],
)
def test_an_address_is_an_order(address: str, values: Any, order: dict[str, Any] | None) -> None:
    said = order_from(Message(f"/fillside/{address}", values))
    assert said == order
    if said is not None:
        parse_order(said)


@pytest.mark.parametrize(
    ("address", "values", "code"),
    [
        ("/fillside/trim/fill", (), "bad_order"),
        ("/fillside/trim/fill", (None,), "bad_order"),
        ("/fillside/trim/fill", (True,), "bad_order"),
        ("/fillside/trim/fill", (1, 2), "bad_order"),
        ("/fillside/mode", ("flash",), "bad_order"),
        ("/fillside/mode", (1,), "bad_order"),
        ("/fillside/move", (1.0, 2.0), "bad_order"),
        ("/fillside/dark", ("now",), "bad_order"),
        ("/fillside/dark", (float("nan"),), "out_of_range"),
        ("/fillside/only/key", (float("inf"),), "out_of_range"),
        ("/fillside/trim/fill", (float("nan"),), "out_of_range"),
        ("/fillside/move", (0.0, float("-inf"), 1.2), "out_of_range"),
        ("/fillside/camera/iso", (float("nan"),), "out_of_range"),
        ("/fillside/dark", (1, 1), "bad_order"),
        ("/fillside/do", ("{",), "bad_order"),
        ("/fillside/do", ("[]",), "bad_order"),
        ("/fillside/camera/do", ("dark",), "unknown_name"),
        ("/fillside/trim/*", (1,), "bad_order"),
        ("/fillside/{dark,follow}", (), "bad_order"),
        ("/fillside/flash", (), "unknown_name"),
        ("/fillside/trim", (1,), "unknown_name"),
        ("/fillside/", (), "unknown_name"),
        ("/", (), "unknown_name"),
        ("/other/dark", (), "unknown_name"),
        ("/fillside/dark/", (), "unknown_name"),
    ],
)
def test_what_is_no_order_is_refused(address: str, values: Any, code: str) -> None:
    with pytest.raises(Refusal) as refused:
        order_from(Message(address, values))
    assert refused.value.code == code
    assert refused.value.message.isprintable()


def test_every_address_leads_to_an_order_there_is() -> None:
    for address in ADDRESSES:
        said = None
        for values in ((), (1,), ("follow",), (1.0, 0.0, 1.2), ('{"do": "keep"}',)):
            try:
                said = order_from(Message("/fillside/" + address.path.lower(), values))
            except Refusal:
                continue
            break
        assert said is not None
        assert said["do"] in ORDERS


def message(address: str, tags: str, tail: bytes) -> bytes:
    def text(value: str) -> bytes:
        octets = value.encode() + b"\x00"
        return octets + b"\x00" * (-len(octets) % 4)

    return text(address) + text("," + tags) + tail


addresses = st.sampled_from(["/fillside/dark", "/fillside/trim/fill", "/fillside/move", "/x", "/fillside/do"])
torn = st.builds(
    message,
    addresses,
    st.text("ifsdhTFNbr[]z", max_size=6),
    st.binary(max_size=40).map(lambda octets: octets + b"\x00" * (-len(octets) % 4)),
)
bundles = st.lists(st.tuples(st.integers(-(2**31), 2**31 - 1), torn), max_size=4).map(
    lambda parts: (
        b"#bundle\x00" + b"\x00" * 7 + b"\x01" + b"".join(struct.pack(">i", n) + o for n, o in parts)
    )
)


@settings(max_examples=600, deadline=None)
@given(st.one_of(st.binary(max_size=120), torn, bundles))
@example(b"#bundle\x00" * 900)
@example(b"/fillside/dark\x00\x00,f\x00\x00\x7f\xc0\x00\x00")
def test_whatever_comes_is_messages_or_malformed(packet: bytes) -> None:
    try:
        found = messages_of(packet)
    except MalformedError:
        return
    for each in found:
        try:
            said = order_from(each)
        except Refusal as refused:
            said = {"do": refused.message}
        assert said is None or "do" in said


@given(st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=50))
def test_a_text_comes_back_as_it_went(text: str) -> None:
    assert messages_of(packet_of(Message("/fillside/said", ("ok", text)))) == [
        Message("/fillside/said", ("ok", text))
    ]
