"""Contract: which room may look into which, and which rooms are pure; all of it from one table.

A room is a package or a module named in `TABLE`; a module belongs to the longest name that it lies under.
Rooms stand from the ground up, and each may import from itself, from the rooms it names, all of which stand
above it in the table, and from outside the project. A pure room computes: it imports from outside only what
`COMPUTES` lists (nothing that runs tasks or threads, opens a file or a socket, reads a clock, or keeps a
log), calls no `open`, `print` or `input`, reads no file by way of numpy, and names only rooms that are pure
too.

Every import counts: at the top, inside a function, under `if TYPE_CHECKING`, and `import_module` with a name
that is written out. To know a type is to know the room. What a driver's registry or a command's table names
as text (`"package.module:Name"`) is not followed.

What is not as it should be stands in `EXCEPTIONS`, module by module, with the reason. An exception that is
not needed any more fails, so that none outlives its cause.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import NamedTuple

import pytest

import fillside
import fillside_drivers

HOUSES = {
    "fillside": Path(fillside.__file__).parent,
    "fillside_drivers": Path(fillside_drivers.__file__).parent,
}


@dataclass(frozen=True)
class Room:
    """What a room may import of the project's other rooms, by name and a blank between, and if it is pure."""

    may: str = ""
    pure: bool = False


def pure(may: str = "") -> Room:
    return Room(may, pure=True)


