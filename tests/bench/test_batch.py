"""The parts of the benchmarks of runs and of large records."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from macrocheck.record.engine import reading
from macrocheck.record.query import list_sections
from macrocheck.record.store import open_record
from macrocheck.record.verify import verify
from tests.bench.batch import table, with_comment
from tests.bench.large_record import FILTERS, fill, first_rows, multiply


def test_the_same_picture_with_other_bytes() -> None:
    made = io.BytesIO()
    Image.fromarray(np.arange(192, dtype=np.uint8).reshape(8, 8, 3)).save(made, "JPEG")
    one, other = (with_comment(made.getvalue(), f"coupon {i}") for i in (1, 2))
    assert one != other
    pictures = [np.asarray(Image.open(io.BytesIO(b))) for b in (made.getvalue(), one, other)]
    assert np.array_equal(pictures[0], pictures[1])
    assert np.array_equal(pictures[0], pictures[2])


def test_table_of_a_batch() -> None:
    run = {"wall_s": 110.0, "cpu_s": 210.0, "count": "Coupons: 200 recorded now", "status": 3}
    text = table(
        {
            "coupons": 200,
            "jobs": 2,
            "cores": 2,
            "load_before": (0.1, 0, 0),
            "load_after": (2.0, 0, 0),
            "bytes": 10**9,
            "alone": {"wall_s": 1.1, "cpu_s": 1.0},
            "first": {**run, "memory": [(0.5, 60.0, [300.0, 290.0]), (1.0, 70.0, [310.0])]},
            "second": {**run, "wall_s": 1.5},
            "ratio": 1.1,
        }
    )
    assert "110.0 s wall, 210.0 s CPU in all; a photograph 0.55 s wall, 1.05 s CPU" in text
    assert "ratio: 1.100" in text
    assert text.splitlines()[-1].split() == ["most", "70", "310"]


def test_a_large_record_made_small(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = open_record(tmp_path / "large.db", make=True)
    fill(record, 20, seed=1)
    assert verify(record).faults == ()
    rows = list(first_rows(record))
    assert len(rows) == len(FILTERS)
    assert all(0 < seconds < 1 for row in rows for seconds in row[1:])
    multiply(record, 3)
    with reading(record.engine, record.name) as conn:
        assert len({row.coupon for row in list_sections(conn)}) == 60
    record.close()
    assert capsys.readouterr().out == ""
