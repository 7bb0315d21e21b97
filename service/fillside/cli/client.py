"""The client of the running daemon; it uses the standard library alone, so that commands start quickly."""

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
WRONG_ORDER_CODES = ("bad_order", "unknown_name", "out_of_range")

if TYPE_CHECKING:
    import ssl

Command = TypeVar("Command", bound=Callable[..., Any])


def _keep_ca(ctx: click.Context, _param: click.Parameter, value: str | None) -> None:
    ctx.meta[_CA] = value


def live_options(command: Command) -> Command:
    """Add the options of every command that talks to the daemon; `Daemon` reads `--ca` from the context."""
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


class RefusedError(Failure):
    """The daemon refused an order; `code` is its reason."""

    def __init__(self, message: str, code: str) -> None:
        super().__init__(message)
        self.code = code


class WrongOrderError(RefusedError):
    """The daemon refused an order because the order itself is wrong."""

    exit_code = WRONG_USE


class Daemon:
    """The daemon at a URL; an answer may take `timeout_s`."""

    def __init__(self, url: str, token: str | None, timeout_s: float = TIMEOUT_S) -> None:
        try:
            parts = urlsplit(url)
            self._port = parts.port
        except ValueError as error:
            raise WrongUse(f"{url!r} is not a URL: {error}") from error
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise WrongUse(f"{url!r} is not a URL such as {DEFAULT_URL}")
        self.url = url.rstrip("/")
        self._parts, self._token, self._timeout_s = parts, _token_text(token), timeout_s
        ctx = click.get_current_context(silent=True)
        self._ca: str | None = None if ctx is None else ctx.meta.get(_CA)

    def state(self) -> dict[str, Any]:
        return self.get("/api/v1/state")

    def get(self, path: str) -> dict[str, Any]:
        return self._request("GET", path, None)

    def do(self, order: dict[str, Any]) -> dict[str, Any]:
        """Send one order; return the daemon's answer."""
        return self.post("/api/v1/do", order)

    def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        return self._request("POST", path, json.dumps(body, allow_nan=False).encode("ascii"))

    def headers(self) -> dict[str, str]:
        token = self._token
        if not token:
            return {}
        if not token.isascii() or not token.isprintable() or " " in token:
            raise WrongUse("the token has characters that no Fillside token has")
        return {"Authorization": f"Bearer {token}"}

    def _request(self, method: str, path: str, body: bytes | None) -> dict[str, Any]:
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
            raise Failure(f"the daemon at {self.url} did not answer within {self._timeout_s:g} s") from error
        except (OSError, http.client.HTTPException) as error:
            if type(error).__name__ == "SSLCertVerificationError":
                raise Failure(f"{self.url} {_untrusted(error)}") from error
            from fillside.system_errors import why

            raise Failure(f"cannot speak with {self.url}: {why(error)}") from error
        finally:
            connection.close()
        return self._decoded(response.status, text)

    def _connection(self) -> http.client.HTTPConnection:
        host = self._parts.hostname or ""
        context = self.tls()
        if context is None:
            return http.client.HTTPConnection(host, self._port, timeout=self._timeout_s)
        return http.client.HTTPSConnection(host, self._port, timeout=self._timeout_s, context=context)

    def tls(self) -> ssl.SSLContext | None:
        """Return the context with the trusted certificates; None for a URL without TLS."""
        if self._parts.scheme != "https":
            return None
        import ssl

        context = ssl.create_default_context()
        if self._ca:
            from fillside_drivers.plain_files import check_plain

            try:
                check_plain(self._ca)
                context.load_verify_locations(self._ca)
                # As for a broker's `ca_file`: a private authority need not follow RFC 5280's profile.
                context.verify_flags &= ~ssl.VERIFY_X509_STRICT
            except (OSError, ssl.SSLError) as error:
                from fillside.system_errors import why

                is_unreadable = isinstance(error, ssl.SSLError)
                reason = "no certificates in PEM form" if is_unreadable else why(error)
                raise WrongUse(f"--ca {self._ca}: {reason}") from error
        return context

    def _decoded(self, status: int, text: bytes) -> dict[str, Any]:
        try:
            answer = json.loads(text)
        except ValueError:
            answer = None
        if not isinstance(answer, dict):
            raise Failure(f"what answers at {self.url} is not a Fillside daemon (HTTP {status})")
        if (error := answer.get("error")) is None:
            return answer
        code = str(error.get("code"))
        kind = WrongOrderError if code in WRONG_ORDER_CODES else RefusedError
        message = str(error.get("message", "refused"))
        if code == "unauthorised" and not self._token:
            message += ", and --token TOKEN or FILLSIDE_TOKEN hands it in"
        raise kind(message, code)


def _token_text(token: str | None) -> str | None:
    """Return the token itself, read from the file for ``file:PATH``."""
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
    reason = getattr(error, "verify_message", "") or "it is not trusted"
    return f"shows a certificate that is not accepted: {reason}; a private authority's is named by --ca FILE"
