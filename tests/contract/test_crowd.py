"""Contract: who may hold a connection, and for how long, on a clock of the tests' own."""

from __future__ import annotations

import pytest

from fillside.doors.http.connection_limits import (
    ConnectionLimits,
    ConnectionTable,
    End,
    OpenConnection,
    Phase,
)

LIMITS = ConnectionLimits(
    total=8,
    per_address=3,
    per_loopback=5,
    websockets_per_address=1,
    websockets_per_loopback=2,
    handshakes_per_address=2,
    new_per_s=10,
    burst=20,
    octets=1000,
)
HERE, ONE, OTHER = "127.0.0.1", "192.0.2.1", "192.0.2.2"


class Room:
    """A crowd, its clock, and who was shown out."""

    def __init__(self, limits: ConnectionLimits = LIMITS) -> None:
        self.now_s = 0.0
        self.crowd = ConnectionTable(limits, lambda: self.now_s)
        self.shown_out: list[OpenConnection] = []

    def come(self, address: str, phase: Phase = "head") -> OpenConnection | None:
        self.now_s += 0.01
        visit = self.crowd.admit(address, phase)
        if visit is not None:
            visit.end = lambda: self.shown_out.append(visit)
        return visit

    def come_in(self, address: str, phase: Phase = "head") -> OpenConnection:
        visit = self.come(address, phase)
        assert visit is not None
        return visit

    def all_at(self, phase: Phase, *addresses: str) -> list[OpenConnection]:
        found = [self.come_in(address) for address in addresses]
        for visit in found:
            self.crowd.set_phase(visit, phase)
        return found


@pytest.fixture
def room() -> Room:
    return Room()


def test_of_one_address_the_longest_silent_goes_and_the_newcomer_stays(room: Room) -> None:
    other = room.come_in(OTHER)
    visits = [room.come_in(ONE) for _ in range(5)]
    assert room.shown_out == visits[:2]
    assert other in room.crowd.connections
    assert room.crowd.ended["one_address"] == 2


def test_one_who_went_on_has_not_waited_longest(room: Room) -> None:
    first, second, _ = (room.come_in(ONE) for _ in range(3))
    room.crowd.set_phase(first, "answer")
    room.come_in(ONE)
    assert room.shown_out == [second]


def test_a_request_that_came_whole_is_ended_last(room: Room) -> None:
    (asking,) = room.all_at("queue", ONE)
    silent = [room.come_in(ONE) for _ in range(2)]
    room.come_in(ONE)
    room.come_in(ONE)
    assert room.shown_out == silent
    assert asking in room.crowd.connections


@pytest.mark.parametrize("phase", ["busy", "watch"])
def test_where_all_are_at_work_the_newcomer_goes(room: Room, phase: Phase) -> None:
    room.all_at(phase, ONE, ONE, ONE)
    assert room.come(ONE) is None
    assert not room.shown_out
    assert room.come(OTHER) is not None


def test_this_machine_has_a_bound_of_its_own(room: Room) -> None:
    for _ in range(5):
        room.come_in(HERE)
    assert not room.shown_out
    room.come_in(HERE)
    assert len(room.shown_out) == 1


def test_where_all_is_full_the_address_with_most_makes_room(room: Room) -> None:
    here = [room.come_in(HERE) for _ in range(5)]
    few = [room.come_in(ONE), room.come_in(ONE), room.come_in(OTHER)]
    room.come_in("192.0.2.3")
    assert room.shown_out == here[:1]
    assert set(few) <= set(room.crowd.connections)
    assert room.crowd.ended["all"] == 1


def test_a_network_of_ipv6_is_one_address(room: Room) -> None:
    for number in range(4):
        room.come_in(f"2001:db8::{number}")
    assert len(room.shown_out) == 1
    room.come_in("2001:db8:0:1::1")
    room.come_in("::ffff:192.0.2.9")
    room.come_in("fe80::1%eth0")
    room.come_in("fe80::2%eth0")
    assert len(room.shown_out) == 1


def test_newcomers_in_no_time_cost_nobody_a_place() -> None:
    room = Room(ConnectionLimits(per_address=64, new_per_s=10, burst=20))
    crowd = room.crowd
    assert sum(crowd.admit(ONE, "head") is not None for _ in range(100)) == 20
    assert crowd.admit(OTHER, "head") is not None
    assert all(crowd.admit(HERE, "head") for _ in range(100)), "a proxy brings many"
    room.now_s = 1.0
    assert sum(crowd.admit(ONE, "head") is not None for _ in range(100)) == 10


@pytest.mark.parametrize(
    ("phase", "most_s", "why"),
    [
        ("handshake", LIMITS.handshake_s, "slow"),
        ("head", LIMITS.head_s, "slow"),
        ("body", LIMITS.body_s + 1, "slow"),
        ("answer", LIMITS.answer_s, "idle"),
    ],
)
def test_nobody_is_waited_for_for_ever(room: Room, phase: Phase, most_s: float, why: End) -> None:
    (visit,) = room.all_at(phase, ONE)
    room.now_s = visit.since_s + most_s - 0.1
    room.crowd.end_overdue()
    assert not room.shown_out
    room.now_s += 0.2
    room.crowd.end_overdue()
    assert room.shown_out == [visit]
    assert room.crowd.ended == {why: 1}
    assert not len(room.crowd)


@pytest.mark.parametrize("phase", ["queue", "busy", "watch"])
def test_who_waits_for_us_is_not_hurried(room: Room, phase: Phase) -> None:
    room.all_at(phase, ONE)
    room.now_s = 1e6
    room.crowd.end_overdue()
    assert not room.shown_out


def test_handshakes_have_a_bound_of_their_own(room: Room) -> None:
    first = room.come_in(HERE, "handshake")
    room.come_in(HERE, "handshake")
    room.come_in(HERE)
    room.come_in(HERE, "handshake")
    assert room.shown_out == [first]


def test_websockets_leave_room_for_orders(room: Room) -> None:
    first, second = (room.come_in(ONE) for _ in range(2))
    assert room.crowd.may_open_websocket(first)
    room.crowd.set_phase(first, "watch")
    assert not room.crowd.may_open_websocket(second)
    room.crowd.remove(first)
    assert room.crowd.may_open_websocket(second)


def test_what_comes_ahead_of_an_answer_is_bounded(room: Room) -> None:
    visit = room.come_in(ONE)
    room.crowd.count_octets(visit, 900)
    room.crowd.set_phase(visit, "queue")
    room.crowd.count_octets(visit, 900)
    assert not room.shown_out
    room.crowd.set_phase(visit, "body")
    room.crowd.count_octets(visit, 5000)
    assert not room.shown_out, "a body has a bound of its own, and is answered"
    room.crowd.set_phase(visit, "answer")
    room.crowd.count_octets(visit, 200)
    assert room.shown_out == [visit]


def test_who_was_long_gone_is_forgotten(room: Room) -> None:
    for number in range(100):
        room.crowd.remove(room.come_in(f"192.0.2.{number}"))
    assert len(room.crowd._groups) == 100
    room.now_s += 10
    room.crowd.end_overdue()
    assert not room.crowd._groups


@pytest.mark.parametrize("files", [64, 256, 500, 728, 1024, 20_000])
def test_the_bounds_fit_the_file_handles_there_are(files: int) -> None:
    limits = ConnectionLimits().within(files)
    assert limits.total < files
    assert limits.per_address < limits.per_loopback < limits.total
    assert limits.websockets_per_address < limits.per_address
    assert limits.websockets_per_loopback < limits.per_loopback
    assert limits == ConnectionLimits() or files < 1024