DRIVERS: dict[str, Room] = {
    "fillside_drivers": pure(),
    "fillside_drivers.gdtf": pure(),
    "fillside_drivers.cancellation": Room(),
    "fillside_drivers.retry": Room(),
    "fillside_drivers.plain_errors": Room(),
    "fillside_drivers.plain_files": Room(),
    "fillside_drivers.system": Room(),
    "fillside_drivers.driver": Room("fillside_drivers.system"),
    "fillside_drivers.slots": Room("fillside_drivers.driver fillside_drivers.gdtf"),
    "fillside_drivers.sacn.packet": pure(),
    "fillside_drivers.sacn.sources": pure("fillside_drivers.sacn.packet"),
    "fillside_drivers.sacn": Room(
        "fillside_drivers.system "
        "fillside_drivers.driver fillside_drivers.plain_errors fillside_drivers.retry "
        "fillside_drivers.slots fillside_drivers.sacn.packet fillside_drivers.sacn.sources"
    ),
    "fillside_drivers.dmx_serial.timing": pure(),
    "fillside_drivers.dmx_serial": Room(
        "fillside_drivers.system "
        "fillside_drivers.driver fillside_drivers.plain_errors fillside_drivers.retry "
        "fillside_drivers.slots fillside_drivers.dmx_serial.timing"
    ),
    "fillside_drivers.mqtt": Room(
        "fillside_drivers.system "
        "fillside_drivers.driver fillside_drivers.cancellation fillside_drivers.plain_errors "
        "fillside_drivers.plain_files fillside_drivers.retry"
    ),
    "fillside_drivers.sim": Room("fillside_drivers.driver fillside_drivers.slots"),
    "fillside_drivers.registry": Room(
        "fillside_drivers.system "
        "fillside_drivers.driver fillside_drivers.plain_errors fillside_drivers.sacn "
        "fillside_drivers.dmx_serial fillside_drivers.mqtt fillside_drivers.sim"
    ),
}
PURE_ROOMS: dict[str, Room] = {
    "fillside": pure(),
    "fillside.photometry": pure(),
    "fillside.rig": pure("fillside.photometry"),
    "fillside.orders": pure("fillside.rig"),
    "fillside.balance": pure("fillside.photometry fillside.rig"),
    "fillside.belief": pure("fillside.balance fillside.photometry fillside.rig"),
    "fillside.metering.routine": pure(
        "fillside.balance fillside.belief fillside.orders fillside.photometry fillside.rig"
    ),
    "fillside.text": pure("fillside.belief fillside.rig"),
    "fillside.planning": pure("fillside.balance fillside.photometry fillside.rig"),
    "fillside.access.permissions": pure("fillside.orders"),
    "fillside.bounds": pure(),
    "fillside.hold": pure(),
    "fillside.hold.events": pure("fillside.balance fillside.belief fillside.rig"),
    "fillside.hold.health": pure("fillside.balance fillside.hold.events fillside.rig"),
    "fillside.hold.tracking": pure("fillside.rig"),
    "fillside.hold.fading": pure("fillside.photometry fillside.rig"),
    "fillside.hold.intent": pure(
        "fillside.balance fillside.belief fillside.hold.events fillside.hold.fading "
        "fillside.hold.health fillside.hold.tracking fillside.orders fillside.photometry fillside.rig"
    ),
    "fillside.hold.memory": pure(
        "fillside.balance fillside.bounds fillside.hold.intent fillside.orders fillside.photometry "
        "fillside.rig"
    ),
    "fillside.hold.snapshot": pure(
        "fillside.balance fillside.hold.events fillside.hold.health fillside.hold.intent "
        "fillside.hold.tracking fillside.rig"
    ),
    "fillside.hold.contract": pure(
        "fillside.balance fillside.hold.events fillside.hold.memory fillside.hold.snapshot "
        "fillside.orders fillside.rig"
    ),
    "fillside.hold.machine": pure(
        "fillside.balance fillside.hold.contract fillside.hold.events fillside.hold.fading "
        "fillside.hold.health fillside.hold.intent fillside.hold.memory fillside.hold.snapshot "
        "fillside.hold.tracking fillside.orders fillside.photometry fillside.rig"
    ),
    "fillside.doors.http.connection_limits": pure(),
    "fillside.doors.keys.escape_codes": pure(),
    "fillside.doors.keys.presses": pure("fillside.orders fillside.rig"),
    "fillside.doors.osc.packet": pure(),
    "fillside.doors.osc.addresses": pure("fillside.doors.osc.packet fillside.orders fillside.rig"),
    "fillside.doors.mqtt.sensors": pure("fillside.orders fillside.rig"),
    "fillside.doors.mqtt.messages": pure("fillside.doors.mqtt.sensors fillside.orders fillside.rig"),
    "fillside.doors.mqtt.homie": pure("fillside.balance fillside.orders fillside.rig"),
}
SHELL: dict[str, Room] = {
    "fillside.manual": Room(),
    "fillside.system_errors": Room("fillside_drivers.plain_errors"),
    "fillside.rig_file": Room(
        "fillside.orders fillside.rig fillside.system_errors fillside_drivers.gdtf "
        "fillside_drivers.plain_files fillside_drivers.registry"
    ),
    "fillside.background": Room("fillside_drivers.cancellation fillside_drivers.retry"),
    "fillside.access": Room(
        "fillside.access.permissions fillside.bounds fillside.orders fillside.system_errors "
        "fillside_drivers.plain_files"
    ),
    "fillside.storage": Room(
        "fillside_drivers.system "
        "fillside.belief fillside.bounds fillside.orders fillside.rig fillside.system_errors"
    ),
    "fillside.runtime": Room(
        "fillside_drivers.system "
        "fillside.background fillside.balance fillside.hold.contract fillside.hold.events "
        "fillside.hold.fading fillside.hold.memory fillside.hold.snapshot fillside.orders fillside.rig "
        "fillside.storage fillside_drivers.driver fillside_drivers.registry"
    ),
    "fillside.doors": Room("fillside.orders fillside.runtime fillside.storage"),
    "fillside.metering": Room(
        "fillside.background fillside.balance fillside.belief fillside.hold.contract "
        "fillside.hold.events fillside.hold.machine fillside.hold.memory fillside.metering.routine "
        "fillside.orders fillside.photometry fillside.rig fillside.runtime fillside.storage "
        "fillside.system_errors fillside_drivers.driver fillside_drivers.sim"
    ),
    "fillside.doors.mqtt": Room(
        "fillside_drivers.system "
        "fillside.doors fillside.doors.mqtt.homie fillside.doors.mqtt.messages "
        "fillside.doors.mqtt.sensors fillside.orders fillside.rig fillside.runtime fillside.storage "
        "fillside_drivers.cancellation fillside_drivers.mqtt fillside_drivers.retry"
    ),
    "fillside.doors.osc": Room(
        "fillside_drivers.system "
        "fillside.doors fillside.doors.osc.addresses fillside.doors.osc.packet fillside.orders "
        "fillside.rig fillside.runtime fillside.storage fillside.system_errors"
    ),
    "fillside.doors.http": Room(
        "fillside_drivers.system "
        "fillside.access fillside.access.permissions fillside.background fillside.belief "
        "fillside.doors fillside.doors.http.connection_limits fillside.hold.snapshot fillside.manual "
        "fillside.orders "
        "fillside.planning fillside.rig fillside.runtime fillside.storage fillside.system_errors "
        "fillside_drivers.plain_files"
    ),
    "fillside.doors.keys": Room(
        "fillside.doors.keys.escape_codes fillside.doors.keys.presses fillside.rig "
        "fillside.system_errors fillside_drivers.retry"
    ),
    "fillside.sheet": Room("fillside.belief fillside.planning fillside.rig fillside.text"),
    "fillside.daemon": Room(
        "fillside_drivers.system "
        "fillside.access fillside.background fillside.belief fillside.bounds fillside.doors "
        "fillside.doors.http fillside.doors.mqtt fillside.doors.osc fillside.hold.contract "
        "fillside.hold.machine fillside.hold.memory fillside.metering fillside.rig "
        "fillside.rig_file fillside.runtime "
        "fillside.storage fillside.system_errors fillside.text fillside_drivers.driver "
        "fillside_drivers.mqtt"
    ),
    "fillside.demo": Room(
        "fillside.daemon fillside.doors.http fillside.metering fillside.orders fillside.rig "
        "fillside.rig_file "
        "fillside.storage fillside_drivers.cancellation fillside_drivers.driver fillside_drivers.mqtt "
        "fillside_drivers.registry fillside_drivers.sim"
    ),
    "fillside.cli": Room(
        "fillside.access fillside.access.permissions fillside.balance fillside.belief "
        "fillside.daemon fillside.demo fillside.doors fillside.doors.http "
        "fillside.doors.keys fillside.doors.keys.presses fillside.manual fillside.orders "
        "fillside.metering.routine fillside.photometry fillside.planning "
        "fillside.rig_file fillside.rig "
        "fillside.sheet fillside.storage fillside.system_errors fillside.text fillside_drivers.driver "
        "fillside_drivers.plain_files fillside_drivers.registry"
    ),
}
TABLE: dict[str, Room] = {**DRIVERS, **PURE_ROOMS, **SHELL}
"""From the ground up. A new room gets a line here: where it stands, what it may see, whether it is pure."""

