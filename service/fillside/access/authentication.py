"""Admits visitors by address or token, and shuts an address out after too many wrong tokens."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import logging
import secrets
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from fillside.access.permissions import Permission
from fillside.access.tokens import StoredToken, TokenFile, TokenFileError, TooManyTokensError
from fillside.orders.answers import Refusal
from fillside.orders.registry import Right

log = logging.getLogger(__name__)

P = ParamSpec("P")
T = TypeVar("T")

THIS_MACHINE = Permission("this machine", "operate")
WRONG_TRIES, TRIES_WITHIN_S = 10, 60.0
MOST_ADDRESSES = 10_000
HASHES_AT_ONCE = 2
MOST_CACHED = 1000


class Authenticator:
    """Identifies visitors. All doors share one authenticator, so that wrong tries count together."""

    def __init__(self, tokens: TokenFile, clock: Callable[[], float]) -> None:
        self._tokens, self._clock = tokens, clock
        self._tries: dict[str, list[float]] = {}
        self._hashing = asyncio.Semaphore(HASHES_AT_ONCE)
        # Accepted tokens by keyed digest: scrypt runs once for each, and no token is kept.
        self._key = secrets.token_bytes(32)
        self._cache: dict[bytes, StoredToken] = {}

    async def admit(self, token: str | None, address: str, loopback: bool) -> Permission:
        """Return the permission of a visitor.

        Without a token, only this machine is admitted. Raises Refusal: unauthorised, or too_many.
        """
        if token is None:
            if loopback:
                return THIS_MACHINE
            raise Refusal("unauthorised", "a token is needed here; `fillside token new` makes one")
        digest = hmac.digest(self._key, token.encode("utf-8", "replace"), hashlib.sha256)
        try:
            stored = self._cache.get(digest)
            if stored is None or not self._tokens.has(stored):
                self._cache.pop(digest, None)
                stored = await self._try(token, address)
        except TokenFileError as error:
            log.error("%s", error)
            raise Refusal("unauthorised", "no token can be checked now; see the daemon's log") from None
        if len(self._cache) >= MOST_CACHED:
            self._cache.clear()
        self._cache[digest] = stored
        return Permission(stored.name, stored.may, stored)

    def still_good(self, holder: Permission) -> bool:
        """Return true if a visitor's token was neither revoked nor changed since it was admitted.

        Only checks the file's date, so it may be called often.
        """
        if not isinstance(holder.token, StoredToken):
            return True
        try:
            return self._tokens.has(holder.token)
        except TokenFileError as error:
            log.error("%s", error)
            return False

    async def invite(self, may: Right, name: str) -> tuple[str, float]:
        """Make a single-use token; return it and the Unix time [s] at which it expires."""
        return await self._with_file(self._tokens.make_once, may, name)

    async def change(self, token: str | None, address: str) -> tuple[str, Permission]:
        """Exchange a single-use token for a lasting one.

        Raises Refusal: unauthorised, or too_many.
        """
        if token is None:
            raise Refusal("unauthorised", "send the token that is to be changed", "Authorization")
        found = await self._limited(self._tokens.exchange, token, address)
        if found is None:
            raise Refusal("unauthorised", "this was used before, or is too old; ask for another")
        text, stored = found
        return text, Permission(stored.name, stored.may)

    async def _try(self, token: str, address: str) -> StoredToken:
        stored = await self._limited(self._tokens.verify, token, address)
        if stored is None:
            raise Refusal("unauthorised", "this token is not right, or was revoked")
        return stored

    async def _limited(self, check: Callable[[str], T | None], token: str, address: str) -> T | None:
        """Check a token unless its address has tried too often; a result of None counts as a wrong try."""
        self._check_tries(address)
        async with self._hashing:
            self._check_tries(address)
            found = await self._with_file(check, token)
        if found is None:
            self._note_wrong(address)
        return found

    @staticmethod
    async def _with_file(work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return await asyncio.to_thread(work, *args, **kwargs)
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
