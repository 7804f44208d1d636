"""A record with all that a report has to cope with, and the report on it."""

from pathlib import Path

import pytest

from macrocheck.cli import main
from macrocheck.record.entries import PhotoKept, SectionInputs, coupon_entry, section_entry
from macrocheck.record.settings import Setting
from macrocheck.record.store import append, open_record
from tests.cli.conftest import run
from tests.report.pages.bench import HOSTILE, Tee, measured_tee, put, settings

__all__ = ["run"]

EXAMINED = {
    "etchant": "nital 5 %",
    "surface finish": "ground to grit 600",
    "etching method": "swabbed",
    "etching time": "25 s",
    "parent metal": "S235JR",
}


@pytest.fixture(scope="session")
def tee(tmp_path_factory: pytest.TempPathFactory) -> Tee:
    return measured_tee(tmp_path_factory.mktemp("tee"))


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory, tee: Tee) -> Path:
    """Twelve coupons, two gases; one hostile, one not measured, one photograph not kept, one without outline."""
    folder = tmp_path_factory.mktemp("bench")
    path = folder / "bench.db"
    record = open_record(path, make=True)
    for i in range(8):
        noted = settings(
            process="GMAW", wire_diameter="0.9 mm", gas=("CO2 100", "Ar 82 CO2 18")[i % 2], volts="22-23",
            amps=str(160 + 10 * i), travel_speed="400 mm/min", date=f"2026-03-{1 + i:02d}", operator="Ruiz",
        )  # fmt: skip
        noted += settings(**EXAMINED) if i < 4 else []
        put(record, tee, f"B{i + 1:02d}", folder, noted=noted, sections=1 + (i < 3), grow=0.1 * i + 0.3 * (i % 2))
    hostile = [Setting(HOSTILE[:90], HOSTILE), *settings(gas="CO2 100")]
    put(record, tee, HOSTILE[:99], folder, noted=hostile, who=HOSTILE)
    put(record, tee, HOSTILE[:99], folder, noted=hostile, grow=0.01, reason=HOSTILE, who=HOSTILE)
    gone = put(record, tee, "Gone", folder, noted=settings(gas="CO2 100"), keep="no")
    gone[0].unlink()
    put(record, tee, "Plain", folder, noted=settings(gas="CO2 100"), with_outline=False)
    failure = section_entry(
        "Failed",
        "a",
        photo=PhotoKept("0" * 64, "lost.jpg"),
        inputs=SectionInputs(marks=("bar:5mm",)),
        failure="A bar of known length (bar:5mm) was not found in lost.jpg; check the mark.",
    )
    append(record, [coupon_entry("Failed", []), failure])
    record.close()
    return path


@pytest.fixture(scope="session")
def page(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The report on all of it, as HTML."""
    return report(
        bench,
        tmp_path_factory.mktemp("page") / "report.html",
        "--by",
        "gas",
        "--x",
        "amps",
        "--of",
        "root_penetration",
    ).read_text("utf-8")


def report(bench: Path, target: Path, *more: str) -> Path:
    with pytest.raises(SystemExit) as ended:
        main(["report", str(bench), "--to", str(target), *more])
    assert ended.value.code == 0
    return target
