"""The sample photographs: a shop tries 0.9 mm solid wire under an argon mix on 6 mm and 8 mm mild steel.

`python -m macrocheck.render.samples FOLDER` draws them anew. Every picture is rendered, none is a photograph.
"""

import argparse
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2

from macrocheck.render.looks import Band, Camera, Deposit, Finish, Ground, Look, Plate
from macrocheck.render.mark_placing import MarkKind
from macrocheck.render.photo import RenderedPhoto, render_photo
from macrocheck.render.section import DepthShape, SectionSpec, WeldSpec
from macrocheck.render.truth_file import truth_json

SIZE = (1600, 1200)
LARGEST_FILE = 345_000  # bytes a picture


@dataclass(frozen=True, slots=True)
class Sample:
    """One coupon: its number, what it shows (the file's name and a sentence), and how it is drawn."""

    coupon: str
    name: str
    shows: str
    spec: SectionSpec
    look: Look
    seed: int
    mark: MarkKind = "bar"
    share: tuple[float, float] = (0.33, 0.37)
    rotation_deg: float = 2.0
    mirror: bool = False

    @property
    def stem(self) -> str:
        """File name without its ending."""
        return f"{self.coupon}-{self.name}"


def _fusion(depth: float, *, peak: float = 0.5, unfused_root: float = 0.0, unfused_toe: float = 0.0) -> DepthShape:
    return DepthShape(depth, peak=peak, fullness=0.75, unfused_root=unfused_root, unfused_toe=unfused_toe)


def _weld(legs: tuple[float, float], butting: DepthShape, nonbutting: DepthShape, **more: Any) -> WeldSpec:
    """A weld with `legs` (butting, nonbutting) in mm; `more`: fields of WeldSpec by name."""
    return replace(WeldSpec(legs[0], legs[1], butting, nonbutting, haz_butting=1.1, haz_nonbutting=1.3), **more)


def _tee(thickness: float, *welds: WeldSpec, psi: float = 90.0, gap: float = 0.0, seed: int = 0) -> SectionSpec:
    return SectionSpec(
        "tee", psi, thickness, 8.0, welds, gap=gap, reach=32.0, overhang=24.0, edge_radius=0.3, seed=seed
    )


def _lap(thickness: float, weld: WeldSpec, *, psi: float = 90.0, seed: int = 0) -> SectionSpec:
    return SectionSpec("lap", psi, thickness, 8.0, (weld,), reach=40.0, overhang=24.0, edge_radius=0.2, seed=seed)


_CAMERA = Camera(
    gradient=0.05, gradient_deg=200.0, vignette=0.08, cast=(1.02, 1.0, 0.97), blur_px=0.9, noise=1.8, jpeg=101
)

DARK_ETCH = Look(
    name="fair",
    ground=Ground(30.0, "noise", 2.5, 0.5, dust=10, tint=(0.97, 1.0, 1.05)),
    butting=Plate(164.0, 3.5, 0.05, 1.5, 2.0),
    nonbutting=Plate(158.0, 3.5, 0.05, 2.0, 2.0),
    band_butting=Band(-14.0, "outer", 0.15),
    band_nonbutting=Band(-16.0, "outer", 0.15),
    deposit=Deposit(98.0, "columnar", 9.0, 0.14, 10.0, fine=3.5, fusion_line=-18.0, fusion_line_mm=0.05),
    finish=Finish(seam=-80.0, seam_mm=0.06, scratches=5, scratch=7.0, grinding=1.2, grinding_deg=12.0, pits=14),
    camera=_CAMERA,
)
"""Weld metal darker than the plate, as a strong nitric etch leaves it."""

LIGHT_ETCH = replace(
    DARK_ETCH,
    ground=Ground(18.0, "noise", 3.0, 0.4, dust=16),
    butting=Plate(112.0, 4.0, 0.05, 1.5, 2.5, tint=(1.02, 1.0, 0.97)),
    nonbutting=Plate(118.0, 4.0, 0.05, 1.5, 2.5, tint=(1.02, 1.0, 0.97)),
    band_butting=Band(-18.0, "flat", 0.12),
    band_nonbutting=Band(-20.0, "flat", 0.12),
    deposit=Deposit(170.0, "columnar", 11.0, 0.12, 11.0, lean=0.2, fine=4.0),
)
"""Weld metal brighter than the plate."""

