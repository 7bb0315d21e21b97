"""Warnings about a sound rig file: legal content that is probably not intended."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict

from fillside.photometry.colour import (
    duv,
    mired,
    mixed_cct_k,
    mixed_uv,
    tungsten_cct_k,
    white_duv,
    xy_of_uv,
)
from fillside.photometry.white_mix import WhiteMix
from fillside.rig.checks.cautions import GAS_LAMPS
from fillside.rig.notation import stop_size
from fillside.rig.scene.scene import exposure_target_lux
from fillside.rig.scene.whites import (
    HOT_KINDS,
    NOTICEABLE_MIRED,
    White,
    cct_at_full_k,
    white_deviation,
    white_of,
)
from fillside.rig.tables.head import Head
from fillside.rig.tables.lamp import IntensityTable
from fillside.rig.tables.model import (
    CONSTANT_RANGE,
    DEFAULT_RELATIVE_STOPS,
    FARTHEST_M,
    RELATIVE_ROLES,
    Meter,
    Rig,
)

DIFFERS_FROM_STOPS = 0.5
"""Smallest difference by which the stated intensity contradicts lamp and modifier."""
_THIS_MACHINE = ("127.0.0.1", "::1", "localhost")
UNEVEN_FROM_STOPS = 0.25
"""Largest difference between the planes of a file without a warning."""
BEHIND_FROM = 0.05
"""Largest share of a file's light behind the lit face without a warning."""
FLUX_WITHIN = 0.05
"""Largest deviation of the table's own flux from the lumens a file states: table steps of 5 degrees and
rounded figures account for a few per cent (common practice, no source)."""
PINK_FROM_DUV = 0.006
"""Tolerance about the Duv that a white lamp should have (ANSI C78.377, from memory)."""
LOW_OUTPUT = 0.05
"""Output down to which the steps of the wire are judged if the head states no floor."""


