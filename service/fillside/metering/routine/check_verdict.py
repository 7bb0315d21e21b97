"""The verdict of a check by all its readings: go or not, and which head is off and how."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from operator import attrgetter

import numpy as np
from pydantic import BaseModel, ConfigDict

from fillside.balance.judgement.deviations import EXPOSURE, RATIO, errors_of, off_words
from fillside.balance.target import target_from_rig
from fillside.belief.result.expanded_uncertainty import around, expanded
from fillside.belief.since.changes import Change
from fillside.metering.routine.checks import (
    GOOD_STOPS,
    MOST_STOPS,
    CheckResult,
    ExpectedBalance,
)
from fillside.rig.notation import stop_size

NO_CALIBRATION = (
    "There is no calibration: what is expected comes from lamps and modifiers as the rig file states them."
)


class CheckVerdict(BaseModel):
    """The verdict by all checks together; stops are metered over wanted, None where it was not read."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    go: bool
    ratio_wanted: float | None
    ratio_metered: float | None
    ratio_off_stops: float | None
    exposure_wanted_lux: float
    exposure_metered_lux: float | None
    exposure_off_stops: float | None
    says: tuple[str, ...]


def verdict(
    held: ExpectedBalance, done: Sequence[CheckResult], background: bool, began_s: float = 0.0
) -> CheckVerdict:
    """Go or not, the held ratio and exposure wanted against metered, and which head is off and how.

    It is a go when every check was read, each is as expected, and the light is the one that is wanted, as
    it is believed to be and as it was metered.
    """
    target = target_from_rig(held.rig)
    expected, metered = _expected_quotient(held), _metered_quotient(held, done)
    # Lamps are metered one by one, so a ratio that is read off the face is held against its lamps.
    wanted = expected if target.read_as == "face" else target.quotient
    strayed = _stops_over(metered, expected)
    ratio_off = _stops_over(metered, wanted)
    exposure = next((c.read_lux for c in done if c.check.what == "exposure"), None)
    missing = _missing(held, done, background)
    changed = _changes(held, done, began_s) if background and held.calibration is not None else None
    off = [*(changed or {}).values(), *_off_words(held, done, changed)]
    go = not missing and not off and abs(strayed or 0.0) <= MOST_STOPS
    unwanted = tuple(_unwanted(held, done, ratio_off, go))
    return CheckVerdict(
        go=go and not unwanted,
        ratio_wanted=None if wanted is None else target.ratio_from_quotient(wanted),
        ratio_metered=None if metered is None else target.ratio_from_quotient(metered),
        ratio_off_stops=None if ratio_off is None else round(ratio_off, 3),
        exposure_wanted_lux=target.exposure_lux,
        exposure_metered_lux=exposure,
        exposure_off_stops=None
        if exposure is None
        else round(math.log2(max(exposure, 1e-3) / target.exposure_lux), 3),
        says=tuple(_says(held, off, missing, strayed, unwanted)),
    )


def _stops_over(metered: float | None, wanted: float | None) -> float | None:
    return None if metered is None or wanted is None else math.log2(metered / wanted)


def _unwanted(
    held: ExpectedBalance, done: Sequence[CheckResult], ratio_off: float | None, as_expected: bool
) -> Iterator[str]:
    """Sentences on the light where it is not the wanted one: as it is believed to be, with the reason;
    or, where all is as expected, as it was metered."""
    report, metered = held.report, dict(_metered_errors(held, done, ratio_off))
    why = "; ".join(limit.says for limit in report.limits if limit.at != "colour")
    believed = {
        what: error
        for what, error in errors_of(report.target, report.achieved).items()
        if abs(error) > GOOD_STOPS
    }
    for what, error in believed.items():
        read = (
            f", metered {off_words(what, metered[what][0]).partition(' is ')[2]}" if what in metered else ""
        )
        yield f"Not as wanted: {off_words(what, error)}{read}" + (f" ({why})." if why else ".")
    for what, (error, most) in metered.items():
        if as_expected and what not in believed and abs(error) > most:
            yield f"Not as wanted: metered, {off_words(what, error)}."


def _metered_errors(
    held: ExpectedBalance, done: Sequence[CheckResult], ratio_off: float | None
) -> Iterator[tuple[str, tuple[float, float]]]:
    """Metered quantities over what is wanted of them, and the most that each may be off [stops], by name."""
    if ratio_off is not None:
        yield RATIO, (ratio_off, MOST_STOPS)
    wanted = held.report.target.exposure_lux
    for one in done:
        if one.check.what == "exposure":
            yield EXPOSURE, (math.log2(max(one.read_lux, 1e-3) / max(wanted, 1e-3)), one.most_stops)


def _says(
    held: ExpectedBalance,
    off: Sequence[str],
    missing: Sequence[str],
    strayed: float | None,
    unwanted: Sequence[str],
) -> Iterator[str]:
    yield from off
    far = strayed if strayed is not None and abs(strayed) > MOST_STOPS else None
    if far is not None and not off:
        way = "over" if far > 0 else "under"
        yield f"The ratio is {stop_size(far)} {way} what was expected, though each head is nearly as it was."
    yield from unwanted
    if missing:
        yield f"Not checked: {', '.join(missing)}."
    elif not off and far is None and not unwanted:
        yield "Everything is as expected."
    if held.calibration is None:
        yield NO_CALIBRATION


