"""Answering over TLS by certificate files, which may be renewed while the daemon runs."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path

from fillside.doors.http.listening import ListenError
from fillside.system_errors import why
from fillside_drivers.plain_files import check_plain


@dataclass(frozen=True)
class Tls:
    """A certificate and its key, and what connections are made by."""

    certificate: Path
    key: Path
    context: ssl.SSLContext

    def renew(self) -> None:
        """Use what the files hold now, for connections from now on; to be called between two handshakes.

        Raises ListenError with one clear line; then nothing has changed.
        """
        _load(ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), self.certificate, self.key)
        _load(self.context, self.certificate, self.key)


def tls_of(certificate: Path | None, key: Path | None) -> Tls | None:
    """TLS by these files; None when neither is given. Raises ListenError with one clear line."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise ListenError("--certificate and --key go together")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    _load(context, certificate, key)
    return Tls(certificate, key, context)


def scheme_of(tls: Tls | None) -> str:
    return "http" if tls is None else "https"


def _load(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    for path in (certificate, key):
        try:
            check_plain(path)
        except OSError as error:
            raise ListenError(f"{path}: cannot be read: {why(error)}") from error
    try:
        # A key that wants a password would ask for it at the terminal: a daemon has none.
        context.load_cert_chain(certificate, key, password=lambda: "")
    except (ssl.SSLError, ValueError) as error:
        reason = str(getattr(error, "reason", "") or "").replace("_", " ").lower()
        raise ListenError(
            f"{certificate} and {key} are no certificate and its key without a password, both PEM"
            + (f" ({reason})" if reason else "")
        ) from error