GRAIN_ETCH = replace(
    DARK_ETCH,
    name="grain",
    ground=Ground(9.0, "noise", 2.0, 0.4, dust=24),
    butting=Plate(165.0, 8.0, 0.05, 1.0, 3.0),
    nonbutting=Plate(128.0, 5.0, 0.04, 2.0, 2.0),
    band_butting=Band(-44.0, "flat", 0.06, grain=0.7),
    band_nonbutting=Band(24.0, "flat", 0.06, grain=0.4),
    deposit=Deposit(150.0, "columnar", 22.0, 0.11, 14.0, lean=-0.2, fine=7.0, mottle=2.0),
    camera=replace(_CAMERA, grey=True, vignette=0.12, noise=2.5),
)
"""Weld metal told by its columns only; the heat-affected zone's edge is the strongest line."""

WEAK_ETCH = replace(
    GRAIN_ETCH,
    name="hard",
    ground=Ground(42.0, "paper", 3.0, 0.6, dust=30, tint=(1.05, 1.0, 0.92)),
    butting=Plate(141.0, 5.0, 0.05, 2.5, 5.0, tint=(1.02, 1.0, 0.97)),
    nonbutting=Plate(137.0, 5.0, 0.05, 2.5, 5.0, tint=(1.02, 1.0, 0.97)),
    band_butting=Band(-7.0, "outer", 0.3),
    band_nonbutting=Band(-6.0, "outer", 0.3),
    deposit=Deposit(
        128.0,
        "columnar",
        9.0,
        0.15,
        10.0,
        fine=5.0,
        mottle=4.0,
        fusion_line=-9.0,
        fusion_line_mm=0.07,
        tint=(1.02, 1.0, 0.97),
    ),
    finish=Finish(seam=-55.0, seam_mm=0.06, scratches=26, scratch=13.0, grinding=3.0, grinding_deg=28.0, pits=60),
    camera=replace(_CAMERA, gradient=0.14, vignette=0.2, noise=3.0, blur_px=1.2),
)
"""A short etch on a poor grind."""

