"""What the program does now, in short: solutions, held states and an hour of packets.

    python tests/regression/record.py

writes it into `recorded/`, a line a studio and a line a minute, so that a change of behaviour shows as
changed lines in its commit, whose message says why. These numbers were made by the program itself: they say
that it still does what it did, and nothing about whether that is right.
"""

from __future__ import annotations

import hashlib
import json
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fillside.balance.solution import solve_rig
from fillside.hold.machine.hold import Hold
from fillside.orders.answers import Refusal
from fillside.orders.light import SubjectReport
from fillside.orders.parsing import parse_order
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig
from fillside_drivers.driver import Channel
from fillside_drivers.sacn.schedule import Schedule, Stream
from fillside_drivers.slots import SlotDrive, SlotFrame
from regression.studios import DAY, HOUR_S, STUDIOS, direct_studio, orders, report_at, studio

ROOT = Path(__file__).resolve().parents[2]
RECORDED = Path(__file__).resolve().parent / "recorded"
SETTLES_WITHIN_S = 120.0


def studio_line(number: int, rig: Rig) -> dict[str, Any]:
    """The solution of a studio, and its state at rest after each of its orders."""
    solution = solve_rig(rig)
    hold = Hold(rig, None, 0.0)
    now = _settled(hold, 0.0)
    held = [{"do": "start", **_state(hold, now)}]
    for order in orders(number):
        try:
            note = hold.order(parse_order(order), now).note
        except Refusal as error:
            held.append({"do": order, "refused": error.code})
            continue
        now = _settled(hold, now)
        held.append({"do": order, "note": note, **_state(hold, now)})
    return {"studio": number, "solved": _said(solution.report), "codes": solution.codes, "held": held}


def _settled(hold: Hold, now: float) -> float:
    start = now
    hold.tick(now)
    while (wake := hold.wake_in(now)) is not None and now < start + SETTLES_WITHIN_S:
        now += max(wake, 1 / 44)
        hold.tick(now)
    return now


def _said(report: Any) -> dict[str, Any]:
    held = report.achieved
    return {
        "ratio": _short(held.ratio),
        "lux": _short(held.exposure_lux),
        "off": [_stops(held.ratio_error_stops), _stops(held.exposure_error_stops)],
        "relative": {role: _stops(stops) for role, stops in held.relative.items()},
        "limits": [f"{limit.head or limit.role or ''}:{limit.at}" for limit in report.limits],
    }


def _state(hold: Hold, now: float) -> dict[str, Any]:
    state = hold.snapshot()
    return {**_said(state), "codes": hold.codes, "mode": state.mode, "settled": state.settled}


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")


def _stops(value: float | None) -> float | None:
    return None if value is None else round(value, 3) + 0.0


def hour_lines() -> Iterator[dict[str, Any]]:
    """The presenter's studio for an hour, each minute's E1.31 packets as their number and hash."""
    rig = load_rig(ROOT / "config" / "presenter.toml")
    channels = [
        Channel(head.name, SlotDrive(slot=1 + 2 * place, bits=16)) for place, head in enumerate(rig.heads)
    ]
    frame, hold = SlotFrame(channels), Hold(rig, None, 0.0)
    schedule = Schedule(uuid.UUID(int=1), [Stream(1, "regression")])
    names = [head.name for head in rig.heads]
    now = 0.0
    for minute in range(HOUR_S // 60):
        digest, packets = hashlib.sha256(), 0
        order = DAY[minute % len(DAY)]
        hold.order(parse_order(order), now)
        for second in range(60 * minute, 60 * minute + 60):
            if (seen := report_at(second)) is not None:
                hold.order(SubjectReport(do="subject", to=seen), now)
            while True:
                wake = hold.wake_in(now)
                due = min(second + 1.0, now + wake if wake is not None else second + 1.0)
                now = max(now, min(due, schedule.due))
                hold.tick(now)
                if frame.put(dict(zip(names, hold.codes, strict=True))):
                    schedule.put(1, frame.octets)
                for packet in schedule.take(now):
                    digest.update(packet.octets)
                    packets += 1
                if now >= second + 1.0:
                    break
        yield {
            "minute": minute,
            "do": order,
            "packets": packets,
            "sha256": digest.hexdigest()[:16],
            "codes": hold.codes,
        }


def as_line(entry: dict[str, Any]) -> str:
    """One entry as a line of JSON that is the same wherever it is written."""
    return json.dumps(entry, separators=(", ", ": "), ensure_ascii=False)


def write() -> None:
    """Record anew."""
    RECORDED.mkdir(exist_ok=True)
    numbers = range(STUDIOS)
    studios = (("studios", studio), ("direct", direct_studio))
    recorded = [(name, map(studio_line, numbers, map(made, numbers))) for name, made in studios]
    for name, entries in (*recorded, ("hour", hour_lines())):
        lines = [as_line(entry) for entry in entries]
        (RECORDED / f"{name}.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write()
