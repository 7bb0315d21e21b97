"""Contract: slots that a lamp needs held, from the rig file or from a GDTF description, in every frame."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.rig.file.build import apply_change
from fillside.rig.file.referenced_files import ReferencedFileError
from fillside.rig.problems import RigError
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside_drivers.driver import Channel, OptionsError
from fillside_drivers.gdtf.archive import GdtfError
from fillside_drivers.gdtf.reader import read_mode
from fillside_drivers.registry import build, kinds
from fillside_drivers.sacn.packet import DataPacket, decode
from fillside_drivers.slots import SlotDrive, SlotFrame
from protocol.wires import WHO, Receiver, loop_clock, sacn
from rigs import head_at, studio, toml

DIMMER = """<DMXChannel DMXBreak="1" Offset="1,2" Highlight="65535/2" Geometry="Body"
  InitialFunction="Body_Dimmer.Dimmer.Dimmer 1"><LogicalChannel Attribute="Dimmer" Master="Grand">
  <ChannelFunction Name="Dimmer 1" Attribute="Dimmer" DMXFrom="0/1" Default="0/1"/>
</LogicalChannel></DMXChannel>"""
SHUTTER = """<DMXChannel Offset="3" Highlight="None" Geometry="Body"
  InitialFunction="Body_Shutter1.Shutter1.Closed"><LogicalChannel Attribute="Shutter1">
  <ChannelFunction Name="Closed" Attribute="Shutter1" DMXFrom="0/1" Default="0/1"
    PhysicalFrom="0" PhysicalTo="0"/>
  <ChannelFunction Name="Strobe" Attribute="Shutter1Strobe" DMXFrom="10/1" PhysicalFrom="1" PhysicalTo="20"/>
  <ChannelFunction Name="Open" Attribute="Shutter1" DMXFrom="200/1" PhysicalFrom="1" PhysicalTo="1"/>
</LogicalChannel></DMXChannel>"""
COLOUR = """<DMXChannel Offset="4" Highlight="7/1" Geometry="Body"><LogicalChannel Attribute="Color1">
  <ChannelFunction Name="Wheel" Attribute="Color1" DMXFrom="0/1" Default="99/1"/>
</LogicalChannel></DMXChannel>"""
ZOOM = """<DMXChannel Offset="6,5" Geometry="Body"
  InitialFunction="Body_Zoom.Zoom.Zoom 1"><LogicalChannel Attribute="Zoom">
  <ChannelFunction Name="Other" Attribute="Zoom" DMXFrom="0/1" Default="1/1"/>
  <ChannelFunction Name="Zoom 1" Attribute="Zoom" DMXFrom="10/1" Default="4660/2"/>
</LogicalChannel></DMXChannel>"""
VIRTUAL = '<DMXChannel Offset="None" Geometry="Body"><LogicalChannel Attribute="Pan"/></DMXChannel>'
OLD = '<DMXChannel Offset="8" Default="12/1" Geometry="Body"><LogicalChannel Attribute="Gobo1"/></DMXChannel>'
GEOMETRIES = '<Geometries><Geometry Name="Body"/></Geometries>'
PIXELS = (
    '<Geometries><Geometry Name="Body"><GeometryReference Name="P1" Geometry="Pixel"/></Geometry>'
    '<Geometry Name="Pixel"><Geometry Name="Chip"/></Geometry></Geometries>'
)


def described(channels: Sequence[str], geometries: str = GEOMETRIES, more: str = "") -> str:
    mode = (
        f'<DMXMode Name="Standard" Geometry="Body"><DMXChannels>{"".join(channels)}</DMXChannels></DMXMode>'
    )
    lamp = f'<FixtureType Name="made up">{geometries}<DMXModes>{mode}{more}</DMXModes></FixtureType>'
    return f'<?xml version="1.0" encoding="UTF-8"?><GDTF DataVersion="1.2">{lamp}</GDTF>'


def archive(
    text: str | bytes, name: str = "description.xml", packed: int = zipfile.ZIP_DEFLATED, more: int = 0
) -> bytes:
    """A GDTF file, beside `more` other files of long names."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", packed) as file:
        file.writestr(name, text)
        for number in range(more):
            file.writestr(f"{number:0>240}", "")
    return content.getvalue()


