"""Any E1.31 packet at all, for tests that take many."""

from __future__ import annotations

from hypothesis import strategies as st

from fillside_drivers.sacn.packet import DataPacket, DiscoveryPacket, SyncPacket

names = (
    st.text(max_size=63)
    .filter(lambda name: "\0" not in name)
    .map(lambda name: name.encode("utf-8", "replace")[:63].decode("utf-8", "ignore"))
)
cids = st.uuids()
data_packets = st.builds(
    DataPacket,
    cid=cids,
    source_name=names,
    universe=st.integers(1, 63999),
    sequence=st.integers(0, 255),
    slots=st.binary(max_size=512),
    priority=st.integers(0, 200),
    sync_address=st.integers(0, 63999),
    preview=st.booleans(),
    terminated=st.booleans(),
    force_sync=st.booleans(),
    start_code=st.just(0) | st.integers(0, 255),
)
packets = st.one_of(
    data_packets,
    st.builds(SyncPacket, cid=cids, sync_address=st.integers(1, 63999), sequence=st.integers(0, 255)),
    st.builds(
        DiscoveryPacket,
        cid=cids,
        source_name=names,
        universes=st.sets(st.integers(1, 63999), max_size=512).map(lambda found: tuple(sorted(found))),
        page=st.just(0),
        last_page=st.integers(0, 255),
    ),
)
