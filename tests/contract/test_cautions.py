"""Contract: a caution stands where its cause is, says the same everywhere, and is shown at the start."""

from __future__ import annotations

import logging
import re
from pathlib import Path
from typing import Any

import pytest

from fillside.daemon.first_start import block, show_cautions
from fillside.metering.routine.routine import start
from fillside.metering.routine.steps import items_of
from fillside.planning.plan import plan_rig
from fillside.planning.safety.checklists import checklists
from fillside.planning.safety.power import power_answer
from fillside.rig.checks.cautions import caution_texts, cautions_of
from fillside.rig.checks.report import check_rig
from fillside.rig.tables.model import Rig
from fillside.rig.tables.plan import Circuit, Plan
from fillside.rig_file import load_rig
from fillside.storage.store import Store
from manual_text import PAGES, README, ROOT, marked

EXAMPLES = [*sorted((ROOT / "config").glob("*.toml")), ROOT / "service" / "fillside" / "demo" / "studio.toml"]
WIRES = {"stage": {"kind": "sacn"}, "bulbs": {"kind": "mqtt"}, "line": {"kind": "dmx-serial"}}


def head(role: str = "key", *, wire: str = "stage", **more: Any) -> dict[str, Any]:
    """A head aside of the mark, in open cloth, with an LED of which the file says enough."""
    lamp = {"kind": "led", "watts": 30, "battery": False, **more.pop("lamp", {})}
    modifier = {"kind": "shoot-through", "diameter": 0.5, "max_watts": 100, **more.pop("modifier", {})}
    drive = {} if more.get("dimming") == {"curve": "fixed"} else {"drive": {"driver": wire}}
    own = {"name": role, "role": role, "position": [1.2, -1.2, 1.4], "intensity": 900, **drive}
    return {**own, "lamp": lamp, "modifier": modifier, **more}


def rig_of(*heads: dict[str, Any], name: str = "loft", **wires: Any) -> Rig:
    return Rig.model_validate(
        {
            "rig": {"name": name},
            "camera": {"position": [0, -2.5, 1.2]},
            "marks": {"stool": [0, 0, 1.2]},
            "subject": {"most_lux": 900},
            "balance": {"exposure": 300},
            "heads": list(heads) or [head()],
            "drivers": {**WIRES, **wires},
        }
    )


def keys(*heads: dict[str, Any]) -> set[str]:
    return {caution.key for caution in cautions_of(rig_of(*heads))}


ALWAYS = {
    "electrical-load",
    "cables",
    "switch",
    "stands",
    "children-and-pets",
    "touching-a-lamp",
    "flicker",
    "glare",
}
SOFTBOX, BARE, LANTERN = ({"kind": kind} for kind in ("softbox", "bare", "other"))
GIVES_CAUSE: list[tuple[str, dict[str, Any], set[str]]] = [
    ("nothing special", head(), set()),
    ("a battery", head(lamp={"battery": True}), {"batteries"}),
    ("perhaps a battery", head(lamp={"battery": None}), {"batteries"}),
    ("a halogen lamp", head(lamp={"kind": "halogen", "battery": None}), {"hot-lamps"}),
    ("a lamp above people", head("hair"), {"above-people"}),
    ("a lamp over the mark", head(position=[0.1, 0.1, 2.2]), {"above-people"}),
    ("a closed modifier", head(modifier=SOFTBOX), {"heat-in-closed-modifiers"}),
    ("a bulb in the open", head(wire="bulbs"), {"after-a-power-cut"}),
    (
        "a bulb that keeps its level",
        head(wire="bulbs", drive={"driver": "bulbs", "comes_back": "kept"}),
        set(),
    ),
    (
        "a bulb shut in",
        head(wire="bulbs", modifier=SOFTBOX),
        {"after-a-power-cut", "heat-in-closed-modifiers", "bulbs-in-closed-fixtures"},
    ),
    (
        "a bulb in a lantern",
        head(wire="bulbs", modifier=LANTERN),
        {"after-a-power-cut", "bulbs-in-closed-fixtures"},
    ),
    ("a lantern on another wire", head(modifier=LANTERN), set()),
    ("a bare LED", head(modifier=BARE), {"bare-led-chips"}),
    ("a bare halogen lamp", head(modifier=BARE, lamp={"kind": "halogen"}), {"hot-lamps"}),
    ("a compact fluorescent", head(lamp={"kind": "cfl"}), {"mercury"}),
    ("a lamp not to be dimmed", head(dimming={"curve": "fixed"}), {"not-to-be-dimmed"}),
    ("a serial line", head(wire="line"), {"dmx-line"}),
]


@pytest.mark.parametrize(
    ("one", "more"), [(one, more) for _, one, more in GIVES_CAUSE], ids=[n for n, _, _ in GIVES_CAUSE]
)
def test_a_caution_stands_where_its_cause_is_and_nowhere_else(one: dict[str, Any], more: set[str]) -> None:
    taken = (
        {"electrical-load", "cables"}
        if "battery" in one["lamp"] and one["lamp"]["battery"] is True
        else set()
    )
    undimmed = {"flicker"} if one.get("dimming") == {"curve": "fixed"} else set()
    assert keys(one) == (ALWAYS - taken - undimmed) | more


def test_a_lamp_on_a_breaker_runs_on_no_battery() -> None:
    unsaid = rig_of(head(lamp={"battery": None}))
    on_mains = unsaid.model_copy(update={"plan": Plan(circuits={"socket": Circuit(amps=16, heads=("key",))})})
    assert "batteries" in {caution.key for caution in cautions_of(unsaid)}
    assert "batteries" not in {caution.key for caution in cautions_of(on_mains)}


