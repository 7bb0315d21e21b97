"""The words that ask for a reading, such that a person at the mark can follow with one hand free."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence

from fillside.belief.result.expanded_uncertainty import around, expanded
from fillside.rig.calibration import SuggestedReading
from fillside.rig.checks.cautions import GAS_LAMPS
from fillside.rig.notation import percent
from fillside.rig.tables.model import WORK_ROLE, Head, Rig

SAME_PLACE_M = 0.03
HOLD_IT = "Arm out, phone screen away."
_OF_THE_LIGHT = {"ratio": "ratio", "exposure": "exposure", "face": "face", "others": "other heads to the key"}


def place_words(rig: Rig, place: Sequence[float]) -> str:
    """Directions to the place for the meter: a mark, or the way from the nearest one."""
    mark, point = nearest_mark(rig, place)
    height = f"{place[2]:.2f} m above the floor"
    if math.dist(point, place) < SAME_PLACE_M:
        return f"Hold the meter at {mark}, {height}, where the nose will be. {HOLD_IT}"
    right, away, _ = (p - m for p, m in zip(place, point, strict=True))
    ways = [
        f"{abs(right):.2f} m to the {'right' if right > 0 else 'left'} as the camera sees it"
        if abs(right) > SAME_PLACE_M
        else "",
        f"{abs(away):.2f} m {'away from' if away > 0 else 'toward'} the camera"
        if abs(away) > SAME_PLACE_M
        else "",
    ]
    directions = " and ".join(way for way in ways if way) or "straight up or down"
    return f"From {mark} go {directions}; hold the meter {height}. Measure it: 5 cm count. {HOLD_IT}"


def nearest_mark(rig: Rig, place: Sequence[float]) -> tuple[str, Sequence[float]]:
    """The mark nearest to a place [m], and where it is."""
    return min(rig.marks.items(), key=lambda item: math.dist(item[1], place))


def half_way_words(rig: Rig, place: Sequence[float], head: str) -> str:
    """Directions to the place for a second reading, on the line from the mark to a head."""
    mark, point = nearest_mark(rig, rig.start)
    far = math.dist(place, rig.head(head).position)
    near = math.dist(place, point)
    return (
        f"From {mark} go {near:.2f} m straight toward the middle of {head}, until it is {far:.2f} m away "
        f"({place[2]:.2f} m above the floor). Measure it: 5 cm count. {HOLD_IT}"
    )


def measuring_words(rig: Rig, place: Sequence[float], head: str) -> str:
    """The distance to measure by a tape."""
    mark, point = nearest_mark(rig, place)
    start = mark if math.dist(point, place) < SAME_PLACE_M else "that place"
    way = "" if start == mark else f"{place_words(rig, place)} "
    return (
        f"{way}Hold a tape from {start}, {place[2]:.2f} m above the floor, to the middle of {head}. The lamp "
        f"may be hot: do not touch it. No tape? Hold the meter at {start} once more, flat receptor toward "
        f"{head}, and hand in what it shows, in lux."
    )


def nearer_words(off_m: float) -> str:
    """The answer to a tape measure, by how much farther off a head is than it stood [m].

    >>> nearer_words(0.25), nearer_words(-0.004)
    ('0.25 m farther than it stood', 'as far away as it stood')
    """
    if abs(off_m) < 0.005:
        return "as far away as it stood"
    return f"{abs(off_m):.2f} m {'farther' if off_m > 0 else 'nearer'} than it stood"


def receptor_words(receptor: str, facing: str, head: str) -> str:
    """The receptor to use, and its target."""
    out = "Dome out" if receptor == "dome" else "Flat receptor"
    target = "the camera" if facing == "camera" else f"the middle of {head if facing == 'head' else facing}"
    if not head or facing in ("head", head, "camera"):
        return f"{out}, pointed at {target}."
    return f"{out}, pointed at {target}, not at {head}: what it gives that way counts too."


def names_of(names: Iterable[str]) -> str:
    """Names as a list in a sentence.

    >>> names_of(["key", "fill", "hair"])
    'key, fill and hair'
    """
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def must_stay_on(head: Head) -> bool:
    """True for a lamp that is not switched in the middle of metering: a warm one would start cold again."""
    return head.lamp is not None and head.lamp.kind in GAS_LAMPS


def flagged(rig: Rig, wanted: Collection[str]) -> tuple[str, ...]:
    """The heads that burn although only `wanted` are to light the meter."""
    return tuple(
        head.name
        for head in rig.heads
        if head.name not in wanted and (head.dimming.fixed or must_stay_on(head))
    )


def alone_words(rig: Rig, head: str, level: float, burning: Sequence[str]) -> str:
    """The light of one head that is wanted, and what is beside it."""
    if rig.head(head).dimming.fixed:
        return lit_words(rig, [head], burning)
    if not burning:
        return f"{head} alone, at {percent(level)}."
    return f"{head} at {percent(level)}, the others out but for {names_of(burning)}."


def lit_words(rig: Rig, wanted: Sequence[str], burning: Sequence[str]) -> str:
    """The light of one or several heads as they are held; one that a hand may have switched off is named."""
    but = f" but for {names_of(burning)}" if burning else ""
    fixed = [name for name in wanted if rig.head(name).dimming.fixed]
    as_they_are = (
        "as held" if len(fixed) < len(wanted) else "as it burns" if len(fixed) == 1 else "as they burn"
    )
    by_hand = [name for name in fixed if not must_stay_on(rig.head(name))]
    are = "is" if len(by_hand) == 1 else "are"
    see_to = f" See that {names_of(by_hand)} {are} switched on." if by_hand else ""
    return f"{names_of(wanted)} on {as_they_are}, the others out{but}.{see_to}"


def dark_words(rig: Rig, burning: Sequence[str], asked: bool) -> str:
    """The heads that go out, or are out once `asked`, for the room's own light, and those that burn on."""
    heads = [head.name for head in rig.heads if head.rule != WORK_ROLE]
    if len(burning) == len(heads):
        way = "stay where you are until this reading is taken" if asked else "stand there, then go on"
        return f"No head can be put out from here for this reading: {way}."
    but = f" but {names_of(burning)}" if burning else ""
    if asked:
        return f"All heads{but} are out: stay where you are until the light is back."
    work = any(head.rule == WORK_ROLE and not head.dimming.fixed for head in rig.heads)
    also = ", and so does the work light" if work else ""
    return f"All heads{but} go out for this reading{also}: stand there, then go on."


