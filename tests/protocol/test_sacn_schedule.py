"""Protocol: when E1.31 packets leave, with a clock set by hand; the clauses stand beside each test."""

from __future__ import annotations

import math
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from fillside_drivers.sacn.packet import (
    DISCOVERY_UNIVERSE,
    DataPacket,
    DiscoveryPacket,
    Packet,
    SyncPacket,
    decode,
)
from fillside_drivers.sacn.schedule import (
    KEEPALIVE_S,
    PERIOD_S,
    SETTLED_PACKETS,
    SKIPPED_AFTER_RESTART,
    Schedule,
    Stream,
)
from fillside_drivers.sacn.sources import in_order
from protocol.wires import CID

FRAME_S = 1 / 44
FIRST = SETTLED_PACKETS + SKIPPED_AFTER_RESTART


def slots(value: int) -> bytes:
    return bytes([value]) * 512


def plan(*universes: int, sync: int = 0, announce: str | None = None) -> Schedule:
    return Schedule(CID, [Stream(u, "north room", 120) for u in universes], sync, announce)


def run(schedule: Schedule, start: float, end: float) -> list[tuple[float, Packet]]:
    """All packets from `start` up to `end`, the clock stepping from one due time to the next."""
    out: list[tuple[float, Packet]] = []
    now = start
    while now <= end:
        out.extend((now, decode(each.octets)) for each in schedule.take(now))
        # A timer never wakes before its time, but a hair after it.
        now = max(now, schedule.due) + 1e-6
    return out


def data(packets: list[tuple[float, Packet]], universe: int = 1) -> list[tuple[float, DataPacket]]:
    return [(t, p) for t, p in packets if isinstance(p, DataPacket) and p.universe == universe]


def rested(*universes: int, sync: int = 0) -> Schedule:
    schedule = plan(*universes, sync=sync)
    for universe in universes:
        schedule.put(universe, slots(1))
    run(schedule, 0.0, 10.0)
    return schedule


def test_nothing_leaves_before_a_value_is_handed_in() -> None:
    schedule = plan(1, 2, announce="north room")
    assert schedule.due == math.inf
    assert schedule.take(5.0) == []
    assert schedule.terminate() == []


def test_a_value_leaves_at_once_with_512_slots() -> None:
    schedule = plan(1, 2)
    schedule.put(1, slots(9))
    assert schedule.waiting
    [packet] = [decode(out.octets) for out in schedule.take(5.0)]
    assert packet == DataPacket(CID, "north room", 1, 0, slots(9), 120)
    assert not schedule.waiting


def test_settled_value_then_signs_of_life() -> None:
    """E1.31 6.6.2: three packets of the settled value, then one every 800 to 1000 ms, sequence going on."""
    schedule = rested(1)
    schedule.put(1, slots(2))
    sent = data(run(schedule, 20.0, 25.0))
    assert all(p.slots == slots(2) for _, p in sent)
    gaps = [b - a for (a, _), (b, _) in pairwise(sent)]
    assert all(PERIOD_S <= gap < 0.03 for gap in gaps[: SETTLED_PACKETS - 1])
    assert len(gaps) > SETTLED_PACKETS + 2
    assert all(0.8 <= gap <= 1.0 for gap in gaps[SETTLED_PACKETS - 1 :])
    assert all((b.sequence - a.sequence) % 256 == 1 for (_, a), (_, b) in pairwise(sent))


def test_same_value_again_changes_nothing() -> None:
    schedule = rested(1)
    due = schedule.due
    schedule.put(1, slots(1))
    assert schedule.due == due
    assert not schedule.waiting


def test_a_change_waits_for_the_packet_before_it_and_the_latest_wins() -> None:
    """ANSI E1.11: no faster than a packet of 512 slots lasts."""
    schedule = rested(1)
    schedule.put(1, slots(2))
    assert len(schedule.take(20.0)) == 1
    schedule.put(1, slots(3))
    schedule.put(1, slots(4))
    assert schedule.due == 20.0 + PERIOD_S
    assert schedule.take(20.0 + PERIOD_S / 2) == []
    [packet] = [decode(out.octets) for out in schedule.take(20.0 + PERIOD_S)]
    assert isinstance(packet, DataPacket)
    assert packet.slots == slots(4)


