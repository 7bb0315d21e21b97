"""The wire that carries the levels, by its common names, and the settings of each kind of wire."""

from __future__ import annotations

import re
from typing import NamedTuple

from fillside.planning.answers.question import Answers, Meaning
from fillside.planning.answers.typed_line import (
    FILLER_WORDS,
    closest_word,
    normalize,
    remove_words,
    split_list,
)

SIM, SACN, SERIAL, MQTT = "sim", "sacn", "dmx-serial", "mqtt"
WIRE_NAMES = {
    SIM: "none yet",
    MQTT: "smart bulbs by MQTT",
    SACN: "DMX over the network",
    SERIAL: "a USB-DMX cable",
}
"""Name of each wire in prompts and notes."""
DRIVER = "lamps"
"""Name of the first rig's driver."""
_WORDS: dict[str, str] = {
    **dict.fromkeys(
        ("none", "no", "not", "nothing", "not yet", "later", "none yet", "sim", "simulate", "simulated"), SIM
    ),
    **dict.fromkeys(
        ("simulation", "simulator", "virtual", "test", "pretend", "rehearsal", "nowhere", "n/a"), SIM
    ),
    **dict.fromkeys(
        ("mqtt", "wifi", "wi-fi", "wlan", "wireless", "smart", "bulb", "bulbs", "zigbee", "broker"), MQTT
    ),
    **dict.fromkeys(("bluetooth", "app", "home automation", "smart home", "hub", "plug"), MQTT),
    **dict.fromkeys(
        ("sacn", "e1.31", "e131", "e-1.31", "acn", "streaming", "network", "ethernet", "lan"), SACN
    ),
    **dict.fromkeys(("node", "rj45", "cat5", "cat6", "gateway", "multicast", "ip", "udp"), SACN),
    **dict.fromkeys(
        ("usb", "usb-dmx", "serial", "dongle", "rs485", "rs-485", "dmx-serial", "adapter", "interface"),
        SERIAL,
    ),
    **dict.fromkeys(("ttyusb0", "e1.11", "xlr"), SERIAL),
}
_SKIP = (
    *FILLER_WORDS,
    *split_list("""
    dmx, a, an, the, to, over, by, via, with, cable, wire, lamp, lamps, light, lights, yet, there, are,
    they, i, have, wired, connected, cabled, box, of, and, through, on, my, for
"""),
)


def wire(text: str, _: Answers) -> Meaning:
    """Read the kind of wire from any of its names.

    >>> wire("wifi", {}).value, wire("USB DMX dongle", {}).value, wire("not yet", {}).value
    ('mqtt', 'dmx-serial', 'sim')
    """
    line = normalize(text)
    device = re.search(r"/dev/[\w./:-]+", text)
    if device is not None:
        return Meaning(SERIAL, f"read as {WIRE_NAMES[SERIAL]}", {"device": device[0]})
    kind = _WORDS.get(line) or _kind_in(line)
    if kind is None:
        which = "DMX by a USB cable, or over the network? Say usb or network" if "dmx" in line else ""
        raise ValueError(
            which or f"{text.strip()!r} is none of none yet, bulbs (MQTT), network (sACN), usb (DMX cable)"
        )
    return Meaning(kind, "" if line in (kind, WIRE_NAMES[kind]) else f"read as {WIRE_NAMES[kind]} ({kind})")


def _kind_in(line: str) -> str | None:
    words = [word for word in re.findall(r"[\w./-]+", line) if word not in _SKIP]
    found = [_WORDS.get(word) or _WORDS.get(closest_word(word, _WORDS) or "") for word in words]
    kinds = [kind for kind in found if kind is not None]
    for kind in (SERIAL, SACN, MQTT, SIM):
        if kind in kinds:
            return kind
    return None


_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.:-]{0,250}[A-Za-z0-9])?")
HERE = ("localhost", "this machine", "this computer", "here", "same machine", "local", "this", "same")
EVERYWHERE = (
    "multicast",
    "all",
    "auto",
    "automatic",
    "standard",
    "broadcast",
    "everywhere",
    "every node",
    "none",
)


def destination(text: str, _: Answers) -> Meaning:
    """Read the destination of DMX over the network: addresses, or multicast.

    >>> destination("192.0.2.7, 192.0.2.8", {}).value, destination("Multicast", {}).value
    (('192.0.2.7', '192.0.2.8'), ('multicast',))
    """
    line = remove_words(
        normalize(text), ("the", "node at", "node is", "ip", "address", "is", "unicast to", "to", "at")
    )
    if line in EVERYWHERE:
        return Meaning(
            ("multicast",), "" if line == "multicast" else "read as multicast, as the standard says"
        )
    hosts = tuple(part for part in re.split(r"[\s,;]+|\band\b", line) if part)
    if not hosts or not all(_HOST.fullmatch(host) and _in_range(host) for host in hosts):
        raise ValueError(
            f"{text.strip()!r} is not a host name or an address such as 192.0.2.7, nor multicast"
        )
    return Meaning(hosts)