MANY_ATTRIBUTES = "".join(f" a{number}=''" for number in range(101))
LAMP = archive(described([DIMMER, SHUTTER, COLOUR, ZOOM, VIRTUAL, OLD]))


def test_the_dimmer_is_found_and_all_else_held() -> None:
    mode = read_mode(LAMP, "Standard")
    assert mode.dimmer == (1, 2)
    # Shutter open though its default is closed; colour at its highlight; 0x1234 coarse on 6, fine on 5;
    # the default of an older file. A channel without a slot is nobody's.
    assert mode.held == {"3": 255, "4": 7, "5": 0x34, "6": 0x12, "8": 12}
    assert read_mode(LAMP) == mode


def test_elements_that_say_nothing_of_slots_are_counted_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fillside_drivers.gdtf.archive.MOST_ELEMENTS", 50)
    read_mode(LAMP, "Standard")
    with pytest.raises(GdtfError, match="has more than 50 elements"):
        read_mode(archive(described([DIMMER]).replace("</GDTF>", f"{'<a/>' * 50}</GDTF>")))


def test_an_open_default_is_left_as_it_is() -> None:
    shutter = SHUTTER.replace('Shutter1.Closed"', 'Shutter1.Open"').replace(
        'DMXFrom="200/1"', 'DMXFrom="200/1" Default="210/1"'
    )
    assert read_mode(archive(described([DIMMER, shutter]))).held == {"3": 210}


def test_a_grand_dimmer_goes_before_others() -> None:
    second = DIMMER.replace('"1,2"', '"9"').replace(' Master="Grand"', "").replace("65535/2", "255/1")
    assert read_mode(archive(described([second, DIMMER]))).held == {"9": 255}


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is no GDTF file, which is a zip archive"),
        (b"PK\x03\x04 and no more", "is no GDTF file"),
        (archive("x", "other.xml"), "there is no description.xml in it"),
        (archive("<GDTF>"), "description.xml is no XML"),
        (archive("<Lamp/>"), "its root is not GDTF"),
        (archive('<!DOCTYPE GDTF [<!ENTITY a "aaaa">]><GDTF>&a;</GDTF>'), "has a document type"),
        (
            archive('<!DOCTYPE GDTF SYSTEM "file:///etc/passwd"><GDTF/>'.encode("utf-16")),
            "has a document type",
        ),
        (archive(b" " * (17 * 1024 * 1024)), "is larger than 16 MiB"),
        (archive(f"<GDTF>{'<a>' * 64}{'</a>' * 64}</GDTF>"), "nests more than 64 elements"),
        (archive(f"<GDTF{MANY_ATTRIBUTES}/>"), "an element with more than 100 attributes"),
        (archive(f"<GDTF a='{'x' * 400_000}'/>"), "has a tag or comment of more than 256 KiB"),
        (archive("<GDTF/>", packed=zipfile.ZIP_LZMA), "packed in a way that GDTF does not allow"),
        (archive("<GDTF/>", more=4000), "is a zip archive of too many files"),
        (archive("<GDTF/>"), "the lamp has no DMX mode"),
        (archive(described([], more=f'<DMXMode Name="{"wide" * 500}"/>')), "give mode, one of 'Standard'"),
        (archive(described([], more='<DMXMode Name="Wide"/>')), "one of 'Standard', 'Wide'"),
        (archive(described([SHUTTER])), "mode 'Standard': it has no channel with the attribute Dimmer"),
        (archive(described([DIMMER.replace('"1,2"', '"None"')])), "its Dimmer has no slot of its own"),
        (
            archive(described([DIMMER, DIMMER.replace('"1,2"', '"9"').replace("65535/2", "1/1")])),
            "it has 2 Dimmer",
        ),
        (archive(described([DIMMER, COLOUR.replace('"4"', '"2"')])), "two channels are on offset 2"),
        (archive(described([DIMMER, COLOUR.replace('"4"', '"four"')])), "are no offsets such as 1 or 1,2"),
        (archive(described([DIMMER, COLOUR.replace('"4"', '"600"')])), "are no offsets"),
        (archive(described([DIMMER, COLOUR.replace('"4"', '"4,4"')])), "different offsets"),
        (archive(described([DIMMER, COLOUR.replace('"7/1"', '"seven"')])), "'seven' is not a DMX value"),
        (
            archive(described([DIMMER, COLOUR.replace("Offset", 'DMXBreak="2" Offset')])),
            "second start address",
        ),
        (
            archive(described([DIMMER, COLOUR.replace("Body", "Chip")], PIXELS)),
            "repeated for parts of the lamp",
        ),
        (archive(described([DIMMER.replace('DMXFrom="0/1"', 'DMXFrom="8/1"')])), "its Dimmer is not plain"),
        (
            archive(described([DIMMER.replace("Default", 'PhysicalFrom="1" PhysicalTo="0" Default')])),
            "not plain",
        ),
    ],
)
def test_what_cannot_be_used_is_told_in_one_line(content: bytes, says: str) -> None:
    with pytest.raises(GdtfError) as caught:
        read_mode(content)
    assert says in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) <= 400


