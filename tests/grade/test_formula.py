"""Formulas and conditions of limits: what they give, what they refuse, and that nothing else gets through."""

import builtins

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from macrocheck.errors import InputError
from macrocheck.grade.formula import MAX_TEXT, SYMBOLS, FormulaError, parse_condition, parse_formula

VALUES = {"t": 8.0, "a": 5.0, "z": 7.0, "b": 10.0, "s": 3.0}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5mm", 5.0),
        ("0mm", 0.0),
        ("3/16in", 4.7625),
        ("1 3/16in", 30.1625),
        ("0.5 cm", 5.0),
        ("a", 5.0),
        ("-a + 6mm", 1.0),
        ("1mm + 0.1*b", 2.0),
        ("0.1*t", 0.8),
        ("min(1mm + 0.25*b, 3mm)", 3.0),
        ("max(t, a, z)", 8.0),
        ("a*z/t", 4.375),
        ("z - 3/32in", 7 - 2.38125),
        ("(t - a) * 2 / 4", 1.5),
        ("10%*a", 0.5),
        ("2*3/16in", 9.525),
    ],
)
def test_lengths(text: str, expected: float) -> None:
    # 25.4 mm to the inch: exact, international yard and pound agreement of 1959.
    assert parse_formula(text).value(VALUES) == pytest.approx(expected, abs=1e-12)


def test_other_units() -> None:
    assert parse_formula("110deg", unit="deg").value({}) == 110
    assert parse_formula("2.5%", unit="1").value({}) == pytest.approx(0.025)
    assert parse_formula("a*t", unit="mm2").value(VALUES) == 40
    assert parse_formula("a/t", unit="1").value(VALUES) == 0.625


def test_symbols_are_reported() -> None:
    assert parse_formula("min(a, 2*t) - 1mm").symbols == {"a", "t"}
    assert parse_condition("3mm < t <= b and a > 2mm").symbols == {"t", "b", "a"}


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("5", "bare number|write a length with its unit|a plain number"),
        ("1 + 0.1*b", "write a length with its unit"),
        ("a*a", "is an area"),
        ("110deg", "is an angle"),
        ("0.25b", r"write 0.25\*b"),
        ("5furlong", "units are mm, cm, in, deg"),
        ("q + 1mm", "'q' in 'q \\+ 1mm' is not a known symbol"),
        ("a +", "check its operators and brackets"),
        ("", "empty"),
        ("   ", "empty"),
        ("min(a)", "two or more"),
        ("min(a, 5)", "compares a length and a plain number"),
        ("min", "only numbers, symbols"),
        ("a(t)", "only numbers, symbols"),
        ("a, t", "something other than numbers"),
        ("a < t", "not allowed"),
        ("a/3/16in", "read in two ways"),
        ("1/0in", "divides by zero|zero"),
        ("14ga", "not understood"),
    ],
)
def test_refused_with_a_sentence(text: str, part: str) -> None:
    with pytest.raises(InputError, match=part):
        parse_formula(text)


@pytest.mark.parametrize(
    "attack",
    [
        "__import__('os').system('true')",
        "().__class__.__bases__",
        "a.__class__",
        "a**9**9**9",
        "a//t",
        "a%t",
        "9**99mm",
        "lambda: a",
        "[a for a in (1,)]",
        "(a := t)",
        "a if t else b",
        "a and t",
        "min(*a)",
        "min(a, key=t)",
        "f'{a}'",
        "'a'",
        '"a"',
        "open",
        "a\nimport os",
        "a;t",
        "a#",
        "_0",
        "_0 + 1mm",
        "1_0mm",
        "0x10mm",
        "1e5",
        "1j",
        "a@t",
        "~a",
        "not a",
        "{a}",
        "True",
        "None",
        "a[0]",
        "ａ",
        "٣mm",
        "a\x00",
        "(" * 199 + "a",
        "٣*a",
        "min(" * 40 + "a" + ",a)" * 9,
        "-" * 150 + "a",
        "+".join(["a"] * 100),
        "a" * (MAX_TEXT + 1),
    ],
)
def test_attacks_are_refused(attack: str) -> None:
    for read in (parse_formula, parse_condition):
        with pytest.raises(InputError) as caught:
            read(attack)
        assert len(str(caught.value)) < MAX_TEXT + 200


def test_nothing_is_handed_to_python(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        pytest.fail("Python was asked to run something")

    monkeypatch.setattr(builtins, "eval", refuse)
    monkeypatch.setattr(builtins, "exec", refuse)
    assert parse_formula("min(a, t) + 1mm").value(VALUES) == 6.0
    assert parse_condition("t > 3mm").holds(VALUES)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="tazbs0123456789.+-*/(), <>=minxadeg%_'[]\"\\{}", max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    for read in (parse_formula, parse_condition):
        try:
            formula = read(text)
        except InputError:
            continue
        assert formula.symbols <= set(SYMBOLS)


@given(st.floats(0.1, 50), st.floats(0.1, 50), st.floats(0.01, 5))
def test_agrees_with_arithmetic(a: float, b: float, k: float) -> None:
    formula = parse_formula(f"min(1mm + {k:.6f}*b, 2*a)")
    assert formula.value({"a": a, "b": b}) == pytest.approx(min(1 + float(f"{k:.6f}") * b, 2 * a), rel=1e-12)


def test_division_by_zero_is_a_sentence() -> None:
    with pytest.raises(FormulaError, match="divides by zero"):
        parse_formula("a*a/(t - t)").value(VALUES)
    with pytest.raises(FormulaError, match=r"the condition .* divides by zero"):
        parse_condition("a/(t - t) > 1").holds(VALUES)
    with pytest.raises(FormulaError, match="no finite number"):
        parse_formula("a*" + "*".join(["9" * 25] * 7)).value({"a": 1e300})


@pytest.mark.parametrize(
    ("text", "t", "expected"),
    [
        ("t > 3mm", 3.0, False),
        ("t >= 3mm", 3.0, True),
        ("0.5mm <= t <= 3mm", 3.0, True),
        ("0.5mm <= t < 3mm", 3.0, False),
        ("t > 3mm and t <= 20mm", 8.0, True),
        ("t > 3mm and t <= 20mm", 21.0, False),
        ("t <= 1/4in", 6.35, True),
        ("2*t > a + 3mm", 4.5, True),
    ],
)
def test_conditions(text: str, t: float, expected: bool) -> None:
    assert parse_condition(text).holds({"t": t, "a": 5.0}) is expected


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("t", "is not a condition"),
        ("t > 3", "compares a length with a plain number; write a length"),
        ("t > 3mm and a", "is not a condition"),
        ("t > 3mm or a > 2mm", "'or'"),
        ("(t > 3mm) * a > 2mm", "only numbers, symbols"),
        ("t = 3mm", "'=' in"),
        ("t == 3mm", "'=' in"),
        ("110deg > t", "compares an angle with a length"),
    ],
)
def test_conditions_refused(text: str, part: str) -> None:
    with pytest.raises(FormulaError, match=part):
        parse_condition(text)
