"""Contract: a dotted change makes the rig that the changed file would make, or it is refused."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from fillside.rig.file.build import apply_change
from fillside.rig.problems import RigError
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig, load_rig_text
from fillside_drivers.registry import kinds

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = sorted(CONFIG.glob("*.toml"))


@pytest.fixture
def rig() -> Rig:
    return load_rig(CONFIG / "interview.toml")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_no_change_gives_the_same_rig(path: Path) -> None:
    loaded = load_rig(path)
    again = apply_change(loaded, {})
    assert again == loaded
    assert again.dump() == loaded.dump()
    assert [again.full_scale_of(head) for head in again.heads] == [
        loaded.full_scale_of(head) for head in loaded.heads
    ]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_dump_holds_exactly_what_the_file_holds(path: Path) -> None:
    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(inner) for key, inner in value.items()}
        return [plain(inner) for inner in value] if isinstance(value, list | tuple) else value

    assert plain(load_rig(path).dump()) == tomllib.loads(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("change", "line", "instead"),
    [
        ({"camera.iso": 400}, "iso = 800", "iso = 400"),
        ({"balance.ratio": "3:1"}, 'ratio = "1.5 stops"', 'ratio = "3:1"'),
        ({"heads.key.position": [1.2, -0.5, 2.3]}, "[1.45, -0.65, 2.3]", "[1.2, -0.5, 2.3]"),
        ({"heads.fill-low.modifier.diffusion": 1.0}, "spread = 1.0 }", "spread = 1.0, diffusion = 1.0 }"),
        ({"heads.hair.bounce": 0.1}, 'name = "hair"', 'name = "hair"\nbounce = 0.1'),
        ({"heads.key.intensity": None}, "intensity = 1300", "#"),
        ({"balance.relative.hair": 0.5}, "hair = -0.7,", "hair = 0.5,"),
        ({"marks.sofa": [0.1, 0.2, 1.0]}, "[subject]", "sofa = [0.1, 0.2, 1.0]\n[subject]"),
        ({"drivers.room.priority": 90}, "priority = 110", "priority = 90"),
        ({"heads.wall.drive.bits": 16}, "slot = 9 }", "slot = 9, bits = 16 }"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_a_change_is_the_change_of_the_file(change: dict[str, Any], line: str, instead: str) -> None:
    text = (CONFIG / "interview.toml").read_text(encoding="utf-8")
    assert line in text
    by_hand = load_rig_text(text.replace(line, instead, 1), kinds=kinds())
    changed = apply_change(load_rig(CONFIG / "interview.toml"), change)
    assert changed == by_hand
    assert list(changed.marks) == list(by_hand.marks)


def test_a_change_and_its_way_back_give_the_same_rig(rig: Rig) -> None:
    there = apply_change(rig, {"camera.iso": 400, "heads.key.modifier.diameter": 0.5})
    assert there != rig
    assert apply_change(there, {"camera.iso": 800, "heads.key.modifier.diameter": 0.9}) == rig


def test_a_change_is_not_tied_to_the_lists_it_was_made_of(rig: Rig) -> None:
    place = [1.0, -1.0, 2.0]
    changed = apply_change(rig, {"heads.key.position": place})
    place[0] = 9.0
    assert changed.head("key").position == (1.0, -1.0, 2.0)


@pytest.mark.parametrize(
    ("change", "key", "told"),
    [
        ({"heads.kei.position": [0, 0, 0]}, "heads.kei.position", 'no head "kei"; did you mean "key"?'),
        ({"camera.isso": 400}, "camera.isso", 'did you mean "iso"?'),
        ({"camera.iso": float("nan")}, "camera.iso", "must be a finite number"),
        ({"camera.iso": -1}, "camera.iso", "must be at least 0.1, not -1"),
        ({"camera.iso": "400"}, "camera.iso", 'not the text "400"'),
        ({"camera.iso": None}, "camera.iso", "is missing"),
        ({"camera.iso.value": 3}, "camera.iso.value", "iso is not a table"),
        ({"heads.key": 3}, "heads.key", "heads is not a table"),
        ({"heads": 3}, "heads", "must be a list, not 3"),
        ({"": 3}, '""', "unknown key"),
        ({"heads..position": 3}, "heads..position", 'no head ""'),
        ({"subject.at": "nowhere"}, "subject.at", 'no mark "nowhere"'),
        ({"heads.key.position": [0.0, 0.0, 1.2]}, "marks.guest", "0.0 cm from the lit face of key"),
        ({"heads.key.drive.slot": 3}, "heads.fill-low.drive", "overlaps with head key on room"),
        ({"heads.key.drive.slot": 0}, "heads.key.drive.slot", "must be at least 1, not 0"),
        ({"heads.key.name": "hair"}, "heads.hair.name", 'another head is named "hair"'),
        ({"heads.key.lamp.watts": 300}, "heads.key.modifier.max_watts", "it may overheat"),
        ({"marks": {}}, "marks", "at least 1 must be"),
    ],
)
def test_a_change_that_cannot_be_is_refused_with_its_key(
    rig: Rig, change: dict[str, Any], key: str, told: str
) -> None:
    before = rig.dump()
    with pytest.raises(RigError) as caught:
        apply_change(rig, change)
    assert caught.value.key == key
    assert caught.value.line is None
    assert told in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    assert rig.dump() == before
