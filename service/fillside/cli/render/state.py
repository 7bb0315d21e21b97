"""The state as text: one line after an order, a block for `status`, `watch` and `solve`."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

from fillside.belief.result.expanded_uncertainty import around
from fillside.rig.notation import OUT, ROOM_LIGHT_NOT_KNOWN, stops_text
from fillside.text import numbers, uncertainty

State = dict[str, Any]


def one_line(state: State, note: str = "") -> str:
    """Format the light and its target in one line, with the limits that the note does not name."""
    achieved, face = (state.get(part) or {} for part in ("achieved", "face"))
    intervals = state.get("uncertainty") or {}
    off = uncertainty.deviation(achieved.get("exposure_error_stops"), intervals.get("exposure_stops"))
    exposure = uncertainty.lux(achieved.get("exposure_lux"), intervals.get("exposure_stops"))
    parts = [
        _ratio_now_and_wanted(state),
        f"face {uncertainty.ratio(face.get('ratio'), intervals.get('face_stops'))}",
        f"exposure {exposure} ({off if off.startswith('within') else f'{off} off'})",
    ]
    limits = (str(limit["says"]) for limit in state.get("limits") or [])
    return "; ".join([", ".join(parts), *(says for says in limits if says not in note)])


def _ratio_now_and_wanted(state: State) -> str:
    """Format the ratio, with the target where they differ by more than the uncertainty."""
    target, achieved, intervals = (state.get(part) or {} for part in ("target", "achieved", "uncertainty"))
    within = intervals.get("ratio_stops")
    now, wanted = (uncertainty.ratio(part.get("ratio"), within) for part in (achieved, target))
    text = f"ratio {now}" if within is None else f"ratio {now} {around(within)}"
    if now == wanted:
        return text
    text = "no ratio" if now == numbers.NOTHING else text
    asked = "none" if wanted == numbers.NOTHING else numbers.target_ratio(target.get("ratio"))
    return f"{text} now, {asked} wanted"


def motion_text(state: State) -> str:
    """Say whether the light fades, or for how long it has been steady; empty where no light is held."""
    if "settled" not in state:
        return ""
    if not state["settled"]:
        return "fading"
    at = state.get("light_changed_at")
    return "steady" if at is None or time.time() - at < 1 else f"steady for {_passed(at)}"


def _passed(at: float) -> str:
    """Format the time since a Unix time."""
    ago_s = max(0.0, time.time() - at)
    if ago_s < 7200:
        return f"{ago_s:.0f} s" if ago_s < 120 else f"{ago_s / 60:.0f} min"
    return f"{ago_s / 3600:.0f} h"


def state_lines(state: State) -> list[str]:
    """Format the state as a few lines with a table of heads."""
    return [
        *_where(state),
        *numbers.table(list(_quantities(state))),
        "",
        *head_lines(state.get("heads") or []),
        *_rest(state),
    ]


def _where(state: State) -> Iterator[str]:
    mode = state.get("mode")
    place = f"subject at {numbers.metres(state['subject'])}" if state.get("subject") else ""
    subject = state.get("subject_seen") or {}
    if subject.get("mark"):
        place = f"subject at {subject['mark']}"
    alone = f"{state['alone']} alone{_undimmable(state)}" if state.get("alone") else ""
    yield ", ".join(filter(None, (state.get("rig"), mode, alone, place, motion_text(state))))
    yield ""


def _undimmable(state: State) -> str:
    """Name the heads without a wire, which stay on whichever head is on alone."""
    found = [h["name"] for h in state.get("heads") or [] if not h.get("wire") and h.get("output")]
    others = [name for name in found if name != state["alone"]]
    return f" but for {' and '.join(others)}" if others else ""


def _quantities(state: State) -> Iterator[list[str]]:
    target, achieved, face = (state.get(part) or {} for part in ("target", "achieved", "face"))
    intervals, others = (state.get(part) or {} for part in ("uncertainty", "relative_uncertainty_stops"))
    ratio, exposure = intervals.get("ratio_stops"), intervals.get("exposure_stops")
    yield ["", "wanted", "is", "off by"]
    yield [
        "ratio",
        numbers.target_ratio(target.get("ratio")),
        uncertainty.ratio(achieved.get("ratio"), ratio, achieved.get("ratio_stops")),
        uncertainty.deviation(achieved.get("ratio_error_stops"), ratio),
    ]
    yield [
        "exposure",
        numbers.lux(target.get("exposure_lux")),
        uncertainty.lux(achieved.get("exposure_lux"), exposure),
        uncertainty.deviation(achieved.get("exposure_error_stops"), exposure),
    ]
    for role, wanted in (target.get("relative") or {}).items():
        found = (achieved.get("relative") or {}).get(role)
        off = None if found is None or wanted is None else found - wanted
        within = others.get(role)
        yield [
            role,
            OUT if wanted is None and _is_out(state, role) else numbers.stops(wanted),
            uncertainty.stops(found, within),
            uncertainty.deviation(off, within),
        ]
    sides = " / ".join(uncertainty.lux(face.get(key), exposure) for key in ("key_side_lux", "fill_side_lux"))
    within = intervals.get("face_stops")
    yield ["face", "", uncertainty.ratio(face.get("ratio"), within), sides]
    if face.get("halves_ratio") is not None:
        yield ["in the picture", "", uncertainty.ratio(face["halves_ratio"], within), "halves of the face"]


def room_light_lines(answer: State) -> list[str]:
    """Say in one line that nothing is known of the room's light; nothing where anything is."""
    return [ROOM_LIGHT_NOT_KNOWN] if answer.get("room_light") == "not known" else []


