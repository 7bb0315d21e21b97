"""Contract: the questions of a first rig take what people type; at least sixty natural answers a kind."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.planning.answers import camera, lamps, modifiers, stands, wires
from fillside.planning.answers.lengths import LengthReader, UnitsError
from fillside.planning.answers.question import Meaning
from fillside.planning.starter.questions import QUESTIONS, next_question
from fillside.rig.notation import ratio_number

Reads = Callable[[str, dict[str, Any]], Meaning]
KNOWN: dict[str, Any] = {
    "stands": False,
    "ceiling": 2.5,
    "wall": 3.0,
    "hair": False,
    "background": False,
    "key.dimmable": True,
    "fill.dimmable": True,
    "key.distance": 1.5,
}
BY_KEY = {question.key: question for question in QUESTIONS}


def natural_answers() -> dict[str, list[tuple[str, str]]]:
    """Value and answer by kind, from the file beside this."""
    found: dict[str, list[tuple[str, str]]] = {}
    kind = ""
    for line in Path(__file__).with_name("natural_answers.txt").read_text("utf-8").splitlines():
        if line.startswith("["):
            kind = line.strip("[]")
        elif line and not line.startswith("#"):
            value, _, typed = line.partition(": ")
            found.setdefault(kind, []).extend((value, answer) for answer in typed.split(" | "))
    return found


NATURAL = natural_answers()


class Kind(NamedTuple):
    """A kind of question: how it is read, the answers to it, and how a value is written among them."""

    reader: Reads
    answers: list[tuple[str, str]]
    written: Callable[[Any], str]
    least: int = 60


def plainly(value: Any) -> str:
    return str(value)


def question(key: str) -> Reads:
    return BY_KEY[key].reader


def either(yes: str, no: str) -> Callable[[Any], str]:
    return lambda value: yes if value else no


WIRE_DETAILS = {
    "to": Kind(wires.destination, NATURAL["to"], ",".join, 24),
    "universe": Kind(wires.universe, NATURAL["universe"], plainly, 16),
    "slots": Kind(wires.slots, NATURAL["slots"], lambda v: ",".join(map(str, v.numbers)), 24),
    "device": Kind(wires.device, NATURAL["device"], plainly, 16),
    "broker": Kind(wires.broker, NATURAL["broker"], lambda v: v.host + (f":{v.port}" if v.port else ""), 16),
    "topics": Kind(wires.topics, NATURAL["topics"], ",".join, 14),
    "message": Kind(
        wires.message, NATURAL["message"], lambda v: f"{v.send_as}{v.full_scale}".replace(" ", ""), 24
    ),
}
KINDS = {
    "length": Kind(LengthReader(0.3, 12, "the distance"), NATURAL["length"], lambda v: f"{v:.10g}"),
    "yes": Kind(question("glasses"), NATURAL["yes"], either("yes", "no")),
    "pose": Kind(question("stands"), NATURAL["pose"], either("stand", "sit")),
    "tone": Kind(question("light_room"), NATURAL["tone"], either("light", "dark")),
    "mains": Kind(camera.mains, NATURAL["mains"], plainly),
    "aperture": Kind(camera.aperture, NATURAL["aperture"], lambda v: f"{v:g}"),
    "shutter": Kind(camera.shutter, NATURAL["shutter"], lambda v: v.text + ("°" if v.angle else "")),
    "ratio": Kind(camera.ratio, NATURAL["ratio"], lambda v: f"{ratio_number(v, 'key:fill'):.8g}"),
    "lamp": Kind(lamps.lamp, NATURAL["lamp"], plainly),
    "white": Kind(lamps.white, NATURAL["white"], lambda v: f"{v:g}"),
    "modifier": Kind(modifiers.modifier, NATURAL["modifier"], plainly),
    "angle": Kind(stands.angle("key", 45.0), NATURAL["angle"], lambda v: f"{v:g}"),
    "height": Kind(stands.height("key"), NATURAL["height"], lambda v: f"{v:.10g}"),
    "wire": Kind(wires.wire, NATURAL["wire"], plainly),
    "dimmable": Kind(lamps.dimmable, NATURAL["dimmable"], either("yes", "no")),
    "name": Kind(question("name"), NATURAL["name"], plainly),
    **WIRE_DETAILS,
}


def same(value: str, read: str) -> bool:
    try:
        return float(value) == pytest.approx(float(read), abs=1e-5)
    except ValueError:
        return value == read


@pytest.mark.parametrize("kind", KINDS)
def test_what_people_type_is_read(kind: str) -> None:
    reads, answers, written, least = KINDS[kind]
    wrong, tried = [], 0
    for value, answer in answers:
        tried += 1
        try:
            read = written(reads(answer, dict(KNOWN)).value)
        except ValueError as error:
            read = f"refused: {error}"
        if not same(value, read):
            wrong.append(f"{answer!r} is {value}, read as {read}")
    assert not wrong, "\n".join(wrong)
    assert tried >= least


def test_a_flash_is_refused_with_the_reason() -> None:
    for _, answer in NATURAL["flashes"]:
        with pytest.raises(ValueError, match="cannot be held"):
            lamps.lamp(answer, {})


REFUSED = {
    "length": ("tall", "nan", "-1", "5 parsecs", "1 m 2", "2 4", "0.1", "40 m", "5'6\"7", "one thing"),
    "yes": ("perhaps", "maybe", "42", "?", "green"),
    "mains": ("12", "400", "battery", "230/55", "fifty fifty"),
    "aperture": ("wide open", "0.3", "f/64", "f", "1/4", "-4"),
    "shutter": ("auto", "1/0", "0", "1/90000", "5 s", "400°", "fast"),
    "ratio": ("0:1", "3:0", "lots", "12 stops", "2000:1", "1/0 stop"),
    "lamp": ("candelabra", "sun", "window", "12345678", "LED 0 W", "0 LEDs"),
    "white": ("blue", "900K", "50000K", "pink", "12"),
    "modifier": ("gobo", "9 m softbox", "zzz", "1"),
    "angle": ("200 right", "up", "13 o'clock", "sideways-ish", "north"),
    "height": ("3 m", "2.6", "-1", "way up", "5 m above the eyes"),
    "wire": ("dmx", "telepathy", "relay"),
    "dimmable": ("purple", "maybe", "12"),
    "to": ('1.2.3.4"', "300.1.2.3", "1.2.3", "a b!c", "192.0.2.7/24"),
    "universe": ("0", "64000", "u", "-1", "1.5"),
    "slots": ("513", "0, 1", "1, 1", "1, 2, 3", "a, b", "", "512 16 bit"),
    "device": ("COM3", "cable", '/dev/"x', "-"),
    "broker": ("a b c", "1.2.3.4.5", "host:99999", 'x"', ""),
    "topics": ("one/topic", "a/# b/#", "a b c", "a/b a/b", "lights/'x'/NAME"),
    "message": ("on", "json a b c", '{"level": 1}', "off/on", "0-99999999"),
}


@pytest.mark.parametrize(("kind", "typed"), [(kind, text) for kind in REFUSED for text in REFUSED[kind]])
def test_what_cannot_be_read_is_refused_in_one_line(kind: str, typed: str) -> None:
    with pytest.raises(ValueError, match=r"\w{3}") as refused:
        KINDS[kind].reader(typed, dict(KNOWN))
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 200


READ_BACK = [
    ("mains", "120", "read as 120 V, 60 Hz"),
    ("ratio", "3", "read as 3:1"),
    ("ratio", "1:2", "read as 1:2: the fill brighter than the key"),
    ("length", "2.4", "read as 2.40 m"),
    ("length", "170", "read as 1.70 m (centimetres)"),
    ("aperture", "4", "read as f/4"),
    ("shutter", "50", "read as 1/50 s"),
    ("shutter", "180", "read as 180°; 1/180 is a time"),
    ("lamp", "9W bulb", "read as LED bulb, 9 W"),
    ("lamp", "tungsten", "read as halogen, 3200 K"),
    (
        "modifier",
        "umbrella",
        "read as shoot-through umbrella; say silver umbrella if the lamp shines into it",
    ),
    ("white", "cool", "read as 6500 K"),
    ("angle", "45", "read as 45° right"),
    ("wire", "wifi", "read as smart bulbs by MQTT (mqtt)"),
    ("name", "Anna's Studio", "called annas-studio in the file"),
    ("ratio", "one and a half stops", "read as 1.5 stops"),
    ("length", "five foot six", "read as 5′ 6″"),
    ("aperture", "f four", "read as f/4"),
    ("angle", "thirty left", "read as 30° left"),
    ("yes", "sometimes", "read as yes"),
    ("yes", "without", "read as no"),
    ("dimmable", "sometimes", "read as yes"),
    ("shutter", "180 degrees at 24 fps", "read as 180° at 24 frames a second"),
    ("lamp", "650W fresnel", "read as tungsten, 650 W, 3200 K, reflector; say LED fresnel if it is one"),
    ("lamp", "2k", "read as tungsten, 2000 W, 3200 K; say LED if it is one"),
    (
        "lamp",
        "LED panel 30 W bicolor 2700-6500K",
        "read as LED panel, 30 W, 5600 K, a lamp of several whites is taken as set to one, 5600 K",
    ),
    ("yes", "yes", ""),
    ("yes", "contacts", ""),
    ("dimmable", "dims fine", ""),
    ("ratio", "1.5 stops", ""),
    ("length", "2.4 m", ""),
    ("mains", "230 V, 50 Hz", ""),
    ("aperture", "f/4", ""),
    ("ratio", "3:1", ""),
    ("angle", "45° right", ""),
]


@pytest.mark.parametrize(("kind", "typed", "note"), READ_BACK)
def test_what_is_not_as_it_was_typed_is_read_back(kind: str, typed: str, note: str) -> None:
    assert KINDS[kind].reader(typed, dict(KNOWN)).note == note


def test_one_line_may_answer_several_questions() -> None:
    lamp = BY_KEY["key.lamp"].reader("2 x 23W CFL, daylight, not dimmable, in a 60x90 cm softbox", {})
    assert lamp.value == "cfl"
    assert {key: lamp.extra[f"key.{key}"] for key in ("count", "light", "cct", "dimmable", "modifier")} == {
        "count": 2,
        "light": lamps.LampOutput(None, 23.0),
        "cct": 5600.0,
        "dimmable": False,
        "modifier": "softbox",
    }
    # the disc with the area of a 0.6 x 0.9 m rectangle
    assert lamp.extra["key.size"] == pytest.approx(0.829, abs=1e-3)
    assert BY_KEY["shutter"].reader("1/50 at 25p", {}).extra == {"fps": 25.0}
    stand = BY_KEY["key.distance"].reader("5 ft, 40 left, 6'6\"", dict(KNOWN))
    assert stand.value == pytest.approx(1.524)
    assert (stand.extra["key.angle"], stand.extra["key.height"]) == (-40.0, pytest.approx(1.9812))


@pytest.mark.parametrize(
    ("typed", "metres", "degrees", "high"),
    [
        ("2 m 35 right 1.6", 2.0, 35.0, 1.6),
        ("6 ft 35 right 5 ft", 1.8288, 35.0, 1.524),
        ("6 ft 6 35 left 5", 1.9812, -35.0, 1.524),
        ("2m 30° 1.6m", 2.0, 30.0, 1.6),
        ("1.5 m camera left 30 1.6", 1.5, -30.0, 1.6),
        ("1.5 m 45 degrees to the right 40 cm above the eyes", 1.5, 45.0, 1.6),
        ("2 m, 35 right 1.6", 2.0, 35.0, 1.6),
    ],
)
def test_a_stand_needs_no_commas(typed: str, metres: float, degrees: float, high: float) -> None:
    stand = BY_KEY["key.distance"].reader(typed, dict(KNOWN))
    assert stand.value == pytest.approx(metres)
    assert (stand.extra["key.angle"], stand.extra["key.height"]) == (degrees, pytest.approx(high))


def test_a_frame_rate_that_leaves_no_time_for_the_shutter_is_refused() -> None:
    with pytest.raises(ValueError, match="at 100 frames a second no shutter is open for 1/50 s"):
        camera.shutter("1/50 at 100 fps", {})


def test_a_refusal_quotes_what_was_typed() -> None:
    for kind in ("yes", "dimmable"):
        with pytest.raises(ValueError, match=r"'\?' is neither yes nor no"):
            KINDS[kind].reader("?", dict(KNOWN))


def test_feet_go_on_in_feet() -> None:
    room = LengthReader(0.3, 12, "the distance")
    assert room("5 ft 6", {}).extra == {"feet": True}
    assert room("8", {"feet": True}).value == pytest.approx(8 * 0.3048)
    assert room("66", {"feet": True}).value == pytest.approx(66 * 0.0254)
    assert room("8", {"feet": True}).note == "read as 8′ 0″"
    assert room("2.4 m", {"feet": True}).extra == {"feet": False}
    with pytest.raises(UnitsError, match="feet and inches"):
        room("feet", {})


@pytest.mark.parametrize("feet", [False, True])
def test_every_usual_answer_is_understood_as_it_stands(feet: bool) -> None:
    """What stands in brackets can be typed, and means what an empty line means."""
    answers: dict[str, Any] = {"feet": feet}
    asked = 0
    while (put := next_question(answers)) is not None:
        line = {"hair": "yes", "background": "yes", "driver": "sacn"}.get(put.key, put.default_for(answers))
        empty = put.meaning("", answers).value
        typed = put.meaning(line, answers)
        assert put.key in ("hair", "background", "driver") or typed.value == empty, put.key
        answers = {**answers, **{k: v for k, v in typed.extra.items() if k != "feet"}, put.key: typed.value}
        asked += 1
    assert asked > 30


@pytest.mark.parametrize("word", ["beauty", *lamps.VOCABULARY, *modifiers.VOCABULARY])
def test_a_word_by_itself_is_understood_or_refused(word: str) -> None:
    """Words that count as those which they are most like are themselves most like themselves."""
    for reads in (lamps.lamp, lamps.light, lamps.white, modifiers.modifier):
        with contextlib.suppress(ValueError):
            reads(word, {})


pieces = st.sampled_from([answer for kind in NATURAL.values() for _, answer in kind])
typed_anyhow = st.one_of(st.text(max_size=30), st.tuples(pieces, st.text(max_size=3), pieces).map("".join))


@settings(max_examples=15, deadline=None)
@given(typed_anyhow, st.booleans())
def test_whatever_is_typed_is_read_or_refused(text: str, feet: bool) -> None:
    for kind in KINDS.values():
        with contextlib.suppress(ValueError):
            meaning = kind.reader(text, {**KNOWN, "feet": feet})
            assert kind.written(meaning.value)
            assert "\n" not in meaning.note