def _missing(held: ExpectedBalance, done: Sequence[CheckResult], background: bool) -> list[str]:
    read = {c.check.name for c in done}
    return [check.head or check.what for check in held.checks(background) if check.name not in read]


def _expected_quotient(held: ExpectedBalance) -> float | None:
    """Lit side over shadow side as the solved outputs give it."""
    lux = held.rows.lux(held.outputs)
    return float(lux[0] / lux[1]) if lux[0] > 0 and lux[1] > 0 else None


def _metered_quotient(held: ExpectedBalance, done: Sequence[CheckResult]) -> float | None:
    lit, shadow = _side(held, done, "key"), _side(held, done, "fill")
    return lit / shadow if lit and shadow and lit > 0 and shadow > 0 else None


def _side(held: ExpectedBalance, done: Sequence[CheckResult], rule: str) -> float | None:
    """The lit or shadow side from readings of each of its heads alone [lux]; None unless all were read."""
    heads = [n for n, own in zip(held.scene.names, held.scene.rules, strict=True) if own == rule]
    read = [_alone_lux(done, name) for name in heads]
    if not read or None in read:
        return None
    ambient = held.scene.ambient[0 if rule == "key" else 1]
    return sum(lux or 0.0 for lux in read) - (len(heads) - 1) * ambient


def _alone_lux(done: Sequence[CheckResult], head: str) -> float | None:
    """The light of one head alone as it is held [lux]: the median of what was read at the mark."""
    setting = attrgetter("lit", "at", "receptor", "facing")
    read = [(setting(c.check), c) for c in done if c.read_m is None]
    first = next((own for own, c in read if c.check.what == "head" and c.check.head == head), None)
    return None if first is None else float(np.median([c.read_lux for own, c in read if own == first]))


def _changes(held: ExpectedBalance, done: Sequence[CheckResult], began_s: float) -> dict[str | None, str]:
    """The changes since the calibration in words, by head, with None for the room."""
    found: dict[str | None, str] = {}
    for change in held.judged(done, began_s).changes if done else ():
        words = _change_words(held, done, change)
        if words is not None:
            found[None if change.of is None else held.scene.names[change.of]] = words
    return found


def _off_words(
    held: ExpectedBalance, done: Sequence[CheckResult], changed: Mapping[str | None, str] | None
) -> Iterator[str]:
    """Sentences on all else that is not as expected; on a head only where changes were not judged."""
    again = {one.check.name: one for one in done if one.check.what == "again"}
    for one in done:
        if one.good or again.get(f"again {one.check.head or ''}".strip(), one).good:
            continue
        off = f"{stop_size(one.off_stops)} {'more' if one.off_stops > 0 else 'less'} than expected"
        if one.check.what == "exposure" and not changed:
            yield f"Exposure: {off}."
        elif one.check.what == "background":
            yield f"Background where {one.check.head} is aimed: {off}."
        elif one.check.what == "head" and changed is None:
            yield f"{one.check.head}: {off}."


def _change_words(held: ExpectedBalance, done: Sequence[CheckResult], change: Change) -> str | None:
    """A change in words; None for one that can be overlooked."""
    if change.kind == "slip":
        return None
    name = "The room" if change.of is None else held.scene.names[change.of]
    alone = [one.off_stops for one in done if one.check.head == name and one.check.what in ("head", "again")]
    at_mark = sum(alone) / len(alone) if alone else change.size
    if abs(at_mark) <= GOOD_STOPS:
        return None
    side = "more" if at_mark > 0 else "less"
    return f"{name}: {stop_size(at_mark)} {side} than expected. {cause_words(change)}"


def cause_words(change: Change) -> str:
    """The likely cause of a change of a head or the room, in a sentence."""
    if change.rival is not None:
        both = {one.kind: _amount(one) for one in (change, change.rival)}
        lamp, stand = both["lamp"], both["stand"]
        return f"Either the lamp gives {lamp}, or the stand is {stand}: measure the distance with a tape."
    if change.kind == "stand":
        return f"That looks like a bumped stand: it seems to stand {_amount(change)}."
    if change.kind == "lamp":
        return f"That looks like a changed lamp, dimmer or modifier: {_amount(change)}."
    return f"The room seems to send back {_amount(change)} of every lamp's light."


def _amount(change: Change) -> str:
    """The size of a change with its expanded uncertainty.

    >>> _amount(Change("stand", 0, 0.9, -0.24, 0.02))
    '0.24 m nearer (±0.04 m)'
    >>> _amount(Change("lamp", 0, 0.9, -0.41, 0.055))
    '0.4 stop less (±0.11 stop)'
    """
    within = expanded(change.size_sd)
    if change.kind == "stand":
        way = "farther off" if change.size > 0 else "nearer"
        return f"{abs(change.size):.2f} m {way} (±{within:.2f} m)"
    way = "more" if change.size > 0 else "less"
    return f"{stop_size(change.size)} {way} ({around(within)})"
