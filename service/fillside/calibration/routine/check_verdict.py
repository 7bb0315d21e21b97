"""What the readings of a check say together: go or not, and which head is off and how."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from pydantic import BaseModel, ConfigDict

from fillside.balance.judgement.deviations import EXPOSURE, RATIO, errors_of, off_words
from fillside.balance.target import target_from_rig
from fillside.belief.result.expanded_uncertainty import expanded
from fillside.calibration.drift.change import HeadChange
from fillside.calibration.routine.checks import GOOD_STOPS, MOST_STOPS, CheckResult, ExpectedBalance
from fillside.rig.notation import stop_size

NO_CALIBRATION = (
    "There is no calibration: what is expected comes from lamps and modifiers as the rig file states them."
)


class CheckVerdict(BaseModel):
    """What all checks say together; stops are metered over wanted, None where it was not read."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    go: bool
    ratio_wanted: float | None
    ratio_metered: float | None
    ratio_off_stops: float | None
    exposure_wanted_lux: float
    exposure_metered_lux: float | None
    exposure_off_stops: float | None
    says: tuple[str, ...]


def verdict(held: ExpectedBalance, done: Sequence[CheckResult], background: bool) -> CheckVerdict:
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
    go = not missing and abs(strayed or 0.0) <= MOST_STOPS
    go = go and not any(_is_off(c, done) for c in done)
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
        says=tuple(_says(held, done, missing, strayed, unwanted)),
    )


def _stops_over(metered: float | None, wanted: float | None) -> float | None:
    return None if metered is None or wanted is None else math.log2(metered / wanted)


def _unwanted(
    held: ExpectedBalance, done: Sequence[CheckResult], ratio_off: float | None, as_expected: bool
) -> Iterator[str]:
    """In what the light is not the one that is wanted: as it is believed to be, and why; or, where all is as
    expected, as it was metered all the same."""
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
    """By how many stops what was metered is off what is wanted, and how far it may be, by quantity."""
    if ratio_off is not None:
        yield RATIO, (ratio_off, MOST_STOPS)
    wanted = held.report.target.exposure_lux
    for one in done:
        if one.check.what == "exposure":
            yield EXPOSURE, (math.log2(max(one.read_lux, 1e-3) / max(wanted, 1e-3)), one.most_stops)


def _says(
    held: ExpectedBalance,
    done: Sequence[CheckResult],
    missing: Sequence[str],
    strayed: float | None,
    unwanted: Sequence[str],
) -> Iterator[str]:
    off = [text for c in done for text in _off_words(c, done)]
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
    read: Mapping[str | None, float] = {c.check.head: c.read_lux for c in done if c.check.what == "head"}
    if not heads or any(name not in read for name in heads):
        return None
    ambient = held.scene.ambient[0 if rule == "key" else 1]
    return sum(read[name] for name in heads) - (len(heads) - 1) * ambient


def _near(one: CheckResult, done: Sequence[CheckResult]) -> CheckResult | None:
    """The second, nearer reading of a head."""
    if one.check.what != "head":
        return None
    return next((c for c in done if c.check.what == "near" and c.check.head == one.check.head), None)


def _is_off(one: CheckResult, done: Sequence[CheckResult]) -> bool:
    """Whether a check is not as expected, and a nearer reading does not show that this was by chance."""
    near = _near(one, done)
    return one.check.what != "near" and not one.good and not (near is not None and near.as_calibrated)


def _off_words(one: CheckResult, done: Sequence[CheckResult]) -> list[str]:
    if one.good or one.check.what == "near":
        return []
    side = "more" if one.off_stops > 0 else "less"
    off = f"{stop_size(one.off_stops)} {side} than expected"
    if one.check.what == "exposure":
        return [f"Exposure: {off}."]
    if one.check.what == "background":
        return [f"Background where {one.check.head} is aimed: {off}."]
    near = _near(one, done)
    why = "" if near is None or near.cause is None else f" {near.cause}"
    return [f"{one.check.head}: {off}.{why}"]


def cause_words(change: HeadChange) -> str:
    """What two readings of a head at two distances say about why it is off.

    A lamp that changed is off by the same stops everywhere, a stand that moved by more the nearer one is.
    """
    lamp = f"{stop_size(change.lamp_stops)} {'more' if change.lamp_stops > 0 else 'less'}"
    moved = f"{abs(change.moved_m):.2f} m {'farther off' if change.moved_m > 0 else 'nearer'}"
    if change.story == "stand":
        return (
            f"That looks like a bumped stand: it seems to stand {moved} "
            f"(give or take {expanded(change.moved_sigma_m):.2f} m). Measure it with a tape."
        )
    if change.story == "lamp":
        return f"That looks like a changed lamp, dimmer or modifier: {lamp}, near and far."
    if change.story == "lamp or stand":
        return f"Either the lamp gives {lamp}, or the stand is {moved}: measure the distance with a tape."
    return "The reading nearer to it agrees with the calibration: the first one only strayed."
