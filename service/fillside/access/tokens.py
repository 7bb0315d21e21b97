"""Tokens: made once, shown once, kept only as scrypt hashes in a file of their owner alone.

A token reads ``fs-ID-SECRET``. The ID finds its line in the file, so that one try costs one hash however many
tokens there are; the SECRET has 192 bits from the system's generator.

A token for once reads ``once-ID-SECRET``. It lets nobody in: within its time it is changed, one time, for a
lasting one of the same right. So an address that was shown to a room, or photographed, is soon worth nothing.
"""

from __future__ import annotations

import base64
import contextlib
import fcntl
import hashlib
import hmac
import json
import os
import re
import secrets
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from fillside.access.permissions import MAY, May
from fillside.bounds import MOST_ONE_TIME_TOKENS, MOST_TOKENS
from fillside.system_errors import why
from fillside_drivers.plain_files import LARGEST_TEXT_BYTES, plain_bytes

FILE, LOCK = "tokens.json", ".tokens.lock"
_TOKEN = re.compile(r"(fs|once)-([a-z2-7]{8})-([A-Za-z0-9_-]{32})")
ONCE_WITHIN_S = 600.0
"""How long a token for once waits to be changed for a lasting one."""
_COST = {"n": 2**14, "r": 8, "p": 1}
"""scrypt's parameters (RFC 7914): 16 MiB and some tens of milliseconds a try."""


class TokenFileError(Exception):
    """The file of tokens cannot be read or written; the text is one clear line."""


class TooManyTokensError(TokenFileError):
    """There is no room for a further token."""


@dataclass(frozen=True)
class StoredToken:
    """One token as the file has it."""

    id: str
    name: str
    may: May
    salt: str
    hash: str
    made_at: float
    once_until: float | None = None
    """For a token for once: the Unix time until which it can be changed; None for one that lasts."""


def _hash(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret.encode("ascii"), salt=salt, dklen=32, **_COST)


