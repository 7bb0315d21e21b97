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
    "fillside_drivers.cancelling": Room(),
    "fillside_drivers.retry": Room(),
    "fillside_drivers.plain_errors": Room(),
    "fillside_drivers.plain_files": Room(),
    "fillside_drivers.driver": Room(),
    "fillside_drivers.slots": Room("fillside_drivers.driver fillside_drivers.gdtf"),
    "fillside_drivers.sacn.packet": pure(),
    "fillside_drivers.sacn.sources": pure("fillside_drivers.sacn.packet"),
    "fillside_drivers.sacn": Room(
        "fillside_drivers.driver fillside_drivers.plain_errors fillside_drivers.retry "
        "fillside_drivers.slots fillside_drivers.sacn.packet fillside_drivers.sacn.sources"
    ),
    "fillside_drivers.dmx_serial.timing": pure(),
    "fillside_drivers.dmx_serial": Room(
        "fillside_drivers.driver fillside_drivers.plain_errors fillside_drivers.retry "
        "fillside_drivers.slots fillside_drivers.dmx_serial.timing"
    ),
    "fillside_drivers.mqtt": Room(
        "fillside_drivers.driver fillside_drivers.cancelling fillside_drivers.plain_errors "
        "fillside_drivers.plain_files fillside_drivers.retry"
    ),
    "fillside_drivers.sim": Room("fillside_drivers.driver fillside_drivers.slots"),
    "fillside_drivers.registry": Room(
        "fillside_drivers.driver fillside_drivers.plain_errors fillside_drivers.sacn "
        "fillside_drivers.dmx_serial fillside_drivers.mqtt fillside_drivers.sim"
    ),
}
QUIET: dict[str, Room] = {
    "fillside": pure(),
    "fillside.visible": pure(),
    "fillside.photometry": pure(),
    "fillside.rig": pure("fillside.photometry"),
    "fillside.answers": pure("fillside.rig"),
    "fillside.strict_json": pure("fillside.answers"),
    "fillside.balance": pure("fillside.photometry fillside.rig"),
    "fillside.calibration": pure("fillside.photometry fillside.rig fillside.balance"),
    "fillside.planning": pure("fillside.photometry fillside.rig fillside.balance"),
    "fillside.bounds": pure(),
    "fillside.hold": pure(
        "fillside.photometry fillside.rig fillside.balance fillside.bounds fillside.calibration"
    ),
    "fillside.access.passes": pure("fillside.answers"),
    "fillside.interfaces": pure(),
    "fillside.interfaces.http.crowd": pure(),
    "fillside.interfaces.keys.octets": pure("fillside.rig"),
    "fillside.interfaces.keys.hand": pure("fillside.rig"),
    "fillside.interfaces.osc.packet": pure(),
    "fillside.interfaces.osc.words": pure(
        "fillside.answers fillside.strict_json fillside.rig fillside.interfaces.osc.packet"
    ),
    "fillside.interfaces.mqtt.sensors": pure("fillside.answers fillside.strict_json fillside.rig"),
    "fillside.interfaces.mqtt.words": pure(
        "fillside.answers fillside.strict_json fillside.rig fillside.interfaces.mqtt.sensors"
    ),
    "fillside.interfaces.mqtt.homie": pure("fillside.answers fillside.balance fillside.rig"),
    "fillside.figures": pure(),
}
SHELL: dict[str, Room] = {
    "fillside.plain_errors": Room("fillside_drivers.plain_errors"),
    "fillside.side_jobs": Room("fillside_drivers.cancelling fillside_drivers.retry"),
    "fillside.access": Room(
        "fillside.answers fillside.bounds fillside.plain_errors fillside.access.passes "
        "fillside_drivers.plain_files"
    ),
    "fillside.storage": Room(
        "fillside.answers fillside.bounds fillside.calibration fillside.plain_errors fillside.rig "
        "fillside.strict_json"
    ),
    "fillside.apart": Room(),
    "fillside.live": Room(),
    "fillside.logs": Room("fillside.bounds fillside.visible"),
    "fillside.turnstile": Room(),
    "fillside.notify": Room(),
    "fillside.loom": Room("fillside.balance fillside.rig fillside_drivers.driver fillside_drivers.registry"),
    "fillside.wire_news": Room("fillside.hold fillside_drivers.driver"),
    "fillside.meter_side": Room("fillside.calibration"),
    "fillside.record": Room(
        "fillside.balance fillside.hold fillside.rig fillside.side_jobs fillside.storage"
    ),
    "fillside.runner": Room(
        "fillside.answers fillside.balance fillside.calibration fillside.figures fillside.hold "
        "fillside.live fillside.loom fillside.meter_side fillside.record fillside.rig fillside.side_jobs "
        "fillside.storage fillside.turnstile fillside.wire_news fillside_drivers.driver"
    ),
    "fillside.readiness": Room("fillside.runner fillside.storage"),
    "fillside.first_start": Room("fillside.rig fillside.storage"),
    "fillside.metering": Room(
        "fillside.answers fillside.apart fillside.balance fillside.calibration fillside.hold fillside.loom "
        "fillside.photometry fillside.plain_errors fillside.rig fillside.runner fillside.storage "
        "fillside_drivers.driver"
    ),
}
DOORS: dict[str, Room] = {
    "fillside.interfaces.door": Room("fillside.answers fillside.side_jobs fillside.storage"),
    "fillside.metrics": Room(
        "fillside.runner fillside.storage fillside.interfaces.door fillside.interfaces.http.crowd"
    ),
    "fillside.interfaces.mqtt": Room(
        "fillside.answers fillside.live fillside.rig fillside.storage fillside.strict_json "
        "fillside.interfaces.door fillside.interfaces.mqtt.sensors fillside.interfaces.mqtt.words "
        "fillside.interfaces.mqtt.homie"
    ),
    "fillside.interfaces.osc": Room(
        "fillside.answers fillside.live fillside.plain_errors fillside.rig fillside.storage "
        "fillside.strict_json fillside.interfaces.door fillside.interfaces.osc.packet "
        "fillside.interfaces.osc.words"
    ),
    "fillside.interfaces.doors": Room(
        "fillside.rig fillside.interfaces.door fillside.interfaces.mqtt fillside.interfaces.osc"
    ),
    "fillside.interfaces.http": Room(
        "fillside.access fillside.access.passes fillside.answers fillside.calibration fillside.hold "
        "fillside.live fillside.metrics fillside.plain_errors fillside.planning fillside.readiness "
        "fillside.rig fillside.runner fillside.side_jobs fillside.storage fillside.strict_json "
        "fillside.turnstile fillside.interfaces.http.crowd "
        "fillside_drivers.plain_files"
    ),
    "fillside.interfaces.keys": Room(
        "fillside.plain_errors fillside.rig fillside.interfaces.keys.octets fillside.interfaces.keys.hand"
    ),
    "fillside.interfaces.plots": Room("fillside.calibration"),
    "fillside.interfaces.sheet": Room("fillside.planning fillside.rig"),
}
TOP: dict[str, Room] = {
    "fillside.doorway": Room("fillside.rig fillside.interfaces.door fillside.interfaces.doors"),
    "fillside.reload": Room(
        "fillside.apart fillside.doorway fillside.hold fillside.interfaces.door fillside.loom "
        "fillside.metering fillside.plain_errors fillside.rig fillside.runner fillside.storage "
        "fillside_drivers.driver"
    ),
    "fillside.service": Room(
        "fillside.calibration fillside.first_start fillside.interfaces.http fillside.notify "
        "fillside.readiness fillside.reload"
    ),
    "fillside.daemon": Room(
        "fillside.access fillside.doorway fillside.hold fillside.interfaces.doors "
        "fillside.interfaces.http fillside.loom fillside.metering fillside.metrics fillside.notify "
        "fillside.reload fillside.rig fillside.runner fillside.service fillside.storage "
        "fillside_drivers.driver"
    ),
    "fillside.demo": Room(
        "fillside.answers fillside.daemon fillside.interfaces.http fillside.rig fillside.storage "
        "fillside_drivers.cancelling fillside_drivers.driver fillside_drivers.mqtt "
        "fillside_drivers.registry fillside_drivers.sim"
    ),
    "fillside.interfaces.cli": Room(
        "fillside.access fillside.access.passes fillside.answers fillside.balance fillside.calibration "
        "fillside.daemon fillside.demo fillside.interfaces.door fillside.interfaces.http "
        "fillside.interfaces.keys fillside.interfaces.keys.hand "
        "fillside.interfaces.plots fillside.interfaces.sheet fillside.logs fillside.photometry "
        "fillside.plain_errors fillside.planning fillside.rig "
        "fillside.service fillside.storage fillside.strict_json fillside.visible "
        "fillside_drivers.plain_files"
    ),
}
TABLE: dict[str, Room] = {**DRIVERS, **QUIET, **SHELL, **DOORS, **TOP}
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
    ("fillside.rig.load", "pathlib"): "opens the rig file: the one module of the room that does",
    ("fillside.rig.load", "fillside_drivers.plain_files"): "opens the rig file and those that it names",
    ("fillside.rig.load", "fillside.plain_errors"): "says why the rig file cannot be read",
    ("fillside.rig.load", "fillside_drivers.registry"): "a head's drive is read by the model of its driver",
    ("fillside.rig.load", "fillside_drivers.gdtf"): "a lamp's mode is read from its maker's file",
    ("fillside.rig.doors", "fillside_drivers.mqtt"): "the broker's options are those of the MQTT driver",
    ("fillside.interfaces.osc.packet", "pythonosc"): "the library's codec alone, which works in memory",
    ("fillside.interfaces.doors", "fillside_drivers.mqtt"): "shares the MQTT driver's secret and TLS",
    ("fillside.interfaces.mqtt.connection", "fillside_drivers.mqtt"): "shares the MQTT driver's client",
    ("fillside.interfaces.mqtt.connection", "fillside_drivers.cancelling"): "shares its way to end tasks",
    ("fillside.interfaces.mqtt.connection", "fillside_drivers.retry"): "shares the drivers' back-off",
    ("fillside.interfaces.keys.device", "fillside_drivers.retry"): "shares the drivers' back-off",
    ("fillside.interfaces.cli.run", "fillside_drivers.driver"): "turns a driver's errors into an exit status",
    ("fillside.interfaces.cli.offline", "fillside_drivers.registry"): "lists the kinds for the schema",
    ("fillside.interfaces.sheet.words", "fillside.interfaces.cli"): "prints numbers as the terminal does",
    ("fillside.service", "fillside.daemon"): "knows the daemon's settings, by their type alone",
    ("fillside.metering.virtual", "fillside.demo"): "a simulated meter asks the made-up studio for its truth",
    ("fillside.metering.virtual", "fillside_drivers.sim"): "a simulated meter hangs on the simulated wire",
}
"""By module, and by the room, the outside package or the builtin that it should not use."""


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
    return None if found in (*HOUSES, "fillside.interfaces") and found != module else found


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
        ("fillside.hold.pace", "import asyncio", "asyncio"),
        ("fillside.hold.pace", "from threading import Lock", "threading"),
        ("fillside.hold.pace", "def late():\n    import time", "time"),
        ("fillside.rig.model", "if TYPE_CHECKING:\n    from pathlib import Path", "pathlib"),
        ("fillside.balance.solve", "from fillside.hold import pace", "fillside.hold"),
        ("fillside.balance.solve", "from ..hold.pace import Pace", "fillside.hold"),
        ("fillside.photometry.disc", "import fillside.rig.model", "fillside.rig"),
        ("fillside.hold.hold", "from fillside.planning.plan import plan_rig", "fillside.planning"),
        ("fillside.interfaces.osc.door", "def f():\n    import fillside_drivers.sim", "fillside_drivers.sim"),
        ("fillside.interfaces.osc.door", "import_module('fillside.demo.play')", "fillside.demo"),
        ("fillside_drivers.sacn.sender", "from fillside.photometry import disc", "fillside.photometry"),
        ("fillside_drivers.sacn.packet", "import socket", "socket"),
        ("fillside.calibration.fit", "table = open('readings.csv')", "open"),
        ("fillside.calibration.fit", "import numpy as np\nnp.loadtxt('readings.csv')", "numpy.loadtxt"),
    ],
)
def test_what_may_not_be_is_found(module: str, source: str, used: str) -> None:
    assert [use.used for use in wrong(module, source)] == [used]


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("fillside.hold.pace", "import math\nfrom fillside.rig.model import Rig"),
        ("fillside.interfaces.http.app", "import asyncio\nfrom fillside.runner import Runner"),
        ("fillside.calibration.readings", "import io\nio.StringIO('head,level')"),
    ],
)
def test_what_may_be_is_let_alone(module: str, source: str) -> None:
    assert not list(wrong(module, source))
