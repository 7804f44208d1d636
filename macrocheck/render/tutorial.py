"""The run that the tutorial works through: 24 coupons, two wires, two gases, three settings, two sections each.

`python -m macrocheck.render.tutorial FOLDER` draws it, the same every time: `run.csv` (the sheet), `limits.toml`,
`photos/`, `again.csv` and `again/` (five of the sections photographed anew) and `truth.csv`. The shop, its numbers
and the rule by which its welds follow their settings are made up; no picture is a photograph.
"""

import argparse
import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from macrocheck.render.mark_placing import MarkKind
from macrocheck.render.photo import RenderedPhoto, render_photo, sound_geometry
from macrocheck.render.raster import make_view
from macrocheck.render.samples import DARK_ETCH
from macrocheck.render.section import DepthShape, SectionSpec, WeldSpec, build_section

SIZE = (960, 720)
SCALE = 34.0  # px/mm, as on a stand that stays as it is
MARK: MarkKind = "bar"  # of 10 mm: there is room for it everywhere
AGAIN = ("K03", "K08", "K13", "K18", "K24")
"""Coupons whose first section is photographed twice more, for the gauge study."""

WIRES = (0.8, 1.0)  # mm
GASES = ("Ar 82 CO2 18", "CO2")
STEPS = ("low", "middle", "high")
FEEDS = {0.8: (6.0, 9.0, 12.0), 1.0: (5.0, 7.5, 10.0)}  # m/min
VOLTS = (18.0, 20.5, 23.5)
SPEEDS = (300.0, 350.0, 400.0)  # mm/min
AMPS = {0.8: (96.0, 134.0, 168.0), 1.0: (122.0, 166.0, 206.0)}
TRUTH = (
    "leg_butting",
    "leg_nonbutting",
    "actual_throat",
    "depth_of_fusion_butting",
    "depth_of_fusion_nonbutting",
    "root_penetration",
    "root_shortfall",
    "convexity",
)

LIMITS = """\
# What this bench asks of its welds. Made up for the tutorial: write down what your drawing asks.
name = "tutorial"
title = "6 mm tee, throat 3 mm"

[given]
a = "3mm"
z = "4mm"

[[limit]]
name = "Fusion to the root"
quantity = "root_shortfall"
at_most = "0mm"
counts_from = "0.1mm"
source = "our own drawing"
mark = "stated by the user"

[[limit]]
name = "Depth of fusion"
quantity = ["depth_of_fusion_butting", "depth_of_fusion_nonbutting"]
at_least = "0.5mm"
source = "our own drawing"
mark = "stated by the user"

[[limit]]
name = "Throat"
quantity = "actual_throat"
at_least = "a"
source = "our own drawing"
mark = "stated by the user"

[[limit]]
name = "Legs"
quantity = ["leg_butting", "leg_nonbutting"]
at_least = "z"
source = "our own drawing"
mark = "stated by the user"
"""


@dataclass(frozen=True, slots=True)
class Coupon:
    """One coupon: its id, what was set (mm, m/min, V, A, mm/min), the day, and what the rule made of it."""

    name: str
    wire: float
    gas: str
    step: int
    feed: float
    volts: float
    amps: float
    speed: float
    day: str
    sections: tuple[WeldSpec, WeldSpec]


def _weld(coupon: tuple[float, str, int], amps: float, luck: float, rng: np.random.Generator) -> WeldSpec:
    """Weld of one section, mm. `luck`: by how many spreads this coupon penetrates more than its settings say.

    The depth follows (current^4 / (speed x volts^2))^(1/3), with a constant made up for this run.
    """
    wire, gas, step = coupon
    volts, speed = VOLTS[step] + (1.5 if gas == "CO2" else 0.0), SPEEDS[step]
    hot = gas == "CO2"
    power = (amps**4 / (speed / 60 * volts**2)) ** (1 / 3)
    depth = 0.0225 * power * (1.2 if hot else 1.0) * float(np.exp(0.07 * luck + rng.normal(0, 0.03)))
    fill = np.pi / 4 * wire**2 * FEEDS[wire][step] * 1000 * 0.95 / speed
    leg = float(np.sqrt(2 * fill)) * float(np.exp(rng.normal(0, 0.015)))
    uneven = float(rng.normal(0.04, 0.03))
    root = 0.8 * depth - 0.8 + 0.08 * luck + float(rng.normal(0, 0.05))
    short = max(0.0, -root) + 0.2
    bridge = (short * 1.5, short * 1.7) if root < 0 else None
    gone = bridge or (0.0, 0.0)
    return WeldSpec(
        leg * (1 - uneven),
        leg * (1 + uneven),
        DepthShape(max(0.15, 0.7 * depth), peak=0.5, fullness=0.75, unfused_root=gone[0], wobble=0.04),
        DepthShape(max(0.2, depth), peak=0.45, fullness=0.75, unfused_root=gone[1], wobble=0.04),
        convexity=0.09 - 0.03 * step + (0.02 if hot else 0.0) + float(rng.normal(0, 0.008)),
        root_penetration=max(0.0, root),
        bridge=bridge,
        ripple=0.006,
        haz_butting=1.0 + 0.15 * step,
        haz_nonbutting=1.1 + 0.15 * step,
    )


