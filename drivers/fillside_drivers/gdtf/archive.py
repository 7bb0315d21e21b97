"""The description in a GDTF file: a zip archive with ``description.xml`` in it.

GdtfError    a file that cannot be used: what is wrong, in one line
"""

from __future__ import annotations

import io
import zipfile
import zlib
from xml.etree.ElementTree import Element, ParseError, TreeBuilder, XMLParser

DESCRIPTION = "description.xml"
LARGEST_BYTES = 32 * 1024 * 1024
"""A description is not larger; a lamp of some hundred pixels takes a tenth."""

LONGEST_LINE = 400
"""Characters of what is said of a file."""


class GdtfError(ValueError):
    """A GDTF file, or a mode of one, that cannot be used; names in it may be long, and are cut."""

    def __init__(self, message: str) -> None:
        super().__init__(message if len(message) <= LONGEST_LINE else message[: LONGEST_LINE - 1] + "…")


class _NoEntities(TreeBuilder):
    """Refuses a document type, and with it all entities: a small file could otherwise grow without bound."""

    def doctype(self, name: str, pubid: str | None, system: str | None) -> None:
        raise GdtfError(f"{DESCRIPTION} has a document type, which GDTF does not allow")


def description(content: bytes) -> Element:
    """The root of a GDTF file's description, an element ``GDTF``.

    Raises GdtfError, and nothing else, for what is none.
    """
    try:
        root = XMLParser(target=_NoEntities())
        root.feed(_unpacked(content))
        found = root.close()
    except ParseError as error:
        raise GdtfError(f"{DESCRIPTION} is no XML: {error}") from None
    except (ValueError, LookupError) as error:
        if isinstance(error, GdtfError):
            raise
        raise GdtfError(f"{DESCRIPTION} cannot be read: {error}") from None
    if not isinstance(found, Element) or found.tag != "GDTF":
        raise GdtfError(f"{DESCRIPTION} is not of a lamp: its root is not GDTF")
    return found


def _unpacked(content: bytes) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive, archive.open(DESCRIPTION) as file:
            text = file.read(LARGEST_BYTES + 1)
    except KeyError:
        raise GdtfError(f"there is no {DESCRIPTION} in it") from None
    except zipfile.BadZipFile as error:
        raise GdtfError(f"is no GDTF file, which is a zip archive ({error})") from None
    except (RuntimeError, NotImplementedError, OSError, EOFError, zlib.error, ValueError) as error:
        raise GdtfError(f"{DESCRIPTION} cannot be unpacked: {error}") from None
    if len(text) > LARGEST_BYTES:
        raise GdtfError(f"{DESCRIPTION} is larger than {LARGEST_BYTES // 1024 // 1024} MiB")
    return text
