"""Tokens, each shown once and stored only as a scrypt hash, in a file that only its owner can read.

A token has the form ``fs-ID-SECRET``. The ID finds its line in the file, so one try costs one hash however
many tokens there are; the SECRET has 192 bits from the system's random generator.

A single-use token has the form ``once-ID-SECRET``. It admits nobody: within its time it can be exchanged,
once, for a lasting token with the same right. So an address that a whole room saw, or somebody photographed,
is soon worthless.
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

from fillside.access.permissions import RIGHTS
from fillside.bounds import MOST_ONE_TIME_TOKENS, MOST_TOKENS
from fillside.orders.registry import Right
from fillside.system_errors import why
from fillside_drivers.plain_files import LARGEST_TEXT_BYTES, plain_bytes

FILE, LOCK = "tokens.json", ".tokens.lock"
_TOKEN = re.compile(r"(fs|once)-([a-z2-7]{8})-([A-Za-z0-9_-]{32})")
ONCE_WITHIN_S = 600.0
"""The time within which a single-use token can be exchanged for a lasting one."""
_COST = {"n": 2**14, "r": 8, "p": 1}
"""The parameters of scrypt (RFC 7914): 16 MiB and some tens of milliseconds per try."""


class TokenFileError(Exception):
    """The token file cannot be read or written; the text is one clear line."""


class TooManyTokensError(TokenFileError):
    """The limit on tokens is reached."""


@dataclass(frozen=True)
class StoredToken:
    """One token as stored in the file."""

    id: str
    name: str
    may: Right
    salt: str
    hash: str
    made_at: float
    once_until: float | None = None
    """For a single-use token, the Unix time until which it can be exchanged; None for a lasting one."""


def _hash(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret.encode("ascii"), salt=salt, dklen=32, **_COST)


class TokenFile:
    """The tokens in one file; changes on disk take effect at the next call."""

    def __init__(self, path: Path, unix_clock: Callable[[], float] = time.time) -> None:
        self.path, self._unix_clock = path, unix_clock
        self._version: tuple[int, int] | None = None
        self._tokens: dict[str, StoredToken] = {}

    def lasting(self) -> tuple[StoredToken, ...]:
        """Return all lasting tokens, oldest first. Raises TokenFileError."""
        self._look()
        return tuple(each for each in self._tokens.values() if each.once_until is None)

    def verify(self, token: str) -> StoredToken | None:
        """Return the stored token if the text is right, else None. Takes some tens of milliseconds.

        Raises TokenFileError.
        """
        self._look()
        return self._matching(token, "fs")

    def has(self, token: StoredToken) -> bool:
        """Return true if a token is in the file, unchanged."""
        self._look()
        return self._tokens.get(token.id) == token

    def make(self, may: Right, name: str) -> str:
        """Make a token and store its hash; return the text, which cannot be recovered later.

        Raises TokenFileError; TooManyTokensError at the limit.
        """
        with self._lock():
            self._check_room()
            text, stored = _new_token(may, name, self._unix_clock())
            self._write({**self._tokens, stored.id: stored})
        return text

    def make_once(self, may: Right, name: str) -> tuple[str, float]:
        """Make a single-use token; return its text and the Unix time [s] until which it can be exchanged."""
        now = self._unix_clock()
        with self._lock():
            self._check_room()
            waiting = sum(each.once_until is not None for each in self._in_time().values())
            if waiting >= MOST_ONE_TIME_TOKENS:
                raise TooManyTokensError(
                    f"{waiting} tokens for once wait to be changed; each ends ten minutes after it was made"
                )
            text, stored = _new_token(may, name, now, once_until=round(now + ONCE_WITHIN_S, 3))
            self._write({**self._in_time(), stored.id: stored})
        assert stored.once_until is not None, "it was just set"
        return text, stored.once_until

    def exchange(self, token: str) -> tuple[str, StoredToken] | None:
        """Use up a single-use token and make a lasting one; return None if the text is wrong or too late.

        Takes some tens of milliseconds. Raises TokenFileError.
        """
        with self._lock():
            old = self._matching(token, "once")
            if old is None or old.id not in self._in_time():
                return None
            self._check_room()
            text, new = _new_token(old.may, old.name, self._unix_clock())
            rest = {ident: each for ident, each in self._in_time().items() if ident != old.id}
            self._write({**rest, new.id: new})
        return text, new

    def revoke(self, ident: str) -> StoredToken | None:
        """Remove a token from the file and return it; None if there is no such ID."""
        with self._lock():
            revoked = self._tokens.get(ident)
            if revoked is not None:
                self._write({key: value for key, value in self._tokens.items() if key != ident})
        return revoked

    def _matching(self, token: str, kind: str) -> StoredToken | None:
        match = _TOKEN.fullmatch(token)
        stored = None if match is None else self._tokens.get(match[2])
        if match is None or stored is None or match[1] != kind:
            return None
        if (stored.once_until is None) != (kind == "fs"):
            return None
        found = _hash(match[3], base64.b64decode(stored.salt))
        return stored if hmac.compare_digest(found, base64.b64decode(stored.hash)) else None

    def _check_room(self) -> None:
        lasting = sum(each.once_until is None for each in self._tokens.values())
        if lasting >= MOST_TOKENS:
            raise TooManyTokensError(
                f"there are {lasting} tokens; revoke some first: `fillside token list` shows them"
            )

    def _in_time(self) -> dict[str, StoredToken]:
        """Return all tokens except expired single-use tokens."""
        now = self._unix_clock()
        return {
            ident: token
            for ident, token in self._tokens.items()
            if token.once_until is None or token.once_until > now
        }

    @contextmanager
    def _lock(self) -> Iterator[None]:
        """Lock the file against other processes, and read it as it stands."""
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
            version = (stat.st_mtime_ns, stat.st_ino)
            if version != self._version:
                self._tokens = _read(plain_bytes(self.path, LARGEST_TEXT_BYTES).decode("utf-8"))
                self._version = version
        except FileNotFoundError:
            self._tokens, self._version = {}, None
        except (OSError, ValueError, TypeError, KeyError, ArithmeticError, RecursionError) as error:
            # A file that cannot be read must admit nobody.
            self._tokens, self._version = {}, None
            reason = why(error) if isinstance(error, OSError) else f"it is damaged ({error})"
            raise TokenFileError(f"{self.path}: cannot read the tokens: {reason}") from error

    def _as_the_folder_is(self, handle: int) -> None:
        """Give files that the superuser writes to the folder's owner, as a service's
        own user must read them."""
        if os.geteuid() == 0:
            folder = self.path.parent.stat()
            os.fchown(handle, folder.st_uid, folder.st_gid)

    def _write(self, tokens: dict[str, StoredToken]) -> None:
        """Replace the whole file, private from its first byte."""
        body = json.dumps({"tokens": [asdict(token) for token in tokens.values()]}, indent=1) + "\n"
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


def _new_token(may: Right, name: str, now: float, once_until: float | None = None) -> tuple[str, StoredToken]:
    """Return the text of a new token, and the part that is stored."""
    ident = base64.b32encode(secrets.token_bytes(5)).decode("ascii").lower()
    secret, salt = secrets.token_urlsafe(24), secrets.token_bytes(16)
    hashed = base64.b64encode(_hash(secret, salt)).decode("ascii")
    kind = "fs" if once_until is None else "once"
    stored = StoredToken(
        ident, name, may, base64.b64encode(salt).decode("ascii"), hashed, round(now, 3), once_until
    )
    return f"{kind}-{ident}-{secret}", stored


def _read(text: str) -> dict[str, StoredToken]:
    found: dict[str, StoredToken] = {}
    for line in json.loads(text)["tokens"]:
        token = _stored(line)
        found[token.id] = token
    return found


def _stored(line: dict[str, Any]) -> StoredToken:
    if line["may"] not in RIGHTS:
        raise ValueError(f"{line['may']!r} is not one of {', '.join(RIGHTS)}")
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
