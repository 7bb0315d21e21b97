"""A guided routine from the first caution to the verdict, whoever holds the meter."""

from __future__ import annotations

import time
from typing import Any, Protocol

from fillside.cli.client import Daemon, NotObeyedError

POLL_S = 0.2
REST_WITHIN_S = 60.0
COMMANDS = {"skip": "skip", "again": "repeat", "leave": "leave", "finish": "finish", "go": "go"}
"""What can be typed instead of a value, and the act it stands for."""

Step = dict[str, Any]


class MeterHand(Protocol):
    """Who reads the steps and holds the meter; `patience` is how many refusals in a row are borne."""

    patience: float

    def resumes(self, step: Step) -> bool:
        """Whether a routine that was left is to go on."""

    def told(self, text: str) -> None:
        """Hear what came of the last act."""

    def ticks(self, says: str) -> bool:
        """Whether a caution was seen to; False leaves."""

    def sees(self, step: Step) -> None:
        """See a step that is new."""

    def waits(self, until: float) -> str:
        """Wait until a Unix time [s]; a command that was typed meanwhile, or nothing."""

    def answers(self, step: Step) -> dict[str, Any] | str:
        """A reading to hand in, or one of the commands."""


class Guided:
    """Takes a routine of a kind on a daemon to its end, or to where it is left."""

    def __init__(self, kind: str, daemon: Daemon, hand: MeterHand, *, no_warm_up: bool = False) -> None:
        self._kind, self._daemon, self._hand, self._no_warm_up = kind, daemon, hand, no_warm_up
        self._step: Step = {}
        self._seen: tuple[Any, ...] = ()
        self._refused = 0

    def go(self) -> Step | None:
        """The last step; None when the routine was left before its end."""
        self._enter()
        try:
            while self._step["stage"] != "done" and not self._step["left"]:
                self._on()
        except EOFError:
            self._act("leave")
        except (KeyboardInterrupt, NotObeyedError):
            self._act("leave")
            raise
        if self._step["left"]:
            self._hand.told(f"Left. `fillside {self._kind}` goes on from here.")
            return None
        self._hand.sees(self._step)
        return self._step

    def _enter(self) -> None:
        step = self._daemon.state().get("routine")
        mine = step is not None and step["routine"] == self._kind and step["stage"] != "done"
        if step is not None and mine:
            self._step = step
            if not step["left"]:
                return
            if self._hand.resumes(step):
                self._act("resume")
                return
        self._act("start")

    def _on(self) -> None:
        stage = self._step["stage"]
        if stage == "prepare":
            self._prepare()
        elif stage == "warm" and self._no_warm_up:
            self._act("skip")
        else:
            self._meter()

    def _prepare(self) -> None:
        self._see()
        for tick in self._step["ticks"]:
            if not tick["ticked"]:
                if not self._hand.ticks(tick["says"]):
                    self._act("leave")
                    return
                self._act("tick", item=tick["item"])
        self._act("go")

    def _meter(self) -> None:
        self._see()
        until = self._step["wait_until"]
        said: dict[str, Any] | str = "" if until is None else self._hand.waits(until)
        if not said:
            self._rested()
            said = self._hand.answers(self._step)
        try:
            if self._went_on_meanwhile():
                self._hand.told("Somebody else has taken the routine on from here.")
            elif isinstance(said, str):
                self._act(COMMANDS[said])
            else:
                self._do({"do": "read", **said})
            self._refused = 0
        except NotObeyedError as refused:
            self._refused += 1
            self._hand.told(f"Not taken: {refused.message}")
            if self._refused >= self._hand.patience:
                raise
            self._step = self._daemon.state()["routine"] or self._step

    def _went_on_meanwhile(self) -> bool:
        """Whether another door moved the routine since the step was shown; it is the present one then."""
        now = self._daemon.state()["routine"] or self._step
        same = all(now[key] == self._step[key] for key in ("routine", "stage", "left", "asks"))
        self._step = now
        return not same

    def _see(self) -> None:
        step = self._step
        seen = tuple(step[key] for key in ("stage", "number", "title", "says"))
        if seen != self._seen:
            self._seen = seen
            self._hand.sees(step)

    def _rested(self) -> None:
        """Until the light rests: nobody is asked for a reading while it moves."""
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
            self._hand.told(answer["note"])