class RigWarning(BaseModel):
    """A legal but suspicious entry: the dotted key, and one sentence."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    key: str
    says: str


def rig_warnings(rig: Rig) -> Iterator[RigWarning]:
    """Yield everything in a rig that is legal but probably not intended."""
    for key, says in _found(rig):
        yield RigWarning(key=key, says=says)


_KeyAndText = tuple[str, str]


def _found(rig: Rig) -> Iterator[_KeyAndText]:
    yield from _balance_warnings(rig)
    yield from _room_warnings(rig)
    yield from _meter_warnings(rig.meter)
    for head in rig.heads:
        yield from _light_warnings(head)
        yield from _photometry_warnings(head)
        yield from _dimming_warnings(head)
        yield from _place_warnings(rig, head)
    yield from _white_warnings(rig)
    used = {head.drive.driver for head in rig.heads if head.drive is not None}
    yield from ((f"drivers.{name}", "no head is on this driver") for name in rig.drivers if name not in used)
    yield from _door_warnings(rig)


def _balance_warnings(rig: Rig) -> Iterator[_KeyAndText]:
    roles = {head.role for head in rig.heads}
    for role in ("key", "fill"):
        if role not in roles:
            yield ("heads", f"no head is {role}: no ratio can be held, only the exposure")
    for table, wishes in (("relative", rig.balance.relative), ("against", rig.balance.against)):
        for role in wishes:
            if role not in roles:
                yield (f"balance.{table}.{role}", f"no head has the role {role}")
    for role, rule in {head.role: head.rule for head in rig.heads if head.rule in RELATIVE_ROLES}.items():
        if role not in rig.balance.relative:
            stops = DEFAULT_RELATIVE_STOPS[rule]
            against = rig.balance.against.get(role, "exposure" if rule == "background" else "key")
            says = f"nothing is said of {role}; it is held at {stops:+.1f} stops against the {against}"
            yield ("balance.relative", says)
    target, most = exposure_target_lux(rig), rig.subject.most_lux
    if most is not None and most < target:
        yield (
            "subject.most_lux",
            f"{most:.0f} lx at most on the face, but the exposure asks for {target:.0f} lx",
        )
    ambient = max(rig.ambient_toward)
    if ambient > target / 2:
        yield (
            "ambient",
            f"{ambient:.0f} lx of the room leave little to hold of a target of {target:.0f} lx",
        )
    if not 10 <= target <= 20_000:
        yield ("camera", f"these settings ask for {target:.3g} lx at the face; is that meant?")


def _room_warnings(rig: Rig) -> Iterator[_KeyAndText]:
    if rig.room is None:
        return
    places = [*rig.marks.values(), rig.camera.position, *(head.position for head in rig.heads)]
    x, y, z = zip(*places, strict=True)
    reach = (max(x) - min(x), max(y) - min(y), max(z))
    ways = ("side to side", "front to back", "floor to ceiling")
    for way, used, size in zip(ways, reach, rig.room.size, strict=True):
        if used > size:
            yield ("room.size", f"{size:.2f} m from {way}, but heads, marks and camera reach {used:.2f} m")


def _meter_warnings(meter: Meter) -> Iterator[_KeyAndText]:
    least, most = CONSTANT_RANGE[meter.receptor]
    if meter.constant is not None and not least <= meter.constant <= most:
        kind = "flat receptor" if meter.receptor == "flat" else "dome"
        yield (
            "meter.constant",
            f"{meter.constant:g}, but C of a {kind} is {least:g} to {most:g} by ISO 2720; is that meant?",
        )


def _light_warnings(head: Head) -> Iterator[_KeyAndText]:
    computed = head.computed_intensity_cd
    modifier, key = head.modifier, f"heads.{head.name}"
    if head.intensity is not None and computed is not None:
        stops = math.log2(head.intensity / computed)
        if abs(stops) > DIFFERS_FROM_STOPS:
            yield (
                f"{key}.intensity",
                f"{head.intensity:.0f} cd is {stop_size(stops)} "
                f"{'over' if stops > 0 else 'under'} the {computed:.0f} cd that lamp and modifier promise; "
                "the stated value is used",
            )
    silent = modifier.efficiency is None and modifier.loss is None and modifier.photometry is None
    if head.intensity is None and silent and modifier.kind != "bare":
        yield (
            f"{key}.modifier",
            f"a {modifier.kind} without efficiency or loss is taken to lose nothing; "
            "0.5 to 2 stops are usual, so meter it",
        )


def _dimming_warnings(head: Head) -> Iterator[_KeyAndText]:
    lamp = head.lamp
    if lamp is None or lamp.kind not in GAS_LAMPS or head.dimming.fixed:
        return
    if "dimmable" not in lamp.model_fields_set:
        yield (
            f"heads.{head.name}.lamp",
            f"many {lamp.kind} lamps must not be dimmed; see the lamp's marking and say dimmable = true",
        )
    if head.dimming.floor == 0:
        yield (
            f"heads.{head.name}.dimming.floor",
            f"no floor is given, and a {lamp.kind} lamp goes out or flickers when dimmed low",
        )


def _place_warnings(rig: Rig, head: Head) -> Iterator[_KeyAndText]:
    key = f"heads.{head.name}.position"
    away = math.dist(head.position, rig.first_mark)
    if away > FARTHEST_M:
        yield (key, f"{away:.0f} m from the first mark; places are in metres")
    if head.position[2] < 0:
        yield (key, f"{-head.position[2]:.2f} m under the floor; z points up")
    first = next(other for other in rig.heads if math.dist(other.position, head.position) < 0.01)
    if first is not head:
        yield (key, f"the same place as {first.name}")
    if head.rule in ("key", "fill", "hair") and _behind(rig, head):
        yield (f"heads.{head.name}.aim", "the subject's place is behind its lit face, in the dark")


def _behind(rig: Rig, head: Head) -> bool:
    toward = [a - p for a, p in zip(rig.aim_of(head), head.position, strict=True)]
    subject = [s - p for s, p in zip(rig.start, head.position, strict=True)]
    return sum(t * s for t, s in zip(toward, subject, strict=True)) <= 0


def _photometry_warnings(head: Head) -> Iterator[_KeyAndText]:
    table = head.table
    if table is None:
        return
    part = "modifier" if head.modifier.photometry is not None else "lamp"
    key = f"heads.{head.name}.{part}.photometry"
    for says in (*_shape(table), *_lumens(table, head)):
        yield key, f"{table.file}: {says}" if table.file else says


def _shape(table: IntensityTable) -> Iterator[str]:
    if table.uneven_stops is not None and table.uneven_stops > UNEVEN_FROM_STOPS:
        yield (
            f"the light differs by up to {table.uneven_stops:.1f} stop round the axis; it is taken as the "
            "same all round, at its mean, however the head is turned"
        )
    behind = table.flux_lm(90.0) / max(table.flux_lm(), 1e-300)
    if behind > BEHIND_FROM:
        yield (
            f"{100 * behind:.0f} % of the light leaves backward; nothing behind the lit face is counted "
            "(say with [room] or bounce what the room sends back)"
        )


def _lumens(table: IntensityTable, head: Head) -> Iterator[str]:
    flux = table.flux_lm()
    if table.said_lumens is not None and abs(flux / table.said_lumens - 1) > FLUX_WITHIN:
        yield f"its intensities add up to {flux:.0f} lm, but it states {table.said_lumens:.0f} lm"
    elif table.lamp_lumens is not None and flux > table.lamp_lumens * (1 + FLUX_WITHIN):
        yield (
            f"its intensities add up to {flux:.0f} lm, more than the {table.lamp_lumens:.0f} lm of its lamps"
        )
    lumens = None if head.lamp is None else head.lamp.lumens
    if lumens is not None and table.lamp_lumens is None:
        off = abs(math.log2(flux / lumens))
        says = "absolute intensities are used as they are, and lamp.lumens is not"
        yield f"{says}; they differ by {off:.1f} stop" if off >= 0.05 else says


def _white_warnings(rig: Rig) -> Iterator[_KeyAndText]:
    if isinstance(rig.balance.cct, dict):
        roles = {head.role for head in rig.heads}
        for role in rig.balance.cct:
            if role not in roles:
                yield f"balance.cct.{role}", f"no head has the role {role}"
    for head in rig.heads:
        key = f"heads.{head.name}.lamp"
        for says in (*_dimming(rig, head), *_tuning(rig, head)):
            yield key, says
        off = white_deviation(rig, head, 1.0)
        if off is not None:
            yield f"{key}.cct", off


def _dimming(rig: Rig, head: Head) -> Iterator[str]:
    full = cct_at_full_k(rig, head)
    if full is None or head.lamp is None or head.lamp.kind not in HOT_KINDS or head.dimming.fixed:
        return
    a_stop = mired(tungsten_cct_k(full, 0.5)) - mired(full)
    yield (
        f"its colour moves about {a_stop:.0f} mired a stop as it dims, from {full:.0f} K at full: more than "
        f"{NOTICEABLE_MIRED:.0f} from {NOTICEABLE_MIRED / a_stop:.1f} stop down; "
        "dim it by distance or diffusion where colour matters"
    )


def _tuning(rig: Rig, head: Head) -> Iterator[str]:
    white = white_of(rig, head)
    if white is None:
        return
    if white.mix is None and not white.sends_cct:
        to = "" if white.wanted_k is None else f": set it to {white.held_k:.0f} K by hand"
        yield f"its white can be changed, but nothing here does it{to}"
    elif white.wanted_k is None:
        yield f"no balance.cct is given for it; both whites run alike, at about {white.held_k:.0f} K"
    if white.mix is not None:
        yield from _mix(white, white.mix, head.dimming.floor or LOW_OUTPUT)


def _mix(white: White, mix: WhiteMix, low: float) -> Iterator[str]:
    off = duv(*xy_of_uv(*mixed_uv(white.warm_k, white.cool_k, mix.cool_share)))
    target = white_duv(white.held_k)
    if target - off >= PINK_FROM_DUV:
        yield (
            f"its two whites mixed to {white.held_k:.0f} K are pinkish, about Duv {off:.3f}, where a lamp of "
            f"one white should have {target:.3f}; compare with one before you trust it on skin"
        )
    coarse = max(
        abs(mired(mixed_cct_k(white.warm_k, white.cool_k, share)) - mired(white.held_k))
        for share in mix.cool_shares(low)
    )
    if coarse >= NOTICEABLE_MIRED and white.warm_k <= (white.wanted_k or white.held_k) <= white.cool_k:
        yield (
            f"its steps are too coarse to hold its white: down to {100 * low:.0f} % of its light it wanders "
            f"by {coarse:.0f} mired; drive it in 16 bits if it can be"
        )
    if white.most < 0.999:
        yield f"at {white.held_k:.0f} K it gives {100 * white.most:.0f} % of what both channels give at full"


def _door_warnings(rig: Rig) -> Iterator[_KeyAndText]:
    mqtt, osc = rig.doors.mqtt, rig.doors.osc
    if mqtt is not None and mqtt.broker not in _THIS_MACHINE:
        if mqtt.user_from is None and mqtt.certificate_file is None:
            yield (
                "doors.mqtt",
                "whoever may publish on this broker may order light; give it a user, and topics to each user",
            )
        elif not mqtt.tls:
            yield "doors.mqtt.tls", "the password goes over the network as it is; tls = true encrypts it"
    if osc is not None and osc.allow:
        yield (
            "doors.osc.allow",
            "OSC knows no passwords, and an address can be forged; keep this network to yourself",
        )
