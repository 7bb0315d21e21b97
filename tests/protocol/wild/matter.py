"""What wild input is made of: values of every type, and ways to damage octets, texts and trees.

All of it draws from a `random.Random` that is handed in, so that the same seed makes the same input.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator, Sequence
from typing import Any

NUMBERS = (0, -0.0, 1, -1, 0.5, 7, 360, 2**31, 2**53 + 1, 2**63, 2**64, 1e15, -1e15, 1e308, -1e308)
EXTREMES = (5e-324, 1e-320, 1e-30, 1e30, 10**30, 10**299, -(10**299), 10**400, float("nan"), float("inf"))
TEXTS = (
    "",
    " ",
    "key",
    "fill",
    "out",
    "camera",
    "3:1",
    "1:0",
    "-1/3",
    "1/0",
    "1 stop",
    "NaN",
    "-inf",
    "1e999",
    "0x10",
    "1_000",
    "\u0663:\u0661",
    "f/4@400@1/50",
    "../../etc/passwd",
    "%s%n{0}{code}",
    "é" * 200,
    "x" * 5000,
)
CONTROLS = (
    "\0",
    "a\nb",
    "\r\n",
    "\x1b[31mred\x1b[0m",
    "\x07",
    "\x7f",
    "\x85",
    "\u2028",
    "\u202e",
    "\ufeff",
    "\ud800",
    "\udfff\ud800",
    "\U0010ffff",
)
SCRAPS = (b"null", b"NaN", b"1e999", b"-1", b'"', b"{", b"[", b"]", b"\x00", b"\xff", b"\xed\xa0\x80", b"\n")
OPEN = ("[", '{"a":', '[{"to":')


def text(rng: random.Random) -> str:
    pick = rng.random()
    if pick < 0.5:
        return rng.choice(TEXTS)
    if pick < 0.8:
        return rng.choice(CONTROLS) + rng.choice(TEXTS[:8])
    return "".join(
        chr(rng.choice((rng.randrange(128), rng.randrange(0x3000)))) for _ in range(rng.randrange(12))
    )


def number(rng: random.Random) -> int | float:
    pick = rng.random()
    if pick < 0.4:
        return rng.choice(NUMBERS)
    if pick < 0.6:
        return rng.choice(EXTREMES)
    return rng.uniform(-10, 10) if pick < 0.9 else rng.randint(-1000, 1000)


def value(rng: random.Random, depth: int = 0) -> Any:
    """A value of any type that JSON and TOML know; one in five is a list or a table."""
    kind = rng.randrange(10 if depth < 2 else 7)
    if kind < 3:
        return number(rng)
    if kind < 6:
        return text(rng)
    if kind == 6:
        return rng.choice((True, False, None))
    if kind == 7:
        return [value(rng, depth + 1) for _ in range(rng.randrange(5))]
    if kind == 8:
        return {text(rng): value(rng, depth + 1) for _ in range(rng.randrange(3))}
    return [rng.uniform(-3, 3) for _ in range(rng.randrange(2, 5))]


def torn(rng: random.Random, sound: bytes, scraps: Sequence[bytes] = SCRAPS) -> bytes:
    """Octets with one to four things wrong: changed, left out, put in, said twice, cut off."""
    body = bytearray(sound)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        place = rng.randrange(len(body) + 1)
        match rng.randrange(6):
            case 0 if body:
                body[place % len(body)] = rng.randrange(256)
            case 1:
                del body[place : place + rng.randint(1, 4)]
            case 2:
                body[place:place] = rng.randbytes(rng.randint(1, 4))
            case 3:
                body[place:place] = body[place : place + rng.randint(1, 40)]
            case 4:
                del body[place:]
            case _:
                body[place:place] = rng.choice(scraps)
    return bytes(body)


def places(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in a tree of lists and tables, as the keys that lead there."""
    inner: Any = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, under in inner:
        yield (*path, key)
        yield from places(under, (*path, key))


def spoiled(rng: random.Random, sound: Any, keys: Sequence[str] = ()) -> Any:
    """A copy of a tree with one to three things wrong in it; `keys` are further keys to put in."""
    tree = copy.deepcopy(sound)
    for _ in range(rng.choice((1, 1, 2, 3))):
        found = list(places(tree))
        if not found:
            return value(rng)
        *way, last = rng.choice(found)
        parent = tree
        for key in way:
            parent = parent[key]
        _spoil(rng, parent, last, keys)
    return tree


def _spoil(rng: random.Random, parent: Any, last: Any, keys: Sequence[str]) -> None:
    match rng.randrange(8):
        case 0:
            del parent[last]
        case 1 if isinstance(parent, dict):
            parent[rng.choice((*keys, text(rng)))] = parent.pop(last)
        case 2 if isinstance(parent, dict):
            parent[rng.choice((*keys, text(rng)))] = value(rng)
        case 3:
            parent[last] = [parent[last]] * rng.randrange(3)
        case 4:
            parent[last] = {rng.choice((*keys, "a")): parent[last]}
        case 5 if isinstance(parent[last], int | float) and abs(parent[last]) < 2**63:
            parent[last] = parent[last] * rng.choice((-1, 0, 1.0001, 1e3, 1e-3, 1e300))
        case _:
            parent[last] = value(rng)


def json_of(rng: random.Random, tree: Any) -> bytes:
    """A tree as JSON, at times in another writing, and at times in one that JSON does not know."""
    try:
        said = json.dumps(tree, ensure_ascii=rng.random() < 0.7)
    except ValueError:
        return b"{"
    body = said.encode("utf-8", "surrogatepass")
    pick = rng.random()
    if pick < 0.15:
        return torn(rng, body)
    if pick < 0.18:
        return body[:-1] + b', "do": "follow"}'
    if pick < 0.2:
        return said.encode(rng.choice(("utf-16", "utf-32", "utf-8-sig")), "surrogatepass")
    if pick < 0.22:
        deep = rng.choice((8, 90, 950, 5000, 20_000))
        return (rng.choice(OPEN) * deep).encode() + body
    if pick < 0.23:
        return body.replace(b"1", b"1" * rng.choice((310, 4000, 5000)), 1)
    return body
