"""What is odd about a photometric file, as far as a rig that uses it is concerned."""

from __future__ import annotations

import math
from collections.abc import Iterator

from fillside.rig.tables.head import Head
from fillside.rig.tables.lamp import LampTable

UNEVEN_FROM_STOPS = 0.25
BEHIND_FROM = 0.05
"""Share of a file's light that leaves behind the lit face before that is said."""
FLUX_WITHIN = 0.05
"""How far the sum over a file's zones may be from the lumens it states: table steps of 5 degrees and rounded
figures make some per cent (common practice, no source)."""


def lamp_table_warnings(head: Head) -> Iterator[tuple[str, str]]:
    """Dotted key and sentence of everything odd about the head's photometric file, if it has one."""
    table = head.table
    if table is None:
        return
    part = "modifier" if head.modifier.photometry is not None else "lamp"
    key = f"heads.{head.name}.{part}.photometry"
    for says in (*_shape(table), *_lumens(table, head)):
        yield key, f"{table.file}: {says}" if table.file else says


def _shape(table: LampTable) -> Iterator[str]:
    if table.uneven_stops is not None and table.uneven_stops > UNEVEN_FROM_STOPS:
        yield (
            f"the light differs by up to {table.uneven_stops:.1f} stop round the axis; it is taken as the "
            "same all round, at its mean, however the head is turned"
        )
    behind = table.flux_lm(90.0) / max(table.flux_lm(), 1e-300)
    if behind > BEHIND_FROM:
        yield (
            f"{100 * behind:.0f} % of the light leaves backward; nothing behind the lit face is counted "
            "(say with bounce what the room sends back)"
        )


def _lumens(table: LampTable, head: Head) -> Iterator[str]:
    flux = table.flux_lm()
    if table.said_lumens is not None and abs(flux / table.said_lumens - 1) > FLUX_WITHIN:
        yield f"its intensities add up to {flux:.0f} lm, but it states {table.said_lumens:.0f} lm"
    elif table.lamp_lumens is not None and flux > table.lamp_lumens * (1 + FLUX_WITHIN):
        yield (
            f"its intensities add up to {flux:.0f} lm, more than the {table.lamp_lumens:.0f} lm of its lamps"
        )
    lumens = None if head.lamp is None else head.lamp.lumens
    if lumens is not None and table.lamp_lumens is None:
        off = abs(math.log2(flux / lumens))
        says = "absolute intensities are used as they are, and lamp.lumens is not"
        yield f"{says}; they differ by {off:.1f} stop" if off >= 0.05 else says
