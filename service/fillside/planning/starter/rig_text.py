"""The first rig file as commented text, its drivers and drives included."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator

from fillside.balance.rows import EXPOSURE
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.photometry.exposure import target_lux
from fillside.planning.answers.camera import Shutter
from fillside.planning.answers.question import Answers
from fillside.planning.answers.stands import bearing_text
from fillside.planning.answers.wires import (
    DRIVER,
    MQTT,
    SACN,
    SERIAL,
    SIM,
)
from fillside.planning.figures import Lengths
from fillside.planning.look.mark import solve_mark
from fillside.planning.look.reach import reach_answer
from fillside.planning.starter.first_set import FirstHead, FirstSet, FirstWire, first_set
from fillside.rig.file.build import build_rig
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import DEFAULT_CONSTANT, Rig

ISO_SERIES = (
    *(100, 125, 160, 200, 250, 320, 400, 500, 640, 800),
    *(1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400),
)
"""Third-stop ISO speeds; the first that leaves the lamps headroom is chosen."""
HEADROOM_STOPS = 1.0
"""Distance of the first exposure from the most that the lamps can give [stops]."""
COMFORTABLE_LUX = 750.0
"""Largest light on the face in a first set; 500 to 1000 lux are usual for a person talking toward a key
(common practice, no source).
"""
RELATIVE_STOPS = {"hair": -0.5, "background": -1.0}
"""First settings of hair and background, against key and exposure (common practice, no source)."""


def rig_text(answers: Answers) -> str:
    """Return a rig file for complete answers: it passes the check, and its lamps can hold its balance."""
    first = first_set(answers)
    return _text(first, _iso(first))


def _iso(first: FirstSet) -> int:
    """Return the lowest ISO that holds the target ratio with lamps a stop under full, or the highest."""
    solver = BalanceSolver(scene(_rig(_text(first, ISO_SERIES[0]))))
    at = solve_mark(solver, target_from_rig(solver.scene.rig), first.subject)
    span = reach_answer(at.metering, at.rows, at.target, at.limits, at.outputs).exposures
    most = float(at.rows.lux(at.limits.most)[EXPOSURE]) if span is None else span.most.exposure_lux
    open_s = first.shutter.seconds(first.fps)
    for iso in ISO_SERIES:
        wanted = target_lux(DEFAULT_CONSTANT["dome"], first.aperture, open_s, iso)
        if wanted <= min(most / 2**HEADROOM_STOPS, COMFORTABLE_LUX):
            return iso
    return ISO_SERIES[-1]


def _rig(text: str) -> Rig:
    rig, problems = build_rig(tomllib.loads(text), None)
    if rig is None:
        raise ValueError("; ".join(problem.message for problem in problems))
    return rig


def _text(first: FirstSet, iso: int) -> str:
    parts = [_camera_and_subject(first, iso), _balance(first), _plan(first)]
    parts += [_head(first, head) for head in first.heads]
    if first.wire is not None:
        parts.append(driver_lines(first.wire))
    written = ("".join(f"{line}\n" for line in part) for part in parts)
    return "\n".join(part for part in written if part)


def _feet(first: FirstSet, metres: float, comment: str = "") -> str:
    """Return a comment on a length, with the length in feet and inches if those are in use."""
    length = [Lengths(feet=True).long(metres)] if first.feet else []
    return ", ".join([*length, *([comment] if comment else [])])


def _point(point: tuple[float, float, float]) -> str:
    return "[" + ", ".join(f"{part:.2f}" for part in point) + "]"


def _line(key: str, value: object, comment: str = "") -> str:
    text = f"{key} = {value}"
    return f"{text:<27} # {comment}" if comment else text


def _camera_and_subject(first: FirstSet, iso: int) -> Iterator[str]:
    yield "# Places are in metres from the floor under the subject: x to the right as the camera sees it,"
    yield "# y away from the camera, z up. Put the stands up, measure with a tape, and correct them here."
    yield ""
    yield "[rig]"
    yield _line("name", f'"{first.name}"')
    yield ""
    yield "[camera]"
    away = _feet(first, first.camera_distance_m, "the front of the lens")
    yield _line("position", _point(first.camera), away)
    yield _line("iso", iso, "so that the lamps work about a stop under full")
    yield _shutter(first, first.shutter)
    yield _line("fps", f"{first.fps:g}")
    yield _line("aperture", f"{first.aperture:g}")
    yield ""
    yield "[meter]"
    yield _line("receptor", '"dome"', "exposure is read with the dome, at the subject")
    yield _line("facing", '"camera"')
    yield ""
    yield "[marks]"
    sits = "standing" if first.stands else "sitting"
    eyes = _feet(first, first.eyes_m, f"the eyes, {sits}; add marks as you need them")
    yield _line("middle", _point(first.subject), eyes)
    yield ""
    yield "[subject]"
    yield _line("at", '"middle"')
    yield _line("looks", '"camera"', "or the name of a mark")
    yield _line("most_lux", 1500, "never more on the brighter side of the face, whatever is wanted")


def _shutter(first: FirstSet, shutter: Shutter) -> str:
    if shutter.angle:
        return _line("shutter_angle", shutter.text, "degrees, at the frame rate below")
    even = shutter.text == f"1/{first.hertz:.0f}"
    return _line(
        "shutter", f'"{shutter.text}"', f"even with lamps on {first.hertz:.0f} Hz mains" if even else "s"
    )


def _balance(first: FirstSet) -> Iterator[str]:
    roles = [head.role for head in first.heads]
    yield "[balance]"
    yield _line("ratio", f'"{first.ratio}"', "key to fill, each metered alone")
    yield _line("exposure", '"camera"', "what the camera's settings ask for; or a number of lux")
    relative = {role: stops for role, stops in RELATIVE_STOPS.items() if role in roles}
    if relative:
        pairs = ", ".join(f"{role} = {stops}" for role, stops in relative.items())
        yield _line("relative", f"{{ {pairs} }}", "stops")
    if "background" in roles:
        yield _line("against", '{ background = "exposure" }')


def _plan(first: FirstSet) -> Iterator[str]:
    names = ", ".join(f'"{head.role}"' for head in first.heads)
    yield "[plan]                      # for fillside plan and fillside sheet; holding does not need it"
    yield _line("wall", f"{first.wall_m:.2f}", _feet(first, first.wall_m, "y of the wall behind"))
    yield _line("ceiling", f"{first.ceiling_m:.2f}", _feet(first, first.ceiling_m))
    yield _line("mains_volts", f"{first.volts:.0f}")
    yield _line("mains_hertz", f"{first.hertz:.0f}")
    yield _line(
        "view", f"{{ degrees = {max(2.0, first.view_deg):.0f} }}", "across the picture: head and shoulders"
    )
    if first.glasses:
        yield "# tilt: lower edge toward the cheek, in degrees; curve: base curve in dioptres, 0 if flat"
        yield "pose = { glasses = { tilt = 8, curve = 6 } }"
    yield "# one entry for each breaker; check what it says, and follow your local code"
    yield f"circuits = {{ socket = {{ amps = {first.amps:.0f}, heads = [{names}] }} }}"


def _head(first: FirstSet, head: FirstHead) -> Iterator[str]:
    show = Lengths(first.feet).long
    stand, height = head.stand, show(head.stand.height_m)
    yield "[[heads]]"
    yield f'name = "{head.role}"'
    yield f'role = "{head.role}"'
    yield f"# {show(stand.distance_m)} from the face, {bearing_text(stand.angle_deg)}, {height} high"
    yield _line("position", _point(head.position), "the middle of the lit face")
    if head.aim is not None:
        yield _line("aim", _point(head.aim), "the spot on the wall")
    yield from _lamp(head)
    yield from _modifier(first, head)
    yield _line("bounce", first.bounce, "part of its light that the room sends back; a guess")
    if first.wire is not None and head.role in first.wire.roles:
        yield f'dimming = {{ curve = "linear", floor = {head.floor} }}  # a first guess; readings tell better'
        yield drive_line(first.wire, head.role)
    else:
        yield 'dimming = { curve = "fixed" }  # not to be dimmed: a constant in the balance'


def _lamp(head: FirstHead) -> Iterator[str]:
    each = head.lamp.lumens / head.count
    power = f", watts = {head.light.watts:g}" if head.light.watts is not None else ""
    if head.light.lumens is None:
        low, high = head.lamp.least_lumens / head.count, head.lamp.most_lumens / head.count
        yield f"# lumens guessed from watts and kind, {low:.0f} to {high:.0f}: one reading tells"
    yield (
        f'lamp = {{ kind = "{head.kind}", lumens = {each:g}, count = {head.count}, cct = {head.cct_k:g}'
        f"{power}, dimmable = {'true' if head.dimmable else 'false'} }}"
    )


def _modifier(first: FirstSet, head: FirstHead) -> Iterator[str]:
    usual = head.usual
    yield "# efficiency and spread as such modifiers usually have them; add max_watts, its marked lamp power"
    yield (
        f'modifier = {{ kind = "{head.modifier}", diameter = {head.diameter_m:.2f}, '
        f"efficiency = {usual.efficiency}, spread = {usual.spread} }}"
        f"{f'  # {across}' if (across := _feet(first, head.diameter_m)) and head.diameter_m else ''}"
    )


REHEARSAL_HINT = f'change the word after kind in [drivers.{DRIVER}] to "sim"'
"""Instruction for trying a rig of real lamps without them."""


def toml_string(text: str) -> str:
    """Return a TOML string: literal where possible, else with escapes."""
    return f"'{text}'" if '"' in text and "'" not in text else json.dumps(text, ensure_ascii=False)


def drive_line(wire: FirstWire, role: str) -> str:
    """Return the `drive` line of the head of this role, which must be dimmed."""
    at = wire.roles.index(role)
    if wire.kind == MQTT:
        parts = [
            f"send_to = {toml_string(wire.topics[at])}",
            f"send_as = {toml_string(wire.message.send_as)}",
        ]
        parts.append(f"full_scale = {wire.message.full_scale}")
    else:
        parts = [] if wire.kind == SERIAL else [f"universe = {wire.universe}"]
        parts += [f"slot = {wire.slots.numbers[at]}", *(["bits = 16"] if wire.slots.bits == 16 else [])]
    return f'drive = {{ driver = "{DRIVER}", {", ".join(parts)} }}'


def driver_lines(wire: FirstWire) -> Iterator[str]:
    """Yield the `[drivers]` table."""
    yield f"[drivers.{DRIVER}]"
    if wire.kind == SIM:
        yield 'kind = "sim"                # simulated lamps; for a network node write kind = "sacn"'
        return
    yield f'kind = {toml_string(wire.kind):<20} # {_WIRE_COMMENTS[wire.kind]}; "sim" rehearses without them'
    yield from _OPTIONS[wire.kind](wire)


_WIRE_COMMENTS = {
    SACN: "streaming ACN, ANSI E1.31",
    SERIAL: "DMX512 by a USB adapter, ANSI E1.11",
    MQTT: "bulbs on a broker",
}


def _sacn(wire: FirstWire) -> Iterator[str]:
    yield f"to = [{', '.join(toml_string(host) for host in wire.to)}]"


def _serial(wire: FirstWire) -> Iterator[str]:
    yield f"device = {toml_string(wire.device)}"


def _mqtt(wire: FirstWire) -> Iterator[str]:
    broker = wire.broker
    yield f"broker = {toml_string(broker.host)}"
    if broker.port is not None:
        yield f"port = {broker.port}"
    if broker.tls:
        yield "tls = true"
    yield '# where the broker asks who you are: user_from = "env:NAME", password_from = "file:PATH"'
    yield "# reports_at, ask_to and alive_at in a drive, where its bulb has them, let it be seen to obey"


_OPTIONS = {SACN: _sacn, SERIAL: _serial, MQTT: _mqtt}
