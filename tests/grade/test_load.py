"""Limits files: what is read, and the one sentence, with its line, for everything that cannot be."""

import json
import os
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from macrocheck.errors import InputError
from macrocheck.grade import load_limits, parse_given, parse_limits
from macrocheck.grade.lines import key_lines, line_of
from macrocheck.grade.load import MAX_BYTES

GOOD = """# limits of a bench
name = "bench"
rule = "simple"

[given]
t = "14ga"
a = "3/16in"

[measured]
b = "face_width"

[[limit]]
name = "legs"
quantity = ["leg_butting", "leg_nonbutting"]
at_least = "a * 1.4"

[[limit]]
name = "fused"
quantity = "fused_fraction_butting"
at_least = "95%"
note = '''
two
lines = 3
'''

[[limit]]
name = "convexity"
quantity = "convexity"
at_most = "1mm + 0.1*b"
when = "t > 1mm"
"""


def test_everything_is_read() -> None:
    limits = load_limits(GOOD)
    assert (limits.name, limits.rule, limits.guard, limits.shipped) == ("bench", "simple", 1.0, False)
    # .0747 in: manufacturers' standard gauge 14 (industrialequipmentspecs.com, cableorganizer.com)
    assert limits.given == pytest.approx({"t": 0.0747 * 25.4, "a": 4.7625})
    assert limits.measured == {"b": "face_width"}
    assert [limit.unit for limit in limits.limits] == ["mm", "1", "mm"]
    assert [limit.mark for limit in limits.limits] == ["stated by the user"] * 3
    assert limits.limits[2].symbols == {"b", "t"}


def test_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "bench limits.toml"
    file.write_text(GOOD, encoding="utf-8-sig")
    assert load_limits(file) == load_limits(str(file)) == load_limits(GOOD)
    file.write_text(GOOD.replace('name = "bench"\n', ""), encoding="utf-8")
    assert load_limits(file).name == "bench limits"


def test_a_shipped_name_goes_before_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("iso5817-fillet-b").write_text(GOOD, encoding="utf-8")
    assert load_limits("iso5817-fillet-b").shipped
    assert load_limits("./iso5817-fillet-b").name == "bench"


@pytest.mark.parametrize(
    ("old", "new", "line", "part"),
    [
        ('name = "legs"\n', "", 12, "'name' is missing in limit number 1"),
        ('at_least = "a * 1.4"', 'at_leest = "a * 1.4"', 15, "'at_leest' is not known here; did you mean at_least"),
        ('at_least = "a * 1.4"', "at_least = 5", 15, 'write a length with its unit, such as at_least = "5mm"'),
        ('at_least = "a * 1.4"', 'at_least = "5"', 15, "is a plain number where a length is needed"),
        ('at_least = "a * 1.4"', 'at_least = "a ** 2"', 15, r"'\*\*' in 'a \*\* 2' is not allowed"),
        ('at_least = "a * 1.4"', 'at_least = "1mm + q"', 15, "'q' in '1mm \\+ q' is not a known symbol"),
        ('at_least = "a * 1.4"\n', "", 12, "needs at_least or at_most"),
        ('at_least = "a * 1.4"', 'at_least = "5mm/0"', 15, "divides by zero"),
        ('at_least = "a * 1.4"', 'at_least = "5mm"\nat_most = "1/8in"', 15, "nothing keeps both"),
        ('at_least = "a * 1.4"', 'at_least = "__import__(1)"', 15, "is not a known symbol"),
        ('at_least = "a * 1.4"', 'at_least = "100km"', 15, "units are mm, cm, in"),
        ('"leg_nonbutting"', '"leg_nonbuting"', 14, "did you mean leg_nonbutting"),
        ('"leg_nonbutting"', '"toe_angle_butting"', 14, "must have the same unit"),
        ('"leg_nonbutting"', '"size_unequal"', 14, "is a list and cannot be limited"),
        ('quantity = ["leg_butting", "leg_nonbutting"]', "quantity = 3", 14, "must be the name of a quantity"),
        ('at_least = "95%"', 'at_least = "0.95mm"', 20, "is a length where a plain number is needed"),
        ('when = "t > 1mm"', 'when = "t > 1"', 30, "compares a length with a plain number"),
        ('when = "t > 1mm"', 'when = "t + 1mm"', 30, "is not a condition"),
        ('when = "t > 1mm"', 'joints = ["butt"]', 30, "must be 'tee' or 'lap' or 'bead', not 'butt'"),
        ('when = "t > 1mm"', 'mark = "sure"', 30, "mark must be 'read' or 'from memory' or 'stated by the user'"),
        ('when = "t > 1mm"', 'free_at_most = "1mm"', 30, "only of use beside length_rule"),
        ('when = "t > 1mm"', 'only_if_given = "yes"', 30, "must be true or false"),
        ('at_least = "95%"', 'at_least = "95%"\ncounts_from = "5%"', 21, "only of use beside at_most"),
        ('rule = "simple"', 'rule = "strict"', 3, "rule must be 'guard band' or 'simple', not 'strict'"),
        ('rule = "simple"', "guard = 0", 3, "guard"),
        ('rule = "simple"', 'guard = "1"', 3, "guard must be a number"),
        ('rule = "simple"', "colour = 1", 3, "'colour' is not known here"),
        ('t = "14ga"', 't = "14"', 6, "has no unit"),
        ('t = "14ga"', "t = 2.0", 6, 'write a length with its unit, such as t = "5mm"'),
        ('t = "14ga"', 'q = "2mm"', 6, "'q' is not known here; known here are t, a, z, b, s"),
        ('a = "3/16in"', 'a = "14ga"', 7, "is a sheet thickness, not a length"),
        ('a = "3/16in"', 'b = "8mm"', 10, "under \\[given\\] as well"),
        ('b = "face_width"', 'b = "weld_area"', 10, "'weld_area' is none"),
        ('b = "face_width"', 'b = "Face Width"', 10, "is not the name of a quantity"),
        ('rule = "simple"', "rule = ", 3, "not valid TOML"),
        ("[given]", "[given", 5, "not valid TOML"),
        ('name = "bench"', 'name = "bench"\nname = "bench"', 3, "not valid TOML"),
    ],
)
def test_the_line_at_fault_is_named(tmp_path: Path, old: str, new: str, line: int, part: str) -> None:
    assert GOOD.count(old) == 1
    file = tmp_path / "bench.toml"
    file.write_text(GOOD.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=part) as caught:
        load_limits(file)
    text = str(caught.value)
    assert f"line {line}" in text
    assert str(file) in text
    assert "\n" not in text
    assert text.endswith((".", "?"))