COMPUTES = frozenset(
    {
        *("__future__", "abc", "array", "base64", "bisect", "collections", "copy", "csv", "dataclasses"),
        *("decimal", "difflib", "enum", "errno", "fractions", "functools", "hashlib", "hmac", "io"),
        *("ipaddress", "itertools", "json", "math", "operator", "re", "string", "struct", "textwrap"),
        *("tomllib", "types", "typing", "unicodedata", "uuid", "xml", "zipfile", "zlib"),
        *("numpy", "pydantic", "pydantic_core", "spanned_toml"),
    }
)
"""What a pure room may import from outside. Of `io` and `zipfile` it is what works in memory: with no `open`,
no `os` and no `pathlib` there is no file to hand them."""
CALLS_OUT = frozenset({"open", "print", "input", "exec", "eval", "__import__"})
READS_FILES = frozenset(
    {
        *("load", "save", "savez", "savez_compressed", "loadtxt", "savetxt", "genfromtxt", "fromfile"),
        *("memmap", "random"),
    }
)
"""Of numpy. `random` without a seed is no function of what goes in."""

EXCEPTIONS: dict[tuple[str, str], str] = {
    (
        "fillside.rig.tables.doors",
        "fillside_drivers.mqtt",
    ): "the broker's options are those of the MQTT driver",
    (
        "fillside.belief.evidence",
        "datetime",
    ): "reads the times that evidence carries, and never asks for the present one",
    ("fillside.doors.osc.packet", "pythonosc"): "the library's codec alone, which works in memory",
}
"""By module, and by the room, the outside package or the builtin that it should not use."""


