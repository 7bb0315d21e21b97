"""Options of the MQTT driver, and the drive of a bulb on one of the broker's topics."""

from __future__ import annotations

import json
import re
import string
from collections.abc import Hashable
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, Strict, model_validator

from fillside_drivers.driver import DriveModel, Timing
from fillside_drivers.mqtt.broker_options import BrokerOptions, Whole

Number = Annotated[float, Strict()]

PLACEHOLDERS = ("code", "share", "percent")
"""Placeholders in `send_as`: the code, the level as 0..1, the level as 0..100."""

HOMIE_ID = re.compile(r"[a-z0-9-]+/[a-z0-9-]+/[a-z0-9-]+")


def _publishable(topic: str) -> str:
    if not topic or len(topic.encode()) > 1024 or any(c in topic for c in "+#\0"):
        raise ValueError("a topic to one bulb has no + or # and is 1 to 1024 octets long")
    return topic


def _pattern(text: str) -> str:
    try:
        names = [name for _, name, _, _ in string.Formatter().parse(_doubled(text)) if name is not None]
    except ValueError:
        names = []
    if not any(name in PLACEHOLDERS for name in names):
        raise ValueError("a pattern holds {code}, {share} or {percent}, such as '{\"power\": {code}}'")
    return text


def _doubled(text: str) -> str:
    """Double all braces except those of placeholders, so that JSON can be written literally."""
    known = "|".join(PLACEHOLDERS)
    kept = re.sub(rf"\{{({known})\}}", "\x01\\1\x02", text)
    return kept.replace("{", "{{").replace("}", "}}").replace("\x01", "{").replace("\x02", "}")


def message(pattern: str, code: int, full_scale: int) -> str:
    """Fill in a pattern for a code.

    >>> message('{"power": {code}, "of": {share}}', 51, 255)
    '{"power": 51, "of": 0.2}'
    """
    share = code / full_scale
    return _doubled(pattern).format(code=code, share=f"{share:.6g}", percent=f"{100 * share:.4g}")


Topic = Annotated[str, AfterValidator(_publishable)]
Pattern = Annotated[str, AfterValidator(_pattern)]


class MqttOptions(BrokerOptions):
    """``[drivers.NAME]`` with ``kind = "mqtt"``.

    Attributes:
        version: version of the MQTT protocol.
    """

    version: Literal["5", "3.1.1"] = "5"


