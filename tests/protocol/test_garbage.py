"""Protocol: what every pure reader makes of garbage is what it promises: something sound, or its own error.

One table holds all of them, and one property; whatever else comes out is the finding.
"""

from __future__ import annotations

import json
import math
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.belief.evidence import ReadingError
from fillside.belief.evidence_table import evidence_from_csv
from fillside.doors.http.listening import Listen, ListenError
from fillside.doors.keys.escape_codes import Decoder
from fillside.doors.mqtt.homie import HomieRig
from fillside.doors.mqtt.sensors import value_of
from fillside.doors.osc.addresses import order_from
from fillside.doors.osc.packet import MalformedError, Message, messages_of, packet_of
from fillside.orders.answers import Refusal
from fillside.orders.parsing import parse_order
from fillside.orders.strict_json import strict_loads
from fillside.rig.notation import number_of_stops, ratio_number, shutter_seconds
from fillside.rig.photometric.eulumdat import read_eulumdat
from fillside.rig.photometric.lm63 import read_lm63
from fillside.rig.photometric.photometric_file import PhotometricFile, PhotometricFileError
from fillside.rig.problems import RigError
from fillside.rig_file import load_rig, load_rig_text
from fillside_drivers.gdtf.archive import GdtfError
from fillside_drivers.gdtf.reader import dmx_value, read_mode
from fillside_drivers.mqtt.options import MqttDrive
from fillside_drivers.mqtt.payloads import reported_code
from fillside_drivers.registry import kinds
from fillside_drivers.sacn.packet import OctetsError, decode, encode
from protocol.wild import lamps, sacn
from protocol.wild.matter import SCRAPS, torn
from protocol.wild.orders import ORDERS
from protocol.wild.tables import READINGS, RIG
from protocol.wild.trial import one_line

EXAMPLES = 120
SEEDS = st.integers(0, 2**48)
DESK = load_rig(RIG)
BULB = MqttDrive.model_validate({"send_to": "a", "reports_at": "b", "reports_field": "state.level"})
TOML_SCRAPS = (b"[rig]\n", b"[[heads]]\n", b"= nan", b'"""', b"'", b"\r", *SCRAPS)


@dataclass(frozen=True)
class Reader:
    """Octets to something, or to one of `errors`; `holds` is true of all that comes out.

    `told` is what an error is shown by: one line, or a text that its callers make one.
    """

    read: Callable[[bytes], Any]
    errors: tuple[type[Exception], ...]
    sound: tuple[bytes, ...]
    holds: Callable[[Any], object] = lambda _: True
    scraps: tuple[bytes, ...] = SCRAPS
    examples: int = EXAMPLES
    told: Callable[[str], object] = one_line


def of_text(read: Callable[[str], Any], encoding: str = "utf-8") -> Callable[[bytes], Any]:
    return lambda octets: read(octets.decode(encoding, "replace"))


def _is_light(measured: PhotometricFile) -> bool:
    try:
        mean = measured.mean_candela()
    except PhotometricFileError:
        return True
    return bool(np.isfinite(mean).all() and mean[0] > 0 and math.isfinite(measured.uneven_stops()))


def _rigs(text: str) -> Any:
    return load_rig_text(text, kinds=kinds())


def _with_its_line(said: str) -> bool:
    return re.match(r"rig\.toml:\d+: ", one_line(said)) is not None


def _ratio(text: str) -> float:
    return ratio_number(text, "key:fill")


def _keys(octets: bytes) -> bool:
    """Nothing is an error to a terminal's keys, and what came before does not spoil what comes after."""
    decoder = Decoder()
    names = decoder.feed(octets) + decoder.flush()
    return len(names) <= len(octets) and decoder.feed(b"\x1b[5~") == ["page_up"]


def _settings(octets: bytes) -> list[Any]:
    found = []
    for each in HomieRig(DESK).properties.values():
        try:
            found.append(each.read(octets))
        except Refusal as refusal:
            one_line(str(refusal))
    return found


