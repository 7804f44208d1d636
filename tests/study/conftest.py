"""Running the commands, and a record of an invented run."""

from pathlib import Path

import numpy as np
import pytest

from macrocheck.record.store import append, open_record
from tests.cli.conftest import run
from tests.study.bench import Cut, entries

__all__ = ["run"]


@pytest.fixture(scope="session")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """24 coupons: two wires, two gases, three currents, twice each, two sections a coupon; one lacks its gas."""
    place = tmp_path_factory.mktemp("study") / "trial.db"
    rng = np.random.default_rng(24)
    record = open_record(place, make=True)
    every = []
    for i in range(24):
        wire, gas = ("0.9 mm", ".045 in")[i % 2], ("Ar 82 CO2 18", "CO2")[i // 2 % 2]
        amps, volts, speed = (150, 180, 210)[i // 4 % 3], 18 + i // 4 % 3 * 2 + i % 5 * 0.3, 380 + 13 * (i % 7)
        depth = 0.11 * (amps**4 / (speed * volts**2)) ** (1 / 3) * (1.25 if gas == "CO2" else 1.0) + rng.normal(
            0, 0.08
        )
        noted = {
            "wire size": wire, "gas": gas, "amps": f"{amps - 5}-{amps + 5}", "volts": f"{volts:.1f}",
            "travel speed": f"{speed} mm/min", "process": "GMAW", "operator": "Kim", "date": f"2026-03-{i + 1:02d}",
        }  # fmt: skip
        if i == 5:
            del noted["gas"]
        cuts = []
        for k in range(2):
            fusion = float(depth + rng.normal(0, 0.05))
            missing = i == 7 and k == 1
            cuts.append(
                Cut(
                    {
                        "root_penetration": None if missing else max(0.0, fusion - 1.2),
                        "depth_of_fusion_nonbutting": fusion,
                        "leg_butting": float(5 + rng.normal(0, 0.15)),
                    },
                    at_least={"leg_butting": 4.0, "root_penetration": 0.0},
                )
            )
        if i == 9:
            cuts[1] = Cut({}, failure="No weld was found in the photograph.")
        every += entries(f"T6-{i + 1:02d}", noted, cuts)
    append(record, every, who="Kim")
    record.close()
    return place