SAMPLES: tuple[Sample, ...] = (
    Sample(
        "T6-03",
        "sound",
        "A sound tee fillet: even legs, fusion into both members, the root reached.",
        _tee(6.0, _weld((5.6, 5.8), _fusion(0.9), _fusion(1.3), root_penetration=0.9, convexity=0.05), seed=3),
        DARK_ETCH,
        603,
    ),
    Sample(
        "T6-07",
        "cold-lap-butting",
        "Torch held too far towards the plate: weld metal lies unfused on the butting member near its toe.",
        _tee(
            6.0,
            _weld(
                (6.2, 5.4),
                _fusion(1.1, peak=0.35, unfused_toe=2.4),
                _fusion(1.4),
                root_penetration=0.5,
                convexity=0.12,
                toe_angle_butting=112.0,
            ),
            seed=7,
        ),
        LIGHT_ETCH,
        607,
        rotation_deg=-3.0,
        mirror=True,
        mark="ruler",
    ),
    Sample(
        "T8-02",
        "no-root-penetration",
        "Too cold in 8 mm: weld metal bridges the corner and never reaches the joint root.",
        _tee(
            8.0,
            _weld(
                (6.0, 6.4),
                _fusion(0.7, unfused_root=1.1),
                _fusion(0.8, unfused_root=1.3),
                bridge=(1.1, 1.3),
                convexity=0.06,
            ),
            seed=2,
        ),
        DARK_ETCH,
        802,
        rotation_deg=5.0,
    ),
    Sample(
        "T6-11",
        "convex-fast",
        "Travel too fast: a small, ropy, convex bead with little fusion and an undercut on the butting member.",
        _tee(
            6.0,
            _weld(
                (3.9, 3.6),
                _fusion(0.35),
                _fusion(0.5),
                root_penetration=0.25,
                convexity=0.19,
                undercut_butting=(0.3, 1.0),
                ripple=0.008,
            ),
            seed=11,
        ),
        replace(LIGHT_ETCH, ground=Ground(214.0, "paper", 3.0, 0.5, dust=8, tint=(1.0, 0.99, 0.96))),
        611,
        rotation_deg=-4.0,
        share=(0.24, 0.27),
    ),
    Sample(
        "L6-01",
        "lap",
        "A lap joint, 6 mm on 8 mm; some of the upper plate's end is left above the weld.",
        _lap(6.0, _weld((4.6, 6.1), _fusion(0.8), _fusion(1.5), root_penetration=0.7, convexity=0.03), seed=1),
        DARK_ETCH,
        101,
        rotation_deg=3.0,
        mirror=True,
        mark="ruler",
        share=(0.25, 0.29),
    ),
    Sample(
        "T8-09",
        "both-sides",
        "A tee welded on both sides, the second weld smaller; the land between them stays unfused.",
        _tee(
            8.0,
            _weld((6.4, 6.2), _fusion(1.2), _fusion(1.6), root_penetration=1.6, convexity=0.04),
            _weld((4.8, 5.2), _fusion(0.7), _fusion(0.9), root_penetration=0.6, convexity=0.09),
            seed=9,
        ),
        replace(DARK_ETCH, deposit=replace(DARK_ETCH.deposit, kind="coarse", pitch_mm=0.3, amplitude=7.0)),
        809,
        rotation_deg=178.5,
        share=(0.55, 0.6),
    ),
    Sample(
        "T6-14",
        "weak-etch",
        "Too short an etch on a poor grind: the fusion boundary is weak and scratches cross it.",
        _tee(6.0, _weld((5.2, 6.0), _fusion(0.8), _fusion(1.1), root_penetration=0.6, convexity=0.02), seed=14),
        WEAK_ETCH,
        621,
        rotation_deg=9.0,
    ),
    Sample(
        "T6-16",
        "close-crop",
        "Photographed close: only the weld and a little of each member are in the picture.",
        _tee(6.0, _weld((5.3, 5.1), _fusion(1.0), _fusion(1.2), root_penetration=1.1, convexity=0.06), seed=16),
        replace(DARK_ETCH, deposit=replace(DARK_ETCH.deposit, tone=90.0)),
        616,
        rotation_deg=-6.0,
        share=(0.56, 0.6),
    ),
    Sample(
        "L6-05",
        "lap-grain",
        "A lap told by its grain only: the edge of the heat-affected zone is the strongest line. The upper plate's "
        "end is melted away, so nothing that starts at the joint root can be had.",
        _lap(
            6.0,
            _weld(
                (6.0, 7.2),
                _fusion(1.0),
                _fusion(2.6),
                root_penetration=0.7,
                convexity=0.02,
                top_melt=0.9,
                toe_angle_butting=162.0,
            ),
            seed=5,
        ),
        GRAIN_ETCH,
        105,
        rotation_deg=3.5,
        share=(0.38, 0.42),
    ),
    Sample(
        "T8-12",
        "skewed-grain",
        "A tee skewed to 75 degrees with a root gap, told by its grain.",
        _tee(
            8.0,
            _weld((6.6, 6.3), _fusion(1.3), _fusion(1.9), root_penetration=0.8, convexity=0.05, passes=2),
            psi=75.0,
            gap=0.35,
            seed=12,
        ),
        replace(
            GRAIN_ETCH,
            deposit=replace(GRAIN_ETCH.deposit, tone=146.0, pass_line=-14.0, pass_band=9.0, pitch_mm=0.14),
            camera=replace(GRAIN_ETCH.camera, grey=False, cast=(1.03, 1.0, 0.96)),
        ),
        812,
        rotation_deg=-14.0,
        mirror=True,
        mark="ruler",
    ),
)


def render_sample(sample: Sample) -> RenderedPhoto:
    """Render one sample, without the file's compression."""
    return render_photo(
        sample.seed,
        sample.look,
        spec=sample.spec,
        size=SIZE,
        mark=sample.mark,
        share=sample.share,
        rotation_deg=sample.rotation_deg,
        mirror=sample.mirror,
    )


def sample_truth(sample: Sample, photo: RenderedPhoto) -> str:
    """Return the truth file of a sample."""
    name = f"{sample.stem}.jpg"
    return truth_json(
        photo,
        photo=name,
        rendered=True,
        coupon=sample.coupon,
        shows=sample.shows,
        command=f"macrocheck measure sample_images/{name} --mark {photo.mark} --joint {photo.joint}",
    )


def write_sample(sample: Sample, folder: Path) -> tuple[Path, int]:
    """Write a sample's picture and truth into `folder`; returns the picture's path and JPEG quality."""
    photo = render_sample(sample)
    quality, data = 92, b""
    while quality > 60:
        data = cv2.imencode(".jpg", photo.rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
        if len(data) <= LARGEST_FILE:
            break
        quality -= 2
    path = folder / f"{sample.stem}.jpg"
    path.write_bytes(data)
    (folder / f"{sample.stem}.truth.json").write_text(sample_truth(sample, photo), encoding="utf-8")
    return path, quality


def main() -> None:
    """Draw all samples anew."""
    parser = argparse.ArgumentParser(prog="python -m macrocheck.render.samples", description=__doc__)
    parser.add_argument("folder", type=Path)
    folder: Path = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    for sample in SAMPLES:
        write_sample(sample, folder)


if __name__ == "__main__":
    main()