def _in_range(host: str) -> bool:
    octets = host.partition(":")[0].split(".")
    digits = all(octet.isdecimal() for octet in octets)
    return not digits or (len(octets) == 4 and all(int(octet) <= 255 for octet in octets))


def universe(text: str, _: Answers) -> Meaning:
    """Read a universe of 1 to 63999."""
    digits = re.fullmatch(
        r"(?:universe|uni|u|no\.?|#|number)?\s*(\d+)", remove_words(normalize(text), FILLER_WORDS)
    )
    if digits is None or not 1 <= int(digits[1]) <= 63_999:
        raise ValueError(f"{text.strip()!r} is not a universe from 1 to 63999")
    return Meaning(int(digits[1]))


class Slots(NamedTuple):
    """The DMX slots of the heads, in their order, and the bits of each."""

    numbers: tuple[int, ...]
    bits: int = 8


def dimmed_roles(answers: Answers) -> tuple[str, ...]:
    """Return the roles whose lamps are dimmed, in their order."""
    roles = ("key", "fill", "hair", "background")
    return tuple(role for role in roles if answers.get(role, True) and answers.get(f"{role}.dimmable"))


def slots(text: str, answers: Answers) -> Meaning:
    """Read one slot for each dimmed head; a single number is the first of consecutive slots.

    >>> two = {"key.dimmable": True, "fill.dimmable": True, "hair": False, "background": False}
    >>> slots("101 and 121", two).value.numbers, slots("10", two).note
    ((101, 121), 'read as key 10, fill 11')
    """
    roles, line = dimmed_roles(answers), normalize(text)
    bits = 16 if re.search(r"\b16[ -]?bits?\b", line) else 8
    line = re.sub(r"\b(?:16|8)[ -]?bits?\b", " ", line)
    named = {role: int(n) for role, n in re.findall(r"(key|fill|hair|background)\D{0,12}?(\d+)", line)}
    found = tuple(int(digits) for digits in re.findall(r"\d+", line))
    step = bits // 8
    if len(named) == len(roles) == len(found):
        found = tuple(named[role] for role in roles)
    elif len(found) == 1 < len(roles):
        found = tuple(found[0] + step * i for i in range(len(roles)))
    if len(found) != len(roles):
        raise ValueError(
            f"{len(roles)} heads are dimmed ({', '.join(roles)}): give a slot for each, such as 1, 2"
        )
    if not all(1 <= slot <= 513 - step for slot in found):
        raise ValueError(f"a slot goes from 1 to {513 - step}")
    taken = [slot + i for slot in found for i in range(step)]
    if len(set(taken)) < len(taken):
        raise ValueError("two heads cannot share a slot")
    note = f"read as {', '.join(f'{role} {slot}' for role, slot in zip(roles, found, strict=True))}"
    plainly = re.fullmatch(r"[\d, ]+", normalize(text)) and len(re.findall(r"\d+", text)) == len(roles)
    return Meaning(Slots(found, bits), "" if plainly else note + (", 16 bits each" if bits == 16 else ""))


def device(text: str, _: Answers) -> Meaning:
    """Read the device file of a serial adapter.

    >>> device("ttyUSB0", {}).value, device("usb 1", {}).value
    ('/dev/ttyUSB0', '/dev/ttyUSB1')
    """
    typed = text.strip().strip("'\"")
    if re.fullmatch(r"/[\x21-\x7e]{1,200}", typed) and '"' not in typed and "\\" not in typed:
        return Meaning(typed)
    short = re.fullmatch(r"(?:dev/)?(?:(?:tty)?(usb|acm)|tty|port)?\s?(\d{1,2})", normalize(typed))
    if short is not None:
        path = f"/dev/tty{(short[1] or 'usb').upper()}{short[2]}"
        return Meaning(path, f"read as {path}")
    if re.fullmatch(r"(?:dev/)?serial/by-id/[\w.:-]+", typed):
        path = f"/dev/{typed.removeprefix('dev/')}"
        return Meaning(path, f"read as {path}")
    raise ValueError(f"{typed!r} is not a device file such as /dev/ttyUSB0 or one under /dev/serial/by-id")


class Broker(NamedTuple):
    """Address of a broker; a `port` of None is the usual one."""

    host: str
    port: int | None = None
    tls: bool = False


