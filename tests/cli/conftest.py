"""Running the command in this process, and the files it needs."""

import json
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import NamedTuple

import pytest
from jsonschema import Draft202012Validator

from macrocheck.cli import main
from tests.cli.coupon import MARK, write_outline, write_photo


class Ran(NamedTuple):
    """How a command ended and what it said."""

    status: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> Ran:
        with pytest.raises(SystemExit) as ended:
            main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert isinstance(ended.value.code, int)
        assert "Traceback" not in said.out + said.err
        return Ran(ended.value.code, said.out, said.err)

    return call


@pytest.fixture
def coupon(tmp_path: Path) -> tuple[object, ...]:
    """Arguments that measure the hand-made tee: photo, mark, outline."""
    photo = write_photo(tmp_path / "tee.png")
    return photo, "--mark", MARK, "--outline", write_outline(tmp_path / "tee.drawn.geojson")


@pytest.fixture(scope="session")
def result_schema() -> Draft202012Validator:
    """The shipped JSON Schema of a result, itself checked."""
    schema = json.loads((resources.files("macrocheck") / "result.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)