def test_the_next_frame_of_a_fade_goes_before_a_repeat_of_the_one_before_it() -> None:
    """The frames of a fade are made 44 a second, some of them a little late; each leaves when it is made."""
    schedule = rested(1)
    now, left = 20.0, []
    for frame, late_s in enumerate((0.0, 0.0, 0.002, 0.0, 0.003, 0.0)):
        now += FRAME_S + late_s
        left += data(run(schedule, now - FRAME_S - late_s + 2e-6, now - 1e-6))
        schedule.put(1, slots(10 + frame))
        left += data(run(schedule, now, now + 1e-6))
    assert [(p.slots[0]) for _, p in left if p.slots[0] >= 10] == list(range(10, 16))
    assert [t for t, p in left if p.slots[0] == 15] == [now]


def test_after_a_stall_one_packet_with_the_latest_value() -> None:
    schedule = rested(1)
    schedule.put(1, slots(2))
    schedule.take(20.0)
    for value in range(3, 60):
        schedule.put(1, slots(value))
    assert len(schedule.take(50.0)) == 1
    assert schedule.take(50.0 + PERIOD_S / 2) == []


def test_universes_keep_their_own_time() -> None:
    """E1.31 6.7: sequence and time are each universe's own."""
    schedule = rested(1, 2)
    before = schedule.due
    schedule.put(2, slots(7))
    sent = run(schedule, 20.0, 20.3)
    assert before < 20.0
    assert [p.slots for _, p in data(sent, 2)] == [slots(7)] * 3
    assert [p.slots for _, p in data(sent, 1)] == [slots(1)]


def test_resumed_numbers_get_past_any_receiver() -> None:
    """E1.31 6.7.2: wherever a receiver's count stands, three of the first packets count."""
    schedule = plan(1)
    schedule.put(1, slots(1))
    sent = data(run(schedule, 0.0, 0.6))
    assert len(sent) == FIRST
    for last in range(256):
        accepted, count = 0, last
        for _, packet in sent:
            if in_order(count, packet.sequence):
                accepted, count = accepted + 1, packet.sequence
        assert accepted >= SETTLED_PACKETS, f"receiver that last saw {last}"


def test_a_schedule_in_anothers_place_goes_on_in_sequence() -> None:
    """E1.31 6.7.2: a receiver drops what is up to twenty numbers behind; a fade goes on without a gap."""
    before, after = plan(1, 2), plan(2, 3)
    for number in range(40):
        before.put(2, slots(number))
        last = data(run(before, float(number), number + 0.001), 2)[-1][1]
        after = plan(2, 3)
        after.put(2, slots(number + 1))
        after.go_on_from(before)
        after.put(3, slots(1))
        sent = run(after, 50.0, 50.001)
        first = [data(sent, universe)[0][1].sequence for universe in (2, 3)]
        assert first == [(last.sequence + 1) % 256, 0]


def test_terminated_packets_go_on_in_sequence() -> None:
    """E1.31 6.2.6: Stream_Terminated."""
    schedule = plan(1, 2)
    schedule.put(1, slots(1))
    schedule.take(0.0)
    ended = [decode(out.octets) for _ in range(3) for out in schedule.terminate()]
    assert [(p.universe, p.sequence, p.terminated) for p in ended if isinstance(p, DataPacket)] == [
        (1, 1, True),
        (1, 2, True),
        (1, 3, True),
    ]


def test_flush_sends_what_waits_and_nothing_else() -> None:
    schedule = rested(1, 2)
    schedule.put(1, slots(2))
    schedule.take(20.0)
    schedule.put(1, slots(3))
    [packet] = [decode(out.octets) for out in schedule.flush(20.001)]
    assert isinstance(packet, DataPacket)
    assert (packet.universe, packet.slots) == (1, slots(3))
    assert schedule.flush(20.002) == []