def broker(text: str, _: Answers) -> Meaning:
    """Read a broker from its address, with a port or as a URL.

    >>> broker("mqtt://192.0.2.9:1884", {}).value, broker("this machine", {}).value.host
    (Broker(host='192.0.2.9', port=1884, tls=False), '127.0.0.1')
    """
    line = re.sub(r"^(?:(?:the|it|my|our|broker|runs|running|is|at|on)\s+)+", "", normalize(text))
    found = re.fullmatch(
        r"(?:(mqtts?|tcp|ssl)://)?([a-z0-9](?:[a-z0-9.-]{0,250}[a-z0-9])?)(?:[: ](\d{1,5}))?/?", line
    )
    if line in HERE:
        return Meaning(Broker("127.0.0.1"), "read as 127.0.0.1, this machine")
    if found is None or not _in_range(found[2]) or not 1 <= int(found[3] or 1) <= 65_535:
        raise ValueError(f"{text.strip()!r} is not a broker such as 192.0.2.9 or broker.local:1883")
    return Meaning(Broker(found[2], int(found[3]) if found[3] else None, found[1] in ("mqtts", "ssl")))


PLACE = re.compile(r"\{(?:name|role|head)\}|<(?:name|role|head)>|\bNAME\b|\bROLE\b|\*|\+")
USUAL_TOPIC = "room/lamp-NAME/order"


def topics(text: str, answers: Answers) -> Meaning:
    """Read the topic of each dimmed head.

    Either one pattern with NAME for the head's name, or one topic for each head.

    >>> two = {"key.dimmable": True, "fill.dimmable": True, "hair": False, "background": False}
    >>> topics("room/lamp-NAME/order", two).value
    ('room/lamp-key/order', 'room/lamp-fill/order')
    """
    roles = dimmed_roles(answers)
    found = tuple(
        part for part in re.split(r"[\s,;]+", text.strip()) if part and part not in ("and", "topic")
    )
    if len(found) == 1 and PLACE.search(found[0]):
        pattern = found[0]
        found = tuple(PLACE.sub(role, pattern) for role in roles)
    bad = [topic for topic in found if not re.fullmatch(r"[^+#\x00-\x20\"'\\]{1,200}", topic)]
    if bad:
        raise ValueError(f"{bad[0]!r} is no topic to one bulb: no blanks, quotes, + or #")
    if len(found) != len(roles):
        raise ValueError(
            f"{len(roles)} bulbs ({', '.join(roles)}): a topic for each, or one such as {USUAL_TOPIC}"
        )
    if len(set(found)) < len(found):
        raise ValueError("two bulbs cannot share a topic")
    return Meaning(found, "" if PLACE.search(text) is None else f"read as {', '.join(found)}")


class BulbMessage(NamedTuple):
    """The message that sets a bulb's level, and the code of full level."""

    send_as: str
    full_scale: int = 255


_PLACEHOLDER = re.compile(r"\{(?:code|share|percent)\}")


def message(text: str, _: Answers) -> Meaning:
    """Read the message for a level: a plain number to some full scale, percent, or JSON with a field.

    >>> message("percent", {}).value
    BulbMessage(send_as='{percent}', full_scale=100)
    >>> message("json dim 1000", {}).value
    BulbMessage(send_as='{"dim": {code}}', full_scale=1000)
    """
    typed = text.strip()
    if typed.startswith("{") and not _PLACEHOLDER.fullmatch(typed):
        if not _PLACEHOLDER.search(typed) or not typed.isprintable():
            raise ValueError(
                'a message has {code}, {share} or {percent} where the level stands, as {"dim": {percent}}'
            )
        return Meaning(BulbMessage(typed, 100 if "{percent}" in typed else 255))
    if _PLACEHOLDER.fullmatch(typed):
        return Meaning(BulbMessage(typed, 100 if "percent" in typed else 255))
    line = remove_words(
        normalize(text),
        (*FILLER_WORDS, "a", "number", "plain", "value", "from", "as", "with", "field", "called", "code"),
    )
    scale = re.search(r"(?:\b0\s*(?:-|to|\.\.+)\s*)?(\d+)%?$", line)
    full = int(scale[1]) if scale else None
    if full is not None and not 1 <= full <= 65_535:
        raise ValueError(f"the code of full level goes from 1 to 65535, not {full}")
    words = [
        word for word in re.findall(r"[a-z_]+", line) if word not in ("to", "percent", "percentage", "pct")
    ]
    percent = "percent" in line or "%" in line or full == 100
    if words[:1] == ["json"] and len(words) <= 2:
        field = words[1] if len(words) == 2 else "dim"
        level = "{percent}" if percent else "{code}"
        made = BulbMessage(f'{{"{field}": {level}}}', 100 if percent else full or 255)
        return Meaning(made, f"read as {made.send_as}, full at {made.full_scale}")
    if words:
        raise ValueError(f"{typed!r} is not such as percent, 0-255, json dim, or a message with {{percent}}")
    made = BulbMessage("{percent}", 100) if percent else BulbMessage("{code}", full or 255)
    return Meaning(
        made, "" if line == f"0-{made.full_scale}" else f"read as a number from 0 to {made.full_scale}"
    )
