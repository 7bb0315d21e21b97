"""Reader of the description in a GDTF file, a zip archive with ``description.xml`` in it.

A file of some kilobytes can unpack to gigabytes, and an element takes a hundred times the memory of its text.
Everything is therefore bounded before it is unpacked or kept: the archive's directory, the text, and the
depth and number of elements. Only the elements that describe modes are kept.

GdtfError    a file that cannot be used, with the problem in one line
"""

from __future__ import annotations

import io
import zipfile
import zlib
from xml.etree.ElementTree import Element, ParseError, TreeBuilder, XMLParser

DESCRIPTION = "description.xml"
MIB = 1024 * 1024
LARGEST_BYTES = 16 * MIB
"""Largest description; that of a lamp with some hundred pixels takes a fifth."""
LARGEST_LIST_BYTES = MIB
"""Largest directory of the archive, enough for some ten thousand pictures and models."""
DEEPEST, MOST_ELEMENTS, MOST_ATTRIBUTES = 64, 200_000, 100
"""Limits of the nesting depth, of elements in all, and of attributes of one element."""
_END_OF_LIST, _END_OF_LONG_LIST = b"PK\x05\x06", b"PK\x06\x07"
_PIECE, _MOST_PIECES = 64 * 1024, 4
"""Octets passed to the parser at once, and how many such pieces may pass without an event. The parser reports
a tag only after reading it whole, with all its attributes."""

LONGEST_LINE = 400
"""Most characters of an error about a file."""


class GdtfError(ValueError):
    """A GDTF file, or a mode of one, cannot be used; the message is shortened, as names may be long."""

    def __init__(self, message: str) -> None:
        super().__init__(message if len(message) <= LONGEST_LINE else message[: LONGEST_LINE - 1] + "…")


class _Fixture(TreeBuilder):
    """Builds the elements that lead to modes and geometries; skips all others and all text.

    Refuses a document type, and with it all entities: a small file could otherwise expand without bound.
    """

    KEPT = (("GDTF",), ("FixtureType",), ("DMXModes", "Geometries"))

    def __init__(self) -> None:
        super().__init__()
        self._depth, self._count, self.events = 0, 0, 0
        self._skipped_from = DEEPEST + 1
        """Depth of the element that is skipped with all it contains."""

    def doctype(self, name: str, pubid: str | None, system: str | None) -> None:
        raise GdtfError(f"{DESCRIPTION} has a document type, which GDTF does not allow")

    def start(self, tag: str, attrs: dict[str, str], /) -> Element:
        self._depth += 1
        self._count += 1
        self.events += 1
        self._refuse_crowds(attrs)
        is_root = self._depth == 1
        if not is_root and self._depth <= len(self.KEPT) and tag not in self.KEPT[self._depth - 1]:
            self._skipped_from = min(self._skipped_from, self._depth)
        return super().start(tag, attrs) if self._depth < self._skipped_from else Element(tag)

    def end(self, tag: str, /) -> Element:
        self.events += 1
        kept = self._depth < self._skipped_from
        if self._depth == self._skipped_from:
            self._skipped_from = DEEPEST + 1
        self._depth -= 1
        return super().end(tag) if kept else Element(tag)

    def data(self, data: str, /) -> None:
        """Skip text, which contains no slots."""
        self.events += 1

    def comment(self, text: str | None, /) -> Element:
        """Skip a comment."""
        self.events += 1
        return Element("")

    def _refuse_crowds(self, attrs: dict[str, str]) -> None:
        if self._depth > DEEPEST:
            raise GdtfError(f"{DESCRIPTION} nests more than {DEEPEST} elements within each other")
        if self._count > MOST_ELEMENTS:
            raise GdtfError(f"{DESCRIPTION} has more than {MOST_ELEMENTS} elements")
        if len(attrs) > MOST_ATTRIBUTES:
            raise GdtfError(f"{DESCRIPTION} has an element with more than {MOST_ATTRIBUTES} attributes")


def description(content: bytes) -> Element:
    """Return the root of a GDTF file's description, an element ``GDTF``, with its modes and geometries.

    Raises:
        GdtfError: the content is not such a file; no other exception is raised.
    """
    text = _unpacked(content)
    silent = 0
    try:
        lamp = _Fixture()
        parser = XMLParser(target=lamp)
        for place in range(0, len(text), _PIECE):
            before = lamp.events
            parser.feed(text[place : place + _PIECE])
            silent = 0 if lamp.events > before else silent + 1
            if silent >= _MOST_PIECES:
                raise GdtfError(
                    f"{DESCRIPTION} has a tag or comment of more than {_PIECE * _MOST_PIECES // 1024} KiB"
                )
        found = parser.close()
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
    _refuse_long_list(content)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            packed = archive.getinfo(DESCRIPTION)
            if packed.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise GdtfError(f"{DESCRIPTION} is packed in a way that GDTF does not allow")
            with archive.open(packed) as file:
                text = file.read(LARGEST_BYTES + 1)
    except KeyError:
        raise GdtfError(f"there is no {DESCRIPTION} in it") from None
    except zipfile.BadZipFile as error:
        raise GdtfError(f"is no GDTF file, which is a zip archive ({error})") from None
    except GdtfError:
        raise
    except (RuntimeError, NotImplementedError, OSError, EOFError, zlib.error, ValueError) as error:
        raise GdtfError(f"{DESCRIPTION} cannot be unpacked: {error}") from None
    if len(text) > LARGEST_BYTES:
        raise GdtfError(f"{DESCRIPTION} is larger than {LARGEST_BYTES // MIB} MiB")
    return text


def _refuse_long_list(content: bytes) -> None:
    """Raise GdtfError for an archive whose directory alone would fill the memory.

    The directory's length is in its end record, 12 octets after the signature (APPNOTE.TXT 4.3.16, from
    memory); in the long form for archives of gigabytes a locator of 20 octets precedes that record.
    """
    end = content.rfind(_END_OF_LIST)
    length = int.from_bytes(content[end + 12 : end + 16], "little") if end >= 0 else 0
    is_long = end >= 20 and content[end - 20 : end - 16] == _END_OF_LONG_LIST
    if is_long or length > LARGEST_LIST_BYTES:
        raise GdtfError("is a zip archive of too many files")
