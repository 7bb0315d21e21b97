"""Every kind of wild input there is."""

from __future__ import annotations

from dataclasses import dataclass

from protocol.wild.http import requests
from protocol.wild.lamps import eulumdat, gdtf, lm63
from protocol.wild.mqtt import messages
from protocol.wild.osc import packets
from protocol.wild.rigs import rigs
from protocol.wild.sacn import datagrams
from protocol.wild.tables import sheets
from protocol.wild.trial import Open
from protocol.wild.wires import wires


@dataclass(frozen=True)
class Entry:
    """A kind, its share of all inputs, and how many of them one fresh studio gets."""

    open: Open
    share: int
    at_once: int = 5000


KINDS = {
    "http": Entry(requests, 60),
    "osc": Entry(packets, 60),
    "mqtt": Entry(messages, 60),
    "sacn": Entry(datagrams, 80, 10_000),
    "rig": Entry(rigs, 45, 2500),
    "csv": Entry(sheets, 55),
    "gdtf": Entry(gdtf, 40, 2500),
    "lm63": Entry(lm63, 45, 10_000),
    "eulumdat": Entry(eulumdat, 45, 10_000),
    "wires": Entry(wires, 10, 2500),
}
"""Shares are thousands of the half million."""
