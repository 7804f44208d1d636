"""Formulas and conditions of limits: the trade's symbols, numbers, lengths with units, + - * / min max.

A formula is parsed with Python's `ast` after its words and characters were checked against a whitelist; nothing
is ever evaluated by Python itself. Every formula has a dimension (length, area, angle, plain ratio), checked when
it is read, so a bare number where a length is meant is found before anything is measured.
"""

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from macrocheck.errors import InputError

SYMBOLS: dict[str, str] = {
    "t": "thickness",
    "a": "nominal throat",
    "z": "leg",
    "b": "face width",
    "s": "nominal penetration",
}
"""Symbol -> what the trade means by it (a, z, s as in ISO 2553; t, b as in ISO 5817). All are lengths in mm."""

MAX_TEXT = 200
"""Longest formula, characters."""
MAX_NODES = 100
MAX_DEPTH = 16

_FUNCTIONS: dict[str, Callable[..., float]] = {"min": min, "max": max}
_ARITHMETIC: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_ONLY = "a formula holds only numbers, symbols, + - * /, min( ) and max( )"
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_LITERAL = re.compile(
    rf"((?:\d+[ ]+(?=\d+[ ]*/))?{_NUMBER}(?:[ ]*/[ ]*\d+)?)[ ]*(mm|cm|in|deg|%)(?![A-Za-z0-9_])", re.ASCII
)
_PLAIN = re.compile(rf"{_NUMBER}(?![0-9._])", re.ASCII)
_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_OPERATOR = re.compile(r"<=|>=|[-+*/(),<>]")
_BARE_HINT = "write a length with its unit, such as 5mm or 3/16in"


class FormulaError(InputError):
    """A formula or condition that cannot be used; the sentence says why."""


class Dimension(NamedTuple):
    """Powers of length and of angle; (0, 0) is a plain number."""

    length: int
    angle: int

    def __str__(self) -> str:
        """Say it in words."""
        words = {(0, 0): "a plain number", (1, 0): "a length", (2, 0): "an area", (0, 1): "an angle"}
        return words.get((self.length, self.angle), f"a product of {self.length} lengths and {self.angle} angles")


PLAIN = Dimension(0, 0)
LENGTH = Dimension(1, 0)
DIMENSION_OF_UNIT: dict[str, Dimension] = {
    "mm": LENGTH,
    "mm2": Dimension(2, 0),
    "deg": Dimension(0, 1),
    "1": PLAIN,
}


@dataclass(frozen=True, slots=True)
class _Literal:
    """A number with its unit as it stood in the text: value in mm, deg or 1."""

    value: float
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class Formula:
    """A checked formula: `text` as written, its `dimension`, the `symbols` it uses."""

    text: str
    dimension: Dimension
    symbols: frozenset[str]
    _tree: ast.expr = field(compare=False)
    _literals: dict[str, _Literal]

    def value(self, symbols: Mapping[str, float]) -> float:
        """Return the value in mm, mm2, deg or 1 for `symbols` (mm).

        Raises:
            FormulaError: a division by zero or a result that is no finite number.
            KeyError: a symbol of `self.symbols` is missing.
        """
        try:
            result = _value(self._tree, symbols, self._literals)
        except (ZeroDivisionError, OverflowError) as error:
            msg = f"the formula '{self.text}' divides by zero or overflows with these values"
            raise FormulaError(msg) from error
        if not math.isfinite(result):
            msg = f"the formula '{self.text}' gives no finite number with these values"
            raise FormulaError(msg)
        return result


@dataclass(frozen=True, slots=True)
class Condition:
    """A checked condition such as `3mm < t <= 20mm` or `t > 3mm and a >= 4mm`: true or false for given symbols."""

    text: str
    symbols: frozenset[str]
    _comparisons: tuple[ast.Compare, ...] = field(compare=False)
    _literals: dict[str, _Literal]

    def holds(self, symbols: Mapping[str, float]) -> bool:
        """Tell whether it holds for `symbols` (mm); FormulaError for a division by zero."""
        try:
            return all(
                _COMPARE[type(op)](left, right)
                for comparison in self._comparisons
                for op, (left, right) in zip(
                    comparison.ops, pairwise(self._sides(comparison, symbols)), strict=True
                )
            )
        except (ZeroDivisionError, OverflowError) as error:
            msg = f"the condition '{self.text}' divides by zero or overflows with these values"
            raise FormulaError(msg) from error

    def _sides(self, comparison: ast.Compare, symbols: Mapping[str, float]) -> list[float]:
        return [_value(n, symbols, self._literals) for n in (comparison.left, *comparison.comparators)]


