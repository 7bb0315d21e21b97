"""Contract: a guided routine never says two things that cannot both be, and counts what it can know."""

from __future__ import annotations

import re

import pytest

from contract.meter_studio import RIG, head_table, made, rig_of
from fillside.cli.render.routine import count
from fillside.metering.routine.checks import check_result
from fillside.metering.routine.routine import start
from fillside.metering.routine.steps import Step, StudioKnowledge, step_of
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.storage.store import Store

TUBE = 'lamp = { kind = "tube", watts = 30, dimmable = false }\ndimming = { curve = "fixed" }'
PANEL = 'lamp = { kind = "led", watts = 30, dimmable = false }\ndimming = { curve = "fixed" }'
WARM = 'lamp = { kind = "tube", watts = 30 }\ndrive = { driver = "stage" }'
BURNING = {"a tube without a dimmer": TUBE, "a panel without a dimmer": PANEL, "a tube that is dimmed": WARM}
ROOM = {
    "head": None,
    "level": 0.0,
    "at": (0.0, 0.0, 1.2),
    "receptor": "flat",
    "facing": "key",
    "expected_lux": 3.0,
    "enough": False,
}


def with_rim(tables: str) -> Rig:
    return rig_of(head_table("rim", "hair", (0.5, 1.0, 2.2), tables))


def contradictions(says: tuple[str, ...], title: str, burning: str) -> list[str]:
    """Sentences that have a lamp out which another says to be burning."""
    return [
        sentence
        for sentence in re.split(r"(?<=[.:;]) ", " ".join((*says, f"{title}.")))
        if re.search(r"\balone\b|\bothers out\b|\bAll heads\b", sentence) and burning not in sentence
    ]


def steps_with_a_lamp_burning(rig: Rig) -> list[Step]:
    """One of each stage that meters with other heads out, the rim kept from the meter by hand."""
    known = StudioKnowledge(rig)
    reading, checking = (start("calibrate", 0.0).model_copy(update={"stage": s}) for s in ("read", "verify"))
    room = StudioKnowledge(rig, latest=Calibration(next=ROOM))
    return [
        step_of(reading, known),
        step_of(reading, room),
        step_of(reading.model_copy(update={"dark": True}), room),
        step_of(checking, known),
        step_of(checking.model_copy(update={"passed_over": ("head key", "head fill")}), known),
    ]


@pytest.mark.parametrize("tables", BURNING.values(), ids=BURNING)
def test_no_lamp_is_said_to_be_out_that_burns(tables: str) -> None:
    steps = steps_with_a_lamp_burning(with_rim(tables))
    assert [step.title for step in steps] == [
        "Meter key",
        "Meter the room",
        "Meter the room",
        "Check key",
        "Check the exposure",
    ]
    for step in steps:
        assert step.flag == ("rim",) or step.lit is None
        assert contradictions(step.says, step.title, "rim") == []
        assert any("never cover a lamp" in says for says in step.says)


def test_without_such_a_lamp_each_head_is_alone() -> None:
    key, room, dark, check, _ = steps_with_a_lamp_burning(with_rim('drive = { driver = "stage" }'))
    assert re.fullmatch(r"key alone, at \d\d %\.", key.says[0])
    assert room.says[0].startswith("All heads go out for this reading: ")
    assert dark.says[0].startswith("All heads are out: ")
    assert check.title == "Check key alone"


def test_a_lamp_that_was_switched_off_by_hand_is_to_be_on_when_it_is_metered() -> None:
    done = start("calibrate", 0.0).model_copy(update={"stage": "read", "passed_over": ("key", "fill")})
    panel, tube = (step_of(done, StudioKnowledge(with_rim(tables))).says[0] for tables in (PANEL, TUBE))
    assert panel == "rim on as it burns, the others out. See that rim is switched on."
    assert tube == "rim on as it burns, the others out."


def test_nobody_is_promised_a_dark_that_cannot_be_had() -> None:
    fixed = 'dimming = { curve = "fixed" }\n'
    text = re.sub(r"dimming = .*\ndrive = .*\n", fixed, RIG)
    rig = rig_of(text=text)
    reading = start("calibrate", 0.0).model_copy(update={"stage": "read"})
    said = step_of(reading, StudioKnowledge(rig, latest=Calibration(next=ROOM))).says[0]
    assert said == "No head can be put out from here for this reading: stand there, then go on."


async def test_how_many_readings_are_to_come_is_estimated_anew_each_time() -> None:
    """Never the last while more are asked, but for the odd surprise; and it comes true."""
    counts = []
    with Store.in_memory() as store:
        async with made(rig_of(), store) as here:
            await here.through_the_cautions("calibrate")
            await here.do(do="calibrate", act="skip")
            while here.step["stage"] == "read":
                counts.append((here.step["number"], here.step["of"]))
                await here.take()
    numbers, estimates = zip(*counts, strict=True)
    assert numbers == tuple(range(1, len(counts) + 1))
    assert all(of >= number for number, of in counts)
    assert sum(of == number for number, of in counts[:-1]) <= 1
    assert counts[-1][1] == len(counts)
    assert all(abs(of - len(counts)) <= 3 for of in estimates[2:])


def test_a_second_look_counts_beside_the_checks_that_are_left() -> None:
    """Key off, asked about again: then fill and exposure remain, of four in all."""
    known = StudioKnowledge(rig_of(), used=Calibration())
    key = known.held.checks(background=True)[0]
    off = check_result(key, key.expected_lux / 4)
    lineup = start("lineup", 0.0).model_copy(update={"stage": "verify", "checked": (off,)})
    near = step_of(lineup, known)
    assert (near.number, near.of) == (2, 4)
    passed_over = ("near key", "again key", "tape key", "head fill")
    skipped = step_of(lineup.model_copy(update={"passed_over": passed_over}), known)
    assert (skipped.number, skipped.of) == (2, 2)


@pytest.mark.parametrize(
    ("stage", "number", "of", "said"),
    [
        ("read", 7, 9, "7 of about 9"),
        ("read", 9, 9, "9, probably the last"),
        ("warm", 3, 3, "3, until two agree"),
        ("verify", 3, 3, "3 of 3"),
    ],
)
def test_a_count_says_how_far_it_is_known(stage: str, number: int, of: int, said: str) -> None:
    assert count({"stage": stage, "number": number, "of": of}) == said
