"""The questions of a first rig file, the collection of their answers, and the cautions that answers require.

Terminals are unknown here: the caller shows a question and its default, takes a line, and passes it to
`Question.meaning`. One line may answer several questions; those are then not asked. The cautions have the
words of `rig.checks.cautions` and `checklists`; the cautions of an answer are found by comparing a rig with
it to a rig without it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from typing import Any

from fillside.planning.answers import camera, wires
from fillside.planning.answers.lengths import LengthReader, default_length
from fillside.planning.answers.question import Answers, Meaning, Question, uses_feet
from fillside.planning.answers.typed_line import normalize, slug
from fillside.planning.answers.wires import DRIVER, SIM, dimmed_roles
from fillside.planning.answers.yes_no import yes_no_reader, yes_note, yes_or_no
from fillside.planning.safety.checklists import checklists
from fillside.planning.starter.first_set import ROLES
from fillside.planning.starter.head_questions import head_questions
from fillside.rig.checks.cautions import caution_texts
from fillside.rig.tables.model import Rig


def _name(text: str, _: Answers) -> Meaning:
    name = slug(text, "studio")
    return Meaning(name, "" if name == text.strip() else f"called {name} in the file")


_STANDING = "stand|stands|standing|stood|on their feet|on foot|upright|walking|walks"
_SITTING = "sit|sits|sitting|seated|sat|chair|on a chair|stool|sofa|desk|table|at a desk"
_LIGHT = "light|white|bright|cream|pale|beige|off-white|light grey|light gray|magnolia|whitish"
_DARK = "dark|black|grey|gray|dim|brown|brick|wood|drapes|curtains|dark grey|dark gray"
_GLASSES = "glasses|spectacles|specs|reading glasses"
_NO_GLASSES = "contacts|contact lenses|no glasses"


def _usual_name(answers: Answers) -> str:
    return str(answers.get("usual_name", "corner-studio"))


def _usual_mains(answers: Answers) -> str:
    return "120 V, 60 Hz" if uses_feet(answers) else "230 V, 50 Hz"


LENGTH_TAKES = "a length such as 2.4 m, 170 cm, 8 ft or 5'6\"; feet or metres alone changes the units"


def length_default(metres: float) -> Callable[[Answers], str]:
    """Return a default length in the current units."""
    return lambda answers: default_length(metres, uses_feet(answers))


def _length(key: str, asks: str, reads: LengthReader, usual_m: float) -> Question:
    return Question(key, asks, reads, length_default(usual_m), LENGTH_TAKES)


ROOM: tuple[Question, ...] = (
    Question(
        "name",
        "Name of the studio",
        _name,
        _usual_name,
        "any name; the file has its small letters, digits and hyphens",
    ),
    Question(
        "stands",
        "Does the subject sit or stand?",
        yes_no_reader(_STANDING, _SITTING, ("stand", "sit")),
        "sit",
        "sit or stand; on a chair, at a desk, walking",
    ),
    _length("camera", "Camera to face", LengthReader(0.6, 12, "the distance"), 2.4),
    _length("wall", "Face to the wall behind", LengthReader(0.3, 12, "the distance"), 1.5),
    _length("ceiling", "Height of the ceiling", LengthReader(1.9, 12, "the height"), 2.5),
    Question(
        "light_room",
        "Walls and ceiling, light or dark?",
        yes_no_reader(_LIGHT, _DARK, ("light", "dark")),
        "light",
        "light or dark, or what they are, such as white, grey, wood, drapes",
    ),
    Question("mains", "Mains", camera.mains, _usual_mains, "120 V 60 Hz, 230 V, 100/60, or a country"),
    Question(
        "aperture", "Aperture", camera.aperture, "f/2.8", "an f-number from 0.7 to 16, such as f/4 or 2.8"
    ),
    Question(
        "shutter",
        "Shutter, a time or an angle",
        camera.shutter,
        lambda a: f"1/{camera.MAINS[a['mains']][1]:.0f} s",
        "a time or an angle, and the frame rate if you like: 1/50, 20 ms, 180° at 25 fps",
    ),
    Question(
        "ratio",
        "Key to fill, each metered alone",
        camera.ratio,
        "2:1",
        "a ratio or stops: 3:1, 2 to 1, 1.5 stops, even",
    ),
    Question(
        "glasses",
        "Does the subject wear glasses?",
        yes_no_reader(_GLASSES, _NO_GLASSES),
        "no",
        "yes or no; with yes the lamps are placed so that glasses do not mirror them",
    ),
)
_HAIR = re.compile(r"\b(?:hair|rim|kicker|edge|back ?light)")
_BEHIND = re.compile(r"\b(?:background|wall|backdrop|bg)\b")
_NOT_THAT = re.compile(r"\b(?:no|not|without|don't|neither|none)\b")


def _more_lights(text: str, _: Answers) -> Meaning:
    """Read the choice of a hair light, and of a light on the wall behind if the line states it."""
    line = normalize(text)
    hair, behind = _HAIR.search(line) is not None, _BEHIND.search(line) is not None
    if re.search(r"\b(?:both|all|2)\b", line):
        hair = behind = True
    if _NOT_THAT.search(line) or not (hair or behind):
        wanted = yes_or_no(text, ["hair", "hair light", "rim"], ["neither", "skip", "just key and fill"])
        note = yes_note(text, wanted, ("hair", "neither", "skip", "just key and fill"))
        return Meaning(wanted, note, {} if wanted or hair or behind else {"background": False})
    read_back = {(True, True): "a hair light and one on the wall", (True, False): "a hair light"}
    return Meaning(
        hair, f"read as {read_back.get((hair, behind), 'a light on the wall')}", {"background": behind}
    )


MORE: dict[str, Question] = {
    "hair": Question(
        "hair", "More lights? hair, background, both", _more_lights, "none", "hair, background, both or none"
    ),
    "background": Question(
        "background",
        "A light on the wall behind?",
        yes_no_reader("background|wall|backdrop", "neither|skip"),
        "no",
        "yes or no",
    ),
}


def _on(*kinds: str) -> Callable[[Answers], bool]:
    return lambda answers: answers.get("driver") in kinds


def _first_slots(answers: Answers) -> str:
    return ", ".join(str(i) for i, _ in enumerate(wires.dimmed_roles(answers), start=1))


def _ask_slots(answers: Answers) -> str:
    return f"DMX slots of {', '.join(wires.dimmed_roles(answers))}"


WIRE: tuple[Question, ...] = (
    Question(
        "driver",
        "How are the lamps dimmed? none yet, bulbs (MQTT), network (sACN), usb (DMX cable)",
        wires.wire,
        "none yet",
        "none yet (simulated), bulbs on a broker, network (sACN), usb (a DMX cable)",
        lambda answers: bool(wires.dimmed_roles(answers)),
    ),
    Question(
        "to",
        "Address of the node, or multicast",
        wires.destination,
        "multicast",
        "multicast, or one or more addresses, such as 192.0.2.7 or node.local",
        _on(wires.SACN),
    ),
    Question("universe", "Universe", wires.universe, "1", "a number from 1 to 63999", _on(wires.SACN)),
    Question(
        "device",
        "Device of the DMX cable",
        wires.device,
        "/dev/ttyUSB0",
        "a device file such as /dev/ttyUSB0 or one under /dev/serial/by-id, or usb 1",
        _on(wires.SERIAL),
    ),
    Question(
        "slots",
        _ask_slots,
        wires.slots,
        _first_slots,
        "a slot for each, such as 1, 2; the first alone for slots in a row; 16 bit if they are",
        _on(wires.SACN, wires.SERIAL),
    ),
    Question(
        "broker",
        "Address of the broker",
        wires.broker,
        "127.0.0.1",
        "a name or an address, and a port if it is another: 192.0.2.9, broker.local:1883, this machine",
        _on(wires.MQTT),
    ),
    Question(
        "topics",
        lambda a: f"Topic each bulb listens on: {', '.join(wires.dimmed_roles(a))}",
        wires.topics,
        wires.USUAL_TOPIC,
        f"a topic for each, or one with NAME where the head's name stands, such as {wires.USUAL_TOPIC}",
        _on(wires.MQTT),
    ),
    Question(
        "message",
        "What it takes: 0-255, percent, json FIELD",
        wires.message,
        "0-255",
        "percent; a number to its full scale, 0-255; json FIELD; or a message with {percent} or {code}",
        _on(wires.MQTT),
    ),
)


QUESTIONS: tuple[Question, ...] = (
    *ROOM,
    *(
        question
        for role in ROLES
        for question in (*([MORE[role]] if role in MORE else []), *head_questions(role))
    ),
    *WIRE,
)


def next_question(answers: Answers) -> Question | None:
    """Return the first unanswered question; None when there is none."""
    return next((q for q in QUESTIONS if q.key not in answers and q.applies(answers)), None)


def add_answer(
    answers: Answers, question: Question, meaning: Meaning, given: Collection[str] = ()
) -> dict[str, Any]:
    """Return the answers with one more and the others from its line, except those given separately."""
    also = {key: value for key, value in meaning.extra.items() if key in answers or key not in given}
    return {**answers, **also, question.key: meaning.value}


def default_answers(given: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Answer every question by the given text (as typed), otherwise by its default."""
    typed, answers = given or {}, dict[str, Any]()
    while (question := next_question(answers)) is not None:
        meaning = question.meaning(str(typed.get(question.key, "")), answers)
        answers = add_answer(answers, question, meaning, typed)
    return answers


