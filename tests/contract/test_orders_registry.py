"""Contract: every order stands once in the registry, and whatever names orders names those."""

from __future__ import annotations

import subprocess
import sys

import pytest

from fillside.access.permissions import RIGHTS
from fillside.doors.listener import POSITION_REPORT
from fillside.doors.mqtt.homie import NO_MARK, HomieRig, Property
from fillside.doors.osc.addresses import ADDRESSES
from fillside.hold.machine.changes import CHANGES
from fillside.metering import orders as metering_orders
from fillside.orders import light, metering
from fillside.orders.key_phrases import MOMENT_WORDS, PHRASES
from fillside.orders.light import Identify, SubjectReport, Undo
from fillside.orders.model import LightOrder
from fillside.orders.parsing import parse_order
from fillside.orders.registry import METERS, OPERATORS, ORDERS, OrderKind
from protocol.studio import rig

SETTABLE = [each for each in HomieRig(rig()).properties.values() if each.order is not None]
KINDS = pytest.mark.parametrize("kind", ORDERS.values(), ids=lambda kind: kind.word)


def test_every_model_is_in_it_and_every_entry_has_a_model() -> None:
    assert set(ORDERS) == {*light.MODELS, *metering.MODELS}
    assert not light.MODELS.keys() & metering.MODELS.keys()


@KINDS
def test_an_order_is_described_in_the_words_of_its_entry(kind: OrderKind) -> None:
    assert (kind.model.__doc__ or "").partition("\n")[0] == kind.help
    assert kind.help.endswith((".", "?"))
    assert kind.rights in (OPERATORS, METERS)
    assert kind.rights <= set(RIGHTS)


@KINDS
def test_an_order_is_carried_out(kind: OrderKind) -> None:
    if kind.is_metering:
        assert kind.model.__name__ in vars(metering_orders), "metering.orders does not know it"
    else:
        assert kind.model in {*CHANGES, SubjectReport, Undo, Identify}


def test_a_position_report_is_a_report() -> None:
    assert ORDERS[POSITION_REPORT].is_report
    assert ORDERS[POSITION_REPORT].model is SubjectReport


def test_every_phrase_of_a_key_is_an_order_to_the_hold_or_a_word_of_the_moment() -> None:
    orders = PHRASES.keys() - MOMENT_WORDS.keys()
    assert orders <= ORDERS.keys()
    assert not [word for word in orders if ORDERS[word].is_metering]


def test_every_osc_address_has_a_help_line_of_its_own_or_that_of_its_order() -> None:
    for address in ADDRESSES:
        assert address.word in ORDERS or address.own_help, address.path
        assert address.own_help != getattr(ORDERS.get(address.word), "brief", None), address.path


@pytest.mark.parametrize("each", SETTABLE, ids=lambda each: each.path)
def test_every_homie_property_that_can_be_set_is_an_order(each: Property) -> None:
    state = {"balance": {"exposure_stops": 0.0, "exposure_lux": 300.0}, "trims": {}}
    values = {"float": [1.0], "boolean": [True, False], "enum": (each.format or "").split(",")}
    for value in values[each.datatype]:
        if value == NO_MARK:
            continue
        assert each.order is not None
        order = parse_order(each.order(value, state))
        assert isinstance(order, LightOrder)
        if each.path == "studio/mode":
            assert ORDERS[order.do].changes_mode


def test_the_command_line_lists_orders_without_waiting_for_their_models() -> None:
    """The models take most of a second to import on a small machine."""
    code = "import sys, fillside.orders.registry; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
