"""Wild files of lamps: LM-63 and EULUMDAT by lines and numbers, GDTF as archive, as XML and as values."""

from __future__ import annotations

import io
import random
import struct
import zipfile
import zlib
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

import numpy as np

from fillside.rig.file.referenced_files import READERS
from fillside.rig.photometric.photometric_file import PhotometricFileError
from fillside.rig_file import load_rig
from fillside_drivers.gdtf.archive import DESCRIPTION, GdtfError
from fillside_drivers.gdtf.reader import read_mode
from protocol.wild.commands import refused_by
from protocol.wild.matter import CONTROLS, number, text, torn
from protocol.wild.trial import Kind, one_line, plain
from rigs import Table, head_at, studio, toml

LM63 = """IESNA:LM-63-2002
[TEST] example
[MANUFAC] none
TILT=INCLUDE
1
3
0 45 90
1 0.95 0.9
2 1000 1.0 7 3 1 2 -0.6 -0.6 0
1.0 1.0 40
0 15 30 45 60 75 90
0 45 90
1000.000 965.926 866.025 707.107 500.000 258.819 0.000
1000.000 965.926 866.025 707.107 500.000 258.819 0.000
1000.000 965.926 866.025 707.107 500.000 258.819 0.000
"""
EULUMDAT = "\n".join(
    (
        *("example", "1", "0", "4", "90", "3", "45", "r", "lamp", "1", "f.ldt", "d"),
        *("300", "0", "50", "280", "0", "0", "0", "0", "0", "100", "90,5", "1.0", "0"),
        *("1", "1", "LED", "2000", "4000", "80", "20"),
        *(["0.5"] * 10),
        *("0", "90", "180", "270", "0", "45", "90"),
        *(["300", "200", "0"] * 4),
    )
)
NUMBERS = (
    *("-1", "0", "1", "2", "3", "4", "1000", "1001", "1e3", "1e9", "1e10", "-0.0", "90", "180", "360", "361"),
    *(
        "nan",
        "inf",
        "1e999",
        "1,5",
        "1.5.2",
        "0x10",
        "\u0661",
        "1_0",
        "9" * 500,
        "1e-320",
        "TILT=NONE",
        "--1",
    ),
)
BY_COMMAND = 20


def loft(drive: Table, **key: Any) -> str:
    """A rig file; `drive` and `key` are of its key light."""
    wall = {"driver": "wall"}
    rig = studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.2]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 300},
        heads=[
            head_at("key", [-1.0, -1.0, 1.9], **key, drive={**wall, **drive}),
            head_at("fill", [1.3, -1.2, 1.6], intensity=900, drive={**wall, "universe": 2, "slot": 3}),
        ],
        drivers={"wall": {"kind": "sacn", "to": ["127.0.0.1"]}},
    )
    return toml(rig)


class Photometric:
    """Photometric files of one format; each in turn is read, and some are read as a rig names them."""

    def __init__(self, folder: Path, suffix: str, sound: str) -> None:
        self._sound, self._suffix, self._count = sound, suffix, 0
        self._file, self._rig = folder / f"lamp{suffix}", folder / "rig.toml"
        reflector = {"kind": "reflector", "photometry": f"lamp{suffix}"}
        self._rig.write_text(loft({"universe": 1, "slot": 1}, modifier=reflector))

    def make(self, rng: random.Random) -> bytes:
        lines = self._sound.splitlines()
        for _ in range(rng.choice((1, 1, 2, 3))):
            self._spoil(rng, lines)
        if rng.random() < 0.005:
            lines[-1:] *= rng.choice((1000, 20_000))
        ends = rng.choice(("\n", "\n", "\r\n", "\r", "\x0b", "\x85"))
        body = ends.join(lines).encode("latin-1", "replace")
        return torn(rng, body) if rng.random() < 0.25 else body

    def _spoil(self, rng: random.Random, lines: list[str]) -> None:
        place = rng.randrange(len(lines)) if lines else 0
        words = lines[place].split() if lines else []
        match rng.randrange(9):
            case 0 if lines:
                del lines[place]
            case 1:
                lines.insert(place, rng.choice(NUMBERS))
            case 2 if lines:
                lines[place:place] = [lines[place]] * rng.choice((1, 2, 30))
            case 3 if len(lines) > 1:
                other = rng.randrange(len(lines))
                lines[place], lines[other] = lines[other], lines[place]
            case 4 if lines:
                lines[place] = rng.choice(CONTROLS) + lines[place]
            case 5 if lines:
                lines[place] = text(rng)
            case _ if words:
                words[rng.randrange(len(words))] = rng.choice((rng.choice(NUMBERS), str(number(rng))))
                lines[place] = " ".join(words)

    async def feed(self, made: bytes) -> str:
        self._count += 1
        refused = self._refused(made)
        if self._count % BY_COMMAND == 0:
            self._file.write_bytes(made)
            by_command = refused_by("check", self._rig)
            assert by_command or not refused, refused
        return "refused" if refused else "accepted"

    def _refused(self, made: bytes) -> str:
        try:
            measured = READERS[self._suffix](made.decode("latin-1"))
            mean, uneven = measured.mean_candela(), measured.uneven_stops()
        except PhotometricFileError as error:
            return one_line(str(error))
        assert np.isfinite(mean).all()
        assert mean[0] > 0
        assert np.isfinite(uneven)
        return ""

    async def check(self) -> None:
        """The sound file is still read, and its rig loaded."""
        assert self._refused(self._sound.encode("latin-1")) == ""
        self._file.write_text(self._sound)
        assert load_rig(self._rig).head("key").intensity_cd > 0


