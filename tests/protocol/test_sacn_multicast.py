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


def test_a_network_that_comes_late_is_waited_for() -> None:
    seen = in_own_network("route", PREPARE)
    assert seen["states"] == ["lost", "ok"]
    assert "multicast cannot be reached: Network is unreachable" in seen["note"]
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
            packet = decode(await loop.sock_recv(ear, 2000))
            assert isinstance(packet, DataPacket)
            ear.close()
    return {"states": [lost.state, found.state], "note": lost.note, "level": packet.slots[0]}


if __name__ == "__main__":
    sys.path.insert(0, str(TESTS))
    print(json.dumps(asyncio.run({"groups": groups, "rival": rival, "route": route}[sys.argv[1]]())))