_COMPARE: dict[type[ast.cmpop], Callable[[float, float], bool]] = {
    ast.Lt: lambda left, right: left < right,
    ast.LtE: lambda left, right: left <= right,
    ast.Gt: lambda left, right: left > right,
    ast.GtE: lambda left, right: left >= right,
}


def parse_formula(text: str, *, unit: str = "mm") -> Formula:
    """Read a formula whose result must be in `unit` ("mm", "mm2", "deg", "1").

    Raises:
        FormulaError: with one sentence on what is wrong and what to write.
    """
    tree, literals = _parse(text, condition=False)
    dimension = _dimension(tree, literals)
    wanted = DIMENSION_OF_UNIT[unit]
    if dimension != wanted:
        hint = _BARE_HINT if (dimension, wanted) == (PLAIN, LENGTH) else "check its units and symbols"
        msg = f"'{text}' is {dimension} where {wanted} is needed; {hint}"
        raise FormulaError(msg)
    return Formula(text, dimension, _symbols(tree), tree, literals)


def parse_condition(text: str) -> Condition:
    """Read a condition: comparisons with < <= > >=, joined by `and`.

    Raises:
        FormulaError: with one sentence on what is wrong and what to write.
    """
    tree, literals = _parse(text, condition=True)
    parts = tree.values if isinstance(tree, ast.BoolOp) else [tree]
    comparisons = []
    for part in parts:
        if not isinstance(part, ast.Compare):
            msg = f"'{text}' is not a condition; write one such as t > 3mm or 3mm < t <= 20mm"
            raise FormulaError(msg)
        sides = [_dimension(n, literals) for n in (part.left, *part.comparators)]
        if len(set(sides)) != 1:
            hint = f"; {_BARE_HINT}" if PLAIN in sides else ""
            msg = f"'{text}' compares {sides[0]} with {next(d for d in sides if d != sides[0])}{hint}"
            raise FormulaError(msg)
        comparisons.append(part)
    return Condition(text, _symbols(tree), tuple(comparisons), literals)


def _parse(text: str, *, condition: bool) -> tuple[ast.expr, dict[str, _Literal]]:
    if len(text) > MAX_TEXT:
        msg = f"a formula of {len(text)} characters is too long; at most {MAX_TEXT} are read"
        raise FormulaError(msg)
    source, literals = _scan(text, condition=condition)
    try:
        tree = ast.parse(source, mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError) as error:
        msg = f"'{text}' is not a complete formula; check its operators and brackets"
        raise FormulaError(msg) from error
    _check_nodes(tree, text, condition=condition)
    return tree, literals


def _scan(text: str, *, condition: bool) -> tuple[str, dict[str, _Literal]]:
    """Check every word and character and put a name in the place of each number with a unit."""
    literals: dict[str, _Literal] = {}
    out: list[str] = []
    at = 0
    while at < len(text):
        if text[at] == " ":
            at += 1
            continue
        if match := _LITERAL.match(text, at):
            if out and out[-1] == "/" and "/" in match[1]:
                msg = f"'{text}' can be read in two ways at '{match[0]}'; put the fraction in brackets of its own"
                raise FormulaError(msg)
            name = f"_{len(literals)}"
            literals[name] = _literal(match[1], match[2])
            out.append(name)
        elif match := _PLAIN.match(text, at):
            if (after := _WORD.match(text, match.end())) is not None:
                what = after[0] in SYMBOLS
                hint = f"write {match[0]}*{after[0]}" if what else "units are mm, cm, in, deg and %"
                msg = f"'{match[0]}{after[0]}' in '{text}' is not understood; {hint}"
                raise FormulaError(msg)
            out.append(repr(float(match[0])))
        elif match := _WORD.match(text, at):
            _check_word(match[0], text, condition=condition)
            out.append(match[0])
        elif (match := _OPERATOR.match(text, at)) and (condition or match[0][0] not in "<>"):
            if match[0] in "*/" and out and out[-1] in ("*", "/"):
                msg = f"'{out[-1]}{match[0]}' in '{text}' is not allowed; use + - * / min( ) max( )"
                raise FormulaError(msg)
            out.append(match[0])
        else:
            usable = f"numbers with units, {', '.join(SYMBOLS)}, + - * /, min( ), max( )"
            msg = f"'{text[at]}' in '{text}' is not allowed; use {usable}"
            raise FormulaError(msg)
        at = match.end()
    if not out:
        msg = "an empty formula says nothing; write one such as 5mm or 1mm + 0.1*b"
        raise FormulaError(msg)
    return " ".join(out), literals


