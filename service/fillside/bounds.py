"""Retention bounds of everything that grows, with reasons; nothing is bounded elsewhere.

A bound limits rows, octets and days; the first limit reached removes a row. Data in use is never removed:
the calibration in use, the readings of kept calibrations, a take in progress, and the newest row of each
table, so that no number is given twice. `storage.thinning` applies the bounds to the database.
"""

from __future__ import annotations

from dataclasses import dataclass

MB = 10**6
YEAR = 365


@dataclass(frozen=True)
class Bound:
    """Limits for one kind of data: rows or files, octets in total, and days; None for no limit."""

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
TAKES = Bound("takes", 20_000, 64 * MB, 2 * YEAR, "a year of thirty takes a day, and a half more")
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
"""Number of newest calibrations that always stay, to return to, however many are made in a day."""
NEWEST_READINGS = 1_000
"""Number of newest readings that always stay, because some may not be fitted yet."""
NEWEST_CHECKS = 200
"""Number of newest readings for drift that always stay."""
LONGEST_ORDER = 2_000
"""Most characters of an order's JSON in a journal row; a longer one is kept as an excerpt."""
ORDER_EXCERPT = 900
"""Characters of that excerpt; quoting it once more may double its size."""
LONGEST_NOTE = 500
"""Most characters of a note."""
