"""The description in a GDTF file: a zip archive with ``description.xml`` in it.

A file of some kilobytes can unpack to gigabytes, and every element takes a hundred times the memory of its
text. So all is bounded before it is unpacked or kept: the archive's list of files, the text, how deep its
elements nest and how many there are. Kept is only what a mode is read from.

GdtfError    a file that cannot be used: what is wrong, in one line
"""

from __future__ import annotations

import io
import zipfile
import zlib
from xml.etree.ElementTree import Element, ParseError, TreeBuilder, XMLParser

DESCRIPTION = "description.xml"
MIB = 1024 * 1024
LARGEST_BYTES = 16 * MIB
"""A description is not larger; a lamp of some hundred pixels takes a fifth."""
LARGEST_LIST_BYTES = MIB
"""Nor is the archive's list of its files: some ten thousand pictures and models."""
DEEPEST, MOST_ELEMENTS, MOST_ATTRIBUTES = 64, 200_000, 100
"""Of elements within each other, in all, and of attributes of one."""
_END_OF_LIST, _END_OF_LONG_LIST = b"PK\x05\x06", b"PK\x06\x07"
_PIECE, _MOST_SILENT = 64 * 1024, 4
"""How much is handed to the parser at once, and how often it may say nothing of it. A tag is read whole, with
all its attributes, before anything is heard of it."""

LONGEST_LINE = 400
"""Characters of what is said of a file."""


class GdtfError(ValueError):
    """A GDTF file, or a mode of one, that cannot be used; names in it may be long, and are cut."""

    def __init__(self, message: str) -> None:
        super().__init__(message if len(message) <= LONGEST_LINE else message[: LONGEST_LINE - 1] + "…")


class _Fixture(TreeBuilder):
    """Builds the elements that lead to modes and geometries, and leaves out all others and all text.

    Refuses a document type, and with it all entities: a small file could otherwise grow without bound.
    """

    KEPT = (("GDTF",), ("FixtureType",), ("DMXModes", "Geometries"))

    def __init__(self) -> None:
        super().__init__()
        self._depth, self._count, self.heard = 0, 0, 0
        self._left_out_from = DEEPEST + 1
        """How deep the element is that is left out with all it holds."""

    def doctype(self, name: str, pubid: str | None, system: str | None) -> None:
        raise GdtfError(f"{DESCRIPTION} has a document type, which GDTF does not allow")

    def start(self, tag: str, attrs: dict[str, str], /) -> Element:
        self._depth += 1
        self._count += 1
        self.heard += 1
        self._refuse_crowds(attrs)
        is_root = self._depth == 1
        if not is_root and self._depth <= len(self.KEPT) and tag not in self.KEPT[self._depth - 1]:
            self._left_out_from = min(self._left_out_from, self._depth)
        return super().start(tag, attrs) if self._depth < self._left_out_from else Element(tag)

    def end(self, tag: str, /) -> Element:
        self.heard += 1
        kept = self._depth < self._left_out_from
        if self._depth == self._left_out_from:
            self._left_out_from = DEEPEST + 1
        self._depth -= 1
        return super().end(tag) if kept else Element(tag)

    def data(self, data: str, /) -> None:
        """Text says nothing of slots."""
        self.heard += 1

    def comment(self, text: str | None, /) -> Element:
        """Nor does a comment."""
        self.heard += 1
        return Element("")

    def _refuse_crowds(self, attrs: dict[str, str]) -> None:
        if self._depth > DEEPEST:
            raise GdtfError(f"{DESCRIPTION} nests more than {DEEPEST} elements within each other")
        if self._count > MOST_ELEMENTS:
            raise GdtfError(f"{DESCRIPTION} has more than {MOST_ELEMENTS} elements")
        if len(attrs) > MOST_ATTRIBUTES:
            raise GdtfError(f"{DESCRIPTION} has an element with more than {MOST_ATTRIBUTES} attributes")


def description(content: bytes) -> Element:
    """The root of a GDTF file's description, an element ``GDTF``, with its modes and geometries.

    Raises GdtfError, and nothing else, for what is none.
    """
    text = _unpacked(content)
    silent = 0
    try:
        lamp = _Fixture()
        parser = XMLParser(target=lamp)
        for place in range(0, len(text), _PIECE):
            before = lamp.heard
            parser.feed(text[place : place + _PIECE])
            silent = 0 if lamp.heard > before else silent + 1
            if silent >= _MOST_SILENT:
                raise GdtfError(
                    f"{DESCRIPTION} has a tag or comment of more than {_PIECE * _MOST_SILENT // 1024} KiB"
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
    """Raise GdtfError for an archive whose list of files would itself fill the memory.

    The length of the list stands in its end record, 12 octets behind the signature (APPNOTE.TXT 4.3.16, from
    memory); in the longer form for archives of gigabytes a locator of 20 octets stands before that record.
    """
    end = content.rfind(_END_OF_LIST)
    length = int.from_bytes(content[end + 12 : end + 16], "little") if end >= 0 else 0
    is_long = end >= 20 and content[end - 20 : end - 16] == _END_OF_LONG_LIST
    if is_long or length > LARGEST_LIST_BYTES:
        raise GdtfError("is a zip archive of too many files")
