"""The error of the light against its target, quantity by quantity, in stops and in words."""

from __future__ import annotations

import math

from fillside.balance.report import AchievedReport, TargetReport
from fillside.balance.solver.relative import DARK_LUX
from fillside.rig.notation import stop_noun

RATIO, EXPOSURE = "ratio", "exposure"
_OF_ROLE = "relative."


def of_role(role: str) -> str:
    """Return the name of a role's quantity: its stops against the key or the exposure."""
    return _OF_ROLE + role


def role_of(what: str) -> str | None:
    """Return the role of a quantity; None for the ratio and the exposure."""
    return what.removeprefix(_OF_ROLE) if what.startswith(_OF_ROLE) else None


def errors_of(target: TargetReport, achieved: AchievedReport) -> dict[str, float]:
    """Return the error [stops] of each quantity with a target: "ratio", "exposure", and "relative.ROLE".

    Missing light, or a missing ratio, is minus infinity; light where the target is none is plus infinity.
    """
    found: dict[str, float] = {}
    if target.ratio is not None:
        error = achieved.ratio_error_stops
        found[RATIO] = -math.inf if error is None else error
    lit = achieved.exposure_lux > DARK_LUX
    if target.exposure_lux > DARK_LUX or lit:
        error = achieved.exposure_error_stops
        found[EXPOSURE] = (math.inf if lit else -math.inf) if error is None else error
    for role, stops in target.relative.items():
        held = achieved.relative.get(role)
        if stops is not None:
            found[of_role(role)] = -math.inf if held is None else held - stops
    return found


def off_words(what: str, error: float) -> str:
    """Describe an error in words.

    >>> off_words("ratio", -0.25), off_words("exposure", 1.5), off_words("relative.hair", 0.3)
    ('the ratio is 0.25 stop too low', 'the exposure is 1.5 stops over', 'hair is 0.30 stop too bright')
    """
    role = role_of(what)
    if error == -math.inf:
        nothing = {RATIO: "there is no ratio", EXPOSURE: "there is no light at the subject"}
        return nothing.get(what, f"{role} gives no light there")
    by = "far" if error == math.inf else stops_words(abs(error))
    if what == RATIO:
        return f"the ratio is {by} too {'high' if error > 0 else 'low'}"
    if what == EXPOSURE:
        return f"the exposure is {by} {'over' if error > 0 else 'under'}"
    return f"{role} is {by} too {'bright' if error > 0 else 'dark'}"


def stops_words(stops: float) -> str:
    """Format a number of stops with a sensible number of digits.

    >>> stops_words(0.126), stops_words(1.0), stops_words(3.46)
    ('0.13 stop', '1.0 stop', '3.5 stops')
    """
    digits = f"{stops:.2f}" if stops < 0.995 else f"{stops:.1f}"
    return f"{digits} {stop_noun(float(digits))}"