class MqttDrive(DriveModel):
    """A head's ``drive`` on an MQTT driver: one bulb.

    Attributes:
        send_to: topic the bulb listens on.
        send_as: message, with {code}, {share} (0..1) or {percent} (0..100) for the level.
        full_scale: code of full level.
        on_as, out_as: messages that switch the bulb on and out, if a level alone does not.
        switch_to: topic of those messages, if it differs.
        fade_field: field of a JSON message for the duration of a fade [s].
        cct_field: field of a JSON message for the bulb's white.
        cct_as: unit of that field: kelvin, or mired (10^6 over kelvin).
        reports_at: topic on which the bulb reports its level.
        reports_field: field of a JSON report that holds the level; dots lead to inner fields.
        ask_to: topic on which the bulb can be asked for its level.
        ask_as: message of that question.
        alive_at: topic on which the bulb, or its gateway, reports that it is alive.
        alive_as: message for alive; any other means that the bulb is gone.
        comes_back: level of the bulb after a power cut if it does not report: full or kept.
        homie: ``device/node/property`` of the Homie convention 5, in place of the topics above.
        homie_domain: first topic level of the convention.
        most_per_s: messages that the bulb accepts per second.
        latency_s: time from a message to its light [s].
    """

    send_to: Topic | None = None
    send_as: Pattern = "{code}"
    full_scale: Annotated[Whole, Field(ge=1, le=65535)] = 255
    on_as: Annotated[str, Field(max_length=1024)] | None = None
    out_as: Annotated[str, Field(max_length=1024)] | None = None
    switch_to: Topic | None = None
    fade_field: Annotated[str, Field(pattern=r"^[^.]{1,64}$")] | None = None
    cct_field: Annotated[str, Field(pattern=r"^[^.]{1,64}$")] | None = None
    cct_as: Literal["kelvin", "mired"] = "kelvin"
    reports_at: Topic | None = None
    reports_field: Annotated[str, Field(min_length=1, max_length=256)] | None = None
    ask_to: Topic | None = None
    ask_as: Annotated[str, Field(max_length=1024)] = ""
    alive_at: Topic | None = None
    alive_as: Annotated[str, Field(max_length=256)] = "online"
    comes_back: Literal["full", "kept"] = "full"
    homie: Annotated[str, Field(pattern=rf"^{HOMIE_ID.pattern}$")] | None = None
    homie_domain: Annotated[str, Field(pattern=r"^[a-z0-9-]+$")] = "homie"
    most_per_s: Annotated[Number, Field(ge=0.2, le=44)] = 5.0
    latency_s: Annotated[Number, Field(ge=0, le=2)] = 0.08

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if (self.send_to is None) == (self.homie is None):
            raise ValueError("give send_to, the topic the bulb listens on, or homie")
        if self.homie is not None and (self.reports_at or self.alive_at or self.reports_field):
            raise ValueError("homie says where the bulb reports; leave reports_at and alive_at out")
        if self.ask_to is not None and self.report_topic is None:
            raise ValueError("a question on ask_to needs reports_at, where its answer comes")
        for key in ("fade_field", "cct_field"):
            if getattr(self, key) is not None and not self._sends_an_object:
                raise ValueError(f"{key} needs a send_as that is a JSON object")
        return self

    @property
    def _sends_an_object(self) -> bool:
        try:
            return isinstance(json.loads(message(self.send_as, 0, self.full_scale)), dict)
        except ValueError:
            return False

    @property
    def _homie_base(self) -> tuple[str, str]:
        """The topics of the property and of the device's state, Homie convention 5."""
        assert self.homie is not None
        base = f"{self.homie_domain}/5"
        return f"{base}/{self.homie}", f"{base}/{self.homie.split('/')[0]}/$state"

    @property
    def level_topic(self) -> str:
        if self.homie is not None:
            return self._homie_base[0] + "/set"
        assert self.send_to is not None
        return self.send_to

    @property
    def report_topic(self) -> str | None:
        return self._homie_base[0] if self.homie is not None else self.reports_at

    @property
    def report_full(self) -> float:
        """The number that reports full level, in the unit of the messages."""
        if "{share}" in self.send_as:
            return 1.0
        return 100.0 if "{percent}" in self.send_as else float(self.full_scale)

    @property
    def alive_topic(self) -> str | None:
        return self._homie_base[1] if self.homie is not None else self.alive_at

    @property
    def alive_words(self) -> str:
        return "ready" if self.homie is not None else self.alive_as

    @property
    def interval_s(self) -> float:
        """The shortest time between two messages."""
        return 1.0 / self.most_per_s

    @property
    def timing(self) -> Timing:
        """The latency, and the fastest fade that the bulb follows within 0.15 stop.

        Without a fade field the bulb rests between messages: sent half an interval ahead, it is off by at
        most half an interval's fade, 0.05 stop at 0.5 stop/s and five messages a second. With a fade field it
        moves evenly, and four times that speed is as good.
        """
        if self.fade_field is None:
            return Timing(self.latency_s + self.interval_s / 2, self.latency_s, 0.1 * self.most_per_s)
        return Timing(self.latency_s + self.interval_s, self.latency_s, 0.4 * self.most_per_s)

    @property
    def whites(self) -> Literal["channels", "told"] | None:
        return None if self.cct_field is None else "told"

    def cct_value(self, cct_k: float) -> int:
        """Return the value of `cct_field` for a colour temperature [K]."""
        return round(cct_k if self.cct_as == "kelvin" else 1e6 / cct_k)

    def claims(self) -> tuple[Hashable, ...]:
        return (self.level_topic,)