def lm63(folder: Path) -> AbstractAsyncContextManager[Kind]:
    return plain(Photometric(folder, ".ies", LM63))


def eulumdat(folder: Path) -> AbstractAsyncContextManager[Kind]:
    return plain(Photometric(folder, ".ldt", EULUMDAT))


XML = """<?xml version="1.0" encoding="UTF-8"?><GDTF DataVersion="1.2"><FixtureType Name="made up">
<Geometries><Geometry Name="Body"><GeometryReference Name="P1" Geometry="Pixel"/></Geometry>
<Geometry Name="Pixel"/></Geometries><DMXModes><DMXMode Name="Standard" Geometry="Body"><DMXChannels>
<DMXChannel DMXBreak="1" Offset="1,2" Highlight="65535/2" Geometry="Body" InitialFunction="B.Dimmer.Dimmer 1">
<LogicalChannel Attribute="Dimmer" Master="Grand"><ChannelFunction Name="Dimmer 1" Attribute="Dimmer"
DMXFrom="0/1" Default="0/1" PhysicalFrom="0.0" PhysicalTo="1.0"/></LogicalChannel></DMXChannel>
<DMXChannel Offset="3" Highlight="None" Geometry="Body"><LogicalChannel Attribute="Shutter1">
<ChannelFunction Name="Closed" Attribute="Shutter1" DMXFrom="0/1" PhysicalFrom="0" PhysicalTo="0"/>
<ChannelFunction Name="Open" Attribute="Shutter1" DMXFrom="200/1" PhysicalFrom="1" PhysicalTo="1"/>
</LogicalChannel></DMXChannel>
<DMXChannel Offset="6,5" Geometry="Body"><LogicalChannel Attribute="Zoom">
<ChannelFunction Name="Zoom 1" Attribute="Zoom" DMXFrom="10/1" Default="4660/2s"/></LogicalChannel>
</DMXChannel></DMXChannels></DMXMode></DMXModes></FixtureType></GDTF>"""
METHODS = (zipfile.ZIP_DEFLATED, zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED, zipfile.ZIP_BZIP2)
VALUES = (
    *(
        "",
        "None",
        "0/1",
        "255/1",
        "256/1",
        "65535/2",
        "65535/4s",
        "1/0",
        "1/5",
        "-1/1",
        "9999999999/4",
        "1,1",
    ),
    *(
        "512",
        "513",
        "0",
        "1,2,3,4",
        "1,2,3,4,5",
        "511,512",
        "nan",
        "inf",
        "-1e999",
        "1e-320",
        "\u0661/1",
        "Pixel",
    ),
    *(
        "Grand",
        "Dimmer",
        "Shutter1",
        "2",
        "&#0;",
        "&lt;",
        "&amp;amp;",
        "&nobody;",
        "<",
        "\x1b[31m",
        "x" * 5000,
    ),
)
MARKUP = (
    *(
        "<a>",
        "</GDTF>",
        "<!-- -- -->",
        "<![CDATA[",
        "<?xml version='1.0'?>",
        "<DMXChannel/>",
        "&#xD800;",
        "&a;",
    ),
    *(
        "<!DOCTYPE GDTF>",
        '<!DOCTYPE a [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>',
        "<ChannelFunction/>",
        "]]>",
    ),
    *(
        "<DMXMode/>",
        "<DMXChannels>",
        "<GDTF xmlns='x'>",
        "<LogicalChannel Attribute='Dimmer'/>",
        "\x00",
        "\ufffe",
    ),
)


