"""The two who can hold the meter in a guided routine: a person at a terminal, and the simulated one."""

from __future__ import annotations

import math
import select
import sys
import time
from textwrap import wrap
from typing import Any

import click

from fillside.calibration.result.expanded import around, expanded
from fillside.cli.client import Daemon
from fillside.cli.guide.guide import COMMANDS, Step
from fillside.cli.meter_display import Language, expected, typed
from fillside.cli.render.readings import within
from fillside.text import numbers

WIDTH = 92
NAMES = {"calibrate": "Calibration", "lineup": "Line-up"}
STAGES = {
    "prepare": "before metering",
    "warm": "warming up",
    "read": "reading",
    "verify": "checking",
    "done": "done",
}
_YES, _NO = ("", "y", "yes"), ("n", "no")


class RoutineNarrator:
    """Says the steps; `aside` says them on stderr, for stdout is for JSON."""

    def __init__(self, daemon: Daemon, *, aside: bool = False) -> None:
        self._aside = aside
        self._constants: dict[str, float] = {
            "flat": 250.0,
            "dome": 330.0,
            **daemon.get("/api/v1/places").get("constants", {}),
        }
        self.language = Language.of_camera(daemon.state().get("camera") or {})
        self._sure: tuple[Any, Any] = (None, None)

    def say(self, *lines: str) -> None:
        for line in lines:
            click.echo(line, err=self._aside)

    def told(self, text: str) -> None:
        self.say(f"  {text}")

    def sees(self, step: Step) -> None:
        name, stage = NAMES[step["routine"]], STAGES[step["stage"]]
        if step["stage"] == "done":
            self._verdict(step)
            return
        title = step["title"]
        if step["stage"] == "prepare":
            self.say("", f"{name}: {title[:1].lower()}{title[1:]}")
        else:
            self.say("", f"{name}, {stage}, {count(step)}: {title}", *self._surer(step))
        for says in step["says"]:
            self.say(*wrap(says, WIDTH, initial_indent="  ", subsequent_indent="  "))
        asks = step["asks"]
        if asks is not None and asks["expected_lux"] is not None:
            sigma = asks["sigma_stops"]
            known = None if sigma is None else expanded(sigma)
            light = expected(asks["expected_lux"], self._constants[asks["receptor"]], self.language, known)
            self.say(f"  Expect about {light}{'' if known is None else f' {around(known)}'}.")

    def _surer(self, step: Step) -> list[str]:
        """How sure the held light is, and how much less sure it was before the last reading."""
        now, before = (step["ratio_sigma_stops"], step["exposure_sigma_stops"]), self._sure
        if None in now:
            return []
        self._sure = now
        said = [
            f"{what} {within(sigma)}"
            + ("" if was is None or within(was) == within(sigma) else f" (was {within(was)})")
            for what, sigma, was in zip(("ratio", "exposure"), now, before, strict=True)
        ]
        return [f"  So far: {', '.join(said)}."]

    def _verdict(self, step: Step) -> None:
        found = step["verdict"]
        rows = [
            ["", "wanted", "metered", "off by"],
            [
                "ratio",
                numbers.wish(found["ratio_wanted"]),
                numbers.ratio(found["ratio_metered"]),
                numbers.stops(found["ratio_off_stops"]),
            ],
            [
                "exposure",
                numbers.lux(found["exposure_wanted_lux"]),
                numbers.lux(found["exposure_metered_lux"]),
                numbers.stops(found["exposure_off_stops"]),
            ],
        ]
        self.say("", f"{NAMES[step['routine']]}: {step['title'].lower()}", *numbers.table(rows), "")
        for says in step["says"]:
            self.say(*wrap(says, WIDTH))


def count(step: Step) -> str:
    """Which reading this is of how many, as far as that is known.

    >>> count({"stage": "read", "number": 7, "of": 9}), count({"stage": "read", "number": 9, "of": 9})
    ('7 of about 9', '9, probably the last')
    >>> count({"stage": "verify", "number": 3, "of": 3}), count({"stage": "warm", "number": 3, "of": 3})
    ('3 of 3', '3, until two agree')
    """
    number, of = step["number"], step["of"]
    if step["stage"] == "warm":
        return f"{number}, until two agree"
    if step["stage"] != "read":
        return f"{number} of {of}"
    return f"{number} of about {of}" if number < of else f"{number}, probably the last"


class PersonWithMeter(RoutineNarrator):
    """A person at a terminal."""

    patience = math.inf

    def resumes(self, step: Step) -> bool:
        stage = f"{STAGES[step['stage']]}, {count(step)}"
        return self._yes(f"{NAMES[step['routine']]} was left at: {stage}. Go on from there?")

    def ticks(self, says: str) -> bool:
        self.say("", *wrap(says, WIDTH))
        return self._yes("Seen to?")

    def _yes(self, question: str) -> bool:
        while True:
            said = self._line(f"{question} [Y/n] ").lower()
            if said in (*_YES, *_NO):
                return said in _YES
            self.say("  y or n")

    def waits(self, until: float) -> str:
        self.say("  Type skip, again or leave, or just wait.")
        on_screen = sys.stdout.isatty()
        while (left_s := until - time.time()) > 0:
            if on_screen:
                click.echo(f"\r  Again in {left_s // 60:.0f}:{left_s % 60:02.0f} ", nl=False, err=self._aside)
            if select.select([sys.stdin], [], [], min(left_s, 1.0))[0]:
                said = self._line("").lower()
                if said in COMMANDS:
                    return said
        if on_screen:
            self.say("\r  Now.          ")
        return ""

    def answers(self, step: Step) -> dict[str, Any] | str:
        may = [word for word, act in COMMANDS.items() if act in step["may"]]
        if "go" in may:
            return self._goes(may)
        prompt = f"  Meter shows [{self.language.name}], or {', '.join(may)}: "
        while True:
            said = self._line(prompt)
            if said.lower() in COMMANDS:
                return said.lower()
            try:
                reading, self.language = typed(said, self.language)
            except ValueError as error:
                self.say(f"  {error}")
                continue
            return reading

    def _goes(self, may: list[str]) -> str:
        others = ", ".join(word for word in may if word != "go")
        while True:
            said = self._line(f"  Enter to go on into the dark, or {others}: ").lower()
            if said in ("", *may):
                return said or "go"
            self.say(f"  {', '.join(may)}")

    def _line(self, prompt: str) -> str:
        click.echo(prompt, nl=False, err=self._aside)
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.strip()


class SimulatedHand(RoutineNarrator):
    """Hands in what the simulated meter shows; cautions are for lamps that are there."""

    patience = 3.0

    def resumes(self, step: Step) -> bool:
        return True

    def ticks(self, says: str) -> bool:
        self.say(*wrap(says, WIDTH, initial_indent="  ", subsequent_indent="  "))
        return True

    def waits(self, until: float) -> str:
        left_s = until - time.time()
        if left_s > 0:
            self.say(f"  Waiting {left_s:.0f} s, as a person would.")
            time.sleep(left_s)
        return ""

    def answers(self, step: Step) -> dict[str, Any] | str:
        return "go" if "go" in step["may"] else {"virtual": True}
