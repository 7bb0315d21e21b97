"""Letting visitors in: by address, by token, and not at all after too many wrong tokens."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import logging
import secrets
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from fillside.access.permissions import May, Permission
from fillside.access.tokens import StoredToken, TokenFile, TokenFileError, TooManyTokensError
from fillside.orders.answers import Refusal

log = logging.getLogger(__name__)

P = ParamSpec("P")
T = TypeVar("T")

HERE = Permission("this machine", "operate")
WRONG_TRIES, TRIES_WITHIN_S = 10, 60.0
MOST_ADDRESSES = 10_000
AT_ONCE = 2
MOST_KNOWN = 1000


class Authenticator:
    """Says who a visitor is. One for all doors, so that wrong tries count together."""

    def __init__(self, tokens: TokenFile, clock: Callable[[], float]) -> None:
        self._tokens, self._clock = tokens, clock
        self._tries: dict[str, list[float]] = {}
        self._hashing = asyncio.Semaphore(AT_ONCE)
        # What was right is known again by a keyed digest: scrypt is paid once, and no token is kept.
        self._key = secrets.token_bytes(32)
        self._known: dict[bytes, StoredToken] = {}

    async def admit(self, token: str | None, address: str, loopback: bool) -> Permission:
        """Who this is.

        Without a token only this machine itself comes in. Raises Refusal: unauthorised, or too_many.
        """
        if token is None:
            if loopback:
                return HERE
            raise Refusal("unauthorised", "a token is needed here; `fillside token new` makes one")
        digest = hmac.digest(self._key, token.encode("utf-8", "replace"), hashlib.sha256)
        try:
            line = self._known.get(digest)
            if line is None or not self._tokens.still(line):
                self._known.pop(digest, None)
                line = await self._try(token, address)
        except TokenFileError as error:
            log.error("%s", error)
            raise Refusal("unauthorised", "no token can be checked now; see the daemon's log") from None
        if len(self._known) >= MOST_KNOWN:
            self._known.clear()
        self._known[digest] = line
        return Permission(line.name, line.may, line)

    def still_good(self, holder: Permission) -> bool:
        """Whether one who was let in would be let in as before: its token was not revoked or changed since.

        Costs a look at the file's date, so that it may be asked often.
        """
        if not isinstance(holder.line, StoredToken):
            return True
        try:
            return self._tokens.still(holder.line)
        except TokenFileError as error:
            log.error("%s", error)
            return False

    async def invite(self, may: May, name: str) -> tuple[str, float]:
        """A token for once, and the Unix time [s] until which it is good."""
        return await self._with_file(self._tokens.make_once, may, name)

    async def change(self, token: str | None, address: str) -> tuple[str, Permission]:
        """The lasting token for one that is good once.

        Raises Refusal: unauthorised, or too_many.
        """
        if token is None:
            raise Refusal("unauthorised", "send the token that is to be changed", "Authorization")
        found = await self._tried(self._tokens.change, token, address)
        if found is None:
            raise Refusal("unauthorised", "this was used before, or is too old; ask for another")
        text, line = found
        return text, Permission(line.name, line.may)

    async def _try(self, token: str, address: str) -> StoredToken:
        line = await self._tried(self._tokens.holder_of, token, address)
        if line is None:
            raise Refusal("unauthorised", "this token is not right, or was revoked")
        return line

    async def _tried(self, ask: Callable[[str], T | None], token: str, address: str) -> T | None:
        """What `ask` says of a token; None counts as a wrong one of this address."""
        self._check_tries(address)
        async with self._hashing:
            self._check_tries(address)
            found = await self._with_file(ask, token)
        if found is None:
            self._note_wrong(address)
        return found

    @staticmethod
    async def _with_file(ask: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return await asyncio.to_thread(ask, *args, **kwargs)
        except TooManyTokensError as error:
            raise Refusal("too_many", str(error)) from None
        except TokenFileError as error:
            log.error("%s", error)
            raise Refusal("unauthorised", "no token can be checked now; see the daemon's log") from None

    def _check_tries(self, address: str) -> None:
        since = self._clock() - TRIES_WITHIN_S
        recent = [at for at in self._tries.get(address, ()) if at > since]
        if recent:
            self._tries[address] = recent
        else:
            self._tries.pop(address, None)
        if len(recent) >= WRONG_TRIES:
            raise Refusal("too_many", "too many wrong tokens from this address; wait a minute")

    def _note_wrong(self, address: str) -> None:
        if len(self._tries) >= MOST_ADDRESSES:
            self._tries.clear()
        tries = self._tries.setdefault(address, [])
        tries.append(self._clock())
        if len(tries) == WRONG_TRIES:
            log.warning("%d wrong tokens from %s in a minute; it is kept out for now", WRONG_TRIES, address)
