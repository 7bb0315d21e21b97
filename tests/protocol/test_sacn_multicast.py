"""Protocol: multicast in a network of its own, where nothing of this machine's network can help or hinder.

The test runs this file as a program inside a network namespace; where that is not permitted it is skipped,
and says so.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

TESTS = Path(__file__).parents[1]
PREPARE = "ip link set lo up multicast on"
ROUTE = "ip route add 239.255.0.0/16 dev lo"


def in_own_network(scene: str, *prepare: str) -> Any:
    """What `scene` of this file prints as JSON, run in a network namespace after shell lines `prepare`."""
    unshare, ip = shutil.which("unshare"), shutil.which("ip")
    if unshare is None or ip is None:
        pytest.skip("unshare and ip, from util-linux and iproute2, are not both installed")
    tried = subprocess.run([unshare, "-n", "true"], capture_output=True, text=True, check=False)
    if tried.returncode:
        pytest.skip(f"no network namespaces here: {tried.stderr.strip()}")
    script = " && ".join((*prepare, f'exec "{sys.executable}" "{__file__}" {scene}'))
    done = subprocess.run(
        [unshare, "-n", "sh", "-c", script], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_each_universe_goes_to_its_own_group() -> None:
    """E1.31 9.3.1, and discovery to the group of universe 64214 (9.3.1, appendix A)."""
    seen = in_own_network("groups", PREPARE, ROUTE)
    assert seen["239.255.0.1"] == ["DataPacket", 1, 11]
    assert seen["239.255.1.44"] == ["DataPacket", 300, 22]
    assert seen["239.255.250.214"] == ["DiscoveryPacket", [1, 300]]
    assert seen["ttl"] == 3


def test_another_source_is_heard_and_its_end() -> None:
    seen = in_own_network("rival", PREPARE, ROUTE)
    [notice] = seen["during"]
    assert '"south room" sends universe 1 at priority 100, the same as ours' in notice
    assert seen["after"] == []
    assert seen["garbage"] == 2
    assert seen["unicast"], "a receiver of unicast on the same machine still gets its packets"


def test_a_stronger_source_is_stood_by_for_and_taken_over_from() -> None:
    seen = in_own_network("standby", PREPARE, ROUTE)
    assert seen["said"] == (
        'another source "south room" sends universe 1 at priority 120, above ours (100): '
        "we stand by until it is gone"
    )
    assert seen["ours while it sends"] == 0
    assert seen["other universe goes on"]
    for end in ("says so", "falls silent"):
        took_s, first, terminated = seen[end]
        # The look of now, ordered while we stood by, and not a fade toward it.
        assert first == 77
        assert not terminated
        # E1.31 6.2.6: its end at once; 6.7.1: its silence after 2.5 s.
        assert took_s < (0.5 if end == "says so" else 2.5 + 0.5)
    # Its last packet may be 0.9 s old when it falls silent.
    assert seen["falls silent"][0] > 1.5
    assert seen["after"] == []


def test_equal_sources_are_named_and_neither_gives_way() -> None:
    seen = in_own_network("equals", PREPARE, ROUTE)
    assert '"south room" sends universe 1 at priority 100, the same as ours' in seen["ours"][0]
    assert '"north room" sends universe 1 at priority 100, the same as ours' in seen["theirs"][0]
    assert min(seen["packets"]) > 5


def test_without_yields_a_weaker_source_goes_on_at_its_own_priority_and_says_so() -> None:
    seen = in_own_network("weaker", PREPARE, ROUTE)
    assert "priority 120, above ours (100): receivers obey it, not us" in seen["said"]
    assert seen["ours"] > 5
    assert seen["priorities"] == [100]


def test_a_network_that_comes_late_is_waited_for() -> None:
    seen = in_own_network("route", PREPARE)
    assert seen["states"] == ["lost", "ok"]
    assert "multicast cannot be reached: no way leads there from this machine" in seen["note"]
    assert seen["level"] == 5


async def groups() -> Any:
    from fillside_drivers.sacn.packet import DataPacket, DiscoveryPacket, decode
    from protocol.wires import sacn

    wanted = ("239.255.0.1", "239.255.1.44", "239.255.250.214")
    ears = {group: joined(group) for group in wanted}
    drives = {"a": {"universe": 1, "slot": 1}, "b": {"universe": 300, "slot": 1}}
    loop, seen = asyncio.get_running_loop(), dict[str, Any]()
    async with asyncio.timeout(10), sacn({"ttl": 3}, drives) as driver:
        driver.send({"a": 11, "b": 22})
        for group, ear in ears.items():
            packet = decode(await loop.sock_recv(ear, 2000))
            if isinstance(packet, DataPacket):
                seen[group] = ["DataPacket", packet.universe, packet.slots[0]]
            elif isinstance(packet, DiscoveryPacket):
                seen[group] = ["DiscoveryPacket", packet.universes]
        [one] = {id(s): s for s in driver._outlet.sockets}.values()  # type: ignore[attr-defined]
        seen["ttl"] = one.getsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL)
    for ear in ears.values():
        ear.close()
    return seen


def joined(group: str) -> socket.socket:
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    ear.bind((group, 5568))
    own = socket.inet_aton(group) + socket.inet_aton("0.0.0.0")
    ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, own)
    ear.setblocking(False)
    return ear


async def rival() -> Any:
    from fillside_drivers.driver import Identity
    from protocol.wires import OTHER_CID, sacn

    drives = {"key": {"universe": 1, "slot": 1}}
    other = Identity(OTHER_CID, "south room")
    unicast = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    unicast.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    unicast.bind(("127.0.0.1", 5568))
    unicast.setblocking(False)
    loop, changes = asyncio.get_running_loop(), asyncio.Queue[Any]()
    async with asyncio.timeout(10), sacn({"to": ["multicast", "127.0.0.1"], "listen": True}, drives) as ours:
        ours.watch(changes.put_nowait)
        ours.send({"key": 1})
        for garbage in (b"", b"\x00\x10" * 40):
            unicast.sendto(garbage, ("239.255.0.1", 5568))
        async with sacn({}, drives, who=other) as theirs:
            theirs.send({"key": 200})
            during = (await changes.get()).notices
        after = (await changes.get()).notices
        got = await loop.sock_recv(unicast, 2000)
        garbage_seen = ours._listener.garbage  # type: ignore[attr-defined]
    unicast.close()
    return {"during": during, "after": after, "garbage": garbage_seen, "unicast": len(got) == 638}


async def heard(ear: socket.socket, seconds: float) -> list[tuple[float, Any]]:
    """The data packets that come to an ear, with their times."""
    from fillside_drivers.sacn.packet import decode

    loop, found = asyncio.get_running_loop(), list[tuple[float, Any]]()
    end = loop.time() + seconds
    while (left := end - loop.time()) > 0:
        try:
            async with asyncio.timeout(left):
                octets = await loop.sock_recv(ear, 2000)
                found.append((loop.time(), decode(octets)))
        except TimeoutError:
            break
    return found


async def changed(driver: Any, seconds: float, codes: dict[str, int]) -> None:
    """Hand in something new ten times a second, so that there is something to send."""
    for k in range(round(10 * seconds)):
        driver.send({name: (code + k) % 200 for name, code in codes.items()})
        await asyncio.sleep(0.1)


async def standby() -> Any:
    from fillside_drivers.driver import Identity
    from protocol.wires import CID, OTHER_CID, sacn

    drives = {"key": {"universe": 1, "slot": 1}, "hair": {"universe": 2, "slot": 1}}
    theirs_too = {"key": {"universe": 1, "slot": 1}}
    other = Identity(OTHER_CID, "south room")
    ears = {number: joined(f"239.255.0.{number}") for number in (1, 2)}
    loop, seen = asyncio.get_running_loop(), dict[str, Any]()
    async with asyncio.timeout(30), sacn({"listen": True, "yields": True}, drives) as ours:
        ours.send({"key": 1, "hair": 1})
        for end in ("says so", "falls silent"):
            theirs = sacn({"priority": 120}, theirs_too, who=other)
            async with theirs:
                theirs.send({"key": 200})
                await heard(ears[1], 0.3)
                await heard(ears[2], 0.01)
                seen["said"] = ours.health.notices[0]
                sending = asyncio.create_task(changed(ours, 0.5, {"key": 3, "hair": 3}))
                packets = await heard(ears[1], 0.5)
                await sending
                seen["ours while it sends"] = sum(p.cid == CID for _, p in packets)
                seen["other universe goes on"] = len(await heard(ears[2], 0.01)) > 3
                ours.send({"key": 77})
                gone = loop.time()
                await theirs.close(stay=end == "falls silent")
            packets = [(at, p) for at, p in await heard(ears[1], 3.5) if p.cid == CID]
            at, first = packets[0]
            seen[end] = [at - gone, first.slots[0], any(p.terminated for _, p in packets)]
        seen["after"] = list(ours.health.notices)
    for ear in ears.values():
        ear.close()
    return seen


async def equals() -> Any:
    return await two(100, {"listen": True, "yields": True})


async def weaker() -> Any:
    return await two(120, {"listen": True})


async def two(priority: int, options: dict[str, Any]) -> Any:
    """We at 100 and another source, both sending, both listening."""
    from fillside_drivers.driver import Identity
    from protocol.wires import CID, OTHER_CID, sacn

    drives = {"key": {"universe": 1, "slot": 1}}
    other = Identity(OTHER_CID, "south room")
    ear = joined("239.255.0.1")
    async with (
        asyncio.timeout(20),
        sacn(options, drives) as ours,
        sacn({**options, "priority": priority}, drives, who=other) as theirs,
    ):
        ours.send({"key": 1})
        theirs.send({"key": 2})
        await heard(ear, 0.3)
        sending = [asyncio.create_task(changed(d, 1.0, {"key": 3})) for d in (ours, theirs)]
        packets = [p for _, p in await heard(ear, 1.0)]
        await asyncio.gather(*sending)
        notices = [list(driver.health.notices) for driver in (ours, theirs)]
    ear.close()
    mine = [p for p in packets if p.cid == CID]
    return {
        "said": notices[0][0],
        "ours": notices[0] if priority == 100 else len(mine),
        "theirs": notices[1],
        "packets": [len(mine), len(packets) - len(mine)],
        "priorities": sorted({p.priority for p in mine}),
    }


async def route() -> Any:
    from fillside_drivers.sacn.packet import DataPacket, decode
    from protocol.wires import sacn

    drives = {"key": {"universe": 1, "slot": 1}}
    loop, changes = asyncio.get_running_loop(), asyncio.Queue[Any]()
    async with asyncio.timeout(20):
        driver = sacn({}, drives)
        driver.watch(changes.put_nowait)
        driver.send({"key": 5})
        async with driver:
            lost = await changes.get()
            adding = await asyncio.create_subprocess_exec(*ROUTE.split())
            assert await adding.wait() == 0
            ear = joined("239.255.0.1")
            found = await changes.get()
            while found.state == "late":  # a machine that is busy with other tests
                found = await changes.get()
            packet = decode(await loop.sock_recv(ear, 2000))
            assert isinstance(packet, DataPacket)
            ear.close()
    return {"states": [lost.state, found.state], "note": lost.note, "level": packet.slots[0]}


if __name__ == "__main__":
    sys.path.insert(0, str(TESTS))
    SCENES = (groups, rival, standby, equals, weaker, route)
    scene = next(scene for scene in SCENES if scene.__name__ == sys.argv[1])
    print(json.dumps(asyncio.run(scene())))
