"""The order of the tests, so that several at a time keep the cores busy: rooms that compute lie beside rooms
that wait for a browser, a broker or a wire."""

from __future__ import annotations

import gc
from collections.abc import Generator
from itertools import groupby

import pytest
from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
"""No test fails on the time it takes: four run at a time, on machines that others use too."""

HANDS = 4
"""As many as run at a time; each begins with a share of the tests that lie together."""
LONG = ("test_browser_meter.py", "test_reload.py", "test_metering.py", "test_mqtt_studio.py")
"""Modules with tests of up to a minute: one of those that began last would run alone."""


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Leave what is collected out of every later search for garbage: six thousand tests, and all they import.

    Garbage of the collection itself is still found, and what it leaves open still told.
    """
    gc.disable()
    try:
        collected = yield
    finally:
        gc.enable()
    gc.collect()
    gc.freeze()
    return collected


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Deal the modules like cards, a long one to each hand first; each hand is begun at another place.

    Tests of a module stay together.
    """
    modules = [list(own) for _, own in groupby(items, key=lambda item: item.path)]
    long = [own for own in modules if own[0].path.name in LONG]
    modules = [own for own in modules if own not in long]
    hands = [modules[i::HANDS] for i in range(HANDS)]
    begun = [i * len(hand) // HANDS for i, hand in enumerate(hands)]
    dealt = [
        [*long[n::HANDS], *hand[i:], *hand[:i]] for n, (hand, i) in enumerate(zip(hands, begun, strict=True))
    ]
    items[:] = [item for hand in dealt for own in hand for item in own]