class TokenFile:
    """The tokens in one file; a change on disk is seen at the next look."""

    def __init__(self, path: Path, unix_clock: Callable[[], float] = time.time) -> None:
        self.path, self._unix_clock = path, unix_clock
        self._seen: tuple[int, int] | None = None
        self._kept: dict[str, StoredToken] = {}

    def kept(self) -> tuple[StoredToken, ...]:
        """All tokens that last, oldest first. Raises TokenFileError."""
        self._look()
        return tuple(line for line in self._kept.values() if line.once_until is None)

    def holder_of(self, token: str) -> StoredToken | None:
        """The line of a token that is right, else None; takes some tens of milliseconds.

        Raises TokenFileError.
        """
        self._look()
        return self._matching(token, "fs")

    def still(self, line: StoredToken) -> bool:
        """Whether a token that was right is still in the file."""
        self._look()
        return self._kept.get(line.id) == line

    def make(self, may: May, name: str) -> str:
        """A new token, in the file as its hash; the text is told here and never again.

        Raises TokenFileError; TooManyTokensError where there are as many as there may be.
        """
        with self._changing():
            self._check_room()
            text, line = _made(may, name, self._unix_clock())
            self._write({**self._kept, line.id: line})
        return text

    def make_once(self, may: May, name: str) -> tuple[str, float]:
        """A token for once, and the Unix time [s] until which it can be changed for a lasting one."""
        now = self._unix_clock()
        with self._changing():
            self._check_room()
            waiting = sum(line.once_until is not None for line in self._in_time().values())
            if waiting >= MOST_ONE_TIME_TOKENS:
                raise TooManyTokensError(
                    f"{waiting} tokens for once wait to be changed; each ends ten minutes after it was made"
                )
            text, line = _made(may, name, now, once_until=round(now + ONCE_WITHIN_S, 3))
            self._write({**self._in_time(), line.id: line})
        assert line.once_until is not None, "it was just set"
        return text, line.once_until

    def change(self, token: str) -> tuple[str, StoredToken] | None:
        """A lasting token for one for once, which is used up by that; None when it is not right, or too late.

        Takes some tens of milliseconds. Raises TokenFileError.
        """
        with self._changing():
            old = self._matching(token, "once")
            if old is None or old.id not in self._in_time():
                return None
            self._check_room()
            text, new = _made(old.may, old.name, self._unix_clock())
            rest = {ident: line for ident, line in self._in_time().items() if ident != old.id}
            self._write({**rest, new.id: new})
        return text, new

    def revoke(self, ident: str) -> StoredToken | None:
        """Take a token out of the file; None when it has no such ID."""
        with self._changing():
            line = self._kept.get(ident)
            if line is not None:
                self._write({key: value for key, value in self._kept.items() if key != ident})
        return line

    def _matching(self, token: str, kind: str) -> StoredToken | None:
        match = _TOKEN.fullmatch(token)
        line = None if match is None else self._kept.get(match[2])
        if match is None or line is None or match[1] != kind or (line.once_until is None) != (kind == "fs"):
            return None
        found = _hash(match[3], base64.b64decode(line.salt))
        return line if hmac.compare_digest(found, base64.b64decode(line.hash)) else None

    def _check_room(self) -> None:
        lasting = sum(line.once_until is None for line in self._kept.values())
        if lasting >= MOST_TOKENS:
            raise TooManyTokensError(
                f"there are {lasting} tokens; revoke some first: `fillside token list` shows them"
            )

    def _in_time(self) -> dict[str, StoredToken]:
        """All lines but those for once whose time is over."""
        now = self._unix_clock()
        return {
            ident: line
            for ident, line in self._kept.items()
            if line.once_until is None or line.once_until > now
        }

    @contextmanager
    def _changing(self) -> Iterator[None]:
        """Alone with the file, other processes included, and with what it says now."""
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            handle = os.open(self.path.with_name(LOCK), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise TokenFileError(f"{self.path}: cannot write the tokens: {why(error)}") from error
        try:
            self._as_the_folder_is(handle)
            fcntl.flock(handle, fcntl.LOCK_EX)
            self._look()
            yield
        finally:
            os.close(handle)

    def _look(self) -> None:
        try:
            stat = self.path.stat()
            seen = (stat.st_mtime_ns, stat.st_ino)
            if seen != self._seen:
                self._kept = _read(plain_bytes(self.path, LARGEST_TEXT_BYTES).decode("utf-8"))
                self._seen = seen
        except FileNotFoundError:
            self._kept, self._seen = {}, None
        except (OSError, ValueError, TypeError, KeyError, ArithmeticError, RecursionError) as error:
            # Nobody is let in by a file that cannot be read.
            self._kept, self._seen = {}, None
            reason = why(error) if isinstance(error, OSError) else f"it is damaged ({error})"
            raise TokenFileError(f"{self.path}: cannot read the tokens: {reason}") from error

    def _as_the_folder_is(self, handle: int) -> None:
        """What the superuser writes belongs to whom the folder does: a service's own user has to read it."""
        if os.geteuid() == 0:
            folder = self.path.parent.stat()
            os.fchown(handle, folder.st_uid, folder.st_gid)

    def _write(self, kept: dict[str, StoredToken]) -> None:
        """Replace the file as a whole, private from its first byte."""
        body = json.dumps({"tokens": [asdict(line) for line in kept.values()]}, indent=1) + "\n"
        try:
            handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=".tokens-")
            try:
                self._as_the_folder_is(handle)
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    file.write(body)
                    file.flush()
                    os.fsync(file.fileno())
                Path(name).replace(self.path)
            except BaseException:
                with contextlib.suppress(OSError):
                    Path(name).unlink()
                raise
        except OSError as error:
            raise TokenFileError(f"{self.path}: cannot write the tokens: {why(error)}") from error
        self._look()


def _made(may: May, name: str, now: float, once_until: float | None = None) -> tuple[str, StoredToken]:
    """A token's text and its line in the file."""
    ident = base64.b32encode(secrets.token_bytes(5)).decode("ascii").lower()
    secret, salt = secrets.token_urlsafe(24), secrets.token_bytes(16)
    kept = base64.b64encode(salt).decode("ascii"), base64.b64encode(_hash(secret, salt)).decode("ascii")
    kind = "fs" if once_until is None else "once"
    return f"{kind}-{ident}-{secret}", StoredToken(ident, name, may, *kept, round(now, 3), once_until)


def _read(text: str) -> dict[str, StoredToken]:
    found: dict[str, StoredToken] = {}
    for line in json.loads(text)["tokens"]:
        kept = _line(line)
        found[kept.id] = kept
    return found


def _line(line: dict[str, Any]) -> StoredToken:
    if line["may"] not in MAY:
        raise ValueError(f"{line['may']!r} is not one of {', '.join(MAY)}")
    for part in ("salt", "hash"):
        base64.b64decode(str(line[part]), validate=True)
    return StoredToken(
        str(line["id"]),
        str(line["name"]),
        line["may"],
        str(line["salt"]),
        str(line["hash"]),
        float(line["made_at"]),
        None if line.get("once_until") is None else float(line["once_until"]),
    )