def _is_out(state: State, role: str) -> bool:
    """Return true for a role that an order, a trim or the rig file puts out, if it has no stops."""
    if "balance" not in state:
        return True
    orders = (state["balance"] or {}).get("relative") or {}, state.get("trims") or {}
    return any(order.get(role) == OUT for order in orders)


def head_lines(found: list[dict[str, Any]]) -> list[str]:
    """Format the table of heads, each light with its uncertainty and the digits that this leaves."""
    rows = [["head", "role", "level", "output", "light", ""]]
    for head in found:
        rows.append(
            [
                str(head.get("name")),
                str(head.get("role")),
                numbers.percent(head.get("level")),
                numbers.percent(head.get("output")),
                _light(head),
                ", ".join(_notes(head)),
            ]
        )
    return numbers.table(rows, right=(2, 3, 4))


def _light(head: dict[str, Any]) -> str:
    """Format the light of a head; of a lost one, only the level that it was sent is known."""
    if head.get("state") == "lost":
        return "not known"
    return uncertainty.lux_within(head.get("lux"), head.get("uncertainty_stops"))


def _notes(head: dict[str, Any]) -> Iterator[str]:
    yield from _health(head)
    if head.get("at_limit") is not None:
        yield {"full": "at full", "floor": "at its floor"}.get(head["at_limit"], head["at_limit"])
    if not head.get("settled", True):
        yield f"going to {numbers.percent((head.get('goal') or {}).get('level'))}"


def _health(head: dict[str, Any]) -> Iterator[str]:
    if head.get("answers") == "no":
        yield "cannot answer"
    elif head.get("answers") == "changes" and head.get("confirmed") is False and head.get("state") == "ok":
        yield "not heard lately"
    state = head.get("state", "ok")
    if state == "ok":
        return
    level = head.get("says_level")
    words = {
        "late": "frames are late" if head.get("confirmed") is None else "has not answered",
        "lost": "cannot be reached",
        "disobeying": "does not obey" + ("" if level is None else f", reports {numbers.percent(level)}"),
    }
    yield f"{words.get(state, state)}, for {_passed(head['since'])}"


def _drivers(state: State) -> Iterator[str]:
    for name, driver in (state.get("drivers") or {}).items():
        if driver["state"] != "ok":
            why = f": {driver['note']}" if driver.get("note") else ""
            yield f"driver {name}: {driver['state']}, for {_passed(driver['since'])}{why}"
        for notice in driver.get("notices") or []:
            yield f"driver {name}: {notice}"


def _side_jobs(state: State) -> Iterator[str]:
    """Yield a line for each failing side job; the light does not depend on them."""
    for job in state.get("jobs") or []:
        times = "once" if job["failures"] == 1 else f"{job['failures']} times"
        yield f"{job['name']} failed {times} in {_passed(job['since'])}, and is tried again: {job['says']}"


def _rest(state: State) -> list[str]:
    lines = list(_remarks(state))
    return ["", *lines] if lines else []


def _remarks(state: State) -> Iterator[str]:
    trims = {role: by for role, by in (state.get("trims") or {}).items() if by}
    if trims:
        parts = (f"{role} {by if isinstance(by, str) else stops_text(by)}" for role, by in trims.items())
        yield f"trims: {', '.join(parts)}"
    yield from room_light_lines(state)
    for limit in state.get("limits") or []:
        yield f"limit: {limit['says']}"
    for remedy in state.get("remedies") or []:
        yield f"would help: {remedy['do']} (leaves {numbers.at_most(remedy['leaves_stops'])})"
    if state.get("identifying"):
        yield f"{state['identifying']} is showing itself and comes back"
    yield from _drivers(state)
    yield from _side_jobs(state)
    if (state.get("subject_seen") or {}).get("too_rough"):
        yield "the tracker is too rough to follow"
    storage = state.get("storage") or {}
    if storage.get("note"):
        yield f"storage: {storage['note']}"
    yield from state.get("notes") or []
