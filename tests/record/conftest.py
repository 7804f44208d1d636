"""One measured coupon for the record's tests, and a record to put it on."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from macrocheck.pipeline import measure_photo
from macrocheck.record.store import Record, open_record
from tests.cli.conftest import run
from tests.cli.coupon import MARK, outline, write_photo

__all__ = ["run"]


@pytest.fixture(scope="session")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_photo(tmp_path_factory.mktemp("bench") / "tee.png")


@pytest.fixture(scope="session")
def result(photo: Path) -> dict[str, Any]:
    """A result document of the hand-made tee, graded."""
    measured = measure_photo(
        photo, mark=MARK, outline=outline(), limits="iso5817-fillet-b", given={"t": 6.0, "a": 3.0}
    )
    document: dict[str, Any] = json.loads(json.dumps(measured.to_json()))
    return document


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    opened = open_record(tmp_path / "bench.db", make=True)
    yield opened
    opened.close()