CAUTION_QUESTIONS = ("lamp", "dimmable", "modifier")
"""The questions about a head whose answers may require a caution."""


def cautions_after(question: str, answers: Answers) -> list[str]:
    """Return the cautions that the answer to this question requires; empty for most questions."""
    if question == "driver":
        return _of_wire(answers)
    role, _, key = question.partition(".")
    if key not in CAUTION_QUESTIONS:
        return []
    normalize = _head(role, {})
    before = caution_texts(_rig([normalize]))
    return [says for says in caution_texts(_rig([_head(role, answers)])) if says not in before]


def _of_wire(answers: Answers) -> list[str]:
    if answers["driver"] == SIM:
        return []
    heads = [_head(role, answers) for role in dimmed_roles(answers)]
    simulated = caution_texts(_rig(heads))
    rig = _rig(heads, answers["driver"])
    switch = [line for line in checklists(rig).before if "switch" in line.lower()]
    return [*(says for says in caution_texts(rig) if says not in simulated), *switch]


def _head(role: str, answers: Answers) -> dict[str, Any]:
    """Return a head with the answers so far, and without the keys that no caution depends on."""
    fixed = answers.get(f"{role}.dimmable") is False
    head: dict[str, Any] = {
        "name": role,
        "role": role if role in ("key", "fill") else "key",
        "position": (0.9, -0.9, 1.9),
        "intensity": 1000.0,
        "lamp": {"kind": answers.get(f"{role}.lamp", "led"), "dimmable": not fixed},
        "modifier": {"kind": answers.get(f"{role}.modifier", "shoot-through"), "diameter": 0.5},
        "dimming": {"curve": "fixed" if fixed else "linear"},
    }
    return head if fixed else {**head, "drive": {"driver": DRIVER}}


def _rig(heads: list[dict[str, Any]], kind: str = SIM) -> Rig:
    return Rig.model_validate(
        {
            "rig": {"name": "first"},
            "camera": {"position": (0.0, -2.4, 1.25)},
            "marks": {"middle": (0.0, 0.0, 1.2)},
            "balance": {"exposure": 300.0},
            "heads": heads,
            "drivers": {DRIVER: {"kind": kind}},
        }
    )
