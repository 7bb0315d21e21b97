"""The interface of all drivers.

A driver carries wire codes to lamps, one code per channel. It knows wires and nothing of light. The public
methods do what all drivers share (checks, the latest codes, health); a kind of driver implements the
underscored hooks for its transport.

Errors, by phase and by blame::

    DriverError
    |-- OptionsError        our rig file: an option or a place on the wire that this kind does not take
    |-- NotAvailableError   this machine: no such kind, or a package that it needs is not installed
    |-- OpenError           this room: a device, address or interface that could not be opened
    `-- OperationError      our order: a channel that is not there, a code out of range, a closed driver

A failure on the wire of an open driver is not an exception: it shows in `Driver.health`, and the driver keeps
trying by itself.
"""

from __future__ import annotations

import logging
import math
import uuid
from abc import ABC, abstractmethod
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import TYPE_CHECKING, ClassVar, Literal, Self, TypedDict, Unpack

from pydantic import BaseModel, ConfigDict

from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

Clock = Callable[[], float]
"""Monotonic time in seconds with an arbitrary zero."""


class DriverError(Exception):
    """The top of the tree; `driver` is the driver's name in the rig file, `where` the place at fault."""

    def __init__(self, message: str, *, driver: str = "", where: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.driver = driver
        self.where = where


class OptionsError(DriverError):
    """An option or a drive table that the driver's kind does not take; nothing was started."""


class NotAvailableError(DriverError):
    """The kind is unknown, or a package it needs is missing, which `package` names."""

    def __init__(self, message: str, *, driver: str = "", where: str = "", package: str = "") -> None:
        super().__init__(message, driver=driver, where=where)
        self.package = package


class OpenError(DriverError):
    """A device, address or interface could not be opened, which `where` names."""


class OperationError(DriverError):
    """A frame cannot be sent: unknown channel, code out of range, or driver closed. Nothing was changed."""


@dataclass(frozen=True)
class Timing:
    """The delay of a lamp behind its wire.

    Attributes:
        lead_s: age of the level that the lamp shows [s]; sent that much ahead, it moves with other heads.
        latency_s: the part of `lead_s` in which nothing is visible at all [s]; other heads wait that long.
        fastest_stops_s: fastest fade that the lamp follows closely [stops/s].
    """

    lead_s: float = 0.0
    latency_s: float = 0.0
    fastest_stops_s: float = math.inf


class OptionsModel(BaseModel):
    """Base of a kind's keys in ``[drivers.NAME]`` beside `kind`; unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class DriveModel(BaseModel):
    """Base of a kind's keys in a head's ``drive`` beside `driver`; unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    if TYPE_CHECKING:
        # A kind may define it as a field or as a property; either would confuse pydantic here.
        @property
        def full_scale(self) -> int:
            """The wire code of full level."""

    @property
    def timing(self) -> Timing:
        """The lamp's delay; by default none, as on a wire with 44 frames a second."""
        return Timing()

    @property
    def whites(self) -> Literal["channels", "told"] | None:
        """The control of the lamp's white: a cool channel beside the warm one, a message, or none."""
        return None

    def claims(self) -> tuple[Hashable, ...]:
        """Return the places that the head occupies on the wire; two heads of a driver cannot share one."""
        return ()

    def split(self) -> tuple[Self, ...]:
        """Return one drive for each channel of the head: this one, or one for warm and one for cool."""
        return (self,)


@dataclass(frozen=True)
class ModelForm:
    """The models of one form of a kind of driver: its ``[drivers.NAME]`` table and a head's ``drive``."""

    options: type[OptionsModel]
    drive: type[DriveModel]


def channel_names(head: str, count: int) -> tuple[str, ...]:
    """Return the names of a head's channels: the head's name, and a second name for a cool channel.

    >>> channel_names("key", 2)
    ('key', 'key/cool')
    """
    return (head,) if count == 1 else (head, f"{head}/cool")


@dataclass(frozen=True)
class Channel:
    """One head on a driver's wire, or one of the two channels of a head with two whites.

    `cct_k` is the target white of a lamp that takes it by message [K]; None if there is none.
    """

    name: str
    drive: DriveModel
    cct_k: float | None = None


@dataclass(frozen=True)
class Identity:
    """Our identity to other machines: a UUID kept for the life of the installation, and a readable name."""

    cid: uuid.UUID
    source_name: str = "fillside"


@dataclass(frozen=True)
class Setup:
    """Everything a driver is built from."""

    name: str
    options: OptionsModel
    channels: tuple[Channel, ...]
    clock: Clock
    identity: Identity
    system: System = SYSTEM


State = Literal["ok", "late", "lost"]


@dataclass
class FrameCounts:
    """Counts since a driver was built: frames put on the wire, late frames, and errors."""

    frames_sent: int = 0
    frames_late: int = 0
    errors: int = 0


@dataclass(frozen=True)
class HeadHealth:
    """The health of one head, if its lamp reports it.

    Attributes:
        state: `lost`: it is gone; its code stays and nothing is sent to it. `disobeying`: it has another
            level than the one sent. `late`: an answer is overdue.
        since: as in `Health`.
        code: the level it reports, or the worst one it may have when it comes back silent.
        returns: number of times that the head was found again, after it was lost or changed by itself, at a
            code that may differ from the code last sent. Its light continues from `code`, and the next code
            should be near.
        answers: "yes"; "changes" if it answers only changes of level; "no" if it cannot answer; None while
            that is unknown.
        confirmed: true if it recently reported the level it was sent; None if it cannot report.
    """

    state: Literal["ok", "late", "lost", "disobeying"] = "ok"
    since: float = 0.0
    code: int | None = None
    returns: int = 0
    answers: Literal["yes", "changes", "no"] | None = None
    confirmed: bool | None = None


@dataclass(frozen=True)
class Health:
    """The health of the wire.

    Attributes:
        state: `ok`: frames leave on time. `late`: they fall behind. `lost`: they do not leave, and the driver
            keeps trying.
        since: time of the last change of state by the injected clock [s].
        note: the reason, in a sentence.
        notices: facts a person should know although frames leave, such as another source on our wire.
        heads: the heads that report their own health.
        frames_sent, frames_late, errors: counts since the driver was built.
    """

    state: State = "ok"
    since: float = 0.0
    note: str = ""
    notices: tuple[str, ...] = ()
    heads: Mapping[str, HeadHealth] = field(default_factory=dict)
    frames_sent: int = 0
    frames_late: int = 0
    errors: int = 0


class HealthChanges(TypedDict, total=False):
    """The fields of `Health` that a driver reports."""

    state: State
    note: str
    notices: tuple[str, ...]
    heads: Mapping[str, HeadHealth]


Watcher = Callable[[Health], None]


class Driver(ABC):
    """One wire; ``async with driver:`` opens and closes it.

    `send` may be called before opening: those codes are the first to leave, so that after a restart no lamp
    receives a zero first.
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
        self._counts = FrameCounts()
        self._watchers: list[Watcher] = []

    @property
    def is_open(self) -> bool:
        """True between opening and closing; `health` tells the state of the wire."""
        return self._phase == "open"

    @property
    def codes(self) -> Mapping[str, int]:
        """The latest code passed for each channel; channels without one are absent."""
        return dict(self._codes)

    @property
    def health(self) -> Health:
        return replace(self._health, **vars(self._counts))

    @property
    def free_at(self) -> float:
        """The time, of the daemon's clock, from which the next frame leaves at once; -inf for always."""
        return -math.inf

    def watch(self, call: Watcher) -> Callable[[], None]:
        """Call `call` with the new `Health` on every change except of counts; return a function to end it."""
        self._watchers.append(call)

        def end() -> None:
            if call in self._watchers:
                self._watchers.remove(call)

        return end

    def send(self, codes: Mapping[str, int]) -> None:
        """Send wire codes; return at once.

        Channels left out keep their codes. A frame leaves as soon as the medium allows; of several frames
        passed before that, the latest wins and the others are dropped.

        Raises:
            OperationError: a channel is not on this wire, a code is not a whole number from 0 to its full
                scale, or the driver is closed; no code of the frame is used then.
        """
        if self._phase == "closed":
            raise OperationError(f"driver {self.name} is closed", driver=self.name)
        most = self._full_scales
        for name, code in codes.items():
            if type(code) is not int or not 0 <= code <= most.get(name, -1):
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

    def go_on_from(self, before: Driver) -> None:  # noqa: B027 - most receivers count nothing
        """Continue what receivers count over the wires of a closed driver; called before opening.

        Does nothing where they count nothing.
        """

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
        """Send the waiting frame, end the stream and free the device; a second call does nothing.

        With `stay` the receivers do not learn that the stream ends, so that a successor can take over unseen.
        """
        if self._phase != "open":
            self._phase = "closed"
            return
        self._phase = "closed"
        await self._close(stay=stay)

    def _report(self, **changes: Unpack[HealthChanges]) -> None:
        """Change fields of the health and call the watchers; `since` follows the state."""
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
        """Open the transport, or raise OpenError or NotAvailableError naming what is missing."""

    @abstractmethod
    def _send(self, codes: Mapping[str, int]) -> None:
        """Accept a checked frame; never block, and never raise because of the wire."""

    @abstractmethod
    async def _close(self, stay: bool) -> None:
        """Free everything; also called with `stay` after an opening that failed."""