MOST_LINES = 500
"""Of a module."""


class Use(NamedTuple):
    """A module of the project uses something, on a line."""

    module: str
    used: str
    line: int


@cache
def modules() -> Mapping[str, Path]:
    """Every module of the project by its dotted name."""
    found: dict[str, Path] = {}
    for package, folder in HOUSES.items():
        for path in sorted(folder.rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            name = ".".join((package, *parts)).removesuffix(".__init__")
            found[name] = path
    return found


def room_of(module: str) -> str | None:
    """The longest name in the table that a module lies under, None if there is none but its house's."""
    parts = module.split(".")
    names = [".".join(parts[:count]) for count in range(len(parts), 0, -1)]
    found = next((name for name in names if name in TABLE), None)
    return None if found in HOUSES and found != module else found


@lru_cache(1)
def tree_of(source: str) -> ast.Module:
    return ast.parse(source)


def imports(module: str, source: str) -> Iterator[Use]:
    """All that a source imports, wherever in it; `from package import module` is that module."""
    for node in ast.walk(tree_of(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = _base(module, node)
            whole = [f"{base}.{alias.name}" for alias in node.names]
            names = [name if name in modules() else base for name in whole]
        elif isinstance(node, ast.Call) and _name(node.func) == "import_module" and node.args:
            first = node.args[0]
            names = [first.value] if isinstance(first, ast.Constant) and isinstance(first.value, str) else []
        for name in names:
            assert isinstance(node, ast.stmt | ast.expr)
            yield Use(module, name, node.lineno)


def _base(module: str, node: ast.ImportFrom) -> str:
    if node.level == 0:
        return node.module or ""
    package = module if modules()[module].name == "__init__.py" else module.rpartition(".")[0]
    parts = package.split(".")[: len(package.split(".")) - node.level + 1]
    return ".".join([*parts, node.module or ""]).rstrip(".")


def _name(called: ast.expr) -> str:
    if isinstance(called, ast.Attribute):
        return called.attr
    return called.id if isinstance(called, ast.Name) else ""


def impure_uses(module: str, source: str) -> Iterator[Use]:
    """Calls of builtins, and uses of numpy, that reach outside."""
    for node in ast.walk(tree_of(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CALLS_OUT:
            yield Use(module, node.func.id, node.lineno)
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id in ("np", "numpy")
            and node.attr in READS_FILES
        ):
            yield Use(module, f"numpy.{node.attr}", node.lineno)


def wrong(module: str, source: str) -> Iterator[Use]:
    """What a module with this source uses against the table; exceptions are among it."""
    name = room_of(module)
    assert name is not None, f"{module} has no line in the table"
    room = TABLE[name]
    for use in imports(module, source):
        outside = use.used.partition(".")[0]
        if outside not in HOUSES:
            if room.pure and outside not in COMPUTES:
                yield use._replace(used=outside)
            continue
        other = room_of(use.used)
        assert other is not None, f"{use.used}, imported by {module}, has no line in the table"
        if other not in (name, *room.may.split()):
            yield use._replace(used=other)
    if room.pure:
        yield from impure_uses(module, source)


def modules_of(room: str) -> list[str]:
    return [module for module in modules() if room_of(module) == room]


def test_every_module_has_a_room_and_every_line_of_the_table_a_module() -> None:
    homeless = [module for module in modules() if room_of(module) is None]
    assert not homeless, "give their rooms a line in the table of this file"
    assert [room for room in TABLE if not modules_of(room)] == []


@pytest.mark.parametrize("room", TABLE)
def test_a_room_uses_what_it_may(room: str) -> None:
    found = [
        use for module in modules_of(room) for use in wrong(module, modules()[module].read_text("utf-8"))
    ]
    assert [use for use in found if (use.module, use.used) not in EXCEPTIONS] == []


@pytest.mark.parametrize(("module", "used"), EXCEPTIONS)
def test_no_exception_outlives_its_cause(module: str, used: str) -> None:
    assert module in modules(), f"there is no {module} any more"
    found = {use.used for use in wrong(module, modules()[module].read_text("utf-8"))}
    assert used in found, f"{module} uses {used} no more: strike the exception"


def test_a_module_is_short_enough_to_be_one_idea() -> None:
    lines = {name: path.read_text("utf-8").count("\n") for name, path in modules().items()}
    long = {name: count for name, count in lines.items() if count > MOST_LINES}
    assert not long, f"a module has {MOST_LINES} lines at most"


def test_rooms_stand_from_the_ground_up_and_pure_ones_on_pure_ones() -> None:
    above: set[str] = set()
    for name, room in TABLE.items():
        may = room.may.split()
        assert set(may) <= above, f"{name} may not look at {set(may) - above}, which stand on it"
        if room.pure:
            assert all(TABLE[other].pure for other in may), f"{name} is pure and stands on what is not"
        above.add(name)


@pytest.mark.parametrize(
    ("module", "source", "used"),
    [
        ("fillside.hold.tracking.pace", "import asyncio", "asyncio"),
        ("fillside.hold.tracking.pace", "from threading import Lock", "threading"),
        ("fillside.hold.tracking.pace", "def late():\n    import time", "time"),
        ("fillside.rig.tables.model", "if TYPE_CHECKING:\n    from pathlib import Path", "pathlib"),
        (
            "fillside.balance.solver.solve",
            "from fillside.hold.tracking import pace",
            "fillside.hold.tracking",
        ),
        ("fillside.balance.solver.solve", "from ...hold.tracking.pace import Pace", "fillside.hold.tracking"),
        ("fillside.photometry.disc", "import fillside.rig.tables.model", "fillside.rig"),
        ("fillside.hold.machine.hold", "from fillside.planning.plan import plan_rig", "fillside.planning"),
        ("fillside.doors.osc.listener", "def f():\n    import fillside_drivers.sim", "fillside_drivers.sim"),
        ("fillside.doors.osc.listener", "import_module('fillside.demo.play')", "fillside.demo"),
        ("fillside_drivers.sacn.sender", "from fillside.photometry import disc", "fillside.photometry"),
        ("fillside_drivers.sacn.packet", "import socket", "socket"),
        (
            "fillside.belief.posterior",
            "from fillside.metering.routine import checks",
            "fillside.metering.routine",
        ),
        ("fillside.belief.posterior", "table = open('readings.csv')", "open"),
        (
            "fillside.belief.posterior",
            "import numpy as np\nnp.loadtxt('readings.csv')",
            "numpy.loadtxt",
        ),
    ],
)
def test_what_may_not_be_is_found(module: str, source: str, used: str) -> None:
    assert [use.used for use in wrong(module, source)] == [used]


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("fillside.hold.tracking.pace", "import math\nfrom fillside.rig.tables.model import Rig"),
        ("fillside.doors.http.app", "import asyncio\nfrom fillside.runtime.loop import Runner"),
        ("fillside.belief.evidence", "import io\nio.StringIO('head,level')"),
    ],
)
def test_what_may_be_is_let_alone(module: str, source: str) -> None:
    assert not list(wrong(module, source))