def test_heads_are_named_by_the_caution_that_they_give_cause_for() -> None:
    rig = rig_of(head("key", modifier=SOFTBOX), head("fill"), head("hair", modifier=BARE))
    named = {caution.key: caution.cause.heads for caution in cautions_of(rig) if caution.cause.heads}
    assert named == {
        "heat-in-closed-modifiers": ("key",),
        "above-people": ("hair",),
        "bare-led-chips": ("hair",),
    }
    many = rig_of(*(head("fill", name=f"f{i}", modifier=SOFTBOX) for i in range(9)), head("key"))
    assert "Heat in closed modifiers (f0, f1, f2, f3, f4, f5 and 3 more): " in " ".join(caution_texts(many))
    assert "Heat in closed modifiers (all heads): " in " ".join(
        caution_texts(rig_of(*(head("fill", name=f"f{i}", modifier=SOFTBOX) for i in range(4))))
    )
    assert "Bare LED chips (hair): " in " ".join(caution_texts(rig))


def test_the_load_is_added_up_and_who_is_left_out_is_named() -> None:
    silent, battery = {"watts": None}, {"battery": True, "watts": 50}
    rig = rig_of(
        head("key", lamp={"watts": 40, "count": 2}), head("fill", lamp=silent), head("hair", lamp=battery)
    )
    load = caution_texts(rig)[0]
    assert "80 W in all at full, not counting fill;" in load
    assert "local electrical code" in load
    assert "licensed electrician" in load
    assert power_answer(rig).total_watts == 80
    assert "states no lamp power" in caution_texts(rig_of(head(lamp=silent)))[0]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_place_says_the_same(path: Path) -> None:
    rig = load_rig(path)
    texts = tuple(caution_texts(rig))
    assert check_rig(rig).cautions == plan_rig(rig, wander=False).cautions == texts
    shown = " ".join(" ".join(block(cautions_of(rig), rig, first=True)).split())
    assert [text for text in texts if text not in shown] == []
    ticked = items_of(start("calibrate", 0.0), rig)
    assert set(ticked.values()) - set(texts) == {ticked["camera-on-manual"]}
    before = checklists(rig).before
    assert {caution.tick for caution in cautions_of(rig) if caution.tick} <= set(before)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_it_is_no_wall_of_text(path: Path) -> None:
    rig = load_rig(path)
    lines = block(cautions_of(rig), rig, first=True)
    assert len(lines) <= 20
    assert max(map(len, lines)) <= 115
    assert len(items_of(start("calibrate", 0.0), rig)) <= 8


def test_the_opening_of_a_calibration_asks_for_what_metering_makes_worse_alone() -> None:
    everything = rig_of(*(one | {"name": f"h{i}"} for i, (_, one, _) in enumerate(GIVES_CAUSE)))
    asked = set(items_of(start("calibrate", 0.0), everything))
    assert {"bare-led-chips", "bulbs-in-closed-fixtures", "hot-lamps", "electrical-load"} <= asked
    assert not asked & {
        "cables",
        "batteries",
        "switch",
        "children-and-pets",
        "touching-a-lamp",
        "after-a-power-cut",
    }


def test_the_readme_and_the_manual_have_every_caution() -> None:
    body = marked(README, "cautions")
    assert marked(PAGES["cautions"], "cautions") == body
    written = re.findall(r"\*\*(.+?)\.\*\*", body)
    everything = rig_of(*(one | {"name": f"h{i}"} for i, (_, one, _) in enumerate(GIVES_CAUSE)))
    assert written == [caution.title for caution in cautions_of(everything)]


@pytest.fixture
def heard(caplog: pytest.LogCaptureFixture) -> Any:
    caplog.set_level(logging.INFO, "fillside.daemon.first_start")

    def start_of(rig: Rig, folder: Path) -> str:
        caplog.clear()
        with Store.open(folder) as store:
            show_cautions(rig, store)
        return "\n".join(line for record in caplog.records for line in (record.getMessage(), *record.below))

    return start_of


def test_cautions_are_shown_at_the_first_start_and_not_again(heard: Any, tmp_path: Path) -> None:
    rig = rig_of()
    first = heard(rig, tmp_path)
    assert first.startswith("mind with the lamps of loft")
    assert all(" ".join(text.split()) in " ".join(first.split()) for text in caution_texts(rig))
    assert heard(rig, tmp_path) == ""
    assert heard(rig_of(name="attic"), tmp_path).startswith("mind with the lamps of attic")
    assert heard(rig, tmp_path / "elsewhere") == first


def test_what_joins_the_rig_brings_its_own_cautions_alone(heard: Any, tmp_path: Path) -> None:
    heard(rig_of(), tmp_path)
    more = heard(rig_of(head(), head("fill", modifier=SOFTBOX)), tmp_path)
    assert "what is new in loft" in more
    assert "Heat in closed modifiers (fill)" in more
    assert "Stands" not in more.replace("Stands and people", "")
    again = heard(rig_of(head(modifier=SOFTBOX), head("fill", modifier=SOFTBOX)), tmp_path)
    assert "Heat in closed modifiers (key, fill)" in again
    assert heard(rig_of(head(modifier=SOFTBOX)), tmp_path) == ""


def test_a_rehearsal_does_not_count_for_the_lamps_that_follow(heard: Any, tmp_path: Path) -> None:
    assert "Electrical load" in heard(rig_of(stage={"kind": "sim"}), tmp_path)
    assert "Electrical load" in heard(rig_of(), tmp_path)
    assert heard(rig_of(stage={"kind": "sim"}), tmp_path) == ""


def test_a_folder_that_keeps_nothing_shows_them_all_the_same(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "fillside.daemon.first_start")
    with Store.in_memory() as store:
        show_cautions(rig_of(), store)
        assert "Electrical load" in str(vars(caplog.records[-1])["below"])
