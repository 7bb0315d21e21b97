"""A guided routine in a terminal, from first caution to verdict, for a person or a simulated meter."""

from __future__ import annotations

import math
import select
import sys
import time
from textwrap import wrap
from typing import Any, Protocol

import click

from fillside.cli.client import Daemon, RefusedError
from fillside.cli.meter_display import DisplayUnit, parse_asked_tape, parse_reading, parse_tape
from fillside.cli.render.routine import NAMES, STAGES, WIDTH, Step, StepText, count

POLL_S = 0.2
REST_WITHIN_S = 60.0
COMMANDS = {"skip": "skip", "again": "repeat", "leave": "leave", "finish": "finish"}
COMMANDS |= {"more": "more", "go": "go"}
"""Words accepted in place of a value, and the acts that they stand for."""
_YES, _NO = ("", "y", "yes"), ("n", "no")


class MeterHolder(Protocol):
    """Reads the steps and holds the meter; `patience` refusals in a row end the routine."""

    patience: float

    def confirm_resume(self, step: Step) -> bool:
        """Return whether to resume a routine that was left."""

    def report(self, text: str) -> None:
        """Receive the result of the last act."""

    def confirm_caution(self, text: str) -> bool:
        """Return whether a caution was seen to; False leaves the routine."""

    def show_step(self, step: Step) -> None:
        """Show a new step."""

    def wait_until(self, unix_s: float) -> str:
        """Wait until a Unix time [s]; return a command typed meanwhile, or an empty string."""

    def read_meter(self, step: Step) -> dict[str, Any] | str:
        """Return a reading, or one of the commands."""


class RoutineGuide:
    """Guides a routine on a daemon to its end, or until it is left."""

    def __init__(self, kind: str, daemon: Daemon, holder: MeterHolder, *, no_warm_up: bool = False) -> None:
        self._kind, self._daemon, self._holder, self._no_warm_up = kind, daemon, holder, no_warm_up
        self._step: Step = {}
        self._step_key: tuple[Any, ...] = ()
        self._refusals = 0

    def run(self) -> Step | None:
        """Return the last step; None when the routine was left before its end."""
        self._enter()
        try:
            while self._step["stage"] != "done" and not self._step["left"]:
                self._take_step()
        except EOFError:
            self._act("leave")
        except (KeyboardInterrupt, RefusedError):
            self._act("leave")
            raise
        if self._step["left"]:
            self._holder.report(f"Left. `fillside {self._kind}` goes on from here.")
            return None
        self._holder.show_step(self._step)
        return self._step

    def _enter(self) -> None:
        step = self._daemon.state().get("routine")
        is_ours = step is not None and step["routine"] == self._kind and step["stage"] != "done"
        if step is not None and is_ours:
            self._step = step
            if not step["left"]:
                return
            if self._holder.confirm_resume(step):
                self._act("resume")
                return
        self._act("start")

    def _take_step(self) -> None:
        stage = self._step["stage"]
        if stage == "prepare":
            self._prepare()
        elif stage == "warm" and self._no_warm_up:
            self._act("skip")
        else:
            self._meter()

    def _prepare(self) -> None:
        self._show_if_new()
        for tick in self._step["ticks"]:
            if not tick["ticked"]:
                if not self._holder.confirm_caution(tick["says"]):
                    self._act("leave")
                    return
                self._act("tick", item=tick["item"])
        self._act("go")

    def _meter(self) -> None:
        self._show_if_new()
        until = self._step["wait_until"]
        reply: dict[str, Any] | str = "" if until is None else self._holder.wait_until(until)
        if not reply:
            self._await_rest()
            reply = self._holder.read_meter(self._step)
        try:
            if self._moved_elsewhere():
                self._holder.report("Somebody else has taken the routine on from here.")
            elif isinstance(reply, str):
                self._act(COMMANDS[reply])
            else:
                self._do({"do": "read", **reply})
            self._refusals = 0
        except RefusedError as refused:
            self._refusals += 1
            self._holder.report(f"Not taken: {refused.message}")
            if self._refusals >= self._holder.patience:
                raise
            self._step = self._daemon.state()["routine"] or self._step

    def _moved_elsewhere(self) -> bool:
        """Refresh the step, and return whether another door has moved the routine since it was shown."""
        now = self._daemon.state()["routine"] or self._step
        same = all(now[key] == self._step[key] for key in ("routine", "stage", "left", "asks"))
        self._step = now
        return not same

    def _show_if_new(self) -> None:
        step = self._step
        key = tuple(step[name] for name in ("stage", "number", "title", "says"))
        if key != self._step_key:
            self._step_key = key
            self._holder.show_step(step)

    def _await_rest(self) -> None:
        """Wait until the light rests, since a reading of changing light is worthless."""
        deadline = time.monotonic() + REST_WITHIN_S
        while not self._daemon.state()["settled"] and time.monotonic() < deadline:
            time.sleep(POLL_S)

    def _act(self, act: str, **more: Any) -> None:
        self._do({"do": self._kind, "act": act, **more}, silent=act in ("start", "tick", "go", "resume"))

    def _do(self, order: dict[str, Any], *, silent: bool = False) -> None:
        answer = self._daemon.do(order)
        step = answer["state"]["routine"]
        if step is not None:
            self._step = step
        if answer["note"] and not silent and answer["note"] != self._step["title"]:
            self._holder.report(answer["note"])