@settings(deadline=None, max_examples=200)
@given(st.integers(0, 400), st.text(alphabet='<>/"= 0129,abN&;', max_size=8))
def test_a_spoilt_description_does_too(place: int, text: str) -> None:
    whole = described([DIMMER, SHUTTER])
    place = whole.index("<DMXChannels>") + place
    try:
        mode = read_mode(archive(whole[:place] + text + whole[place + 1 :]))
    except GdtfError:
        return
    assert mode.dimmer


RIG = toml(
    studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.2]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 300},
        heads=[
            head_at(
                "key",
                [-1.0, -1.0, 1.9],
                intensity=1800,
                drive={"driver": "wall", "universe": 1, "slot": 101, "gdtf": "lamp.gdtf", "mode": "Standard"},
            ),
            head_at(
                "fill",
                [1.3, -1.2, 1.6],
                intensity=900,
                drive={"driver": "wall", "universe": 1, "slot": 1, "fixed": {"2": 255, "512": 9}},
            ),
        ],
        drivers={"wall": {"kind": "sacn", "to": ["127.0.0.1"]}},
    )
)
KEY_LINE = 1 + RIG.splitlines().index(
    'drive = { driver = "wall", universe = 1, slot = 101, gdtf = "lamp.gdtf", mode = "Standard" }'
)


def read(*changes: tuple[str, str]) -> Rig:
    text = RIG
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)

    def of(name: str) -> bytes:
        if name != "lamp.gdtf":
            raise ReferencedFileError("there is no such file")
        return LAMP

    return load_rig_text(text, kinds=kinds(), read=of)


def drives(rig: Rig) -> dict[str, SlotDrive]:
    return {name: drive for name, drive in rig.driver_config.drives.items() if isinstance(drive, SlotDrive)}


def test_a_description_says_slot_and_bits() -> None:
    rig = read()
    key = drives(rig)["key"]
    assert key.octet_slots == (101, 102)
    assert key.held == {103: 255, 104: 7, 105: 0x34, 106: 0x12, 108: 12}
    assert rig.full_scale_of(rig.head("key")) == 65535
    # All of it travels with the rig, without the file.
    assert drives(apply_change(rig, {"balance.exposure": 200}))["key"] == key


def test_what_the_rig_file_holds_goes_before_the_description() -> None:
    changed = read(('mode = "Standard"', 'mode = "Standard", fixed = { "103" = 1 }'))
    assert drives(changed)["key"].held[103] == 1


def test_a_channel_that_is_left_out_keeps_its_code_and_changes_nothing() -> None:
    drives = {"key": SlotDrive(slot=1, bits=16), "fill": SlotDrive(slot=3)}
    frame = SlotFrame([Channel(name, drive) for name, drive in drives.items()], count=4)
    assert frame.put({"fill": 7})
    assert frame.put({"key": 0x1234})
    assert frame.octets == b"\x12\x34\x07\x00"
    assert not frame.put({"key": 0x1234})
    assert not frame.put({})