def flag_words(rig: Rig, names: Sequence[str]) -> list[str]:
    """Directions for keeping heads from the meter that burn though they are not asked for."""
    steady = [name for name in names if must_stay_on(rig.head(name))]
    others = [name for name in names if name not in steady]
    directions = []
    if steady:
        stays, it = ("stays", "it") if len(steady) == 1 else ("stay", "they")
        directions.append(
            f"{names_of(steady)} {stays} on, since {it} would start cold again: turn the lamp away, or hold "
            "a card between lamp and meter; never cover a lamp."
        )
    if others:
        it = "it" if len(others) == 1 else "them"
        directions.append(
            f"{names_of(others)} cannot be dimmed: switch {it} off by hand for this reading, or hold a card "
            "between lamp and meter; never cover a lamp."
        )
    return directions


def known_words(asked: SuggestedReading | None) -> tuple[str, ...]:
    """A line on the uncertainty of the light at the marks, as the next question has it, and on what two more
    readings would bring; none where nothing is known."""
    if asked is None:
        return ()
    now, then = _within(asked, ""), _within(asked, "_after_two")
    if not now:
        return ()
    known = f"Known to {', '.join(f'{around(now[name])} of {name}' for name in now)}"
    verdict = "good enough to shoot" if asked.good else "not as well as one would wish"
    surer = {name: within for name, within in then.items() if around(within) != around(now.get(name, within))}
    if not surer:
        return (f"{known}: {verdict}. More readings would bring little.",)
    more = ", ".join(f"{around(surer[name])} of {name}" for name in surer)
    return (f"{known}: {verdict}. Two more readings would bring {more}.",)


def _within(asked: SuggestedReading, when: str) -> dict[str, float]:
    """Expanded uncertainties by name [stops], of those that there are."""
    found = {words: getattr(asked, f"{name}_sigma{when}_stops") for name, words in _OF_THE_LIGHT.items()}
    return {name: expanded(float(sigma)) for name, sigma in found.items() if sigma is not None}
