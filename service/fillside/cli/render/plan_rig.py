"""The part of a plan that covers the whole rig, in brief or in full: flicker, colour, power, umbrellas."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from textwrap import wrap

from fillside.planning.equipment.lamps import LampLabel
from fillside.planning.equipment.modifiers import LitFace, UmbrellaAnswer
from fillside.planning.figures import Lengths
from fillside.planning.plan import PlanReport
from fillside.planning.safety.flicker import FlickerAnswer
from fillside.planning.safety.power import CircuitAnswer, PowerAnswer
from fillside.text import numbers

WIDTH = 96
DIFFERS_SHARE = 0.1


def full_rig_lines(report: PlanReport, lengths: Lengths) -> list[str]:
    """Format the results for the whole rig, with the assumptions."""
    lines: list[str] = []
    lines += bullet_list("flicker", _flicker(report.flicker))
    lines += bullet_list("colour", _colour(report))
    lines += bullet_list("lamps", map(_lamp, report.lamps))
    lines += bullet_list("power", _power(report.power))
    lines += bullet_list("umbrellas", (_umbrella(one, lengths) for one in report.umbrellas))
    lines += bullet_list("not known", report.unknown)
    lines += bullet_list("taken for granted", _assumed(report))
    lines += bullet_list("cautions", report.cautions)
    return lines[1:]


def brief_rig_lines(report: PlanReport, lengths: Lengths) -> list[str]:
    """Format the main results for the whole rig, and the keys that the rig file lacks."""
    answers = [
        *_flicker(report.flicker),
        *_colour(report),
        *(_lamp(one) for one in report.lamps if not one.believable),
        *_power(report.power),
        *(_umbrella(one, lengths) for one in report.umbrellas),
    ]
    lines = bullet_list("the rig", _merged(answers)) + bullet_list("cautions", report.cautions)
    if report.unknown:
        missing = ", ".join(dict.fromkeys(_missing_keys(one) for one in report.unknown))
        lines += ["", *wrapped(f"Not known, until the rig file has these keys: {missing}.")]
    return lines


def _merged(lines: Iterable[str]) -> Iterator[str]:
    """Merge lines that say the same of several heads.

    >>> list(_merged(["key: even", "60 W in all", "fill: even"]))
    ['key, fill: even', '60 W in all']
    """
    names_of: dict[str, list[str]] = {}
    for line in lines:
        name, colon, text = line.partition(": ")
        names_of.setdefault(text if colon else line, []).append(name if colon else "")
    return (f"{', '.join(names)}: {text}" if names[0] else text for text, names in names_of.items())


def _missing_keys(unknown: str) -> str:
    """Name an open question of the rig file, and the keys that would answer it."""
    keys = re.findall(r"\(([\w.]+)\)", unknown)
    return f"{unknown.partition(':')[0]} ({' or '.join(keys)})"


def wrapped(text: str) -> list[str]:
    return wrap(text, WIDTH)


def bullet_list(heading: str, texts: Iterable[str], indent: str = "") -> list[str]:
    """Format an empty line, a heading and a bullet list; nothing for an empty list."""
    bullet, under = f"{indent}- ", f"{indent}  "
    items = [wrap(text, WIDTH, initial_indent=bullet, subsequent_indent=under) for text in texts]
    return ["", f"{indent}{heading}:", *(line for item in items for line in item)] if items else []


def _flicker(answers: Iterable[FlickerAnswer]) -> Iterator[str]:
    for one in answers:
        if one.pulsed:
            kind = f"pulses at {one.ripple_hz:g} Hz"
        elif one.known:
            kind = f"{one.modulation_percent:.0f} % ripple at {one.ripple_hz:g} Hz"
        else:
            kind = f"ripple not known, at worst full at {one.ripple_hz:g} Hz"
        effect = f"frames differ by up to {numbers.stops(one.variation_stops, sign=False)}"
        if one.beat_hz is not None:
            effect += f", pulsing {one.beat_hz:.3g} times a second" if one.beat_hz > 0 else ", standing still"
        effect += f", bands of {numbers.stops(one.banding_stops, sign=False)} across a frame"
        times = ", ".join(f"1/{1 / t:.4g}" for t in one.safe_times_s)
        advice = f"; no flicker at {times} s" if one.visible and times else ""
        region = "" if one.region is None else f"; IEEE 1789: {one.region}"
        yield f"{one.head}: {kind}: {effect if one.visible else 'no flicker at this shutter'}{advice}{region}"


def _colour(report: PlanReport) -> Iterator[str]:
    for one in report.colour:
        if one.do is not None:
            yield one.do
        elif abs(one.shift_mired) >= 1:
            yield f"{one.source}: {abs(one.shift_mired):.0f} mired from {one.against}, hardly seen"
    if report.colour and all(abs(one.shift_mired) < 1 for one in report.colour):
        yield "all stated colour temperatures agree within a mired"


def _lamp(one: LampLabel) -> str:
    many = f"{one.count} lamps of " if one.count > 1 else ""
    stands = (
        ""
        if one.incandescent_watts is None
        else f", each as about {round(one.incandescent_watts, -1):.0f} W of incandescent"
    )
    doubt = ""
    if not one.believable and one.efficacy_lm_w is not None:
        than = "more than any lamp gives" if one.kind == "other" else f"not what {one.kind} lamps give"
        doubt = f"; {one.efficacy_lm_w:.0f} lm/W is {than}: meter it"
    return f"{one.head}: {many}{one.lumens:.0f} lm{stands}{doubt}"


def _power(power: PowerAnswer) -> Iterator[str]:
    drawn = f"{power.total_watts:.0f} W in all at full"
    if power.total_amps is not None:
        drawn += f", {power.total_amps:.1f} A at {power.volts:g} V"
    yield drawn + (f", not counting {', '.join(power.unknown)}" if power.unknown else "")
    if power.one_circuit_amps is not None and not power.circuits and power.total_watts > 0:
        yield f"on one circuit with the usual margin: a breaker of {power.one_circuit_amps:.1f} A or more"
    yield from map(_circuit, power.circuits)
    if power.unplugged:
        yield f"on no circuit: {', '.join(power.unplugged)}"
    for hot in power.hot:
        yield (
            f"{hot.head}: {hot.load_watts:.0f} W of lamps in a modifier for {hot.max_watts:.0f} W, "
            f"{100 * hot.share:.0f} %: watch its heat"
        )


def _circuit(one: CircuitAnswer) -> str:
    verdict = "TOO MUCH: move a head to another circuit" if one.over else "within it"
    return (
        f"circuit {one.circuit}: {one.load_watts:.0f} W, {one.load_amps:.1f} A; for hours at most "
        f"{one.most_watts:.0f} W, four fifths of {one.amps_rated:g} A: {verdict}"
        + (f"; {', '.join(one.unknown)} not counted" if one.unknown else "")
    )


def _umbrella(one: UmbrellaAnswer, lengths: Lengths) -> str:
    return f"{one.head}: " + "; ".join([str(one.told)] if one.face is None else _lit(one, one.face, lengths))


def _lit(one: UmbrellaAnswer, face: LitFace, lengths: Lengths) -> Iterator[str]:
    even, stated = face.effective_diameter_m, one.stated_diameter_m
    yield f"lit {lengths.long(face.lit_diameter_m)} across, as even as a disc of {lengths.long(even)}"
    yield f"the crown {numbers.stops(face.centre_over_edge_stops)} over the edge"
    yield f"{100 * face.caught_share:.0f} % of the beam caught"
    if face.cloth_loss_stops > 0:
        yield f"gathered cloth takes {numbers.stops(face.cloth_loss_stops, sign=False)}"
    if abs(even - stated) > DIFFERS_SHARE * max(stated, even):
        yield f"the rig file says {lengths.long(stated)}"
    if one.most_light_m is not None:
        place = lengths.long(one.most_light_m)
        yield f"most light, if its cloth is shiny, with the lamp {place} from the crown"
    if face.caution is not None:
        yield face.caution


def _assumed(report: PlanReport) -> Iterator[str]:
    """Yield every assumption once, in the order of the results above."""
    for name, text in _all_assumed(report).items():
        yield f"{name}: {text}"


def _all_assumed(report: PlanReport) -> dict[str, str]:
    found: dict[str, str] = {}
    for mark in report.marks:
        found.setdefault("region", mark.reach.assumes)
        for part, answers in (
            ("softness", mark.softness),
            ("eyes", mark.catch_lights),
            ("glasses", mark.glasses),
            ("lens", mark.lens),
        ):
            if answers:
                found.setdefault(part, answers[0].assumes)
        found.setdefault("face", mark.face.assumes)
        if mark.wander is not None:
            found.setdefault("wandering", mark.wander.assumes)
    for one in report.flicker:
        found.setdefault("flicker", one.assumes)
    if report.colour:
        found["colour"] = report.colour_assumes
    found["power"] = report.power.assumes
    for umbrella in report.umbrellas:
        if umbrella.face is not None:
            found["umbrellas"] = umbrella.face.assumes
    return found
