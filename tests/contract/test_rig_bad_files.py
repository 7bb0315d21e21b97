"""Contract: every bad rig file is told in one line with its place, its key and what would be right.

Each file in ``bad_rigs`` says in its first line what must be told, and which line of the file is meant.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.rig.file.positions import TomlPositions
from fillside.rig.problems import RigError
from fillside.rig_file import LARGEST_BYTES, load_rig, load_rig_text
from fillside_drivers.registry import kinds
from rigs import head_at, studio, toml

FOLDER = Path(__file__).parent / "bad_rigs"
FILES = sorted(FOLDER.glob("*.toml"))
EXPECT = re.compile(r"# expect: (?P<text>.+) @ (?P<line>\d+)\r?\n")
SOUND = toml(
    studio(
        "loft",
        camera={"position": [0.0, -2.5, 1.4]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 500},
        heads=[head_at("key", [-1.0, -1.0, 1.9], intensity=1500, dimming={"curve": "fixed"})],
    )
)


def refused(text: str) -> RigError:
    with pytest.raises(RigError) as caught:
        load_rig_text(text, source="bad.toml", kinds=kinds())
    return caught.value


def loaded(text: str) -> RigError | None:
    try:
        load_rig_text(text, source="bad.toml", kinds=kinds())
    except RigError as error:
        return error
    return None


def test_there_are_many_bad_files() -> None:
    assert len(FILES) >= 100


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_bad_file_is_told_in_one_line_with_its_place(path: Path, end: str) -> None:
    text = path.read_text(encoding="utf-8").replace("\n", end)
    expected = EXPECT.match(text)
    assert expected, f"{path.name} does not say what is expected of it"
    error = refused(text)
    assert expected["text"] in str(error)
    assert error.line == int(expected["line"])
    assert str(error).startswith(f"bad.toml:{error.line}: ")
    assert len(str(error).splitlines()) == 1
    for jargon in ("pydantic", "Input should", "validation error", "type=", "tuple", "NoneType", "'str'"):
        assert jargon not in str(error)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_bad_file_has_one_fault_but_for_the_one_that_has_several(path: Path) -> None:
    assert refused(path.read_text(encoding="utf-8")).others == (1 if path.stem == "several" else 0)


def test_how_many_more_faults_there_are_is_told() -> None:
    assert str(refused((FOLDER / "several.toml").read_text())).endswith("(and 1 more)")
    two = SOUND.replace("[balance]", "[balance]\nzebra = 1\ngnu = 2")
    assert refused(two).others == 1


def test_the_look_of_a_header_inside_a_text_is_no_header() -> None:
    places = TomlPositions(
        'note = """\n[[heads]]\n"""\n# [[heads]]\n[[heads]]\nx = 1\n\n  [["heads"]]\n[[heads]]\n'
    )
    assert [places.line_of(("heads", i, "name")) for i in range(4)] == [5, 8, 9, 5]


def test_a_key_and_a_name_that_are_not_plain_text_stay_on_one_line() -> None:
    error = refused(SOUND.replace("[marks]", '["two\\nlines"]\nx = 1\n[marks]'))
    assert len(str(error).splitlines()) == 1
    assert "\x1b" not in str(refused(SOUND.replace('"loft"', '"a\\u001b[31mb"')))


def test_a_long_value_or_key_is_cut() -> None:
    assert len(str(refused(SOUND.replace('"loft"', '"' + "long" * 5000 + '"')))) < 250
    assert len(str(refused(f"{SOUND}\n[doors]\n{'long' * 5000} = 1\n"))) < 350


@pytest.mark.parametrize(
    ("raw", "told", "line"),
    [
        (b"", "the file is empty; a rig file has at least [rig]", 1),
        (b" \n\n", "the file is empty", 1),
        (b"\xef\xbb\xbf", "the file is empty", 1),
        (b"# caf\xe9\n", "byte 0xe9 is not UTF-8; save the file as UTF-8", 1),
        (b'[rig]\nname = "a"\n# \xff\n', "byte 0xff is not UTF-8", 3),
        ("[rig]\n".encode("utf-16"), "is text in UTF-16; save it as UTF-8", 1),
        (b"\x00" * 100, "expected a key, a [table] or a # comment", 1),
        (b"[[[[[" * 10_000, "expected a key here", 1),
        (b"a = " + b"[" * 50_000, "nested too deep", 1),
        (b"\nx = " + b"9" * 20_000, "a number has too many digits", 2),
        (b"\nx" + b".x" * 20_000 + b" = 1", "a key has too many parts", 2),
        (b'\n["x"' + b'."x"' * 20_000 + b"]", "a key has too many parts", 2),
        (b"x = 1\n[marks]\n" + b"".join(b"m%d = 1\n" % i for i in range(1001)), "has 1001 keys", 2),
        (b"".join(b"m%d = 1\n" % i for i in range(1001)), "has 1001 keys", 1),
        (b"x = 1\ny = " + b"{ a = [" * 2000, "nested too deep", 2),
        (b"# only a comment\n", "rig: is missing; give the table [rig]", 1),
    ],
)
def test_a_file_that_is_no_rig_is_told_so(tmp_path: Path, raw: bytes, told: str, line: int) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(raw)
    with pytest.raises(RigError) as caught:
        load_rig(path)
    assert told in str(caught.value)
    assert caught.value.line == line
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('name = "key"', f'name = "{"k" * 100_000}"', "not a name"),
        ("[rig]", f"[rig]\n{'r' * 100_000} = 1", "unknown key"),
        (
            "[marks]",
            f"{'[[heads]]' + chr(10)}" * 4097 + "[marks]",
            "has 4098 items; no list of a rig file has more",
        ),
        ("[marks]", f"[plan]\nwall = 0x{'f' * 100_000}\n[marks]", "a number of some 120412 digits"),
    ],
)
def test_whatever_the_file_holds_one_short_line_tells_it(old: str, new: str, told: str) -> None:
    assert old in SOUND
    said = str(refused(SOUND.replace(old, new, 1)))
    assert told in said
    assert len(said) < 400


def test_a_byte_order_mark_before_a_sound_file_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND.encode())
    assert load_rig(path).rig.name == "loft"


def test_a_path_that_is_no_readable_file_is_told_so(tmp_path: Path) -> None:
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * (LARGEST_BYTES + 1))
    for path, told in [
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path, "it is a folder, not a plain file"),
        (huge, "it is larger than 2 MiB"),
        (Path("/dev/zero"), "it is a device, not a plain file"),
        (tmp_path / "a" / "b", "there is no such file"),
        (huge / "rig.toml", "cannot be read: a part of that path is no folder"),
        (tmp_path / ("n" * 300), "cannot be read: the name is too long"),
        ("nul\0l.toml", "no file can have such a name"),
    ]:
        with pytest.raises(RigError) as caught:
            load_rig(path)
        assert told in str(caught.value)
        assert len(str(caught.value).splitlines()) == 1


values = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(10**20), 10**20),
        st.floats(allow_nan=False, allow_infinity=False),
        st.sampled_from(["nan", "inf", "-inf", "1979-05-27T07:32:00Z", "07:32:00", '""', '"key"', '"stool"']),
    ).map(lambda value: value if isinstance(value, str) else repr(value).lower()),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4).map(lambda items: "[" + ", ".join(items) + "]"),
        st.dictionaries(st.sampled_from(["name", "kind", "x", "levels", "outputs", "driver"]), inner).map(
            lambda table: "{ " + ", ".join(f"{key} = {value}" for key, value in table.items()) + " }"
        ),
    ),
    max_leaves=8,
)
lines = [line for line in SOUND.splitlines() if "=" in line]


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(lines), values)
def test_any_value_in_any_place_is_taken_or_told_with_its_place(line: str, value: str) -> None:
    key = line.partition(" ")[0]
    text = SOUND.replace(line, f"{key} = {value}")
    place = text.splitlines().index(f"{key} = {value}") + 1
    error = loaded(text)
    if error is not None:
        assert len(str(error).splitlines()) == 1
        assert error.line is not None
        if key in error.key:
            assert error.line == place