RNG = random.Random(7420)
ORDER_TEXTS = tuple(json.dumps(order).encode() for order in ORDERS)
PACKETS = tuple(
    packet_of(Message(f"/fillside/{path}", values))
    for path, values in (
        ("trim/fill", (-1.0,)),
        ("move", (0.6, 0.3, 1.25)),
        ("mode", ("dark",)),
        ("keep", ()),
    )
)
TOLD = (
    b"head,level,x,y,z,value,unit,receptor,facing,time,note\nkey,,chair,,,1.6,m,,,2026-02-10T09:10,tape\n"
    b"fill,,0,0,1.2,5.2,ft,,,,\nkey,,,,,,moved,,,2026-02-11T09:30,\nfill,,,,,,changed,,,,new\n"
)
"""A file of tapes and events alone."""
READERS = {
    "JSON": Reader(strict_loads, (Refusal,), ORDER_TEXTS, lambda said: json.dumps(said, allow_nan=False)),
    "orders": Reader(lambda octets: parse_order(strict_loads(octets)), (Refusal,), ORDER_TEXTS),
    "OSC packets": Reader(messages_of, (MalformedError,), PACKETS),
    "OSC orders": Reader(
        lambda octets: [order_from(message) for message in messages_of(octets)],
        (MalformedError, Refusal),
        PACKETS,
    ),
    "E1.31": Reader(
        decode,
        (OctetsError,),
        tuple(sacn.sound(RNG) for _ in range(20)),
        lambda is_: decode(encode(is_)) == is_,
    ),
    "LM-63": Reader(
        of_text(read_lm63, "latin-1"), (PhotometricFileError,), (lamps.LM63.encode(),), _is_light
    ),
    "EULUMDAT": Reader(
        of_text(read_eulumdat, "latin-1"), (PhotometricFileError,), (lamps.EULUMDAT.encode(),), _is_light
    ),
    "GDTF": Reader(read_mode, (GdtfError,), (lamps.packed(lamps.XML.encode()),), lambda mode: mode.dimmer),
    "GDTF's XML": Reader(lambda octets: read_mode(lamps.packed(octets)), (GdtfError,), (lamps.XML.encode(),)),
    "GDTF's values": Reader(
        of_text(lambda text: dmx_value(text, 2)),
        (GdtfError,),
        (b"255/1", b"65535/2s", b"None"),
        lambda is_: is_ is None or 0 <= is_ < 65536,
    ),
    "rig files": Reader(
        of_text(_rigs),
        (RigError,),
        (RIG.read_bytes(),),
        scraps=TOML_SCRAPS,
        examples=EXAMPLES // 2,
        told=_with_its_line,
    ),
    "readings": Reader(
        of_text(lambda text: evidence_from_csv(text, DESK)), (ReadingError,), (READINGS.read_bytes(), TOLD)
    ),
    "bulbs' reports": Reader(
        lambda octets: reported_code(BULB, octets),
        (),
        (b'{"state": {"level": 200}}', b'{"state": {"level": 2e2}}'),
        lambda code: code is None or 0 <= code <= 255,
    ),
    "sensors": Reader(value_of, (Refusal,), (b"640", b'{"value": 8.3, "unit": "ev100"}')),
    "Homie settings": Reader(_settings, (), (b"3.00", b"true", b"freeze", b"-.5e-3")),
    "stops": Reader(of_text(number_of_stops), (ValueError,), (b"1", b"-1/3"), math.isfinite, told=str),
    "ratios": Reader(of_text(_ratio), (ValueError,), (b"3:1", b"1 stop"), math.isfinite, told=str),
    "shutters": Reader(of_text(shutter_seconds), (ValueError,), (b"1/50",), math.isfinite, told=str),
    "addresses": Reader(of_text(Listen.parse), (ListenError,), (b"127.0.0.1:7420", b"[::1]:0")),
    "keys of a terminal": Reader(_keys, (), (b"\x1b[5~b", b"\x1bOP\x1b[1;5C"), bool),
}


@pytest.mark.parametrize("name", READERS)
def test_garbage_is_sound_or_the_readers_own_error(name: str) -> None:
    reader = READERS[name]

    def damaged(seed: int) -> bytes:
        rng = random.Random(seed)
        return torn(rng, rng.choice(reader.sound), reader.scraps)

    garbage = st.binary(max_size=200) | st.text(max_size=80).map(str.encode) | SEEDS.map(damaged)

    @settings(max_examples=reader.examples, deadline=None)
    @given(garbage)
    def holds(octets: bytes) -> None:
        said = ""
        try:
            found = reader.read(octets)
        except reader.errors as error:
            said = str(error)
        assert reader.told(said) if said else reader.holds(found)

    holds()
    for octets in reader.sound:
        assert reader.holds(reader.read(octets))
