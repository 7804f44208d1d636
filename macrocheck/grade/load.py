"""Limits files: TOML written by the user, checked against `limits.schema.json`, the line at fault named."""

import difflib
import json
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from macrocheck.errors import InputError
from macrocheck.grade.formula import SYMBOLS, Formula, FormulaError, parse_condition, parse_formula
from macrocheck.grade.limits import Limit, LimitSet
from macrocheck.grade.lines import line_of
from macrocheck.quantities import BY_KEY

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from jsonschema import ValidationError

MAX_BYTES = 1_000_000
"""Longest limits file that is read."""

_BOUNDS = ("at_least", "at_most", "free_at_least", "free_at_most", "counts_from")


def shipped_names() -> tuple[str, ...]:
    """Names of the sets that come with the package, in alphabetical order."""
    return tuple(sorted(p.name[:-5] for p in _sets().iterdir() if p.name.endswith(".toml")))


def shipped_text(name: str) -> str:
    """Return the TOML text of a shipped set.

    Raises:
        InputError: no set of that name is shipped.
    """
    if name not in shipped_names():
        msg = f"There is no shipped limit set '{name}'; there are {', '.join(shipped_names())}."
        raise InputError(msg)
    return (_sets() / f"{name}.toml").read_text(encoding="utf-8")


def template_text() -> str:
    """Return a commented limits file to begin from."""
    return (resources.files("macrocheck.grade") / "template.toml").read_text(encoding="utf-8")


def load_limits(source: str | Path) -> LimitSet:
    """Read limits from a shipped set's name, a file, or TOML text (anything that holds a line break).

    A shipped name goes before a file of the same name; write ./NAME for the file.

    Raises:
        InputError: no such set or file, or something in it cannot be used; the line is named.
    """
    if isinstance(source, str):
        if "\n" in source:
            return parse_limits(source, where="the limits")
        if source in shipped_names():
            return parse_limits(shipped_text(source), where=f"shipped set {source}", shipped=True, fallback=source)
        if not source.strip():
            msg = f"The limits have no name; name a file or one of the shipped sets {', '.join(shipped_names())}."
            raise InputError(msg)
    path = Path(source)
    return parse_limits(_read(path, str(source)), where=str(path), fallback=path.stem)


def parse_limits(text: str, *, where: str, shipped: bool = False, fallback: str = "limits") -> LimitSet:
    """Read TOML `text`; `where` names it in messages, `fallback` is its name where it states none.

    Raises:
        InputError: something in it cannot be used; the line is named.
    """
    try:
        table = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        reason = "it is nested too deeply" if isinstance(error, RecursionError) else " ".join(str(error).split())
        msg = f"{where} is not valid TOML: {reason}."
        raise InputError(msg) from error
    _check_schema(table, text, where)
    given = {k: _length(v, k, text, where) for k, v in table.get("given", {}).items()}
    measured: dict[str, str] = table.get("measured", {})
    for symbol, key in measured.items():
        _check_key(key, ("measured", symbol), text, where)
        if BY_KEY[key].unit != "mm":
            _fail(text, ("measured", symbol), where, f"{symbol} stands for a length, but '{key}' is none")
        if symbol in given:
            _fail(text, ("measured", symbol), where, f"{symbol} is under [given] as well; keep one of the two")
    return LimitSet(
        name=table.get("name", fallback) if shipped else _own_name(table, fallback),
        limits=tuple(_limit(row, i, text, where) for i, row in enumerate(table["limit"])),
        rule=table.get("rule", "guard band"),
        guard=float(table.get("guard", 1.0)),
        given=given,
        measured=dict(measured),
        by_eye=tuple(table.get("by_eye", ())),
        title=table.get("title", ""),
        note=table.get("note", ""),
        source=table.get("source", ""),
        shipped=shipped,
    )


def _own_name(table: Mapping[str, Any], fallback: str) -> str:
    """Return the name of a user's set; a shipped set that was changed does not go by the shipped one's name."""
    name = str(table.get("name", fallback))
    if name not in shipped_names() or tomllib.loads(shipped_text(name)) == table:
        return name
    return f"{name}, changed" if fallback in (name, "limits") else fallback


