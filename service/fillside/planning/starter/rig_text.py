"""The first rig file as commented text."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from fillside.balance.rows import EXPOSURE
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.photometry.exposure import target_lux
from fillside.planning.answers.camera import Shutter
from fillside.planning.answers.stands import round_the_face
from fillside.planning.lengths import Lengths
from fillside.planning.look.mark import solve_mark
from fillside.planning.look.reach import reach_answer
from fillside.planning.starter.first_set import FirstHead, FirstSet, first_set
from fillside.planning.starter.wires import drive_line, driver_lines
from fillside.rig.file.build import build_rig
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import DEFAULT_CONSTANT, Rig

ISO_SERIES = (
    *(100, 125, 160, 200, 250, 320, 400, 500, 640, 800),
    *(1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400),
)
"""Third-stop ISO speeds, from which the first that leaves the lamps room is taken."""
HEADROOM_STOPS = 1.0
"""How far under the most that the lamps can give the first exposure is set."""
COMFORTABLE_LUX = 750.0
"""More than this at the face is asked of nobody in a first set; 500 to 1000 lux are usual for somebody who
talks toward a key (common practice, no source)."""
RELATIVE_STOPS = {"hair": -0.5, "background": -1.0}
"""Where hair and background begin, against key and exposure (common practice, no source)."""


def rig_text(answers: Mapping[str, Any]) -> str:
    """A rig file for complete answers: it passes the check, and its lamps can hold its balance."""
    own = first_set(answers)
    return _text(own, _iso(own))


def _iso(own: FirstSet) -> int:
    """The lowest ISO at which the wanted ratio is held with lamps a stop under full; the highest if none."""
    solver = BalanceSolver(scene(_rig(_text(own, ISO_SERIES[0]))))
    at = solve_mark(solver, target_from_rig(solver.scene.rig), own.subject)
    span = reach_answer(at.metering, at.rows, at.target, at.limits, at.outputs).exposures
    most = float(at.rows.lux(at.limits.most)[EXPOSURE]) if span is None else span.most.exposure_lux
    open_s = own.answers["shutter"].seconds(own.fps)
    for iso in ISO_SERIES:
        wanted = target_lux(DEFAULT_CONSTANT["dome"], float(own.answers["aperture"]), open_s, iso)
        if wanted <= min(most / 2**HEADROOM_STOPS, COMFORTABLE_LUX):
            return iso
    return ISO_SERIES[-1]


def _rig(text: str) -> Rig:
    rig, problems = build_rig(tomllib.loads(text), None)
    if rig is None:
        raise ValueError("; ".join(problem.message for problem in problems))
    return rig


def _text(own: FirstSet, iso: int) -> str:
    parts = [_camera_and_subject(own, iso), _balance(own), _plan(own)]
    parts += [_head(own, head) for head in own.heads]
    parts.append(driver_lines(own.answers))
    written = ("".join(f"{line}\n" for line in part) for part in parts)
    return "\n".join(part for part in written if part)


def _feet(own: FirstSet, metres: float, comment: str = "") -> str:
    """A comment on a length, with the length in feet and inches where the person speaks of those."""
    said = [Lengths(feet=True).long(metres)] if own.answers.get("feet") else []
    return ", ".join([*said, *([comment] if comment else [])])


def _point(point: tuple[float, float, float]) -> str:
    return "[" + ", ".join(f"{part:.2f}" for part in point) + "]"


def _line(key: str, value: object, comment: str = "") -> str:
    text = f"{key} = {value}"
    return f"{text:<27} # {comment}" if comment else text


def _camera_and_subject(own: FirstSet, iso: int) -> Iterator[str]:
    yield "# Places are in metres from the floor under the subject: x to the right as the camera sees it,"
    yield "# y away from the camera, z up. Put the stands up, measure with a tape, and correct them here."
    yield ""
    yield "[rig]"
    yield _line("name", f'"{own.answers["name"]}"')
    yield ""
    yield "[camera]"
    away = _feet(own, own.answers["camera"], "the front of the lens")
    yield _line("position", _point(own.camera), away)
    yield _line("iso", iso, "so that the lamps work about a stop under full")
    yield _shutter(own, own.answers["shutter"])
    yield _line("fps", f"{own.fps:g}")
    yield _line("aperture", f"{own.answers['aperture']:g}")
    yield ""
    yield "[meter]"
    yield _line("receptor", '"dome"', "exposure is read with the dome, at the subject")
    yield _line("facing", '"camera"')
    yield ""
    yield "[marks]"
    sits = "standing" if own.answers["stands"] else "sitting"
    eyes = _feet(own, own.eyes_m, f"the eyes, {sits}; add marks as you need them")
    yield _line("middle", _point(own.subject), eyes)
    yield ""
    yield "[subject]"
    yield _line("at", '"middle"')
    yield _line("looks", '"camera"', "or the name of a mark")
    yield _line("most_lux", 1500, "never more on the brighter side of the face, whatever is wanted")


def _shutter(own: FirstSet, shutter: Shutter) -> str:
    if shutter.angle:
        return _line("shutter_angle", shutter.text, "degrees, at the frame rate below")
    even = shutter.text == f"1/{own.hertz:.0f}"
    return _line(
        "shutter", f'"{shutter.text}"', f"even with lamps on {own.hertz:.0f} Hz mains" if even else "s"
    )


def _balance(own: FirstSet) -> Iterator[str]:
    roles = [head.role for head in own.heads]
    yield "[balance]"
    yield _line("ratio", f'"{own.answers["ratio"]}"', "key to fill, each metered alone")
    yield _line("exposure", '"camera"', "what the camera's settings ask for; or a number of lux")
    relative = {role: stops for role, stops in RELATIVE_STOPS.items() if role in roles}
    if relative:
        pairs = ", ".join(f"{role} = {stops}" for role, stops in relative.items())
        yield _line("relative", f"{{ {pairs} }}", "stops")
    if "background" in roles:
        yield _line("against", '{ background = "exposure" }')


def _plan(own: FirstSet) -> Iterator[str]:
    names = ", ".join(f'"{head.role}"' for head in own.heads)
    yield "[plan]                      # for fillside plan and fillside sheet; holding does not need it"
    yield _line("wall", f"{own.answers['wall']:.2f}", _feet(own, own.answers["wall"], "y of the wall behind"))
    yield _line("ceiling", f"{own.answers['ceiling']:.2f}", _feet(own, own.answers["ceiling"]))
    yield _line("mains_volts", f"{own.volts:.0f}")
    yield _line("mains_hertz", f"{own.hertz:.0f}")
    yield _line(
        "view", f"{{ degrees = {max(2.0, own.view_deg):.0f} }}", "across the picture: head and shoulders"
    )
    if own.answers["glasses"]:
        yield "# tilt: lower edge toward the cheek, in degrees; curve: base curve in dioptres, 0 if flat"
        yield "pose = { glasses = { tilt = 8, curve = 6 } }"
    yield "# one entry for each breaker; check what it says, and follow your local code"
    yield f"circuits = {{ socket = {{ amps = {own.amps:.0f}, heads = [{names}] }} }}"


def _head(own: FirstSet, head: FirstHead) -> Iterator[str]:
    show = Lengths(bool(own.answers.get("feet"))).long
    stand, height = head.stand, show(head.stand.height_m)
    yield "[[heads]]"
    yield f'name = "{head.role}"'
    yield f'role = "{head.role}"'
    yield f"# {show(stand.distance_m)} from the face, {round_the_face(stand.angle_deg)}, {height} high"
    yield _line("position", _point(head.position), "the middle of the lit face")
    if head.aim is not None:
        yield _line("aim", _point(head.aim), "the spot on the wall")
    yield from _lamp(head)
    yield from _modifier(own, head)
    yield _line("bounce", own.bounce, "part of its light that the room sends back; a guess")
    if head.dimmable:
        yield f'dimming = {{ curve = "linear", floor = {head.floor} }}  # a first guess; readings tell better'
        yield drive_line(own.answers, head.role)
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


def _modifier(own: FirstSet, head: FirstHead) -> Iterator[str]:
    usual = head.usual
    yield "# efficiency and spread as such modifiers usually have them; add max_watts, its marked lamp power"
    yield (
        f'modifier = {{ kind = "{head.modifier}", diameter = {head.diameter_m:.2f}, '
        f"efficiency = {usual.efficiency}, spread = {usual.spread} }}"
        f"{f'  # {across}' if (across := _feet(own, head.diameter_m)) and head.diameter_m else ''}"
    )