def _check_word(word: str, text: str, *, condition: bool) -> None:
    if word in SYMBOLS or word in _FUNCTIONS or (condition and word == "and"):
        return
    known = ", ".join(f"{k} ({v})" for k, v in SYMBOLS.items())
    msg = f"'{word}' in '{text}' is not a known symbol; known are {known}, and min( ), max( )"
    raise FormulaError(msg)


def _literal(number: str, unit: str) -> _Literal:
    if unit in ("deg", "%"):
        top, _, bottom = number.partition("/")
        try:
            value = float(top) / float(bottom or 1)
        except (ValueError, ZeroDivisionError) as error:
            msg = f"'{number}{unit}' is not a number; write it as a decimal"
            raise FormulaError(msg) from error
        return _Literal(value, DIMENSION_OF_UNIT["deg"]) if unit == "deg" else _Literal(value / 100, PLAIN)
    if not number.strip("0."):
        return _Literal(0.0, LENGTH)
    from macrocheck.units import parse_length

    return _Literal(parse_length(f"{number}{unit}"), LENGTH)


def _check_nodes(tree: ast.expr, text: str, *, condition: bool) -> None:
    allowed: tuple[type[ast.AST], ...] = (
        ast.BinOp,
        ast.UnaryOp,
        ast.Call,
        ast.Name,
        ast.Constant,
        ast.expr_context,
    )
    allowed += (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.USub, ast.UAdd)
    if condition:
        allowed += (ast.Compare, ast.BoolOp, ast.And, *_COMPARE)
    count = 0
    level: list[ast.AST] = [tree]
    for _ in range(MAX_DEPTH):
        count += len(level)
        for node in level:
            if not isinstance(node, allowed) or (
                isinstance(node, ast.Constant) and not isinstance(node.value, float)
            ):
                msg = f"'{text}' uses something other than numbers, symbols, + - * /, min( ) and max( )"
                raise FormulaError(msg)
        level = [child for node in level for child in ast.iter_child_nodes(node)]
        if not level:
            break
    if level or count > MAX_NODES:
        msg = f"'{text}' is too deeply nested or too long; simplify it"
        raise FormulaError(msg)


def _symbols(tree: ast.expr) -> frozenset[str]:
    return frozenset(n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and n.id in SYMBOLS)


def _dimension(node: ast.expr, literals: Mapping[str, _Literal]) -> Dimension:
    match node:
        case ast.Constant():
            return PLAIN
        case ast.Name(id=name) if name in literals or name in SYMBOLS:
            return literals[name].dimension if name in literals else LENGTH
        case ast.UnaryOp(operand=operand):
            return _dimension(operand, literals)
        case ast.BinOp(left=left, op=op, right=right):
            return _combined(_dimension(left, literals), op, _dimension(right, literals))
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in _FUNCTIONS:
            if len(args) < 2:
                msg = f"{name}( ) needs two or more values, separated by commas"
                raise FormulaError(msg)
            return _same(tuple(_dimension(a, literals) for a in args), f"{name}( ) compares")
        case _:
            raise FormulaError(_ONLY)


def _combined(one: Dimension, op: ast.operator, two: Dimension) -> Dimension:
    if isinstance(op, ast.Mult):
        return Dimension(one.length + two.length, one.angle + two.angle)
    if isinstance(op, ast.Div):
        return Dimension(one.length - two.length, one.angle - two.angle)
    return _same((one, two), "adds or subtracts")


def _same(dimensions: tuple[Dimension, ...], what: str) -> Dimension:
    for other in dimensions[1:]:
        if other != dimensions[0]:
            hint = f"; {_BARE_HINT}" if PLAIN in dimensions else ""
            msg = f"the formula {what} {dimensions[0]} and {other}{hint}"
            raise FormulaError(msg)
    return dimensions[0]


def _value(node: ast.expr, symbols: Mapping[str, float], literals: Mapping[str, _Literal]) -> float:
    match node:
        case ast.Constant(value=float(number)):
            return number
        case ast.Name(id=name):
            return literals[name].value if name in literals else symbols[name]
        case ast.UnaryOp(op=op, operand=operand):
            return (-1.0 if isinstance(op, ast.USub) else 1.0) * _value(operand, symbols, literals)
        case ast.BinOp(left=left, op=op, right=right):
            return _ARITHMETIC[type(op)](_value(left, symbols, literals), _value(right, symbols, literals))
        case ast.Call(func=ast.Name(id=name), args=args):
            return float(_FUNCTIONS[name](*(_value(a, symbols, literals) for a in args)))
        case _:
            raise FormulaError(_ONLY)
