"""Tokens: made once, shown once, kept only as scrypt hashes in a file of their owner alone.

A token reads ``fs-ID-SECRET``. The ID finds its line in the file, so that one try costs one hash however many
tokens there are; the SECRET has 192 bits from the system's generator.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import os
import re
import secrets
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from fillside.access.passes import MAY, May

FILE = "tokens.json"
_TOKEN = re.compile(r"fs-([a-z2-7]{8})-([A-Za-z0-9_-]{32})")
_COST = {"n": 2**14, "r": 8, "p": 1}
"""scrypt's parameters (RFC 7914): 16 MiB and some tens of milliseconds a try."""


class TokenFileError(Exception):
    """The file of tokens cannot be read or written; the text is one clear line."""


@dataclass(frozen=True)
class Kept:
    """One token as the file has it."""

    id: str
    name: str
    may: May
    salt: str
    hash: str
    made_at: float


def _hash(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret.encode("ascii"), salt=salt, dklen=32, **_COST)


class TokenFile:
    """The tokens in one file; a change on disk is seen at the next look."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._seen: tuple[int, int] | None = None
        self._kept: dict[str, Kept] = {}

    def kept(self) -> tuple[Kept, ...]:
        """All tokens, oldest first. Raises TokenFileError."""
        self._look()
        return tuple(self._kept.values())

    def holder_of(self, token: str) -> Kept | None:
        """The line of a token that is right, else None; takes some tens of milliseconds.

        Raises TokenFileError.
        """
        match = _TOKEN.fullmatch(token)
        self._look()
        line = None if match is None else self._kept.get(match[1])
        if match is None or line is None:
            return None
        found = _hash(match[2], base64.b64decode(line.salt))
        return line if hmac.compare_digest(found, base64.b64decode(line.hash)) else None

    def still(self, line: Kept) -> bool:
        """Whether a token that was right is still in the file."""
        self._look()
        return self._kept.get(line.id) == line

    def make(self, may: May, name: str) -> str:
        """A new token, in the file as its hash; the text is told here and never again."""
        self._look()
        ident = base64.b32encode(secrets.token_bytes(5)).decode("ascii").lower()
        secret, salt = secrets.token_urlsafe(24), secrets.token_bytes(16)
        line = Kept(
            ident,
            name,
            may,
            base64.b64encode(salt).decode("ascii"),
            base64.b64encode(_hash(secret, salt)).decode("ascii"),
            round(time.time(), 3),
        )
        self._write({**self._kept, ident: line})
        return f"fs-{ident}-{secret}"

    def revoke(self, ident: str) -> Kept | None:
        """Take a token out of the file; None when it has no such ID."""
        self._look()
        line = self._kept.get(ident)
        if line is not None:
            self._write({key: value for key, value in self._kept.items() if key != ident})
        return line

    def _look(self) -> None:
        try:
            stat = self.path.stat()
            seen = (stat.st_mtime_ns, stat.st_ino)
            if seen != self._seen:
                self._kept = _read(self.path.read_text("utf-8"))
                self._seen = seen
        except FileNotFoundError:
            self._kept, self._seen = {}, None
        except (OSError, ValueError, TypeError, KeyError) as error:
            # Nobody is let in by a file that cannot be read.
            self._kept, self._seen = {}, None
            raise TokenFileError(f"{self.path}: cannot read the tokens: {error}") from error

    def _write(self, kept: dict[str, Kept]) -> None:
        """Replace the file as a whole, private from its first byte."""
        body = json.dumps({"tokens": [asdict(line) for line in kept.values()]}, indent=1) + "\n"
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=".tokens-")
            try:
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
            raise TokenFileError(f"{self.path}: cannot write the tokens: {error.strerror}") from error
        self._look()


def _read(text: str) -> dict[str, Kept]:
    found: dict[str, Kept] = {}
    for line in json.loads(text)["tokens"]:
        kept = _line(line)
        found[kept.id] = kept
    return found


def _line(line: dict[str, Any]) -> Kept:
    if line["may"] not in MAY:
        raise ValueError(f"{line['may']!r} is not one of {', '.join(MAY)}")
    return Kept(
        str(line["id"]),
        str(line["name"]),
        line["may"],
        str(line["salt"]),
        str(line["hash"]),
        float(line["made_at"]),
    )
