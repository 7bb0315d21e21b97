"""How much is kept of everything that grows, and why: one table, and nothing is bounded elsewhere.

A bound counts rows, octets and days; whatever is reached first ends a row. What is in use never goes,
whatever the table says: the calibration in use, the readings that kept ones stand on, a take under way, and
the newest row of each table, so that no number is given twice. `storage.thinning` sees to the database.
"""

from __future__ import annotations

from dataclasses import dataclass

MB = 10**6
YEAR = 365


@dataclass(frozen=True)
class Bound:
    """How many rows or pieces of what, octets in all and days are kept at most; None where that is not
    counted."""

    what: str
    rows: int | None
    octets: int | None
    days: int | None
    why: str


MOST_UNDO, MOST_TOKENS, MOST_ONE_TIME_TOKENS, LOG_LINE_BURST = 100, 200, 20, 20
MOST_DAMAGED, DAMAGED_OCTETS, LARGEST_WAL_OCTETS = 3, 256 * MB, 4 * MB

ORDERS = Bound(
    "journal: orders that were obeyed",
    200_000,
    64 * MB,
    2 * YEAR,
    "a year of twenty orders an hour; reports and refusals do not push them out",
)
REPORTS = Bound(
    "journal: positions and sensors",
    100_000,
    24 * MB,
    30,
    "where a tracker saw the subject in the last day, one a second",
)
REFUSALS = Bound(
    "journal: orders that were refused",
    50_000,
    24 * MB,
    90,
    "who was refused and why, one a minute of a kind",
)
TAKES = Bound("takes", 20_000, 48 * MB, 2 * YEAR, "a year of thirty takes a day, and a half more")
READINGS = Bound(
    "readings",
    20_000,
    16 * MB,
    5 * YEAR,
    "those that a kept calibration stands on stay; struck ones go first",
)
CALIBRATIONS = Bound(
    "calibrations",
    1_000,
    32 * MB,
    5 * YEAR,
    "the newest 30, each day's last, and what a person imported or went back to",
)
UNDO = Bound("orders that `undo` takes back", MOST_UNDO, None, None, "nobody takes back more")
WRITE_AHEAD_LOG = Bound(
    "SQLite's log beside the database", 1, LARGEST_WAL_OCTETS, None, "shortened once it has been taken over"
)
DAMAGED = Bound(
    "damaged databases",
    MOST_DAMAGED,
    DAMAGED_OCTETS,
    None,
    "the newest stays, however large; older ones within this",
)
TOKENS = Bound("tokens", MOST_TOKENS, None, None, "none goes by itself; a further one is refused")
ONE_TIME_TOKENS = Bound(
    "tokens for once", MOST_ONE_TIME_TOKENS, None, None, "good for ten minutes; a further one is refused"
)
LOG_LINES = Bound(
    "lines of the log",
    LOG_LINE_BURST,
    None,
    None,
    "of a kind at once, of what visitors can bring about 1; then one a minute, with how many were left out",
)

BOUNDS = (
    ORDERS,
    REPORTS,
    REFUSALS,
    TAKES,
    READINGS,
    CALIBRATIONS,
    UNDO,
    WRITE_AHEAD_LOG,
    DAMAGED,
    TOKENS,
    ONE_TIME_TOKENS,
    LOG_LINES,
)

NEWEST_CALIBRATIONS = 30
"""However many calibrations a day has, so many of the newest stay to go back to."""
NEWEST_READINGS = 1_000
"""So many of the newest readings stay whatever they are for: some may not be weighed yet."""
NEWEST_CHECKS = 200
"""And so many of the newest that tell of drift."""
LONGEST_ORDER = 2_000
"""A journal row has no more of an order's JSON [characters]; of a longer one its beginning."""
ORDER_EXCERPT = 900
"""So much of it [characters]; quoted once more it may take twice the room."""
LONGEST_NOTE = 500
