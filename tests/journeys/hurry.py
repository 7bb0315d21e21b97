"""Light that comes up at once where a test is not about how it comes up; that is tested where it is."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

from fillside.hold.machine.aim import Aim

AT_ONCE_STOPS_S = 100.0


@contextmanager
def hurried() -> Iterator[None]:
    """Orders fade a hundred stops a second in here, which no rig file may ask for."""
    with mock.patch.object(Aim, "order_speed", AT_ONCE_STOPS_S):
        yield
