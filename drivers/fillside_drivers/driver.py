"""The interface every driver keeps.

A driver carries wire codes to lamps: one code per channel, a channel being one head. It knows wires and
nothing of light. Public methods do what is the same for all (checking, remembering, health); a kind of
driver fills in the underscored hooks for its transport.

Errors, by phase and by blame::

    DriverError
    |-- OptionsError        our rig file: an option or a place on the wire that this kind does not take
    |-- NotAvailableError   this machine: no such kind, or a package that it needs is not installed
    |-- OpenError           this room: a device, address or interface that could not be opened
    `-- OperationError      our order: a channel that is not there, a code out of range, a closed driver

What goes wrong on the wire once a driver runs is no exception: it shows in `Driver.health`, and the driver
goes on trying by itself.
"""

from __future__ import annotations

import logging
import math
import uuid
from abc import ABC, abstractmethod
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict

log = logging.getLogger(__name__)

Clock = Callable[[], float]
"""Elapsed time in seconds, never going back; its zero means nothing."""


class DriverError(Exception):
    """The top of the tree; `driver` is the driver's name in the rig file."""

    def __init__(self, message: str, *, driver: str = "", where: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.driver = driver
        self.where = where


class OptionsError(DriverError):
    """An option or a drive table that the driver's kind does not take; nothing was started."""


class NotAvailableError(DriverError):
    """The kind is not known, or a package it needs is missing; `package` says which."""

    def __init__(self, message: str, *, driver: str = "", where: str = "", package: str = "") -> None:
        super().__init__(message, driver=driver, where=where)
        self.package = package


class OpenError(DriverError):
    """A device, address or interface could not be opened; `where` says which."""


class OperationError(DriverError):
    """A frame that cannot be sent: unknown channel, code out of range, driver closed. Nothing was changed."""


@dataclass(frozen=True)
class Timing:
    """How a lamp lags behind its wire.

    A head's light at a time is what was sent `lead_s` before; sent that much ahead, it moves with the others.
    For the first `latency_s` of that nothing is seen of it at all, so others wait that long for it to begin.
    `fastest_stops_s` is the fade it can follow closely, in stops per second.
    """

    lead_s: float = 0.0
    latency_s: float = 0.0
    fastest_stops_s: float = math.inf


class OptionsModel(BaseModel):
    """What may stand in ``[drivers.NAME]`` beside `kind`; unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class DriveModel(BaseModel):
    """What may stand in a head's ``drive`` beside `driver`; unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    if TYPE_CHECKING:
        # A kind may have it as a field or as a property; pydantic would take either here for its own.
        @property
        def full_scale(self) -> int:
            """The wire code of full level."""

    @property
    def timing(self) -> Timing:
        """How the lamp lags; a wire with 44 frames a second needs no care."""
        return Timing()

    @property
    def whites(self) -> Literal["channels", "told"] | None:
        """How the lamp's white is set: by a cool channel beside the warm one, by telling it, or not."""
        return None

    def claims(self) -> tuple[Hashable, ...]:
        """The places on the wire that the head occupies; two heads of one driver may share none."""
        return ()

    def split(self) -> tuple[Self, ...]:
        """One drive for each channel of the head: itself, or the warm and the cool one."""
        return (self,)


@dataclass(frozen=True)
class ModelForm:
    """One way in which a kind of driver is written: its ``[drivers.NAME]`` table and a head's ``drive``."""

    options: type[OptionsModel]
    drive: type[DriveModel]


def channel_names(head: str, count: int) -> tuple[str, ...]:
    """The names of a head's channels: its own, or its own for the warm one and one more for the cool.

    >>> channel_names("key", 2)
    ('key', 'key/cool')
    """
    return (head,) if count == 1 else (head, f"{head}/cool")


@dataclass(frozen=True)
class Channel:
    """One head on a driver's wire, or one of the two channels of a head with two whites.

    `cct_k` is the white that a lamp that can be told one is to have [K]; None where nothing is wanted.
    """

    name: str
    drive: DriveModel
    cct_k: float | None = None


@dataclass(frozen=True)
class Identity:
    """Who we are to other machines: a UUID kept for the life of the installation, and a name for people."""

    cid: uuid.UUID
    source_name: str = "fillside"


@dataclass(frozen=True)
class Setup:
    """All a driver is built from."""

    name: str
    options: OptionsModel
    channels: tuple[Channel, ...]
    clock: Clock
    identity: Identity


State = Literal["ok", "late", "lost"]


@dataclass
class Counts:
    """What a driver counts since it was built: frames put on the wire, frames that were late, refusals."""

    frames_sent: int = 0
    frames_late: int = 0
    errors: int = 0


@dataclass(frozen=True)
class HeadHealth:
    """How one head is, where its lamp says so itself.

    `lost`: it is not there; its code stays as it was and nothing is sent to it. `disobeying`: it is there
    with another level than it was sent. `late`: an answer of its own is overdue. `code` is the level it has
    as far as it says, or, when it comes back silent, the worst it may have. `since` as in `Health`. `returns`
    counts how often it was found anew, at a code that may not be the one it was last sent: after it was lost,
    and when it changed by itself. Its light is to go on from `code` then, and what it is given next should be
    near that.

    `answers` is whether it answers what it is sent: "yes", "changes" where only a change of level is
    answered, "no" where it cannot; None while that is not known. `confirmed` is whether it reported the level
    it was sent, and not too long ago; None where it cannot."""

    state: Literal["ok", "late", "lost", "disobeying"] = "ok"
    since: float = 0.0
    code: int | None = None
    returns: int = 0
    answers: Literal["yes", "changes", "no"] | None = None
    confirmed: bool | None = None


@dataclass(frozen=True)
class Health:
    """How the wire is.

    `ok`: frames leave on time. `late`: they leave, but fall behind. `lost`: they do not leave; the driver is
    trying again. `since` is the injected clock's time of the last change of state, in seconds. `note` says
    why, in a sentence. `heads` are the heads that speak for themselves.
    `notices` are things a person should know although frames leave, such as another
    source on our wire. The rest counts since opening.
    """

    state: State = "ok"
    since: float = 0.0
    note: str = ""
    notices: tuple[str, ...] = ()
    heads: Mapping[str, HeadHealth] = field(default_factory=dict)
    frames_sent: int = 0
    frames_late: int = 0
    errors: int = 0


Watcher = Callable[[Health], None]


class Driver(ABC):
    """One wire. ``async with driver:`` opens it and closes it.

    `send` may be called before opening: what was handed in then is the first thing that goes out, so that
    after a restart no lamp sees a zero in between.
    """

    kind: ClassVar[str]

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.name = setup.name
        self.channels = {channel.name: channel for channel in setup.channels}
        self._clock = setup.clock
        self._full_scales = {channel.name: channel.drive.full_scale for channel in setup.channels}
        self._codes: dict[str, int] = {}
        self._phase: Literal["new", "open", "closed"] = "new"
        self._health = Health(since=setup.clock())
        self._counts = Counts()
        self._watchers: list[Watcher] = []

    @property
    def is_open(self) -> bool:
        """Whether it was opened and not closed since; `health` says how it does."""
        return self._phase == "open"

    @property
    def codes(self) -> Mapping[str, int]:
        """The latest code handed in for each channel; channels not handed in yet are absent."""
        return dict(self._codes)

    @property
    def health(self) -> Health:
        return replace(self._health, **vars(self._counts))

    def watch(self, call: Watcher) -> Callable[[], None]:
        """Call `call` with the new `Health` whenever it changes, counts left out; returns how to end it."""
        self._watchers.append(call)

        def end() -> None:
            if call in self._watchers:
                self._watchers.remove(call)

        return end

    def send(self, codes: Mapping[str, int]) -> None:
        """Put wire codes on their way; returns at once.

        Channels that are not named keep the code they have. A frame leaves as soon as the medium allows; if
        several are handed in before that, the latest wins and the others are dropped.

        Raises:
            OperationError: a channel that is not on this wire, a code that is no whole number from 0 to its
                full scale, or a closed driver; then nothing of the frame is taken.
        """
        if self._phase == "closed":
            raise OperationError(f"driver {self.name} is closed", driver=self.name)
        for name, code in codes.items():
            most = self._full_scales.get(name, -1)
            if type(code) is not int or not 0 <= code <= most:
                raise self._refusal(name, code)
        self._codes.update(codes)
        if self._phase == "open":
            self._send(self._codes)

    def _refusal(self, name: str, code: object) -> OperationError:
        if name in self.channels:
            text = f"code {code!r} for {name} is not a whole number from 0 to {self._full_scales[name]}"
        else:
            has = ", ".join(self.channels) or "none"
            text = f"driver {self.name} has no channel {name!r}; it has {has}"
        return OperationError(text, driver=self.name, where=name)

    async def __aenter__(self) -> Self:
        if self._phase != "new":
            raise OpenError(f"driver {self.name} was opened before; build a new one", driver=self.name)
        try:
            await self._open()
        except BaseException:
            self._phase = "closed"
            await self._close(stay=True)
            raise
        self._phase = "open"
        if self._codes:
            self._send(self._codes)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def close(self, stay: bool = False) -> None:
        """Put out what is still waiting, then end the stream and free the device; a second call does nothing.

        With `stay` the receivers are not told that the stream ends, so that a successor can take over unseen.
        """
        if self._phase != "open":
            self._phase = "closed"
            return
        self._phase = "closed"
        await self._close(stay=stay)

    def _report(self, **changes: Any) -> None:
        """Change state, note or notices; `since` moves with the state, and the watchers hear of it."""
        old = self._health
        if all(getattr(old, name) == value for name, value in changes.items()):
            return
        new = replace(old, **changes)
        if new.state != old.state:
            new = replace(new, since=self._clock())
        self._health = new
        if (old.state, old.note, old.notices) != (new.state, new.note, new.notices):
            log.log(
                logging.INFO if new.state == "ok" else logging.WARNING,
                "driver %s: %s",
                self.name,
                ": ".join(filter(None, (new.state, "; ".join(filter(None, (new.note, *new.notices)))))),
            )
        for call in tuple(self._watchers):
            call(self.health)

    @abstractmethod
    async def _open(self) -> None:
        """Open the transport, or raise OpenError or NotAvailableError saying what is missing."""

    @abstractmethod
    def _send(self, codes: Mapping[str, int]) -> None:
        """Take a checked frame; never blocks, never raises for the wire's sake."""

    @abstractmethod
    async def _close(self, stay: bool) -> None:
        """Free everything; also called after an opening that failed half-way, with `stay`."""