def test_no_limits_and_several_faults() -> None:
    with pytest.raises(InputError, match=r"each begins with a line \[\[limit\]\]"):
        parse_limits('name = "x"\n', where="x.toml")
    with pytest.raises(InputError, match=r"x\.toml, line 2: .*\(1 more fault follows\)"):
        parse_limits('\ncolour = 1\n[[limit]]\nname = "a"\n', where="x.toml")


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="There is no limits file 'nowhere', and no shipped set of that name"):
        load_limits("nowhere")
    with pytest.raises(InputError, match="is a folder"):
        load_limits(tmp_path)
    binary = tmp_path / "photo.toml"
    binary.write_bytes(b"\xff\xd8\xff\xe0" * 20)
    with pytest.raises(InputError, match="not a text file in UTF-8"):
        load_limits(binary)
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * (MAX_BYTES + 2))
    with pytest.raises(InputError, match="over 1 MB"):
        load_limits(big)
    with pytest.raises(InputError, match="not valid TOML"):
        parse_limits("a = " + "[" * 5000, where="deep")
    with pytest.raises(InputError, match="cannot be read"):
        load_limits("a\0b")


@pytest.mark.skipif(os.geteuid() == 0, reason="root reads everything")
def test_no_permission(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(GOOD, encoding="utf-8")
    file.chmod(0)
    with pytest.raises(InputError, match="cannot be read"):
        load_limits(file)


def test_given_on_the_command_line() -> None:
    assert parse_given(["t=8mm", " a = 3/16in "]) == pytest.approx({"t": 8.0, "a": 4.7625})
    assert parse_given(["t=16ga"]) == pytest.approx({"t": 0.0598 * 25.4})
    for pair, part in [
        ("t8mm", "is not a given value"),
        ("x=8mm", "with one of t \\(thickness\\)"),
        ("t=8", "has no unit"),
        ("t=-8mm", "zero"),
        ("a=16ga", "sheet thickness"),
    ]:
        with pytest.raises(InputError, match=part):
            parse_given([pair])
    with pytest.raises(InputError, match="given twice"):
        parse_given(["t=8mm", "t=9mm"])


def test_key_lines() -> None:
    lines = key_lines(GOOD)
    assert lines["limit", 1, "note"] == 21
    assert ("limit", 1, "lines") not in lines
    assert lines["limit", 2] == 26
    assert line_of(GOOD, ("limit", 0, "quantity", 1)) == 14
    assert line_of(GOOD, ("nowhere",)) == 1
    assert line_of('given.t = "x"\n"a b" = 1', ("given", "t")) == 1


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_limits(text, where="limits")
    assert "\n" not in str(caught.value)


def test_the_example_in_the_documentation() -> None:
    page = (Path(__file__).parents[2] / "docs" / "limits.md").read_text(encoding="utf-8")
    limits = load_limits(page.split("```toml\n")[1].split("```")[0])
    assert [limit.name for limit in limits.limits] == ["Convexity", "Undercut"]
    schema = json.loads((resources.files("macrocheck.grade") / "limits.schema.json").read_text(encoding="utf-8"))
    for key in (*schema["properties"], *schema["$defs"]["limit"]["properties"]):
        assert key == "limit" or f"`{key}`" in page or f"[{key}]" in page
