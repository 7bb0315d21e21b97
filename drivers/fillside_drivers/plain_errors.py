"""Explains errors of the operating system, and missing packages, in words a person can act on.

The system's own texts name a number or a call, which helps nobody on a set. Only this module translates
them; the caller adds what was tried and where.
"""

from __future__ import annotations

import errno
import os
import re
import shlex
import socket
import ssl
import sys
import sysconfig

_NOTHING_LISTENS = "nothing listens there; is it started, and is the port right?"
_NO_ANSWER = "no answer in time; is it switched on, and in this network?"
_BROKEN_OFF = "the other side broke the connection off"
_NO_WAY = "no way leads there from this machine; look at cable, switch and addresses"
_NOT_ALLOWED = "this user may not; see who owns it, and its permissions"
_GONE = "it has gone or is broken; is it plugged in?"
_DISK_FULL = "the disk is full"

_WORDS = {
    errno.ECONNREFUSED: _NOTHING_LISTENS,
    errno.ETIMEDOUT: _NO_ANSWER,
    errno.ECONNRESET: _BROKEN_OFF,
    errno.ECONNABORTED: _BROKEN_OFF,
    errno.EPIPE: _BROKEN_OFF,
    errno.ENOTCONN: _BROKEN_OFF,
    errno.EHOSTUNREACH: _NO_WAY,
    errno.EHOSTDOWN: _NO_WAY,
    errno.ENETUNREACH: _NO_WAY,
    errno.ENETDOWN: _NO_WAY,
    errno.EADDRINUSE: "address and port are in use; stop the other program, or choose another port",
    errno.EADDRNOTAVAIL: "this machine has no such address",
    errno.EAFNOSUPPORT: "this machine does not speak that kind of address",
    errno.EACCES: _NOT_ALLOWED,
    errno.EPERM: _NOT_ALLOWED,
    errno.ENOENT: "there is no such file or device; look at its name",
    errno.ENOTDIR: "a part of that path is no folder",
    errno.EISDIR: "that is a folder, not a file",
    errno.EEXIST: "there is something of that name already",
    errno.ENODEV: _GONE,
    errno.ENXIO: _GONE,
    errno.EIO: _GONE,
    errno.EBUSY: "another program holds it",
    errno.ETXTBSY: "another program holds it",
    errno.EAGAIN: "it is busy",
    errno.ENOTTY: "it is no such device",
    errno.ENOSPC: _DISK_FULL,
    errno.EDQUOT: "this user may write no more to that disk",
    errno.EFBIG: "the file grew too large",
    errno.EROFS: "the disk is read-only",
    errno.EMFILE: "too many files are open at once",
    errno.ENFILE: "too many files are open at once on this machine",
    errno.ENOMEM: "the machine has no memory left",
    errno.ENOBUFS: "the machine has no memory left for the network",
    errno.EMSGSIZE: "the packet is too large for that network",
    errno.ENAMETOOLONG: "the name is too long",
    errno.ELOOP: "the path leads round in a circle",
    errno.EINVAL: "that cannot be done there",
}
_NAME_UNKNOWN = "no machine of that name is known; look at its spelling, or give its address"
_NAMES = {
    socket.EAI_NONAME: _NAME_UNKNOWN,
    getattr(socket, "EAI_NODATA", socket.EAI_NONAME): _NAME_UNKNOWN,
    socket.EAI_AGAIN: "the name cannot be looked up now; is this machine in the network?",
    socket.EAI_FAIL: "the name cannot be looked up; is this machine in the network?",
}
_NUMBERED = re.compile(r"\[Errno (-?\d+)\]")
_MARKS = re.compile(r"\[[^\]]*\]\s*|\s*\(_\w+\.c:\d+\)")
"""Additions of libraries to a text: a number, a code, a line of their source."""


def why(error: BaseException) -> str:
    """Return the reason as a clause to follow a colon."""
    text = str(error)
    if isinstance(error, ssl.SSLError) or text.startswith("[SSL"):
        return _of_tls(text)
    if isinstance(error, socket.gaierror):
        return _NAMES.get(error.errno or 0, _NAME_UNKNOWN)
    if isinstance(error, OSError) and error.errno:
        return _of_number(error.errno, error.strerror)
    if isinstance(error, TimeoutError):
        return _NO_ANSWER
    found = _NUMBERED.search(text)
    if found:
        return _of_number(int(found[1]), None)
    return _unmarked(text) or type(error).__name__


def package_missing(package: str) -> str:
    """Return a message with the command that installs a package where this program runs.

    It names the interpreter by its path, as plain `pip` may belong to another one, and uses sudo if the
    environment belongs to somebody else, such as a service.
    """
    ours = os.access(sysconfig.get_path("purelib"), os.W_OK)
    python = shlex.quote(sys.executable or "python3")
    return (
        f"the package {package} is not installed; this installs it: "
        f"{'' if ours else 'sudo '}{python} -m pip install {package}"
    )


def _of_tls(text: str) -> str:
    """Translate the text of a TLS error; a library that wraps the error leaves nothing else."""
    clean = _unmarked(text)
    if "CERTIFICATE_VERIFY_FAILED" in text:
        return f"its certificate is not trusted: {clean.removeprefix('certificate verify failed: ')}"
    return f"no secure connection comes about ({clean})"


def _of_number(number: int, text: str | None) -> str:
    if number in _WORDS:
        return _WORDS[number]
    if number in _NAMES:
        return _NAMES[number]
    clean = _unmarked(text or os.strerror(number))
    return clean[:1].lower() + clean[1:]


def _unmarked(text: str) -> str:
    """Strip additions from a library's text that only its developers need."""
    return _MARKS.sub("", text).replace("_", " ").strip().rstrip(".")