def test_values_are_asserted_again_after_a_loss() -> None:
    schedule = rested(1)
    schedule.assert_again()
    sent = data(run(schedule, 20.0, 20.5))
    assert [p.slots for _, p in sent] == [slots(1)] * SETTLED_PACKETS
    silent = plan(1)
    silent.assert_again()
    assert silent.due == math.inf


def test_synchronized_universes_leave_together_before_their_sync_packet() -> None:
    """E1.31 6.2.4 and 6.3: data packets name the address, a synchronization packet to it follows them."""
    schedule = rested(1, 2, 3, sync=9)
    schedule.put(2, slots(5))
    sent = [(out.universe, decode(out.octets)) for out in schedule.take(20.0)]
    assert [universe for universe, _ in sent] == [1, 2, 3, 9]
    assert all(p.sync_address == 9 for _, p in sent if isinstance(p, DataPacket))
    last = sent[-1][1]
    assert isinstance(last, SyncPacket)
    assert last.sync_address == 9
    schedule.put(1, slots(6))
    again = decode(schedule.take(20.0 + PERIOD_S)[-1].octets)
    assert isinstance(again, SyncPacket)
    assert again.sequence == (last.sequence + 1) % 256


def discovered(packets: list[tuple[float, Packet]]) -> list[tuple[float, DiscoveryPacket]]:
    return [(t, p) for t, p in packets if isinstance(p, DiscoveryPacket)]


def test_universes_are_announced_every_ten_seconds() -> None:
    """E1.31 4.3 and appendix A."""
    schedule = plan(5, 2, announce="north room")
    schedule.put(5, slots(1))
    schedule.put(2, slots(1))
    told = discovered(run(schedule, 0.0, 35.0))
    assert [p.universes for _, p in told] == [(2, 5)] * 4
    assert [round(t, 3) for t, _ in told] == [0.0, 10.0, 20.0, 30.0]


def test_a_changed_list_is_announced_once_between() -> None:
    """E1.31 4.3: one more set within an interval when the list has changed."""
    schedule = plan(1, 2, 3, announce="north room")
    schedule.put(1, slots(1))
    run(schedule, 0.0, 3.0)
    schedule.put(2, slots(1))
    [(at, extra)] = discovered(run(schedule, 3.5, 4.0))
    assert (at, extra.universes) == (3.5, (1, 2))
    schedule.put(3, slots(1))
    [(at, regular)] = discovered(run(schedule, 5.0, 12.0))
    assert (round(at, 3), regular.universes) == (10.0, (1, 2, 3))


def test_a_long_list_goes_out_in_pages() -> None:
    """E1.31 8.3 and 8.5: at most 512 universes a page, pages numbered from 0."""
    schedule = plan(*range(1, 1026), announce="north room")
    for universe in range(1, 1026):
        schedule.put(universe, slots(1))
    out = [each for each in schedule.take(0.0) if each.universe == DISCOVERY_UNIVERSE]
    pages = [p for each in out if isinstance(p := decode(each.octets), DiscoveryPacket)]
    assert [(p.page, p.last_page, len(p.universes)) for p in pages] == [(0, 2, 512), (1, 2, 512), (2, 2, 1)]
    assert tuple(u for p in pages for u in p.universes) == tuple(range(1, 1026))


steps = st.lists(st.tuples(st.floats(0.0, 2.0), st.integers(0, 4), st.booleans()), max_size=60)


