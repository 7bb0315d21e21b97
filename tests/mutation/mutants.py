"""Mutants of a module: the module with one small fault in a function, which some test should notice.

Left out are docstrings, types, decorators, defaults, constants of a module, the words of errors and of logs,
and texts with a blank.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType
from typing import Any

OPERATORS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.Div,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.Break: ast.Continue,
    ast.Continue: ast.Break,
}
PAIRS = (
    ("min", "max"),
    ("any", "all"),
    ("minimum", "maximum"),
    ("argmin", "argmax"),
    ("floor", "ceil"),
    ("sin", "cos"),
    ("log2", "log"),
    ("zeros", "ones"),
)
NAMES = dict((*PAIRS, *((b, a) for a, b in PAIRS)))
WORD = re.compile(r"[\w.:/-]+")
MUTE_KEYWORDS = ("strict", "dtype")
"""They guard or state what holds anyway."""
LEFT_OUT = {
    "annotation",
    "returns",
    "decorator_list",
    "defaults",
    "kw_defaults",
    "type_params",
    "format_spec",
}
Slot = tuple[Any, Any]
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Mutant:
    """One fault: at `slot` of the tree stands `new`, no longer `old`; `lines` are those of the statement."""

    path: Path
    function: tuple[str, int]
    line: int
    lines: range
    tree: ast.Module
    slot: Slot
    old: ast.AST
    new: ast.AST

    def code(self) -> CodeType | None:
        """Return the outermost function around the fault, compiled with it; None where none can be put in."""
        right = code_of(self.tree, self.path, self.function)
        put(self.slot, self.new)
        try:
            wrong = code_of(self.tree, self.path, self.function)
        except SyntaxError:
            return None
        finally:
            put(self.slot, self.old)
        return wrong if wrong != right and wrong.co_freevars == right.co_freevars else None

    def __str__(self) -> str:
        return f"{shown(self.old)}  ->  {shown(self.new)}"


def shown(node: ast.AST) -> str:
    """Return code for people, in one line."""
    text = ast.unparse(node).splitlines()[0] if isinstance(node, ast.stmt | ast.expr) else type(node).__name__
    return text if len(text) <= 100 else text[:99] + "…"


def put(slot: Slot, node: ast.AST) -> None:
    """Set a place of a tree: an item of a list, or a field of a node."""
    holder, key = slot
    if isinstance(holder, list):
        holder[key] = node
    else:
        setattr(holder, key, node)


def code_of(tree: ast.Module, path: Path, function: tuple[str, int]) -> CodeType:
    """Return a function's code, compiled anew."""
    todo = [compile(tree, str(path), "exec", dont_inherit=True)]
    while todo:
        code = todo.pop()
        if (code.co_qualname, code.co_firstlineno) == function:
            return code
        todo.extend(const for const in code.co_consts if isinstance(const, CodeType))
    raise SyntaxError(f"{path} has no {function}")


def mutants_of(path: Path, text: str) -> list[Mutant]:
    """Return every mutant of a module, in the order of its lines."""
    tree = ast.parse(text)
    found = []
    for name, function in _functions(tree.body, ""):
        first = min([function.lineno, *(decorator.lineno for decorator in function.decorator_list)])
        if ast.get_docstring(function) is not None:
            function.body[0] = ast.copy_location(ast.Pass(), function.body[0])
        for slot, node, lines in _slots(function, range(0)):
            for new in _variants(node):
                ast.fix_missing_locations(ast.copy_location(new, node))
                line = getattr(node, "lineno", lines.start)
                found.append(Mutant(path, (name, first), line, lines, tree, slot, node, new))
    return found


def _functions(body: list[ast.stmt], prefix: str) -> Iterator[tuple[str, Function]]:
    for node in body:
        if isinstance(node, Function):
            yield prefix + node.name, node
        elif isinstance(node, ast.ClassDef):
            yield from _functions(node.body, f"{prefix}{node.name}.")


def _slots(parent: ast.AST, lines: range) -> Iterator[tuple[Slot, ast.AST, range]]:
    """Yield each place under a node for a fault, what is there, and the lines of its statement."""
    for field, value in ast.iter_fields(parent):
        if field in LEFT_OUT:
            continue
        items = list(enumerate(value)) if isinstance(value, list) else [(field, value)]
        for key, node in items:
            if not isinstance(node, ast.AST) or _mute(node):
                continue
            own = _lines(node) if isinstance(node, ast.stmt) else lines
            yield (value if isinstance(value, list) else parent, key), node, own
            if not isinstance(node, ast.Raise):
                yield from _slots(node, own)


def _lines(statement: ast.stmt) -> range:
    """Return the lines of a statement, of one with a body only those before that."""
    body = getattr(statement, "body", None) or getattr(statement, "cases", None)
    last = statement.end_lineno if body is None else getattr(body[0], "lineno", statement.lineno + 1) - 1
    return range(statement.lineno, max(last or 0, statement.lineno) + 1)


def _mute(node: ast.AST) -> bool:
    match node:
        case ast.JoinedStr() | ast.Assert() | ast.expr_context():
            return True
        case ast.Call(func=ast.Name(id="cast")):
            return True
        case ast.Expr(value=ast.Call(func=ast.Attribute(value=ast.Name(id="log")))):
            return True
        case ast.keyword(arg=name):
            return name in MUTE_KEYWORDS
    return False


def _variants(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what may take a node's place."""
    if type(node) in OPERATORS:
        yield OPERATORS[type(node)]()
    elif isinstance(node, ast.stmt):
        yield from _statements(node)
    elif isinstance(node, ast.expr):
        yield from _expressions(node)


def _expressions(node: ast.expr) -> Iterator[ast.expr]:
    match node:
        case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert(), operand=operand):
            yield operand
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value) | float(value)):
            yield ast.Constant(value + 1)
        case ast.Constant(value=str(value)) if WORD.fullmatch(value):
            yield ast.Constant("XX" + value)
        case ast.Name(id=name, ctx=ast.Load()) if name in NAMES:
            yield ast.Name(NAMES[name], ast.Load())
        case ast.Attribute(value=value, attr=name, ctx=ast.Load()) if name in NAMES:
            yield ast.Attribute(value, NAMES[name], ast.Load())
        case ast.IfExp(test=test, body=body, orelse=orelse) if _plain(test):
            yield ast.IfExp(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.Call(func=func, args=args, keywords=keywords):
            for word in keywords:
                if word.arg is not None and word.arg not in MUTE_KEYWORDS:
                    yield ast.Call(func, args, [other for other in keywords if other is not word])


def _statements(node: ast.stmt) -> Iterator[ast.stmt]:
    match node:
        case ast.Assign(targets=targets, value=value) if not isinstance(value, ast.Constant):
            yield ast.Assign(targets, ast.Constant(None))
        case ast.AugAssign(target=target, value=value):
            yield ast.Assign([target], value)
        case ast.Expr(value=ast.Call() | ast.Await()) | ast.Raise():
            yield ast.Pass()
        case ast.If(test=test, body=body, orelse=orelse) if _plain(test):
            yield ast.If(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.While(test=test, body=body, orelse=orelse) if _plain(test):
            yield ast.While(ast.UnaryOp(ast.Not(), test), body, orelse)


def _plain(test: ast.expr) -> bool:
    """Tell whether a condition has no operator that is changed already."""
    return not isinstance(test, ast.Compare | ast.BoolOp | ast.UnaryOp | ast.Constant)
