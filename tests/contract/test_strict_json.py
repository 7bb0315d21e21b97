"""Contract: what a body may be. RFC 8259: UTF-8 (8.1), no NaN or Infinity (6); names should be unique (4)."""

from __future__ import annotations

import pytest

from fillside.orders.answers import Refusal
from fillside.orders.strict_json import strict_loads
from fillside.rig.problems import LONGEST_LINE


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"\xff\xfe{}", "UTF-8"),
        (b'{"to": NaN}', "NaN"),
        (b'{"to": -Infinity}', "Infinity"),
        (b'{"by": 1e999}', "too large"),
        (b'{"by": 1' + b"0" * 5000 + b"}", "too large"),
        (b'{"do": "follow", "do": "dark"}', "twice"),
        (b'{"do": "\\ud800"}', "UTF-8"),
        (b"[" * 100_000, "nested"),
        (b'{"do": "follow"} {}', "not JSON"),
    ],
)
def test_what_is_not_json_is_refused_in_one_line(body: bytes, says: str) -> None:
    with pytest.raises(Refusal, match=says) as refused:
        strict_loads(body)
    assert refused.value.code == "bad_order"
    assert "\n" not in refused.value.message


def test_a_refusal_that_quotes_at_length_keeps_its_place_and_what_would_be_right() -> None:
    refusal = Refusal("bad_order", f"level: {'1' * 5000} is no level: 0 to 1", " ")
    assert len(refusal.message) == LONGEST_LINE
    assert refusal.message.startswith("level: 111")
    assert refusal.message.endswith("is no level: 0 to 1")
    assert refusal.where == '" "'
