"""Translation of pydantic's validation errors into problems in plain words, with advice."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from fillside.rig.fields import NAME, InconsistencyError
from fillside.rig.model_paths import field_at, literals_at, models_at, tables_with_key, value_kind_at
from fillside.rig.problems import Path, Problem, describe, did_you_mean, nearest

_WRONG_KIND = {
    "bool_type": "true or false",
    "dict_type": "a table",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "list_type": "a list",
    "literal_error": "",
    "model_attributes_type": "a table",
    "model_type": "a table",
    "string_type": "text in quotes",
    "tuple_type": "a list",
}
_BOUNDS = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("at most", "le"),
}


@dataclass(frozen=True)
class _Finding:
    """One of pydantic's errors with its path in the data; `fork` is the path of the union it came from."""

    detail: ErrorDetails
    path: Path
    fork: Path | None

    @property
    def type(self) -> str:
        return self.detail["type"]


def problems_from(error: ValidationError, model: type[BaseModel], data: Any, at: Path = ()) -> list[Problem]:
    """Return the problems of a failed validation of `data` as `model`, with paths below `at`."""
    findings = [_finding(detail, data) for detail in error.errors(include_url=False)]
    kept = _without_idle_branches(findings)
    problems = [_problem(finding, model) for finding in kept]
    return [Problem(at + p.path, p.message) for p in _without_echoes(kept, problems, model)]


def _finding(detail: ErrorDetails, data: Any) -> _Finding:
    path: list[str | int] = []
    fork: Path | None = None
    node, loc = data, detail["loc"]
    for i, part in enumerate(loc):
        last = i == len(loc) - 1
        if _holds(node, part):
            path.append(part)
            node = node[part]
        elif last and detail["type"] == "missing":
            path.append(part)
        elif part != "[key]" and fork is None:
            fork = tuple(path)
    return _Finding(detail, tuple(path), fork)


def _holds(node: Any, part: str | int) -> bool:
    if isinstance(part, int):
        return isinstance(node, list | tuple) and part < len(node)
    return isinstance(node, Mapping) and part in node


def _without_idle_branches(findings: list[_Finding]) -> list[_Finding]:
    """Keep the findings of the union branch that was meant, and one finding per path.

    Pydantic reports a list with wrong items as too short as well; only the items are reported here.
    """
    meant = {fork for f in findings if (fork := f.fork) is not None and not _wrong_kind_at(f, fork)}
    kept: dict[Path, _Finding] = {}
    for finding in findings:
        fork = finding.fork
        if fork is not None and fork in meant and _wrong_kind_at(finding, fork):
            continue
        if finding.type == "too_short" and _any_below(finding.path, findings):
            continue
        known = kept.get(finding.path)
        if known is None or (known.type != "literal_error" and finding.type == "literal_error"):
            kept[finding.path] = finding
    return list(kept.values())


def _any_below(path: Path, findings: list[_Finding]) -> bool:
    return any(len(f.path) > len(path) and f.path[: len(path)] == path for f in findings)


def _wrong_kind_at(finding: _Finding, fork: Path) -> bool:
    return finding.type in _WRONG_KIND and finding.path == fork


def _without_echoes(
    findings: list[_Finding], problems: list[Problem], model: type[BaseModel]
) -> list[Problem]:
    """Drop the finding of a missing key that is only misspelt; the unknown key explains it better."""
    misspelt = {
        (*f.path[:-1], guess)
        for f in findings
        if f.type == "extra_forbidden" and (guess := nearest(str(f.path[-1]), _keys(model, f.path[:-1])))
    }
    return [
        problem
        for finding, problem in zip(findings, problems, strict=True)
        if not (finding.type == "missing" and finding.path in misspelt)
    ]


def _problem(finding: _Finding, model: type[BaseModel]) -> Problem:
    own = finding.detail.get("ctx", {}).get("error")
    if isinstance(own, InconsistencyError):
        return Problem((*finding.path, *own.key.split(".")), str(own))
    message = _MESSAGES.get(finding.type, _otherwise)
    path = finding.path
    if finding.type == "missing" and path and isinstance(path[-1], int):
        path, message = path[:-1], _wrong_length
    return Problem(path, message(_Finding(finding.detail, path, finding.fork), model))


def _keys(model: type[BaseModel], path: Path) -> list[str]:
    return [name for table in models_at(model, path) for name in table.model_fields]


def _purpose(model: type[BaseModel], path: Path) -> str:
    field = field_at(model, path)
    return (field.description or "") if field is not None else ""


def _wanted(model: type[BaseModel], path: Path) -> str:
    """Return the purpose of a key, or of the table that it stands in under a name of its own."""
    return _purpose(model, path) or _purpose(model, path[:-1]) or "another kind of value"