def test_held_slots_are_in_the_first_frame_and_in_the_dark() -> None:
    frame = SlotFrame([Channel(name, drive) for name, drive in drives(read()).items()])
    for codes in ({}, {"key": 0x1234, "fill": 200}, {"key": 0, "fill": 0}):
        frame.put(codes)
        slots = dict(enumerate(frame.octets, start=1))
        assert [slots[k] for k in (2, 512, 103, 104, 105, 106, 107, 108)] == [
            255,
            9,
            255,
            7,
            0x34,
            0x12,
            0,
            12,
        ]
        assert (slots[101] << 8 | slots[102], slots[1]) == (codes.get("key", 0), codes.get("fill", 0))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ((('"lamp.gdtf"', '"other.gdtf"'),), "heads.key.drive.gdtf: other.gdtf: there is no such file"),
        ((('"Standard"', '"Wide"'),), "lamp.gdtf: there is no mode 'Wide'; there is 'Standard'"),
        ((("slot = 101", "slot = 507"),), "beyond 512; give it a lower start address"),
        ((("slot = 101", "slot = 101, bits = 16"),), "leave bits out"),
        ((("slot = 101, ", ""),), "slot: is missing"),
        ((('gdtf = "lamp.gdtf", ', ""),), "mode is of a lamp's description; give gdtf, or leave it out"),
        ((('"Standard"', '"Standard", fixed = { "102" = 1 }'),), "slot 102 is dimmed"),
        ((('"Standard"', '"Standard", fixed = { "0" = 1 }'),), "fixed"),
        ((('"Standard"', '"Standard", fixed = { "513" = 1 }'),), "fixed"),
        ((('"Standard"', '"Standard", fixed = { "110" = 256 }'),), "must be at most 255, not 256"),
        (
            (('"2" = 255', '"108" = 255'),),
            "overlaps with head key on wall (slot = 101, gdtf = lamp.gdtf",
        ),
        ((('"2" = 255', '"101" = 255'),), "overlaps with head key on wall"),
        (
            (("slot = 1, fixed", "slot = 1, bits = 16, fixed"),),
            "slot 2 is dimmed, so it cannot be held at a fixed value",
        ),
    ],
)
def test_bad_places_are_refused(changes: tuple[tuple[str, str], ...], says: str) -> None:
    with pytest.raises(RigError) as caught:
        read(*changes)
    assert says in str(caught.value)
    assert caught.value.line is not None
    assert caught.value.line >= KEY_LINE - 1


def test_text_alone_cannot_bring_a_description() -> None:
    with pytest.raises(RigError, match="was not read"):
        load_rig_text(RIG, kinds=kinds())


def test_a_rehearsal_takes_the_same_keys() -> None:
    rig = read(('kind = "sacn"\nto = ["127.0.0.1"]', 'kind = "sim"'))
    assert rig.full_scale_of(rig.head("key")) == 65535


def test_a_short_serial_line_must_reach_the_held_slots() -> None:
    drive = {"slot": 1, "fixed": {"40": 255}}
    options = {"device": "/dev/null", "slots": 24}
    with pytest.raises(OptionsError, match="slot 40 is beyond the 24"):
        build("line", "dmx-serial", options, {"key": drive}, clock=loop_clock, identity=WHO)


async def test_a_lamps_held_slots_are_on_the_wire_from_the_first_packet_to_the_last() -> None:
    async with Receiver() as receiver:
        drive = {"universe": 1, "slot": 1, "fixed": {"3": 255, "512": 9}}
        driver = sacn({"to": [f"127.0.0.1:{receiver.port}"]}, {"key": drive})
        driver.send({"key": 200})
        async with driver:
            await receiver.until(1)
            driver.send({"key": 0})
            await receiver.until(2)
        packets = [decode(octets) for octets in await receiver.until(5)]
    slots = [packet.slots for packet in packets if isinstance(packet, DataPacket)]
    assert {s[0] for s in slots} == {200, 0}
    assert {(s[2], s[511]) for s in slots} == {(255, 9)}