@settings(max_examples=60)
@given(steps)
def test_never_too_fast_never_silent_never_stale(steps: list[tuple[float, int, bool]]) -> None:
    """Whatever comes when: PERIOD_S is kept, receivers never wait past 1 s, the newest value is last."""
    schedule = plan(1)
    now, sent, value = 0.0, [], None
    for wait, new, again in steps:
        sent += run(schedule, now, now + wait)
        now += wait
        schedule.put(1, slots(new))
        value = new
        if again:
            schedule.assert_again()
    sent += run(schedule, now, now + 3.0)
    times = [t for t, _ in sent]
    assert all(PERIOD_S - 1e-9 <= b - a <= 1.0 for a, b in pairwise(times))
    if value is not None:
        last = sent[-1][1]
        assert isinstance(last, DataPacket)
        assert last.slots == slots(value)
        assert times[-1] > now + 3.0 - KEEPALIVE_S - 0.01


def test_a_universe_that_stands_by_sends_nothing_and_goes_on_at_once_with_what_it_has_then() -> None:
    schedule = rested(1, 2)
    schedule.stand_by({1})
    schedule.put(1, slots(9))
    assert not schedule.waiting
    packets = run(schedule, 10.0, 20.0)
    assert data(packets) == []
    assert len(data(packets, 2)) > 9
    assert [out.universe for out in schedule.terminate()] == [2]
    schedule.put(1, slots(7))
    schedule.stand_by(())
    assert schedule.due <= 20.0
    first, *more = data(run(schedule, 20.0, 21.0))
    assert (first[0], first[1].slots[0], first[1].terminated) == (20.0, 7, False)
    assert len(more) >= SETTLED_PACKETS - 1


def test_nothing_is_due_while_all_stand_by() -> None:
    schedule = rested(1)
    schedule.stand_by({1})
    assert schedule.due == math.inf
    schedule.put(1, slots(9))
    assert schedule.due == math.inf
    assert schedule.flush(20.0) == []
    assert schedule.due == math.inf


def test_sequence_numbers_go_on_after_standing_by() -> None:
    """E1.31 6.7.2: a receiver that still knows us drops numbers that fall back."""
    schedule = rested(1)
    before = data(run(schedule, 10.0, 12.0))[-1][1].sequence
    schedule.stand_by({1})
    run(schedule, 12.0, 13.0)
    schedule.stand_by(())
    assert data(run(schedule, 13.0, 14.0))[0][1].sequence == (before + 1) % 256


def test_a_universe_that_stands_by_is_not_announced() -> None:
    """E1.31, universe discovery (clause 4.3 from memory): the list is of universes actively sent."""
    schedule = plan(1, 2, announce="north room")
    for universe in (1, 2):
        schedule.put(universe, slots(1))
    run(schedule, 0.0, 25.0)
    schedule.stand_by({1})
    found = [p.universes for _, p in run(schedule, 25.0, 50.0) if isinstance(p, DiscoveryPacket)]
    assert set(found) == {(2,)}
    schedule.stand_by({1, 2})
    assert run(schedule, 50.0, 75.0) == []
    schedule.stand_by(())
    found = [p.universes for _, p in run(schedule, 75.0, 100.0) if isinstance(p, DiscoveryPacket)]
    assert set(found) == {(1, 2)}


def test_with_synchronization_the_others_go_on_in_step() -> None:
    schedule = rested(1, 2, sync=9)
    schedule.stand_by({2})
    packets = run(schedule, 10.0, 20.0)
    assert data(packets, 2) == []
    assert len(data(packets, 1)) == sum(isinstance(p, SyncPacket) for _, p in packets) > 9


def test_sequence_numbers_use_the_whole_octet_and_begin_again() -> None:
    """E1.31 6.7.2: one more for each packet of a universe, modulo 256; a number left out is a packet lost."""
    schedule = plan(1, 2, sync=9)
    schedule.put(1, slots(1))
    schedule.put(2, slots(2))
    packets = run(schedule, 0.0, 250.0)
    for universe in (1, 2):
        numbers = [p.sequence for _, p in data(packets, universe)]
        assert len(numbers) > 256
        assert numbers == [k % 256 for k in range(len(numbers))]
    together = [p.sequence for _, p in packets if isinstance(p, SyncPacket)]
    assert together == [k % 256 for k in range(len(together))]
