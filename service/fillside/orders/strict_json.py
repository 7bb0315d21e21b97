"""Strict JSON by RFC 8259: UTF-8, no NaN or infinity, no duplicate keys, nothing that
breaks later processing."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, NoReturn

from fillside.orders.answers import Refusal


def _refuse_constant(name: str) -> NoReturn:
    raise Refusal("bad_order", f"{name} is not a number that JSON knows")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise Refusal("bad_order", f"{text[:40]} is too large a number")
    return value


def _whole(text: str) -> int:
    if len(text) > 300:
        raise Refusal("bad_order", f"{text[:20]}… is too large a number")
    return int(text)


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        double = next(name for name in names if names.count(name) > 1)
        raise Refusal("bad_order", f"{double!r} is there twice", double)
    return found


def _decoder(constant: Callable[[str], Any], number: Callable[[str], Any]) -> json.JSONDecoder:
    return json.JSONDecoder(
        parse_constant=constant, parse_float=number, parse_int=_whole, object_pairs_hook=_unique_keys
    )


def _finite_or_none(text: str) -> float | None:
    return value if math.isfinite(value := float(text)) else None


_STRICT = _decoder(_refuse_constant, _finite)
_STORED = _decoder(lambda name: None, _finite_or_none)
_PLAIN = json.JSONEncoder(ensure_ascii=False)


def strict_loads(body: bytes | str) -> Any:
    """Parse JSON.

    Raises Refusal (bad_order) with one line that says what is wrong.

    >>> strict_loads(b'{"do": "follow"}')
    {'do': 'follow'}
    """
    return _loads(body, _STRICT)


def stored_loads(text: str) -> Any:
    """Parse stored JSON like `strict_loads`, but turn the non-finite numbers that
    older versions stored into None.

    >>> stored_loads('{"by": NaN, "to": 1e999}')
    {'by': None, 'to': None}
    """
    return _loads(text, _STORED)


def stored_text(value: Any) -> str:
    """Return JSON for the disk that `stored_loads` can read: null for values that JSON cannot express.

    >>> stored_text({"by": float("nan")})
    '{"by":null}'
    """
    text = json.dumps(value, separators=(",", ":"), default=lambda _: None)
    try:
        again = stored_loads(text)
    except (Refusal, ValueError):
        again = None
    return json.dumps(again, allow_nan=False, separators=(",", ":"))


def _loads(body: bytes | str, decoder: json.JSONDecoder) -> Any:
    try:
        text = body.decode("utf-8") if isinstance(body, bytes) else body
        if text.startswith("\ufeff"):
            raise json.JSONDecodeError("Unexpected UTF-8 BOM (decode using utf-8-sig)", text, 0)
        value = decoder.decode(text)
        _PLAIN.encode(value).encode("utf-8")
    except UnicodeError:
        raise Refusal("bad_order", "the text is not UTF-8") from None
    except RecursionError:
        raise Refusal("bad_order", "nested too deeply") from None
    except json.JSONDecodeError as error:
        raise Refusal(
            "bad_order", f"not JSON: {error.msg} at line {error.lineno} column {error.colno}"
        ) from None
    return value
