"""Sheets of quick coupons: hand-made tees with their outlines, each photograph a little different."""

from pathlib import Path

import pytest

from tests.cli.conftest import run
from tests.run.quick import write_sheet

__all__ = ["run"]


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return write_sheet(tmp_path, 3)
