"""Speaking with the running daemon. Only the standard library, and only what one request needs."""

from __future__ import annotations

import http.client
import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlsplit

import click

from fillside.cli.group import WRONG_USE, Failure, WrongUse
from fillside.orders.registry import TIMEOUT_S

DEFAULT_URL = "http://127.0.0.1:7420"
_CA = "fillside.ca"
WRONGLY_SAID = ("bad_order", "unknown_name", "out_of_range")

if TYPE_CHECKING:
    import ssl

Command = TypeVar("Command", bound=Callable[..., Any])


def _keep_ca(ctx: click.Context, _param: click.Parameter, value: str | None) -> None:
    ctx.meta[_CA] = value


def live_options(command: Command) -> Command:
    """The options of every command that speaks with the daemon; `--ca` is kept for `Daemon` to find."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print JSON."),
        click.option(
            "--ca",
            envvar="FILLSIDE_CA",
            metavar="FILE",
            expose_value=False,
            callback=_keep_ca,
            help="Whose certificates are trusted beside the usual ones, PEM, or FILLSIDE_CA.",
        ),
        click.option(
            "--token",
            envvar="FILLSIDE_TOKEN",
            metavar="TOKEN",
            help="Or FILLSIDE_TOKEN; file:PATH for one in a file.",
        ),
        click.option(
            "--url",
            envvar="FILLSIDE_URL",
            default=DEFAULT_URL,
            metavar="URL",
            help=f"Where the daemon is, or FILLSIDE_URL. [{DEFAULT_URL}]",
        ),
    ):
        command = option(command)
    return command


class NotObeyedError(Failure):
    """The daemon does not obey; `code` is its own word for why."""

    def __init__(self, message: str, code: str) -> None:
        super().__init__(message)
        self.code = code


class WronglySaidError(NotObeyedError):
    """It does not, because of what was typed."""

    exit_code = WRONG_USE


class Daemon:
    """The daemon at a URL; `patience_s` is how long an answer may take."""

    def __init__(self, url: str, token: str | None, patience_s: float = TIMEOUT_S) -> None:
        try:
            parts = urlsplit(url)
            self._port = parts.port
        except ValueError as error:
            raise WrongUse(f"{url!r} is not a URL: {error}") from error
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise WrongUse(f"{url!r} is not a URL such as {DEFAULT_URL}")
        self.url = url.rstrip("/")
        self._parts, self._token, self._patience_s = parts, _given(token), patience_s
        ctx = click.get_current_context(silent=True)
        self._ca: str | None = None if ctx is None else ctx.meta.get(_CA)

    def state(self) -> dict[str, Any]:
        return self.get("/api/v1/state")

    def get(self, path: str) -> dict[str, Any]:
        return self._ask("GET", path, None)

    def do(self, order: dict[str, Any]) -> dict[str, Any]:
        """Have one order carried out: the daemon's answer."""
        return self.post("/api/v1/do", order)

    def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        return self._ask("POST", path, json.dumps(body, allow_nan=False).encode("ascii"))

    def headers(self) -> dict[str, str]:
        token = self._token
        if not token:
            return {}
        if not token.isascii() or not token.isprintable() or " " in token:
            raise WrongUse("the token has characters that no Fillside token has")
        return {"Authorization": f"Bearer {token}"}

    def _ask(self, method: str, path: str, body: bytes | None) -> dict[str, Any]:
        headers = self.headers()
        if body is not None:
            headers["Content-Type"] = "application/json"
        connection = self._connection()
        try:
            connection.request(method, self._parts.path.rstrip("/") + path, body, headers)
            response = connection.getresponse()
            text = response.read()
        except ConnectionRefusedError as error:
            raise Failure(
                f"no daemon answers at {self.url}; start it with `fillside run RIG.toml`"
            ) from error
        except TimeoutError as error:
            raise Failure(f"the daemon at {self.url} did not answer within {self._patience_s:g} s") from error
        except (OSError, http.client.HTTPException) as error:
            if type(error).__name__ == "SSLCertVerificationError":
                raise Failure(f"{self.url} {_untrusted(error)}") from error
            from fillside.system_errors import why

            raise Failure(f"cannot speak with {self.url}: {why(error)}") from error
        finally:
            connection.close()
        return self._understood(response.status, text)

    def _connection(self) -> http.client.HTTPConnection:
        host = self._parts.hostname or ""
        context = self.tls()
        if context is None:
            return http.client.HTTPConnection(host, self._port, timeout=self._patience_s)
        return http.client.HTTPSConnection(host, self._port, timeout=self._patience_s, context=context)

    def tls(self) -> ssl.SSLContext | None:
        """Whose certificates are trusted; None where the URL wants no TLS."""
        if self._parts.scheme != "https":
            return None
        import ssl

        context = ssl.create_default_context()
        if self._ca:
            from fillside_drivers.plain_files import check_plain

            try:
                check_plain(self._ca)
                context.load_verify_locations(self._ca)
                # As for a broker's `ca_file`: an authority of one's own need not keep RFC 5280's profile.
                context.verify_flags &= ~ssl.VERIFY_X509_STRICT
            except (OSError, ssl.SSLError) as error:
                from fillside.system_errors import why

                read = isinstance(error, ssl.SSLError)
                reason = "no certificates in PEM form" if read else why(error)
                raise WrongUse(f"--ca {self._ca}: {reason}") from error
        return context

    def _understood(self, status: int, text: bytes) -> dict[str, Any]:
        try:
            answer = json.loads(text)
        except ValueError:
            answer = None
        if not isinstance(answer, dict):
            raise Failure(f"what answers at {self.url} is not a Fillside daemon (HTTP {status})")
        if (error := answer.get("error")) is None:
            return answer
        code = str(error.get("code"))
        kind = WronglySaidError if code in WRONGLY_SAID else NotObeyedError
        message = str(error.get("message", "refused"))
        if code == "unauthorised" and not self._token:
            message += ", and --token TOKEN or FILLSIDE_TOKEN hands it in"
        raise kind(message, code)


def _given(token: str | None) -> str | None:
    """A token as it was given, or as the file has it that was named as ``file:PATH``."""
    if token is None or not token.startswith("file:"):
        return token
    path = token.removeprefix("file:")
    try:
        with open(path, encoding="utf-8") as file:
            return file.read().strip()
    except (OSError, UnicodeDecodeError) as error:
        from fillside.system_errors import why

        reason = why(error) if isinstance(error, OSError) else "it is no text"
        raise WrongUse(f"--token: {path} cannot be read: {reason}") from error


def _untrusted(error: Exception) -> str:
    why = getattr(error, "verify_message", "") or "it is not trusted"
    return f"shows a certificate that is not accepted: {why}; a private authority's is named by --ca FILE"
