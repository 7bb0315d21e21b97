"""Codec of a bulb's messages and reports, as its drive describes them."""

from __future__ import annotations

import json
from dataclasses import dataclass

from fillside_drivers.mqtt.options import MqttDrive, message


@dataclass(frozen=True)
class OutgoingMessage:
    topic: str
    payload: str


def level_messages(
    drive: MqttDrive, cct_k: float | None, was: int | None, code: int, fade_s: float
) -> list[OutgoingMessage]:
    """Return the messages that take a bulb from one code to another, in `fade_s` if it can fade by itself.

    Parameters:
        drive: the bulb's drive.
        cct_k: the white to send along [K]; None for none.
        was: the code last sent; None if there is none.
        code: the new code.
        fade_s: duration of the fade [s].
    """
    switch = drive.switch_to or drive.level_topic
    if code == 0 and drive.out_as is not None:
        return [OutgoingMessage(switch, drive.out_as)]
    found = [OutgoingMessage(switch, drive.on_as)] if drive.on_as is not None and not was and code > 0 else []
    text = message(drive.send_as, code, drive.full_scale)
    more: dict[str, float] = {}
    if drive.cct_field is not None and cct_k is not None:
        more[drive.cct_field] = drive.cct_value(cct_k)
    if drive.fade_field is not None:
        more[drive.fade_field] = round(fade_s, 3)
    if more:
        text = json.dumps({**json.loads(text), **more})
    return [*found, OutgoingMessage(drive.level_topic, text)]


def reported_code(drive: MqttDrive, payload: bytes) -> int | None:
    """Return the code of a report; None for any other message."""
    try:
        value = json.loads(payload)
        for key in drive.reports_field.split(".") if drive.reports_field else ():
            value = value[key]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    # Compared before the division, as a whole number may exceed the range of a float.
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= drive.report_full:
        return None
    return round(value / drive.report_full * drive.full_scale)
