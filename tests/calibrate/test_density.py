"""The density that a file states, as the scale."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.errors import InputError, NotFoundError
from macrocheck.reading import read_photo
from tests.calibrate.scenes import photo_of

GREY = np.full((400, 600, 3), 120, np.uint8)


@pytest.mark.parametrize("suffix", [".png", ".jpg", ".tif"])
def test_a_scan_gives_its_own_scale(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"scan{suffix}"
    Image.fromarray(GREY).save(path, dpi=(1200, 1200))
    scale = calibrate(read_photo(path), [parse_mark("density")])
    # the inch is 25.4 mm exactly (international yard and pound agreement, 1959); PNG keeps whole px per metre
    assert scale.mm_per_px == pytest.approx(25.4 / 1200, rel=1e-4)
    assert {f.code for f in scale.flags} == {"scale_stated"}
    assert scale.u_rel == pytest.approx(0.003 / 3**0.5, rel=0.05)
    assert scale.marks[0].points_px.shape == (0, 2)


@pytest.mark.parametrize("dpi", [None, (72, 72), (96, 96)])
def test_no_density_worth_believing_is_refused(tmp_path: Path, dpi: tuple[int, int] | None) -> None:
    path = tmp_path / "photo.png"
    picture = Image.fromarray(GREY)
    if dpi is None:
        picture.save(path)
    else:
        picture.save(path, dpi=dpi)
    with pytest.raises(NotFoundError, match=r"no pixel density.*bar:10mm"):
        calibrate(read_photo(path), [parse_mark("density")])


def test_limits_of_error_may_be_stated() -> None:
    photo = replace(photo_of(GREY), density_px_per_mm=40.0)
    tight = calibrate(photo, [parse_mark("density:+-0.1%")])
    rounding = 0.5 / (40.0 * 25.4)
    assert tight.u_rel == pytest.approx(np.hypot(0.001, rounding) / 3**0.5)


def test_density_takes_nothing_after_it() -> None:
    with pytest.raises(InputError, match="takes nothing after it"):
        parse_mark("density:300")
