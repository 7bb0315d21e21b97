"""Contract: every order reads as it is written, and what is no order is refused in one line."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contract.hold_studio import Studio, studio
from fillside.hold.machine.transitions import TRANSITIONS
from fillside.orders.answers import Refusal
from fillside.orders.light import Identify, SubjectReport, Undo
from fillside.orders.parsing import parse_order
from fillside.orders.registry import ORDERS

OBEYED: list[tuple[dict[str, Any], dict[str, Any]]] = [
    ({"do": "trim", "role": "fill", "by": -1}, {"by": -1.0}),
    ({"do": "trim", "role": "fill", "by": "-1/3"}, {"by": pytest.approx(-1 / 3)}),
    ({"do": "trim", "role": "fill", "to": 0}, {"to": 0.0}),
    ({"do": "trim", "role": "fill", "to": "+2/3"}, {"to": pytest.approx(2 / 3)}),
    ({"do": "trim", "role": "hair", "to": "out"}, {"to": "out"}),
    ({"do": "balance", "ratio": "3:1"}, {"ratio": "3:1"}),
    ({"do": "balance", "ratio": 3}, {"ratio": 3.0}),
    ({"do": "balance", "relative": {"hair": "-1/2"}}, {"relative": {"hair": -0.5}}),
    ({"do": "balance", "protect": "exposure"}, {"protect": "exposure"}),
    ({"do": "expose", "by": 0.333}, {"by": 0.333}),
    ({"do": "expose", "to": 500}, {"to": 500.0}),
    ({"do": "expose", "to": "camera"}, {"to": "camera"}),
    ({"do": "camera", "aperture": 2.8}, {"aperture": 2.8}),
    ({"do": "camera", "iso": 800, "shutter": "1/50", "nd_stops": "1/3"}, {"nd_stops": pytest.approx(1 / 3)}),
    ({"do": "move", "to": [0.6, 0.3, 1.25]}, {"to": (0.6, 0.3, 1.25)}),
    ({"do": "move", "mark": "desk"}, {"mark": "desk"}),
    ({"do": "subject", "to": [0, 0, 1]}, {"to": (0.0, 0.0, 1.0)}),
    ({"do": "only", "head": "key", "level": 0.5}, {"head": "key", "level": 0.5}),
    ({"do": "only", "head": "key"}, {"level": None}),
    *(({"do": word}, {}) for word in ("follow", "freeze", "dark", "keep", "undo", "all")),
]

REFUSED: list[tuple[Any, str, str]] = [
    (None, "bad_order", ""),
    ([], "bad_order", ""),
    ("follow", "bad_order", ""),
    ({}, "bad_order", "do"),
    ({"do": None}, "bad_order", "do"),
    ({"do": 3}, "bad_order", "do"),
    ({"do": "trimm"}, "bad_order", "do"),
    ({"do": "follow", "now": True}, "bad_order", "now"),
    ({"do": "trim", "role": "fill"}, "bad_order", "by"),
    ({"do": "trim", "role": "fill", "by": 1, "to": 0}, "bad_order", "by"),
    ({"do": "trim", "by": 1}, "bad_order", "role"),
    ({"do": "trim", "role": "fill", "by": "much"}, "bad_order", "by"),
    ({"do": "trim", "role": "fill", "to": "much"}, "bad_order", "to"),
    ({"do": "trim", "role": "fill", "by": True}, "bad_order", "by"),
    ({"do": "trim", "role": "fill", "by": "1/0"}, "bad_order", "by"),
    ({"do": "trim", "role": "fill", "by": math.nan}, "out_of_range", "by"),
    ({"do": "trim", "role": "fill", "by": math.inf}, "out_of_range", "by"),
    ({"do": "trim", "role": "fill", "by": 13}, "out_of_range", "by"),
    ({"do": "trim", "role": "fill", "to": 6.5}, "out_of_range", "to"),
    ({"do": "trim", "role": "fill", "to": "7"}, "out_of_range", "to"),
    ({"do": "balance"}, "bad_order", "ratio"),
    ({"do": "balance", "read_as": "face"}, "bad_order", "ratio"),
    ({"do": "balance", "ratio": [2, 1]}, "bad_order", "ratio"),
    ({"do": "balance", "relative": {"hair": 99}}, "out_of_range", "relative.hair"),
    ({"do": "expose"}, "bad_order", "by"),
    ({"do": "expose", "to": 0}, "out_of_range", "to"),
    ({"do": "camera"}, "bad_order", "aperture"),
    ({"do": "camera", "aperture": 0}, "out_of_range", "aperture"),
    ({"do": "camera", "shutter": "1/50", "shutter_angle": 180}, "bad_order", "shutter_angle"),
    ({"do": "move"}, "bad_order", "to"),
    ({"do": "move", "to": [0, 0]}, "bad_order", "to"),
    ({"do": "move", "to": [0, 0, 1, 0]}, "bad_order", "to"),
    ({"do": "move", "to": [0, 0, math.nan]}, "out_of_range", "to[3]"),
    ({"do": "move", "to": [0, 0, "x"]}, "bad_order", "to[3]"),
    ({"do": "move", "to": [0, 0, 1], "mark": "desk"}, "bad_order", "to"),
    ({"do": "only"}, "bad_order", "head"),
    ({"do": "only", "head": "key", "level": 1.5}, "out_of_range", "level"),
]


@pytest.mark.parametrize(("said", "meant"), OBEYED)
def test_an_order_means_what_it_says(said: dict[str, Any], meant: dict[str, Any]) -> None:
    order = parse_order(said)
    assert order.do == said["do"]
    for name, value in meant.items():
        assert getattr(order, name) == value


@pytest.mark.parametrize(("said", "code", "where"), REFUSED)
def test_what_is_no_order_is_refused_in_one_line(said: Any, code: str, where: str) -> None:
    with pytest.raises(Refusal) as refusal:
        parse_order(said)
    assert (refusal.value.code, refusal.value.where) == (code, where)
    assert refusal.value.message.isprintable()


def test_a_misspelt_order_is_told_the_nearest() -> None:
    with pytest.raises(Refusal, match='"freeze"'):
        parse_order({"do": "freze"})
    with pytest.raises(Refusal, match='"role"'):
        parse_order({"do": "trim", "rolle": "fill", "by": 1})


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
fields = ["do", "role", "by", "to", "mark", "head", "level", "ratio", "relative", "aperture", "shutter"]
nearly_orders = st.builds(
    lambda word, rest: {**rest, "do": word},
    st.sampled_from(sorted(ORDERS)) | anything,
    st.dictionaries(st.sampled_from(fields), anything, max_size=4),
)


@settings(max_examples=300, deadline=None)
@given(anything | nearly_orders)
def test_garbage_is_an_order_or_a_refusal_and_nothing_else(said: Any) -> None:
    refused: Refusal | None = None
    try:
        order = parse_order(said)
    except Refusal as refusal:
        refused = refusal
    if refused is None:
        assert order.do == said["do"]
    else:
        assert refused.code in ("bad_order", "out_of_range")
        assert refused.message.isprintable()


def test_every_order_is_read_and_carried_out() -> None:
    light = {kind.model for kind in ORDERS.values() if not kind.is_metering}
    assert set(TRANSITIONS) == light - {SubjectReport, Undo, Identify}


@pytest.mark.parametrize("said", [said for said, _ in OBEYED], ids=str)
def test_an_order_changes_what_its_row_of_the_table_names_and_nothing_else(said: dict[str, Any]) -> None:
    row = TRANSITIONS.get(type(parse_order(said)))
    if row is None:
        assert said["do"] in ("subject", "undo")
        return
    up = Studio(studio())
    up.do("trim", role="fill", by=-1)
    if said["do"] == "all":
        up.do("only", head="key")
    up.settle()
    before = up.hold.history.numbered
    up.do(said)
    changed = {name for n, one in up.hold.history.numbered.items() if n not in before for name in one.before}
    assert changed <= row.fields
    assert changed or said["do"] == "follow"
    assert up.state["mode"] == (row.mode or "follow")
