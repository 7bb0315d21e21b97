"""Rigs with a broker: heads that are bulbs on it, and the MQTT door."""

from __future__ import annotations

from random import Random
from typing import Any

Args = dict[str, Any]
METERS = {"sensor": {"at": "chair"}}


def with_broker(random: Random, rig: Args) -> Args:
    """Put a broker into a rig: one bulb or more, the door, or both."""
    found = {**rig, "drivers": dict(rig["drivers"]), "heads": [dict(head) for head in rig["heads"]]}
    heads = found["heads"]
    bulbs = random.choice([0, 1, 1, 2, len(heads)])
    for head in random.sample(heads, bulbs):
        head["drive"] = _bulb(random, head["name"])
    if bulbs:
        version = {"version": "3.1.1"} if random.random() < 0.2 else {}
        found["drivers"]["bulbs"] = {"kind": "mqtt", **version}
    if bulbs == len(heads):
        del found["drivers"]["stage"]
    if not bulbs or random.random() < 0.5:
        found["doors"] = {"mqtt": {"homie": random.random() < 0.7, "meters": METERS}}
    return found


def _bulb(random: Random, name: str) -> Args:
    """Draw a drive. A bulb without a way back, or one that cannot be asked, is rarer than it is in shops."""
    own = f"room/{name}"
    rate = {"most_per_s": random.choice([5.0, 10.0, 20.0])}
    full = random.choice([100, 254, 255, 255, 1023])
    comes_back = {"comes_back": random.choice(["full", "kept"])}
    if random.random() < 0.12:
        homie = {"homie": f"bulb-{name}/light/level", "send_as": "{percent}"}
        return {"driver": "bulbs", **homie, "full_scale": full, **rate, **comes_back}
    drive: Args = {"driver": "bulbs", "send_to": f"{own}/set", "full_scale": full, **rate, **comes_back}
    form = random.choice(["plain", "object", "object", "percent", "share"])
    if form == "object":
        drive |= {"send_as": '{"level": {code}}'}
        if random.random() < 0.5:
            drive |= {"fade_field": "over"}
    elif form != "plain":
        drive |= {"send_as": f"{{{form}}}"}
    if random.random() < 0.15:
        drive |= {"on_as": "on", "out_as": "out", "switch_to": f"{own}/switch"}
    if random.random() < 0.9:
        drive |= {"reports_at": own}
        if form == "object":
            drive |= {"reports_field": random.choice(["level", "state.level"])}
        if random.random() < 0.7:
            drive |= {"ask_to": f"{own}/ask", "ask_as": "?"}
    if random.random() < 0.7:
        drive |= {"alive_at": f"{own}/alive"}
    return drive
