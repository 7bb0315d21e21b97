"""Contract: what presses of keys order: the walk through a programme, what bounces, what is held."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillside.doors.keys.escape_codes import Decoder
from fillside.doors.keys.presses import KeyOutcome, KeyTable, Press, PressHistory, place_of_mark, read_press
from fillside.orders.light import Move
from fillside.orders.parsing import parse_order
from fillside.rig.file.load import RigError, load_keys
from fillside.rig.tables.keys import Keys

PROGRAMME = ("desk", "door", "desk", "window")


class Walk:
    """Presses one after the other, each obeyed at once by a studio that has these marks."""

    def __init__(self, mark: str | None = "desk", mode: str = "follow", **keys: Any) -> None:
        self.table = KeyTable.of(Keys(programme=PROGRAMME, **keys), PROGRAMME)
        self.history, self.mark, self.mode, self.now_s = PressHistory(), mark, mode, 100.0

    def state(self) -> dict[str, Any]:
        return {"mode": self.mode, "subject_seen": {"mark": self.mark}}

    def press(self, key: str, after_s: float = 2.0, held: bool = False) -> KeyOutcome:
        self.now_s += after_s
        self.history, outcome = read_press(self.table, self.history, Press(key, self.now_s, held), self.state)
        if outcome.order is not None:
            self.history = PressHistory(outcome.place, self.history.down_s, self.history.counted_s)
            if isinstance(outcome.order, Move) and self.mark is not None:
                self.mark = outcome.order.mark
            if outcome.order.do in ("follow", "freeze", "dark"):
                self.mode = outcome.order.do
        return outcome

    def marks(self, *keys: str) -> list[str]:
        """Where the presses lead; a press that leads nowhere gives why."""
        found = [self.press(key) for key in keys]
        return [each.order.mark if isinstance(each.order, Move) else each.why_not for each in found]


def test_two_buttons_walk_the_programme_there_and_back() -> None:
    walk = Walk()
    assert walk.marks(*["page_down"] * 3) == ["door", "desk", "window"]
    assert walk.marks("page_down") == ["window is the end of the programme"]
    assert walk.marks(*["page_up"] * 3) == ["desk", "door", "desk"]
    assert walk.marks("page_up") == ["desk is the beginning of the programme"]
    assert walk.marks("page_down") == ["door"]


def test_a_programme_may_go_round() -> None:
    walk = Walk(around=True)
    assert walk.marks(*["page_down"] * 5) == ["door", "desk", "window", "desk", "door"]
    assert walk.marks(*["page_up"] * 2) == ["desk", "window"]


def test_a_walk_that_nobody_can_see_goes_by_its_own_steps() -> None:
    """A tracker sees the subject about a mark, never exactly at it, so the studio names none."""
    walk = Walk(mark=None)
    assert walk.marks(*["page_down"] * 4) == ["desk", "door", "desk", "window"]


def test_a_move_by_another_door_is_where_the_walk_goes_on() -> None:
    walk = Walk()
    assert walk.marks("page_down") == ["door"]
    walk.mark = "window"
    assert walk.marks("page_up") == ["desk"]
    walk.mark = "elsewhere"
    assert walk.marks("page_down") == ["window"]


def test_of_a_mark_that_comes_twice_the_nearer_one_is_meant() -> None:
    assert place_of_mark(PROGRAMME, None, "desk") == 0
    assert place_of_mark(PROGRAMME, 1, "desk") == 2
    assert place_of_mark(PROGRAMME, 3, "desk") == 2
    assert place_of_mark(PROGRAMME, 0, "desk") == 0
    assert place_of_mark(PROGRAMME, 3, None) == 3
    assert place_of_mark(PROGRAMME, None, "elsewhere") is None


def test_first_goes_back_to_the_beginning() -> None:
    walk = Walk(press={"home": "first", "space": "next"})
    assert walk.marks("space", "space", "home", "space") == ["door", "desk", "desk", "door"]


def test_without_a_programme_the_marks_of_the_rig_are_walked() -> None:
    table = KeyTable.of(Keys(), ("chair", "table"))
    assert table.programme == ("chair", "table")
    state = {"mode": "follow", "subject_seen": {"mark": "chair"}}
    _, outcome = read_press(table, PressHistory(), Press("page_down", 0.0), lambda: state)
    assert outcome.order == parse_order({"do": "move", "mark": "table"})


def test_one_button_holds_still_and_lets_go() -> None:
    walk = Walk()
    orders = [walk.press("b").order for _ in range(3)]
    assert [order and order.do for order in orders] == ["freeze", "follow", "freeze"]
    walk.mode = "dark"
    assert walk.press("b").order == parse_order({"do": "follow"})


def test_an_order_is_the_tables() -> None:
    assert Walk().press("plus").order == parse_order({"do": "trim", "role": "fill", "by": "1/3"})
    only = parse_order({"do": "only", "head": "key", "level": 0.5})
    assert Walk(press={"x": "only key 0.5"}).press("x").order == only


def test_a_key_that_is_not_in_the_table_does_nothing() -> None:
    assert Walk().press("q") == KeyOutcome(why_not="q does nothing")
    assert Walk().press("q", held=True) == KeyOutcome()


def test_a_contact_that_bounces_is_one_press() -> None:
    walk = Walk()
    assert walk.press("plus").order
    for after_s in (0.005, 0.011, 0.1):
        assert walk.press("plus", after_s) == KeyOutcome()
    assert walk.press("plus", 0.2).order
    assert walk.press("minus", 0.01).order


def test_a_step_needs_a_pause_and_other_keys_none() -> None:
    walk = Walk()
    assert walk.press("page_down").order
    assert walk.press("page_down", 0.3) == KeyOutcome()
    assert walk.press("page_up", 0.1).order
    assert walk.press("page_down", 0.5).order


@pytest.mark.parametrize(("first_s", "every_s"), [(0.66, 0.04), (0.25, 0.092), (0.5, 0.033)])
def test_a_key_that_is_held_in_a_terminal_steps_once(first_s: float, every_s: float) -> None:
    """Usual delays and rates of repetition: X11 and the Linux console; common practice, no source."""
    walk = Walk()
    assert walk.press("page_down").order
    assert walk.press("page_down", first_s).order is None
    assert all(walk.press("page_down", every_s).order is None for _ in range(100))


def test_a_key_that_is_held_on_a_device_is_one_press() -> None:
    walk = Walk()
    assert walk.press("plus").order
    assert all(walk.press("plus", 0.3, held=True) == KeyOutcome() for _ in range(20))


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["page_down", "page_up", "b", "plus", "q"]), st.floats(0, 3), st.booleans()
        ),
        max_size=30,
    ),
    st.sampled_from(["desk", "door", "elsewhere", None]),
)
def test_whatever_is_pressed_is_an_order_that_can_be_or_nothing(
    presses: list[tuple[str, float, bool]], mark: str | None
) -> None:
    walk = Walk(mark=mark)
    for key, after_s, held in presses:
        outcome = walk.press(key, after_s, held)
        assert outcome.order is None or not outcome.why_not


@pytest.mark.parametrize(
    ("octets", "names"),
    [
        (b"b", ["b"]),
        (b"B", ["b"]),
        (b" +-", ["space", "plus", "minus"]),
        (b"\r", ["enter"]),
        (b"\x1b[5~\x1b[6~", ["page_up", "page_down"]),
        (b"\x1b[A\x1bOB\x1b[C\x1bOD", ["up", "down", "right", "left"]),
        (b"\x1bOP\x1b[15~\x1b[24~", ["f1", "f5", "f12"]),
        (b"\x1b[[A\x1b[[E", ["f1", "f5"]),
        (b"\x1b[1;5Cb", ["right", "b"]),
        (b"\x1b[6;2~", ["page_down"]),
        (b"\x1b[99~b", ["b"]),
        ("é€b".encode(), ["b"]),
        (b"\x1b\x1b[5~", ["escape", "page_up"]),
        (b"\x1b[\x1b[5~", ["page_up"]),
    ],
)
def test_octets_of_a_terminal_are_keys(octets: bytes, names: list[str]) -> None:
    """Sequences: xterm's control sequences document and console_codes(4)."""
    assert Decoder().feed(octets) == names
    torn = Decoder()
    assert [name for octet in octets for name in torn.feed(bytes([octet]))] == names
    assert not torn.waits


def test_a_lone_escape_is_the_escape_key_once_nothing_follows() -> None:
    decoder = Decoder()
    assert decoder.feed(b"\x1b") == []
    assert decoder.waits
    assert decoder.flush() == ["escape"]
    assert decoder.feed(b"\x1b[") == []
    assert decoder.flush() == []
    assert decoder.feed(b"b") == ["b"]


def test_a_file_of_keys_has_its_own_errors(tmp_path: Any) -> None:
    file = tmp_path / "keys.toml"
    file.write_text('[keys]\nprogramme = ["desk"]\n[keys.press]\nspace = "next"\n')
    assert load_keys(file).press == {"space": "next"}
    for text, told, line in (
        ('[keys]\n[keys.press]\nspace = "nxt"\n', 'did you mean "next"?', 3),
        ('[keys]\nprograme = ["desk"]\n', 'did you mean "programme"?', 2),
        ("", "keys: is missing; give the table [keys]", 1),
        ("[kyes]\npress = {}\n", 'kyes: unknown key; did you mean "keys"?', 1),
        ("[keys\n", "expected ]", 1),
    ):
        file.write_text(text)
        with pytest.raises(RigError) as refused:
            load_keys(file)
        assert told in str(refused.value)
        assert refused.value.line == line
