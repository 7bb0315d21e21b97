"""Protocol: other sources on our universes, by the receiver's rules of ANSI E1.31-2018."""

from __future__ import annotations

import math
import uuid
from dataclasses import replace

from fillside_drivers.sacn.packet import DataPacket
from fillside_drivers.sacn.sources import LOSS_S, MOST_SOURCES, RivalSources, notices
from protocol.wires import CID, OTHER_CID

PACKET = DataPacket(OTHER_CID, "south room", 1, 0, bytes(512), priority=100)


def ours() -> RivalSources:
    return RivalSources(CID, {1: 100, 2: 90})


def test_a_source_is_there_from_its_first_packet() -> None:
    sources = ours()
    assert sources.hear(PACKET, 5.0)
    [source] = sources.present
    assert (source.universe, source.cid, source.name, source.priority) == (1, OTHER_CID, "south room", 100)
    assert (source.since, source.last_packet_at) == (5.0, 5.0)
    assert not sources.hear(replace(PACKET, sequence=1), 6.0)
    assert (sources.present[0].since, sources.present[0].last_packet_at) == (5.0, 6.0)


def test_a_name_that_would_steer_a_terminal_does_not_reach_one() -> None:
    sources = ours()
    sources.hear(replace(PACKET, source_name="a\x1b[2J\nb\u2028c\x9b"), 0.0)
    assert notices(sources.rivals, {1: 100, 2: 90})[0].startswith('another source "a?[2J?b?c?" sends')


def test_own_packets_and_other_universes_do_not_count() -> None:
    sources = ours()
    assert not sources.hear(replace(PACKET, cid=CID), 0.0)
    assert not sources.hear(replace(PACKET, universe=3), 0.0)
    assert sources.present == ()
    assert sources.due == math.inf


def test_only_equal_or_higher_priority_is_a_rival() -> None:
    """E1.31 6.2.3: receivers obey the highest priority; of equals they choose or merge as they please."""
    sources = ours()
    for number, priority in enumerate((99, 100, 101)):
        sources.hear(replace(PACKET, cid=uuid.UUID(int=number + 1), priority=priority), 0.0)
    sources.hear(replace(PACKET, universe=2, priority=95), 0.0)
    assert [(s.universe, s.priority) for s in sources.rivals] == [(1, 100), (1, 101), (2, 95)]


def test_only_a_live_source_above_us_is_one_to_stand_by_for() -> None:
    sources = ours()
    for number, priority in enumerate((100, 101, 150)):
        sources.hear(replace(PACKET, cid=uuid.UUID(int=number + 1), priority=priority), 0.0)
    sources.hear(replace(PACKET, universe=2, priority=90), 0.0)
    sources.hear(replace(PACKET, universe=2, cid=uuid.UUID(int=7), priority=200, preview=True), 0.0)
    assert sources.above == {1}
    assert "we stand by until it is gone" in notices(sources.rivals, {1: 100, 2: 90}, yields=True)[1]
    assert "the same as ours" in notices(sources.rivals, {1: 100, 2: 90}, yields=True)[0]


def test_preview_data_is_no_rival() -> None:
    """E1.31 6.2.6: Preview_Data does not affect live output."""
    sources = ours()
    sources.hear(replace(PACKET, preview=True, priority=200), 0.0)
    assert len(sources.present) == 1
    assert sources.rivals == ()


def test_a_changed_priority_is_news() -> None:
    sources = ours()
    sources.hear(replace(PACKET, priority=50), 0.0)
    assert sources.rivals == ()
    assert sources.hear(replace(PACKET, priority=150, sequence=1), 0.1)
    assert len(sources.rivals) == 1


def test_packets_out_of_order_change_nothing() -> None:
    """E1.31 6.7.2."""
    sources = ours()
    sources.hear(replace(PACKET, sequence=50), 0.0)
    assert not sources.hear(replace(PACKET, sequence=49, priority=150), 1.0)
    assert not sources.hear(replace(PACKET, sequence=50, terminated=True), 1.0)
    [source] = sources.present
    assert (source.priority, source.last_packet_at) == (100, 0.0)
    assert sources.hear(replace(PACKET, sequence=30, priority=150), 1.0), (
        "20 back is a new count, not an old packet"
    )


def test_a_terminated_stream_is_gone_at_once() -> None:
    """E1.31 6.2.6."""
    sources = ours()
    sources.hear(PACKET, 0.0)
    assert sources.hear(replace(PACKET, sequence=1, terminated=True), 0.1)
    assert sources.present == ()
    assert not sources.hear(replace(PACKET, sequence=2, terminated=True), 0.2)
    assert sources.hear(PACKET, 0.3), "a new stream may begin with any number"


def test_silence_of_two_and_a_half_seconds_is_a_loss_on_that_universe_alone() -> None:
    """E1.31 6.7.1."""
    sources = ours()
    sources.hear(PACKET, 0.0)
    sources.hear(replace(PACKET, universe=2), 1.0)
    assert sources.due == LOSS_S
    assert not sources.expire(2.499)
    assert sources.expire(2.5)
    assert [s.universe for s in sources.present] == [2]
    assert sources.due == 1.0 + LOSS_S


def test_a_flood_of_sources_does_not_fill_the_memory() -> None:
    sources = ours()
    for number in range(10 * MOST_SOURCES):
        sources.hear(replace(PACKET, cid=uuid.UUID(int=number + 1)), 0.0)
    assert len(sources.present) == MOST_SOURCES
    assert sources.unseen == 9 * MOST_SOURCES


def test_a_person_is_told_who_and_where_and_how_strong() -> None:
    sources = ours()
    sources.hear(replace(PACKET, priority=120), 0.0)
    sources.hear(replace(PACKET, universe=2, priority=90), 0.0)
    above, same = notices(sources.rivals, {1: 100, 2: 90})
    assert '"south room" sends universe 1 at priority 120, above ours (100)' in above
    assert "universe 2 at priority 90, the same as ours" in same
