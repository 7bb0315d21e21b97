"""Contract: a stored row is as its table says in every column, or is refused with the name of that column."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from fillside.storage.rows import LAST_UNIX_S, LONGEST_TEXT, MOST_ID, TABLES, BadRowError

CALIBRATION = json.loads((Path(__file__).parent / "earlier_calibration.json").read_text())["calibration"]
LIGHT = json.dumps({"heads": [{"head": "key"}], "target": {}, "achieved": {}, "face": {}})
HEADS = json.dumps({"key": {"position": [0, 1, 2], "intensity_cd": 900, "lamp": "led", "modifier": "bare"}})
RIGHT: dict[str, tuple[Any, ...]] = {
    "remembered": (1, 1e9, '{"mode": "freeze"}'),
    "undoable": (4, '{"do": "dark"}'),
    "journal": (4, 1e9, "anna", "http", "", '{"do": "dark"}', "ok", "", 3, 1e9 + 2),
    "identity": ("uuid", "abc"),
    "reading": (4, 1e9, "anna", "light", '{"value": 640}', "slipped"),
    "calibration": (4, 1e9, "{}", "[1, 2]", json.dumps(CALIBRATION), 1, "[[1, 2]]"),
    "metering": (1, 4, "{}", 0, HEADS),
    "removal": ("reading", 0),
    "take": (4, 1e9, 1e9 + 60, LIGHT, LIGHT, "{}", "{}", "{}"),
}
NO_NUMBER = (0, -1, MOST_ID + 1, 1.0, True, "1", None)
NO_COUNT = (-1, MOST_ID + 1, 0.0, False, "0", None)
NO_TIME = (-1.0, LAST_UNIX_S + 1, math.nan, math.inf, True, "now")
NO_TEXT = (b"\xff", 7, "x" * (LONGEST_TEXT + 1))
NO_OBJECT = ("", "{", "[]", "7", "null", b"{}", '{"a": NaN}')
NO_LIGHT = (
    *NO_OBJECT,
    "{}",
    '{"heads": {}}',
    '{"heads": [1]}',
    *(json.dumps({"heads": [], part: [1]}) for part in ("target", "achieved", "face")),
)
WRONG: dict[str, dict[str, tuple[Any, ...]]] = {
    "remembered": {"id": (2, None), "saved_at": (*NO_TIME, None), "body": NO_OBJECT},
    "undoable": {"id": NO_NUMBER, "body": NO_OBJECT},
    "journal": {
        "id": NO_NUMBER,
        "at": (*NO_TIME, None),
        "who": (*NO_TEXT, None),
        "door": (*NO_TEXT, None),
        "address": (*NO_TEXT, None),
        "said": ("", "{", b"{}", None),
        "outcome": (*NO_TEXT, None),
        "note": (*NO_TEXT, None),
        "times": NO_NUMBER,
        "last_at": NO_TIME,
    },
    "identity": {"name": (*NO_TEXT, None), "value": (*NO_TEXT, None)},
    "reading": {
        "id": NO_NUMBER,
        "at": (*NO_TIME, None),
        "who": (*NO_TEXT, None),
        "purpose": (*NO_TEXT, None),
        "body": NO_OBJECT,
        "struck": NO_TEXT,
    },
    "calibration": {
        "id": NO_NUMBER,
        "at": (*NO_TIME, None),
        "meter": NO_OBJECT,
        "readings": ("", "{}", "[0]", '["1"]', "1"),
        "body": (*NO_OBJECT, '{"heads": 7}'),
        "chosen": (2, None, "1"),
        "spans": ("", "{}", "[1]", "[[1]]", "[[-1, 2]]", "[[1, -2]]"),
    },
    "metering": {
        "id": (2, None),
        "calibration": tuple(one for one in NO_NUMBER if one is not None),
        "routine": NO_OBJECT,
        "weighed": NO_COUNT,
        "heads": (*NO_OBJECT, '{"key": {}}', '{"key": {"position": [0, 1], "intensity_cd": 900}}'),
    },
    "removal": {"name": (*NO_TEXT, None), "rows": NO_COUNT},
    "take": {
        "id": NO_NUMBER,
        "began": (*NO_TIME, None),
        "ended": NO_TIME,
        "first": NO_LIGHT,
        "last": NO_LIGHT,
        "belief": NO_OBJECT,
        "geometry": NO_OBJECT,
        "camera": NO_OBJECT,
    },
}


@pytest.mark.parametrize("name", TABLES)
def test_each_column_is_looked_at_and_named(name: str) -> None:
    table, right = TABLES[name], RIGHT[name]
    table.check(right)
    assert tuple(WRONG[name]) == table.columns
    for place, (column, values) in enumerate(WRONG[name].items()):
        for value in values:
            with pytest.raises(BadRowError, match=rf"^{column}\b"):
                table.check((*right[:place], value, *right[place + 1 :]))


@pytest.mark.parametrize("name", TABLES)
def test_a_right_row_is_read_as_what_was_stored(name: str) -> None:
    """Numbers, times and text as they are, and JSON as what it says."""
    for stored, read in zip(RIGHT[name], TABLES[name].check(RIGHT[name]), strict=True):
        if isinstance(stored, str) and not isinstance(read, str):
            assert json.loads(stored) == json.loads(json.dumps(read))
        else:
            assert read == stored


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        ("journal", ("last_at",)),
        ("reading", ("struck",)),
        ("metering", ("calibration", "routine", "heads")),
        ("take", ("ended", "last", "belief", "geometry", "camera")),
    ],
)
def test_what_may_be_missing_is_read_as_missing(name: str, columns: tuple[str, ...]) -> None:
    table = TABLES[name]
    row = tuple(
        None if column in columns else value for column, value in zip(table.columns, RIGHT[name], strict=True)
    )
    found = dict(zip(table.columns, table.check(row), strict=True))
    assert {column for column, value in found.items() if value is None} == set(columns)


def test_the_ends_of_what_is_allowed_are_allowed() -> None:
    check = TABLES["journal"].check
    for number, at in ((1, 0.0), (MOST_ID, LAST_UNIX_S)):
        assert check((number, at, *RIGHT["journal"][2:]))[:2] == (number, at)
    assert check((*RIGHT["journal"][:7], "x" * LONGEST_TEXT, *RIGHT["journal"][8:]))[7] == "x" * LONGEST_TEXT
