"""Write pictures and their truth: `python -m macrocheck.render OUTDIR --look fair --count 8 --seed 1`."""

import argparse
from pathlib import Path
from typing import Any, get_args

import numpy as np
from PIL import Image

from macrocheck.render.mark_placing import MarkKind
from macrocheck.render.photo import LookName, render_photo
from macrocheck.render.section import SectionJoint
from macrocheck.render.truth_file import truth_json


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m macrocheck.render", description=__doc__)
    parser.add_argument("outdir", type=Path, help="folder for the pictures; made where it is missing")
    parser.add_argument("--look", choices=get_args(LookName), default="fair")
    parser.add_argument("--count", type=int, default=8, help="number of pictures")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first picture; the next ones follow")
    parser.add_argument("--mark", choices=[*get_args(MarkKind), "none"], default="bar")
    parser.add_argument("--joints", nargs="+", choices=get_args(SectionJoint), default=["tee", "lap", "corner"])
    parser.add_argument("--wild", type=float, default=1.0, help="0: sound welds only, 1: every fault")
    parser.add_argument("--format", choices=["png", "jpg"], default="png")
    return parser.parse_args()


def main() -> None:
    """Run the command."""
    arguments = _arguments()
    arguments.outdir.mkdir(parents=True, exist_ok=True)
    for seed in range(arguments.seed, arguments.seed + arguments.count):
        photo = render_photo(
            seed,
            arguments.look,
            mark=None if arguments.mark == "none" else arguments.mark,
            joints=tuple(arguments.joints),
            wild=float(np.clip(arguments.wild, 0, 1)),
        )
        stem = f"{arguments.look}-{seed:05d}"
        path = arguments.outdir / f"{stem}.{arguments.format}"
        options: dict[str, Any] = {"quality": 95, "subsampling": 0} if arguments.format == "jpg" else {}
        Image.fromarray(photo.rgb).save(path, **options)
        (arguments.outdir / f"{stem}.truth.json").write_text(
            truth_json(photo, photo=path.name, seed=seed), encoding="utf-8"
        )


if __name__ == "__main__":
    main()
