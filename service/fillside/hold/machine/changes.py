"""Changes of the intent by orders. Each order is checked against the rig, or refused with nothing changed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from fillside.balance.measure import MeteredBalance
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import BalanceTarget
from fillside.hold.intent.intent import Alone, Intent, KeptLevels
from fillside.orders.answers import Refusal
from fillside.orders.light import (
    MOST_EXPOSE_STOPS,
    MOST_TRIM_STOPS,
    All,
    BalanceOrder,
    CameraOrder,
    Expose,
    Keep,
    Move,
    Only,
    Show,
    SubjectReport,
    Trim,
)
from fillside.photometry.dimming import code_from_level, floor_code
from fillside.rig.checks.cross_checks import cannot_be_out, undimmed
from fillside.rig.fields import NAME, InconsistencyError
from fillside.rig.notation import OUT, ratio_number, ratio_text, stops_text
from fillside.rig.problems import dotted, nearest, quoted, unknown_name
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import WORK_ROLE, Point, Rig

WhyNot = Callable[[Point], str | None]

LEAST_LUX, MOST_LUX = 0.01, 200_000.0
"""The limits of the exposure that can be ordered [lx]."""
NOTED = "noted; takes effect at follow"


@dataclass(frozen=True)
class OrderContext:
    """The facts by which an order is judged; those that few orders need are computed on demand.

    `untrimmed` are the codes of the balance, `beneath` the goal codes without `only`; `working` is true for
    each head that can be reached; `present` are the codes of the light, `levels_now` the levels a mode would
    keep; `measured_now` meters the light at the subject against a target; `why_not_at` returns the reason why
    a subject cannot be at a place.
    """

    scene: Scene
    intent: Intent
    untrimmed: Codes
    working: Callable[[], tuple[bool, ...]]
    beneath: Callable[[], Codes]
    present: Callable[[], Codes]
    levels_now: Callable[[], KeptLevels]
    measured_now: Callable[[BalanceTarget], MeteredBalance]
    why_not_at: WhyNot

    @property
    def rig(self) -> Rig:
        """The rig as in its file."""
        return self.scene.rig

    @property
    def noted(self) -> str | None:
        """The note on an order that has no effect in the present mode."""
        return None if self.intent.mode == "follow" else NOTED


@dataclass(frozen=True)
class IntentChange:
    """The intent after an order, and the note to return with "done".

    `ordered`, if given, is the rig as that intent orders it, from which its target is made. `untrimmed`, if
    given, replaces the codes that the balance would choose.
    """

    intent: Intent
    note: str | None = None
    ordered: Rig | None = None
    untrimmed: Codes | None = None


def place_of(rig: Rig, order: Move | SubjectReport, why_not_at: WhyNot) -> Point:
    """Return the place [m] of the subject in an order. Raises Refusal for unknown
    marks and impossible places."""
    if order.mark is not None:
        if order.mark not in rig.marks:
            raise Refusal("unknown_name", unknown_name("mark", order.mark, rig.marks), "mark")
        place = rig.marks[order.mark]
    else:
        assert order.to is not None, "the order has one or the other"
        place = order.to
    reason = why_not_at(place)
    if reason is not None:
        raise Refusal("out_of_range", f"the subject cannot be there: {reason}", "to" if order.to else "mark")
    return place


def _no_role(name: str, roles: Sequence[str]) -> str:
    light = name if NAME.fullmatch(name) else quoted(name)
    guess = nearest(name, roles)
    hint = f'did you mean "{guess}"?' if guess else f"you have {', '.join(roles) or 'work lights alone'}"
    return f"no {light} light here; {hint}"


def _not_relative(context: OrderContext, name: str, relative: Sequence[str]) -> str:
    """Return the refusal for a role that takes no stops: it does not exist, or the ratio sets it."""
    roles = tuple(role for role in dict.fromkeys(context.scene.roles) if role != WORK_ROLE)
    if name not in roles:
        return _no_role(name, roles)
    others = f"; {', '.join(relative)} can" if relative else ""
    return f"{name} is held by the ratio and cannot be held by stops{others}"


def trim(context: OrderContext, order: Trim) -> IntentChange:
    scene, trims = context.scene, context.intent.trims
    if order.role not in scene.roles or order.role == WORK_ROLE:
        roles = tuple(dict.fromkeys(role for role in scene.roles if role != WORK_ROLE))
        raise Refusal("unknown_name", _no_role(order.role, roles), "role")
    if all(scene.fixed[i] for i in scene.of_role(order.role)):
        raise Refusal("not_now", f"{order.role} cannot be dimmed, so it takes no trim", "role")
    if order.to != OUT and order.role in context.intent.target(context.intent.rig(context.rig)).out_roles:
        text = f"{order.role} is out in the balance; give it stops there to bring it back"
        raise Refusal("not_now", text, "role")
    value = _trimmed_to(trims.get(order.role, 0.0), order)
    others = {role: stops for role, stops in trims.items() if role != order.role}
    changed = others if value == 0 else {**others, order.role: value}
    return IntentChange(replace(context.intent, trims=changed), _trim_note(context, order.role, value))


def _trimmed_to(now: float | None, order: Trim) -> float | None:
    if order.to == OUT:
        return None
    if order.to is not None:
        return order.to
    assert order.by is not None, "the order has one or the other"
    if now is None:
        raise Refusal("not_now", f"{order.role} is out; trim it to a number of stops to bring it back", "by")
    value = _sum_stops(now, order.by)
    if abs(value) > MOST_TRIM_STOPS:
        raise Refusal(
            "out_of_range",
            f"{order.role} would be trimmed {stops_text(value)} in all; "
            f"trims go {MOST_TRIM_STOPS:g} stops up and down",
            "by",
        )
    return value


def _sum_stops(stops: float, by: float) -> float:
    """Add stops as a person does: three times a third is one."""
    total = round(stops + by, 12)
    return 0.0 if abs(total) < 1e-9 else total


def _trim_note(context: OrderContext, role: str, value: float | None) -> str:
    if value is None:
        text = f"{role} is out"
    elif value == 0:
        text = f"{role} has no trim"
    else:
        text = f"{role} trimmed {stops_text(value)}"
    return f"{text}; it shows once the light is back" if context.intent.mode == "dark" else text


def balance(context: OrderContext, order: BalanceOrder) -> IntentChange:
    intent = context.intent
    roles = tuple(
        dict.fromkeys(
            role
            for role, rule in zip(context.scene.roles, context.scene.rules, strict=True)
            if rule in ("hair", "background")
        )
    )
    changes = order.model_dump(exclude={"do"}, exclude_none=True)
    for name in ("relative", "against"):
        for role in changes.get(name, {}):
            if role not in roles:
                raise Refusal("unknown_name", _not_relative(context, role, roles), dotted((name, role)))
            always_on = undimmed(context.rig, role) if changes[name][role] == OUT else None
            if always_on is not None:
                raise Refusal("not_now", cannot_be_out(role, always_on), dotted((name, role)))
        if name in changes:
            changes[name] = {**intent.balance.get(name, {}), **changes[name]}
    table = {**intent.balance, **changes}
    if "ratio" in changes:
        read_as = table.get("read_as", context.rig.balance.read_as)
        try:
            table["ratio"] = ratio_number(changes["ratio"], read_as)
        except ValueError as error:
            raise Refusal(
                "out_of_range" if _is_number(changes["ratio"]) else "bad_order", str(error), "ratio"
            ) from None
        table["read_as"] = read_as
    return _with_target(context, replace(intent, balance=table), "ratio")


def _is_number(ratio: str | float) -> bool:
    """Return true for a ratio written as a number, whose only possible fault is its size."""
    return not isinstance(ratio, str) or any(c.isdigit() for c in ratio)


def expose(context: OrderContext, order: Expose) -> IntentChange:
    intent = context.intent
    if order.by is not None:
        return _with_target(context, replace(intent, exposure_stops=_exposed(context, order.by)), "by")
    table = {**intent.balance, "exposure": order.to}
    return _with_target(context, replace(intent, balance=table, exposure_stops=0.0), "to")


def _exposed(context: OrderContext, by: float) -> float:
    """Return the stops on top of the exposure after adding some. Raises Refusal if the sum is beyond the
    limit and larger than before."""
    now = context.intent.exposure_stops
    value = _sum_stops(now, by)
    if abs(value) > max(MOST_EXPOSE_STOPS, abs(now)):
        raise Refusal(
            "out_of_range",
            f"the exposure would be {stops_text(value)} off what is wanted in all; "
            f"it goes {MOST_EXPOSE_STOPS:g} stops up and down",
            "by",
        )
    return value


def camera(context: OrderContext, order: CameraOrder) -> IntentChange:
    settings = order.settings
    over = {k: v for k, v in context.intent.camera.items() if not _replaced(k, settings)}
    change = _with_target(context, replace(context.intent, camera={**over, **settings}), next(iter(settings)))
    if change.ordered is not None and change.ordered.balance.exposure == "camera":
        return change
    note = "the exposure is held at a number of lux; the camera's settings do not change it"
    return replace(change, note=note)


def _replaced(key: str, settings: Mapping[str, Any]) -> bool:
    return (key == "shutter" and "shutter_angle" in settings) or (
        key == "shutter_angle" and "shutter" in settings
    )


def _with_target(context: OrderContext, intent: Intent, where: str) -> IntentChange:
    """Return the change if its target is within the limits. Raises Refusal."""
    try:
        ordered = intent.rig(context.rig)
        target = intent.target(ordered)
    except ValidationError as error:
        raise Refusal("bad_order", _first_sentence(error), where) from None
    except ValueError as error:
        raise Refusal("not_now", str(error), where) from None
    if not LEAST_LUX <= target.exposure_lux <= MOST_LUX:
        raise Refusal(
            "out_of_range",
            f"that asks for {target.exposure_lux:.3g} lx; it can be {LEAST_LUX:g} to {MOST_LUX:.0f} lx",
            where,
        )
    return IntentChange(intent, context.noted, ordered)


def _first_sentence(error: ValidationError) -> str:
    detail = error.errors(include_url=False)[0]
    own = detail.get("ctx", {}).get("error")
    return str(own) if isinstance(own, InconsistencyError | ValueError) else detail["msg"]


def move(context: OrderContext, order: Move) -> IntentChange:
    place = place_of(context.rig, order, context.why_not_at)
    return IntentChange(replace(context.intent, place=place), context.noted)


def only(context: OrderContext, order: Only) -> IntentChange:
    lit = _lit(context, order.head, order.level, "head")
    return IntentChange(replace(context.intent, alone=Alone((lit,))), _burning(context.scene))


def show(context: OrderContext, order: Show) -> IntentChange:
    lit = tuple(_lit(context, head, level, f"heads.{head}") for head, level in order.heads.items())
    return IntentChange(replace(context.intent, alone=Alone(lit)), _burning(context.scene))


def _lit(context: OrderContext, name: str, level: float | None, where: str) -> tuple[int, int]:
    """Return the index and code of a head that is to be on; without a level, its present code."""
    scene = context.scene
    if name not in scene.names:
        raise Refusal("unknown_name", unknown_name("head", name, scene.names), where)
    head = scene.index(name)
    if scene.fixed[head]:
        raise Refusal("not_now", f"{name} cannot be dimmed: it is on at full light all the time", where)
    if not context.working()[head]:
        raise Refusal("not_now", f"{name} cannot be reached", where)
    full = scene.full_scales[head]
    own = context.beneath()[head] or context.untrimmed[head] or full
    return head, own if level is None else code_from_level(level, full)


def _burning(scene: Scene) -> str | None:
    burning = [name for name, fixed in zip(scene.names, scene.fixed, strict=True) if fixed]
    return f"{', '.join(burning)} cannot be dimmed and stays on" if burning else None


def end_only(context: OrderContext, order: All) -> IntentChange:
    if context.intent.alone is None:
        return IntentChange(context.intent, "no head was alone")
    return IntentChange(replace(context.intent, alone=None))


def keep(context: OrderContext, order: Keep) -> IntentChange:
    intent = context.intent
    if intent.alone is not None or intent.mode == "dark":
        shows = "one head alone" if intent.alone is not None else "the studio dark"
        raise Refusal("not_now", f"there is no balance to keep with {shows}")
    rig = intent.rig(context.rig)
    target = intent.target(rig)
    exposure_lux = context.measured_now(target).exposure_lux
    lit = {role for role, code in zip(context.scene.roles, context.present(), strict=True) if code > 0}
    # Roles metered against the exposure are measured against the exposure that is kept.
    now = context.measured_now(replace(target, exposure_lux=exposure_lux))
    if now.ratio is None or exposure_lux <= 0:
        raise Refusal("not_now", "there is no ratio to keep: key and fill must both be on and answer")
    try:
        ratio = ratio_number(now.ratio, rig.balance.read_as)
    except ValueError as error:
        raise Refusal("not_now", f"the light now cannot be a balance: {error}") from None
    relative = {
        role: round(stops, 9)
        for role, stops in now.relative.items()
        if stops is not None and abs(stops) <= 12 and (role not in target.out_roles or role in lit)
    }
    table = {
        **intent.balance,
        "ratio": ratio,
        "read_as": rig.balance.read_as,
        "relative": {**intent.balance.get("relative", {}), **relative},
    }
    stops = math.log2(exposure_lux / target.exposure_lux) + intent.exposure_stops
    out = {role: value for role, value in intent.trims.items() if value is None}
    base = _kept_base(context, out)
    levels = (
        KeptLevels(context.present(), out, base, intent.place) if intent.mode == "freeze" else intent.kept
    )
    new_intent = replace(intent, balance=table, exposure_stops=stops, trims=out, kept=levels)
    beside = f"; {', '.join(out)} stays out" if out else ""
    lux = f"{exposure_lux:.0f} lx" if exposure_lux >= 10 else f"{exposure_lux:.1f} lx"
    note = f"kept {ratio_text(now.ratio)}, read as {rig.balance.read_as}, at {lux}{beside}"
    return replace(_with_target(context, new_intent, "do"), note=note, untrimmed=base)


def _kept_base(context: OrderContext, out: Mapping[str, float | None]) -> Codes:
    """Return the present codes as base of the balance; heads that are out or still
    fading keep their earlier base."""
    scene = context.scene
    base = list(context.untrimmed)
    for i, present in enumerate(context.present()):
        if scene.fixed[i] or scene.rules[i] == WORK_ROLE or scene.roles[i] in out:
            continue
        if present >= floor_code(scene.curves[i], scene.full_scales[i], float(scene.floors[i])):
            base[i] = present
    return tuple(base)