def parse_given(pairs: Iterable[str]) -> dict[str, float]:
    """Read NAME=LENGTH pairs such as `t=8mm`, `t=14ga` into symbol -> mm.

    Raises:
        InputError: an unknown symbol, no unit, a symbol stated twice, or not a positive length.
    """
    from macrocheck.units import parse_length

    given: dict[str, float] = {}
    for pair in pairs:
        symbol, equals, length = (part.strip() for part in pair.partition("="))
        if not equals or symbol not in SYMBOLS:
            known = ", ".join(f"{k} ({v})" for k, v in SYMBOLS.items())
            msg = f"'{pair}' is not a given value; write one such as t=8mm, with one of {known}."
            raise InputError(msg)
        if symbol in given:
            msg = f"{symbol} is given twice; keep one."
            raise InputError(msg)
        try:
            value = parse_length(length, thickness=symbol == "t")
        except InputError as error:
            msg = f"{symbol}: {error}"
            raise InputError(msg) from None
        if not value > 0:
            msg = f"'{pair}' must be more than nothing; write one such as {symbol}=8mm."
            raise InputError(msg)
        given[symbol] = value
    return given


def _sets() -> "Traversable":
    return resources.files("macrocheck.grade") / "sets"


def _read(path: Path, name: str) -> str:
    names = ", ".join(shipped_names())
    try:
        if path.is_dir():
            msg = f"'{name}' is a folder; name a limits file or one of the shipped sets {names}."
            raise InputError(msg)
        if path.exists() and not path.is_file():
            msg = f"'{name}' is not an ordinary file; name a limits file or one of the shipped sets {names}."
            raise InputError(msg)
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        msg = f"There is no limits file '{name}', and no shipped set of that name; shipped sets are {names}."
        raise InputError(msg) from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "it cannot be opened"
        msg = f"The limits file '{name}' cannot be read: {reason}."
        raise InputError(msg) from error
    if len(data) > MAX_BYTES:
        msg = f"'{name}' is over {MAX_BYTES // 1_000_000} MB and surely no limits file; check the name."
        raise InputError(msg)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"'{name}' is not a text file in UTF-8; save the limits as plain UTF-8 text."
        raise InputError(msg) from error


def _limit(row: Mapping[str, Any], index: int, text: str, where: str) -> Limit:
    at = ("limit", index)
    keys = (row["quantity"],) if isinstance(row["quantity"], str) else tuple(row["quantity"])
    for key in keys:
        _check_key(key, (*at, "quantity"), text, where)
    units = {BY_KEY[k].unit for k in keys}
    if len(units) != 1:
        _fail(text, (*at, "quantity"), where, "the quantities of one limit must have the same unit")
    unit = units.pop()
    _check_bounds(row, at, text, where)
    formulas: dict[str, Formula | None] = dict.fromkeys(_BOUNDS)
    when = None
    for key in (*_BOUNDS, "when"):
        if key not in row:
            continue
        try:
            if key == "when":
                when = parse_condition(row[key])
            else:
                formulas[key] = parse_formula(row[key], unit=unit)
        except FormulaError as error:
            _fail(text, (*at, key), where, str(error), error)
        except InputError as error:  # a length with its unit that the unit reader refuses
            _fail(text, (*at, key), where, str(error).rstrip("."), error)
    _check_constants(formulas, at, text, where)
    return Limit(
        name=row["name"],
        quantities=keys,
        unit=unit,
        when=when,
        joints=tuple(row.get("joints", ())),
        length_rule=row.get("length_rule"),
        only_if_given=row.get("only_if_given", False),
        source=row.get("source", "stated by the user"),
        mark=row.get("mark", "stated by the user"),
        note=row.get("note", ""),
        **formulas,
    )


def _check_constants(
    formulas: Mapping[str, Formula | None], at: tuple[str | int, ...], text: str, where: str
) -> None:
    """Refuse bounds without symbols that have no value, or that nothing can keep."""
    values = {}
    for key, formula in formulas.items():
        if formula is not None and not formula.symbols:
            try:
                values[key] = formula.value({})
            except FormulaError as error:
                _fail(text, (*at, key), where, str(error), error)
    if values.get("at_least", -math.inf) > values.get("at_most", math.inf):
        _fail(text, (*at, "at_least"), where, "at_least is more than at_most, so nothing keeps both")