def _asks_tape(step: Step) -> bool:
    """Return true if a step asks how far a head is."""
    return step["asks"] is not None and step["asks"]["unit"] == "m"


class _AtTerminal:
    """Writes the steps to stdout, or to stderr where stdout is for JSON."""

    def __init__(self, daemon: Daemon, *, to_stderr: bool = False) -> None:
        self._to_stderr = to_stderr
        constants = daemon.get("/api/v1/places").get("constants", {})
        self._text = StepText({"flat": 250.0, "dome": 330.0, **constants})
        self._unit = DisplayUnit.of_camera(daemon.state().get("camera") or {})
        self._tape_unit = "m"

    def say(self, *lines: str) -> None:
        for line in lines:
            click.echo(line, err=self._to_stderr)

    def report(self, text: str) -> None:
        self.say(f"  {text}")

    def show_step(self, step: Step) -> None:
        self.say(*self._text.lines(step, self._unit))


class PersonWithMeter(_AtTerminal):
    """A person at a terminal."""

    patience = math.inf

    def confirm_resume(self, step: Step) -> bool:
        stage = f"{STAGES[step['stage']]}, {count(step)}"
        return self._ask_yes(f"{NAMES[step['routine']]} was left at: {stage}. Go on from there?")

    def confirm_caution(self, text: str) -> bool:
        self.say("", *wrap(text, WIDTH))
        return self._ask_yes("Seen to?")

    def _ask_yes(self, question: str) -> bool:
        while True:
            answer = self._line(f"{question} [Y/n] ").lower()
            if answer in (*_YES, *_NO):
                return answer in _YES
            self.say("  y or n")

    def wait_until(self, unix_s: float) -> str:
        self.say("  Type skip, again or leave, or just wait.")
        on_screen = sys.stdout.isatty()
        while (left_s := unix_s - time.time()) > 0:
            if on_screen:
                clock = f"{left_s // 60:.0f}:{left_s % 60:02.0f}"
                click.echo(f"\r  Again in {clock} ", nl=False, err=self._to_stderr)
            if select.select([sys.stdin], [], [], min(left_s, 1.0))[0]:
                command = self._line("").lower()
                if command in COMMANDS:
                    return command
        if on_screen:
            self.say("\r  Now.          ")
        return ""

    def read_meter(self, step: Step) -> dict[str, Any] | str:
        may = [word for word, act in COMMANDS.items() if act in step["may"]]
        if "go" in may:
            return self._confirm_dark(may)
        by_tape = _asks_tape(step)
        shows = f"Tape shows [{self._tape_unit}]" if by_tape else f"Meter shows [{self._unit.name}]"
        prompt = f"  {shows}, or {', '.join(may)}: "
        while True:
            typed = self._line(prompt)
            if typed.lower() in COMMANDS:
                return typed.lower()
            try:
                return self._tape(typed, step) if by_tape else self._light(typed)
            except ValueError as error:
                self.say(f"  {error}")

    def _light(self, typed: str) -> dict[str, Any]:
        if parse_tape(typed) is not None:
            raise ValueError(f"light is asked for here; `fillside read {typed} --head NAME` takes a distance")
        reading, self._unit = parse_reading(typed, self._unit)
        return reading

    def _tape(self, typed: str, step: Step) -> dict[str, Any]:
        """A distance, or what the meter shows, with its unit, of somebody who has no tape."""
        tape = parse_asked_tape(typed, step["asks"]["expected_m"], self._tape_unit)
        if tape is None:
            return self._light(typed)
        self._tape_unit = tape["unit"]
        return tape

    def _confirm_dark(self, may: list[str]) -> str:
        others = ", ".join(word for word in may if word != "go")
        while True:
            command = self._line(f"  Enter to go on into the dark, or {others}: ").lower()
            if command in ("", *may):
                return command or "go"
            self.say(f"  {', '.join(may)}")

    def _line(self, prompt: str) -> str:
        click.echo(prompt, nl=False, err=self._to_stderr)
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.strip()


class SimulatedMeter(_AtTerminal):
    """The simulated meter of a rig without real lamps, whose cautions need no confirmation."""

    patience = 3.0

    def confirm_resume(self, step: Step) -> bool:
        return True

    def confirm_caution(self, text: str) -> bool:
        self.say(*wrap(text, WIDTH, initial_indent="  ", subsequent_indent="  "))
        return True

    def wait_until(self, unix_s: float) -> str:
        left_s = unix_s - time.time()
        if left_s > 0:
            self.say(f"  Waiting {left_s:.0f} s, as a person would.")
            time.sleep(left_s)
        return ""

    def read_meter(self, step: Step) -> dict[str, Any] | str:
        return "go" if "go" in step["may"] else {"virtual": True}
