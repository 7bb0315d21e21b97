"""Contract: every order stands once in the registry, and whatever names orders names those."""

from __future__ import annotations

import subprocess
import sys

import pytest

from fillside.access.permissions import MAY
from fillside.doors.listener import POSITION_REPORT
from fillside.hold.machine.changes import CHANGES
from fillside.metering import orders as metering_orders
from fillside.orders import light, metering
from fillside.orders.light import Identify, SubjectReport, Undo
from fillside.orders.registry import METERS, OPERATORS, ORDERS, OrderKind

KINDS = pytest.mark.parametrize("kind", ORDERS.values(), ids=lambda kind: kind.word)


def test_every_model_is_in_it_and_every_entry_has_a_model() -> None:
    assert set(ORDERS) == {*light.MODELS, *metering.MODELS}
    assert not light.MODELS.keys() & metering.MODELS.keys()


@KINDS
def test_an_order_is_described_in_the_words_of_its_entry(kind: OrderKind) -> None:
    assert (kind.model.__doc__ or "").partition("\n")[0] == kind.help
    assert kind.help.endswith((".", "?"))
    assert kind.rights in (OPERATORS, METERS)
    assert kind.rights <= set(MAY)


@KINDS
def test_an_order_is_carried_out(kind: OrderKind) -> None:
    if kind.is_metering:
        assert kind.model.__name__ in vars(metering_orders), "metering.orders does not know it"
    else:
        assert kind.model in {*CHANGES, SubjectReport, Undo, Identify}


def test_a_position_report_is_a_report() -> None:
    assert ORDERS[POSITION_REPORT].is_report
    assert ORDERS[POSITION_REPORT].model is SubjectReport


def test_the_command_line_lists_orders_without_waiting_for_their_models() -> None:
    """The models take most of a second to import on a small machine."""
    code = "import sys, fillside.orders.registry; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