def _check_bounds(row: Mapping[str, Any], at: tuple[str | int, ...], text: str, where: str) -> None:
    free = [k for k in _BOUNDS if k.startswith("free") and k in row]
    if "at_least" not in row and "at_most" not in row and not free:
        _fail(text, at, where, f"the limit '{row['name']}' needs at_least or at_most (or both)")
    if free and "length_rule" not in row:
        _fail(text, (*at, free[0]), where, f"{free[0]} is only of use beside length_rule")
    if "counts_from" in row and "at_most" not in row and "free_at_most" not in row:
        _fail(text, (*at, "counts_from"), where, "counts_from is only of use beside at_most or free_at_most")


def _length(value: str, symbol: str, text: str, where: str) -> float:
    try:
        given = parse_given([f"{symbol}={value}"])
    except InputError as error:
        _fail(text, ("given", symbol), where, str(error).rstrip("."), error)
    return given[symbol]


def _check_key(key: str, path: tuple[str | int, ...], text: str, where: str) -> None:
    if key not in BY_KEY:
        near = difflib.get_close_matches(key, BY_KEY, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "list them with: macrocheck limits keys"
        _fail(text, path, where, f"'{key}' is not a measured quantity; {hint}")
    if BY_KEY[key].is_list:
        _fail(text, path, where, f"'{key}' is a list and cannot be limited; limit one of its lengths instead")


def _fail(
    text: str, path: tuple[str | int, ...], where: str, what: str, cause: Exception | None = None
) -> NoReturn:
    end = "" if what.endswith(("?", ".")) else "."
    msg = f"{where}, line {line_of(text, path)}: {what}{end}"
    raise InputError(msg) from cause


@cache
def _validator() -> Any:
    from jsonschema import Draft202012Validator

    schema = json.loads((resources.files("macrocheck.grade") / "limits.schema.json").read_text(encoding="utf-8"))
    return Draft202012Validator(schema)


def _check_schema(table: dict[str, Any], text: str, where: str) -> None:
    errors = list(_validator().iter_errors(table))
    if not errors:
        return
    faults = sorted((_fault(e, text) for e in errors), key=lambda fault: fault[0])
    count = len(faults) - 1
    more = f" ({count} more {'fault follows' if count == 1 else 'faults follow'})" if count else ""
    line, what = faults[0]
    msg = f"{where}, line {line}: {what}{more}."
    raise InputError(msg)


def _fault(error: "ValidationError", text: str) -> tuple[int, str]:
    """Return the line and the sentence of one schema fault."""
    path: tuple[str | int, ...] = tuple(error.absolute_path)
    schema: dict[str, Any] = error.schema if isinstance(error.schema, dict) else {}
    expected: Any = error.validator_value
    instance: Any = error.instance
    key = str(path[-1]) if path else "the file"
    match error.validator:
        case "additionalProperties":
            allowed = [
                *schema.get("properties", {}),
                *(SYMBOLS if "patternProperties" in schema else ()),
            ]
            extra = next(str(k) for k in instance if k not in allowed)
            near = difflib.get_close_matches(extra, allowed, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known here are {', '.join(allowed)}"
            path, what = (*path, extra), f"'{extra}' is not known here; {hint.rstrip('?')}"
        case "required":
            missing = re.findall(r"'([^']+)' is a required", error.message)[0]
            what = f"'{missing}' is missing" + (
                f" in limit number {path[-1] + 1}" if path and isinstance(path[-1], int) else ""
            )
            if missing == "limit":
                what = "there is no limit in it; each begins with a line [[limit]]"
        case "type" if expected == "string" and isinstance(instance, int | float):
            what = f'{key} must be text in quotes; write a length with its unit, such as {key} = "5mm"'
        case "type" if expected == "boolean":
            what = f"{key} must be true or false, without quotes"
        case "type":
            what = f"{key} must be {_kind(expected)}"
        case "enum":
            what = f"{key} must be {' or '.join(repr(v) for v in expected)}, not {str(instance)[:60]!r}"
        case "oneOf":
            what = f'{key} must be the name of a quantity, or a list of such names, such as "leg_butting"'
        case "pattern":
            what = f"{str(instance)[:60]!r} is not the name of a quantity"
        case "minLength" | "minItems":
            what = f"{key} must not be empty"
        case "maxLength" | "maxItems":
            what = f"{key} is too long; at most {expected} are read"
        case _:
            what = f"{key}: {error.message[:200]}"
    return line_of(text, path), what


def _kind(name: object) -> str:
    words = {"string": "text in quotes", "array": "a list", "object": "a table", "number": "a number"}
    return words.get(str(name), f"of the kind {name}")
