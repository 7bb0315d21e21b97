"""Contract: a private authority that is named by its file is trusted, also where Python verifies strictly.

Since 3.13 `ssl.create_default_context` asks for VERIFY_X509_STRICT ("What's New In Python 3.13", ssl). The
tests give every Python that default, so that each of them tells.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import click
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric.ec import (
    SECP256R1,
    EllipticCurvePrivateKey,
    generate_private_key,
)
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from fillside.cli.client import Daemon
from fillside_drivers.mqtt.broker import tls_context
from fillside_drivers.mqtt.broker_options import BrokerOptions

NAME = "127.0.0.1"
Trust = Callable[[str | None], ssl.SSLContext | None]


def of_a_broker(ca_file: str | None) -> ssl.SSLContext | None:
    return tls_context(BrokerOptions(broker=NAME, tls=True, ca_file=ca_file))


def of_the_command_line(ca_file: str | None) -> ssl.SSLContext | None:
    with click.Context(click.Command("status")) as ctx:
        ctx.meta["fillside.ca"] = ca_file
        return Daemon(f"https://{NAME}:7420", None).tls()


BOTH = pytest.mark.parametrize("trust", [of_a_broker, of_the_command_line])


def certificate(
    holder: str, key: EllipticCurvePrivateKey, by: EllipticCurvePrivateKey, *says: x509.ExtensionType
) -> bytes:
    """A certificate of `holder` by the studio's authority, PEM; good for two days."""
    now = datetime.now(UTC)
    builder = x509.CertificateBuilder(
        x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "studio authority")]),
        x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, holder)]),
        key.public_key(),
        x509.random_serial_number(),
        now - timedelta(days=1),
        now + timedelta(days=1),
    )
    for one in says:
        builder = builder.add_extension(one, critical=isinstance(one, x509.BasicConstraints))
    return builder.sign(by, hashes.SHA256()).public_bytes(Encoding.PEM)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority without key usage, as `openssl req -x509` makes one, and by it a server's certificate."""
    made = tmp_path_factory.mktemp("authority")
    ours, theirs = generate_private_key(SECP256R1()), generate_private_key(SECP256R1())
    is_authority = x509.BasicConstraints(ca=True, path_length=None)
    names = x509.SubjectAlternativeName([x509.IPAddress(ip_address(NAME))])
    (made / "ca.pem").write_bytes(certificate("studio authority", ours, ours, is_authority))
    (made / "server.pem").write_bytes(certificate(NAME, theirs, ours, names))
    plain = theirs.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (made / "server.key").write_bytes(plain)
    return made


@pytest.fixture(autouse=True)
def as_since_3_13(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = ssl.create_default_context

    def strict(**how: str | None) -> ssl.SSLContext:
        context = plain(**how)  # type: ignore[arg-type]
        context.verify_flags |= ssl.VERIFY_X509_STRICT | ssl.VERIFY_X509_PARTIAL_CHAIN
        return context

    monkeypatch.setattr(ssl, "create_default_context", strict)


def shake_hands(client: ssl.SSLContext | None, folder: Path, name: str = NAME) -> None:
    """A handshake without a socket. Raises what the client makes of the server's certificate."""
    assert client is not None
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(folder / "server.pem", folder / "server.key")
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    ours = client.wrap_bio(back, there, server_hostname=name)
    theirs = server.wrap_bio(there, back, server_side=True)
    for _ in range(3):
        for side in (ours, theirs):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                continue
    assert ours.version() is not None


@BOTH
def test_a_plain_authority_of_ones_own_is_enough(trust: Trust, folder: Path) -> None:
    shake_hands(trust(str(folder / "ca.pem")), folder)


@BOTH
def test_its_certificate_is_still_checked(trust: Trust, folder: Path) -> None:
    with pytest.raises(ssl.SSLCertVerificationError, match="IP address mismatch"):
        shake_hands(trust(str(folder / "ca.pem")), folder, "127.0.0.2")
    with pytest.raises(ssl.SSLCertVerificationError, match="unable to get local issuer"):
        shake_hands(trust(None), folder)


@BOTH
def test_without_the_file_python_decides_how_strictly(trust: Trust) -> None:
    context = trust(None)
    assert context is not None
    assert context.verify_flags & ssl.VERIFY_X509_STRICT
