"""Contract: light stays with its wire when a rig file is changed; lamps nothing lights any more are named."""

from __future__ import annotations

import itertools
import re

import pytest

from contract.hold_studio import most_turns_in_a_second
from contract.meter_studio import RIG as STUDIO
from contract.meter_studio import head_table, settle
from fillside.hold.machine.hold import Hold
from fillside.hold.memory.carry_over import continuing_heads, leaving_heads
from fillside.orders.parsing import parse_order
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside_drivers.registry import kinds

RIG = STUDIO.partition("[ambient]")[0]
KEY = head_table(
    "key", "key", (1.1, -1.0, 1.9), 'drive = { driver = "stage", universe = 1, slot = 1, bits = 16 }'
)
FILL = head_table(
    "fill", "fill", (-1.3, -1.2, 1.6), 'drive = { driver = "stage", universe = 1, slot = 9, bits = 16 }'
)
STAGE = '[drivers.stage]\nkind = "sacn"\nto = ["127.0.0.1"]\n'
BEFORE = RIG + KEY + FILL + STAGE
SAME = {"key": "key", "fill": "fill"}


def read(text: str) -> Rig:
    return load_rig_text(text, kinds=kinds())


@pytest.mark.parametrize(
    ("text", "gone", "over"),
    [
        (BEFORE, (), SAME),
        (RIG + FILL + KEY + STAGE, (), SAME),
        (RIG + KEY + STAGE, ("fill",), {"key": "key"}),
        (BEFORE.replace("slot = 9", "slot = 21"), ("fill",), {"key": "key"}),
        (BEFORE.replace('"fill"\nrole', '"window"\nrole'), (), {"key": "key", "window": "fill"}),
        (BEFORE.replace("slot = 9, bits = 16", "slot = 9"), (), SAME),
        (
            BEFORE.replace("slot = 1,", "slot = 5,")
            .replace("slot = 9,", "slot = 1,")
            .replace("slot = 5,", "slot = 9,"),
            (),
            {"key": "fill", "fill": "key"},
        ),
        (BEFORE.replace('"stage"', '"wall"').replace("drivers.stage", "drivers.wall"), (), SAME),
        (BEFORE.replace('kind = "sacn"\nto = ["127.0.0.1"]', 'kind = "sim"'), (), SAME),
        (
            BEFORE.replace(
                'drive = { driver = "stage", universe = 1, slot = 9, bits = 16 }',
                'dimming = { curve = "fixed" }',
            ),
            ("fill",),
            {"key": "key"},
        ),
    ],
    ids=["same", "order", "gone", "slots", "name", "bits", "swapped", "driver", "kind", "fixed"],
)
def test_who_leaves_and_who_goes_on(text: str, gone: tuple[str, ...], over: dict[str, str]) -> None:
    assert leaving_heads(read(BEFORE), read(text)) == gone
    assert continuing_heads(read(BEFORE), read(text)) == over


def test_swapped_lamps_fade_each_from_the_light_it_has() -> None:
    hold = Hold(read(BEFORE))
    now = settle(hold)
    key, fill = hold.codes
    assert key != fill
    swapped = (
        BEFORE.replace("slot = 1,", "slot = 5,")
        .replace("slot = 9,", "slot = 1,")
        .replace("slot = 5,", "slot = 9,")
    )
    new = hold.replaced(read(swapped), None, None, now)
    assert new.codes == (fill, key)
    settle(new, now)
    assert new.codes == (key, fill)


def test_what_is_kept_of_a_head_is_kept_under_its_new_name() -> None:
    hold = Hold(read(BEFORE))
    now = settle(hold)
    hold.order(parse_order({"do": "freeze"}), now)
    hold.order(parse_order({"do": "trim", "role": "fill", "by": -1}), now)
    now = settle(hold, now)
    new = hold.replaced(read(BEFORE.replace('"fill"\nrole', '"window"\nrole')), None, None, now)
    now = settle(new, now)
    assert new.codes == hold.codes
    new.order(parse_order({"do": "trim", "role": "fill", "to": 0}), now)
    hold.order(parse_order({"do": "trim", "role": "fill", "to": 0}), now)
    settle(new, now)
    settle(hold, now)
    assert new.codes == hold.codes


HAIR = head_table(
    "hair", "hair", (0.4, 1.3, 2.3), 'drive = { driver = "stage", universe = 1, slot = 5, bits = 16 }'
)
FAST = re.sub("order_speed = .*", "order_speed = 6.0", RIG)


@pytest.mark.parametrize("other", [KEY + HAIR + FILL, FILL + KEY, KEY + FILL])
def test_turns_are_counted_on_over_a_changed_file(other: str) -> None:
    files = itertools.cycle([read(FAST + other + STAGE), read(FAST + KEY + FILL + STAGE)])
    hold = Hold(next(files))
    now = settle(hold)
    times, outputs = [now], [light_of_key(hold)]
    for k in range(60):
        hold.order(parse_order({"do": "trim", "role": "key", "to": -0.5 if k % 2 == 0 else 0}), now)
        for _ in range(6):
            now += 1 / 44
            hold.tick(now)
            times.append(now)
            outputs.append(light_of_key(hold))
        if k % 3 == 0:
            hold = hold.replaced(next(files), None, None, now)
    assert most_turns_in_a_second(times, outputs) == 3


def light_of_key(hold: Hold) -> float:
    key = hold.scene.index("key")
    return hold.codes[key] / 65535