def coupons() -> Iterator[Coupon]:
    """Yield the 24 coupons, in the order they were welded: one of every setting, then all once more."""
    settings = [(w, g, s) for w in WIRES for g in GASES for s in range(len(STEPS))]
    for number in range(2 * len(settings)):
        wire, gas, step = settings[number % len(settings)]
        rng = np.random.default_rng([number, 2024])
        luck = float(rng.normal())
        amps = AMPS[wire][step] - (4 if gas == "CO2" else 0) + round(float(rng.normal(0, 2)))
        welds = (
            _weld((wire, gas, step), amps, luck, rng),
            _weld((wire, gas, step), amps, luck, rng),
        )
        yield Coupon(
            name=f"K{number + 1:02d}",
            wire=wire,
            gas=gas,
            step=step,
            feed=FEEDS[wire][step],
            volts=VOLTS[step] + (1.5 if gas == "CO2" else 0.0),
            amps=amps,
            speed=SPEEDS[step],
            day=f"2026-03-{2 + 7 * (number // 12) + (number % 12) // 4:02d}",
            sections=welds,
        )


def draw_section(coupon: Coupon, section: int, view: int = 0) -> RenderedPhoto:
    """Render one section of a coupon (0, 1), photographed once more by `view` 1, 2, ...

    Raises:
        ValueError: if the made-up rule gives a weld that cannot be.
    """
    number = int(coupon.name[1:])
    spec = SectionSpec(
        "tee", 90.0, 6.0, 6.0, (coupon.sections[section],), reach=26, overhang=18, edge_radius=0.3, seed=number
    )
    if not sound_geometry(build_section(spec)):
        msg = f"{coupon.name}: no such weld"
        raise ValueError(msg)
    rng = np.random.default_rng([number, section, view, 7])
    tone = float(rng.uniform(-8, 8))
    look = replace(
        DARK_ETCH,
        deposit=replace(DARK_ETCH.deposit, tone=DARK_ETCH.deposit.tone + tone),
        camera=replace(
            DARK_ETCH.camera, gradient_deg=float(rng.uniform(0, 360)), gain=float(rng.uniform(0.94, 1.06))
        ),
    )
    return render_photo(
        5000 + 10 * number + 3 * section + 1000 * view,
        look,
        spec=spec,
        mark=MARK,
        view=make_view(
            px_per_mm=SCALE * float(np.exp(rng.normal(0, 0.01))),
            width=SIZE[0],
            height=SIZE[1],
            centre_mm=(4.0 + float(rng.normal(0, 0.5)), 4.2 + float(rng.normal(0, 0.4))),
            rotation_deg=float(rng.normal(0, 3)),
        ),
    )


def _write_photo(photo: RenderedPhoto, path: Path) -> None:
    data = cv2.imencode(".jpg", photo.rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
    path.write_bytes(data)


def _row(coupon: Coupon) -> dict[str, str]:
    """Return what stands in the sheet: meters read as ranges, travel speed as a length over a time."""
    seconds = 150 / coupon.speed * 60
    return {
        "photo": "; ".join(f"photos/{coupon.name}-{letter}.jpg" for letter in "AB"),
        "mark": "bar:10mm",
        "joint": "tee",
        "process": "GMAW",
        "wire": "G 3Si1",
        "wire diameter": f"{coupon.wire:g} mm",
        "gas": coupon.gas,
        "setting": STEPS[coupon.step],
        "wire feed speed (m/min)": f"{coupon.feed:g}",
        "volts": f"{coupon.volts - 0.5:g}-{coupon.volts + 0.5:g} V",
        "amps": f"{coupon.amps - 3:g}-{coupon.amps + 3:g} A",
        "travel speed": f"150 mm / {seconds:.1f} s",
        "stickout": "12 mm",
        "position": "PB",
        "thickness butting": "6 mm",
        "thickness nonbutting": "6 mm",
        "date": coupon.day,
        "parent metal": "S235JR",
        "surface finish": "ground to 600 grit",
        "etchant": "nital 4 %",
        "etching method": "swabbed",
        "etching time": "40 s",
    }


def _sheet(rows: list[dict[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def write_run(folder: Path) -> None:
    """Draw the whole run into `folder`, which is made where it is missing."""
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    (folder / "again").mkdir(exist_ok=True)
    rows, again, truth = [], [], []
    for coupon in coupons():
        rows.append({"coupon": coupon.name, **_row(coupon)})
        for section, letter in enumerate("AB"):
            photo = draw_section(coupon, section)
            _write_photo(photo, folder / "photos" / f"{coupon.name}-{letter}.jpg")
            values = photo.welds[0].quantities
            truth.append(
                {
                    "coupon": coupon.name,
                    "section": f"{coupon.name}-{letter}",
                    "mm_per_px": f"{photo.mm_per_px:.7f}",
                    **{f"{key} (mm)": f"{values[key]:.4f}" for key in TRUTH},
                }
            )
        if coupon.name in AGAIN:
            names = [f"again/{coupon.name}-A.{view}.jpg" for view in (1, 2, 3)]
            for view, name in enumerate(names, start=1):
                _write_photo(draw_section(coupon, 0, view), folder / name)
            again.append({"coupon": coupon.name, **_row(coupon), "photo": "; ".join(names)})
    (folder / "run.csv").write_text(_sheet(rows), encoding="utf-8")
    (folder / "again.csv").write_text(_sheet(again), encoding="utf-8")
    (folder / "truth.csv").write_text(_sheet(truth), encoding="utf-8")
    (folder / "limits.toml").write_text(LIMITS, encoding="utf-8")


def main() -> None:
    """Draw the run."""
    parser = argparse.ArgumentParser(prog="python -m macrocheck.render.tutorial", description=__doc__)
    parser.add_argument("folder", type=Path)
    folder: Path = parser.parse_args().folder
    write_run(folder)
    print(f"Wrote a sheet of 24 coupons and their 48 photographs to {folder}.")  # noqa: T201  the command's output


if __name__ == "__main__":
    main()