def _in_brackets(model: type[BaseModel], path: Path) -> str:
    purpose = _purpose(model, path)
    return f" ({purpose})" if purpose else ""


def _missing(finding: _Finding, model: type[BaseModel]) -> str:
    purpose = _purpose(model, finding.path) or value_kind_at(model, finding.path)
    return f"is missing; give {purpose}" if purpose else "is missing"


def _unknown_key(finding: _Finding, model: type[BaseModel]) -> str:
    key, table = str(finding.path[-1]), finding.path[:-1]
    known = _keys(model, table)
    homes = tables_with_key(model, table, key)
    if homes and nearest(key, known) is None:
        return f"unknown key here; it belongs in {homes[0]}"
    return f"unknown key; {did_you_mean(key, known, 'known here')}"


def _wrong_kind(finding: _Finding, model: type[BaseModel]) -> str:
    value = describe(finding.detail["input"])
    if finding.fork == finding.path:
        return f"cannot be {value}; give {_wanted(model, finding.path)}"
    return f"must be {_WRONG_KIND[finding.type]}, not {value}{_in_brackets(model, finding.path)}"


def _not_in_list(finding: _Finding, model: type[BaseModel]) -> str:
    value = finding.detail["input"]
    words = literals_at(model, finding.path)
    hint = f'; did you mean "{guess}"?' if isinstance(value, str) and (guess := nearest(value, words)) else ""
    if finding.fork is not None:
        return f"cannot be {describe(value)}; give {_wanted(model, finding.path)}{hint}"
    listed = str(finding.detail["ctx"]["expected"]).replace("'", '"')
    return f"must be {listed}, not {describe(value)}{hint}"


def _out_of_bounds(finding: _Finding, model: type[BaseModel]) -> str:
    word, key = _BOUNDS[finding.type]
    bound, value = finding.detail["ctx"][key], describe(finding.detail["input"])
    return f"must be {word} {bound:g}, not {value}{_in_brackets(model, finding.path)}"


def _not_a_name(finding: _Finding, model: type[BaseModel]) -> str:
    value = describe(finding.detail["input"])
    if NAME.pattern in str(finding.detail["ctx"]["pattern"]):
        return f"{value} is not a name: small letters, digits and hyphens, at most 32, such as desk-left"
    return f"{value} is not written as it must be{_in_brackets(model, finding.path)}"


def _not_finite(finding: _Finding, model: type[BaseModel]) -> str:
    return (
        f"must be a finite number, not {describe(finding.detail['input'])}{_in_brackets(model, finding.path)}"
    )


def _wrong_length(finding: _Finding, model: type[BaseModel]) -> str:
    context = finding.detail.get("ctx", {})
    purpose = _in_brackets(model, finding.path)
    if finding.type == "missing":
        return f"has too few numbers{purpose or ': it must be [x, y, z] in metres'}"
    if finding.type == "too_long":
        return f"has {context['actual_length']}, at most {context['max_length']} can be{purpose}"
    return f"has {context['actual_length']}, at least {context['min_length']} must be{purpose}"


def _text_length(finding: _Finding, model: type[BaseModel]) -> str:
    length, context = len(finding.detail["input"]), finding.detail["ctx"]
    if not length:
        return f"must not be empty{_in_brackets(model, finding.path)}"
    most, least = context.get("max_length"), context.get("min_length")
    bound = f"at least {least} must be" if most is None else f"at most {most} can be"
    characters = "1 character" if length == 1 else f"{length} characters"
    return f"has {characters}, {bound}{_in_brackets(model, finding.path)}"


def _own_words(finding: _Finding, model: type[BaseModel]) -> str:
    return str(finding.detail["ctx"]["error"])


def _otherwise(finding: _Finding, model: type[BaseModel]) -> str:
    message = re.sub(r"^Input should be (a valid )?", "must be ", finding.detail["msg"])
    value = finding.detail["input"]
    plain = message[:1].lower() + message[1:].replace("'", '"')
    return f"{plain}, not {describe(value)}{_in_brackets(model, finding.path)}"


_MESSAGES: dict[str, Callable[[_Finding, type[BaseModel]], str]] = {
    **dict.fromkeys(_WRONG_KIND, _wrong_kind),
    **dict.fromkeys(_BOUNDS, _out_of_bounds),
    "extra_forbidden": _unknown_key,
    "finite_number": _not_finite,
    "literal_error": _not_in_list,
    "missing": _missing,
    "string_pattern_mismatch": _not_a_name,
    "string_too_long": _text_length,
    "string_too_short": _text_length,
    "too_long": _wrong_length,
    "too_short": _wrong_length,
    "value_error": _own_words,
}
"""The message of each of pydantic's error types; other types use pydantic's own text, simplified."""