class Gdtf:
    """GDTF files: archives whose lists lie, descriptions that are no XML, values that are none."""

    def __init__(self, folder: Path) -> None:
        self._file, self._rig, self._count = folder / "lamp.gdtf", folder / "rig.toml", 0
        drive = {"universe": 1, "slot": 101, "gdtf": "lamp.gdtf", "mode": "Standard"}
        self._rig.write_text(loft(drive, intensity=900))

    def make(self, rng: random.Random) -> bytes:
        if rng.random() < 0.004:
            return _bomb(rng)
        described = XML
        for _ in range(rng.choice((0, 1, 1, 2, 4))):
            described = self._spoil(rng, described)
        encoding = rng.choice(("utf-16", "latin-1", "utf-7", "utf-8-sig")) if rng.random() < 0.05 else "utf-8"
        body = described.encode(encoding, "replace")
        body = torn(rng, body) if rng.random() < 0.2 else body
        archive = packed(body, rng.choice(METHODS), rng.choice(("", "", "", "../thumbnail.png")))
        return _lying(rng, archive) if rng.random() < 0.4 else archive

    def _spoil(self, rng: random.Random, described: str) -> str:
        """Another value of an attribute, or markup where there was none or other."""
        if rng.random() < 0.6:
            parts = described.split('"')
            place = 2 * rng.randrange(len(parts) // 2) + 1
            parts[place] = rng.choice(VALUES) if rng.random() < 0.8 else text(rng)
            return '"'.join(parts)
        place = rng.randrange(len(described))
        if rng.random() < 0.5:
            return described[:place] + rng.choice(MARKUP) + described[place:]
        start, end = described.find("<", place), described.find(">", place)
        part = described[start : end + 1] if 0 <= start < end else ""
        return described.replace(part, part * rng.choice((0, 2, 3)), 1) if part else described

    async def feed(self, made: bytes) -> str:
        self._count += 1
        refused = _refused(made)
        if self._count % BY_COMMAND == 0:
            self._file.write_bytes(made)
            by_command = refused_by("check", self._rig)
            assert by_command or not refused, refused
        return "refused" if refused else "accepted"

    async def check(self) -> None:
        """The sound file is still read, and its rig loaded."""
        sound = packed(XML.encode())
        assert _refused(sound) == ""
        self._file.write_bytes(sound)
        load_rig(self._rig)


def _refused(made: bytes) -> str:
    try:
        mode = read_mode(made, "Standard")
    except GdtfError as error:
        return one_line(str(error))
    assert 1 <= len(mode.dimmer) <= 4
    assert all(0 <= held <= 255 for held in mode.held.values())
    return ""


def packed(body: bytes, how: int = zipfile.ZIP_DEFLATED, beside: str = "") -> bytes:
    """An archive with a description in it, and another file before it."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", how, compresslevel=1) as file:
        if beside:
            file.writestr(beside, b"no picture")
        file.writestr(DESCRIPTION, body)
    return content.getvalue()


def _lying(rng: random.Random, archive: bytes) -> bytes:
    """An archive whose headers say something else: sizes, offsets, methods, flags, names."""
    body = bytearray(archive)
    marks = (b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06")
    for _ in range(rng.choice((1, 1, 2))):
        start = body.find(rng.choice(marks))
        at = (start if start >= 0 else 0) + rng.randrange(4, 46)
        width = rng.choice((1, 2, 4))
        lie = rng.choice((0, 1, 0xFF, 0xFFFF, 0xFFFFFFFF, 0x7FFFFFFF, rng.getrandbits(32), 12, 14, 99))
        body[at : at + width] = struct.pack("<I", lie)[:width]
    return torn(rng, bytes(body)) if rng.random() < 0.3 else bytes(body)


def _bomb(rng: random.Random) -> bytes:
    """A small file that wants to become a large one."""
    count = rng.choice((20_000, 400_000, 1_000_000))
    filled = {
        "elements": b"<GDTF>" + b"<a/>" * count + b"</GDTF>",
        "depth": b"<a>" * count,
        "attributes": b"<GDTF " + b" ".join(b'a%d="1"' % i for i in range(count // 10)) + b"/>",
        "text": b"<GDTF>" + b"x" * (40 * count) + b"</GDTF>",
        "channels": XML.encode().replace(
            b"</DMXChannels>", b'<DMXChannel Offset="9"/>' * count + b"</DMXChannels>"
        ),
        "modes": b"<GDTF><FixtureType><DMXModes>"
        + b"<DMXMode/>" * count
        + b"</DMXModes></FixtureType></GDTF>",
        "name": b"<GDTF>" + b"<" + b"n" * count + b"/></GDTF>",
    }
    body = filled[rng.choice(sorted(filled))]
    archive = packed(body)
    if rng.random() < 0.2:
        # An archive in an archive's place, and one whose stated length is small.
        squeezed = zlib.compress(body)
        archive = archive.replace(struct.pack("<I", len(body)), struct.pack("<I", 10)) or squeezed
    return archive


def gdtf(folder: Path) -> AbstractAsyncContextManager[Kind]:
    return plain(Gdtf(folder))
