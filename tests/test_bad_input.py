"""Whatever is wrong, end to end through the command: status 2, one sentence on stderr, nothing half-written.

Reading and writing are tested closer to the code as well (test_photo.py, test_writing.py, cli/test_faults.py); here
every fault goes the whole way a user would send it.
"""

import contextlib
import io
import os
import struct
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import skimage
import tifffile
from click.testing import CliRunner
from PIL import Image

from macrocheck.arrays import ByteArray
from macrocheck.cli import main
from macrocheck.errors import InputError, NotFoundError
from macrocheck.pipeline import measure_photo
from tests.cli.conftest import Ran
from tests.cli.coupon import HEIGHT, MARK, WIDTH, write_outline, write_photo

SAMPLE = Path(__file__).parents[1] / "sample_images" / "T6-03-sound.jpg"
NOBODY = 65534


def command(*arguments: object) -> Ran:
    """Run the command in this process, as a shell would see it."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    assert isinstance(ended.value.code, int)
    return Ran(ended.value.code, out.getvalue(), err.getvalue())


def one_sentence(ran: Ran, *words: str) -> None:
    assert ran.status == 2
    assert ran.out.strip() == ""
    assert "Traceback" not in ran.err
    assert len(ran.err.strip().splitlines()) == 1, ran.err
    assert ran.err.startswith("macrocheck: ")
    for word in words:
        assert word in ran.err


def refused(
    tmp_path: Path, photo: Path | str, *words: str, mark: str = MARK, more: tuple[object, ...] = ()
) -> None:
    """Measure a photo that cannot be: one sentence, and an output folder as empty as before."""
    folder = tmp_path / "out"
    one_sentence(command("measure", photo, "--mark", mark, "--out", folder, *more), *words)
    assert not folder.exists() or list(folder.iterdir()) == []


def bar(picture: ByteArray, *, at: tuple[int, int] = (60, 60), length: int = 300, tone: int = 255) -> ByteArray:
    """Draw a bar with end ticks on a picture, in place."""
    x, y = at
    colour = (tone, tone, tone)
    cv2.line(picture, (x, y), (x + length, y), colour, 5)
    for end in (x, x + length):
        cv2.line(picture, (end, y - 14), (end, y + 14), colour, 3)
    return picture


def saved(path: Path, picture: ByteArray) -> Path:
    Image.fromarray(picture).save(path)
    return path


def grey(tone: int = 110) -> ByteArray:
    return np.full((HEIGHT, WIDTH, 3), tone, np.uint8)


# --- files that are no photograph -----------------------------------------------------------------


def huge_png(width: int, height: int) -> bytes:
    """A small file whose header claims a vast picture (ISO/IEC 15948: IHDR, IDAT, IEND)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(99))) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"weld log, coupon 4\n" * 30, "is not a picture that can be read"),
        (SAMPLE.read_bytes()[:90_000], "is damaged or cut short"),
        (b"", "is empty (0 bytes)"),
        (huge_png(1, 1), "is only 1 x 1 px"),
        (huge_png(30_000, 20_000), "at most 120 Mpx"),
        (huge_png(2**31 - 1, 2**31 - 1), "at most 120 Mpx"),
    ],
    ids=["text", "truncated", "zero bytes", "1x1", "bomb", "larger bomb"],
)
def test_not_a_whole_picture(tmp_path: Path, content: bytes, words: str) -> None:
    photo = tmp_path / "coupon.jpg"
    photo.write_bytes(content)
    refused(tmp_path, photo, words, "coupon.jpg")


def test_a_folder_and_nothing_at_all(tmp_path: Path) -> None:
    (tmp_path / "coupons").mkdir()
    refused(tmp_path, tmp_path / "coupons", "is a folder")
    refused(tmp_path, tmp_path / "none.jpg", "does not exist")


def test_thirty_thousand_pixels_wide(tmp_path: Path) -> None:
    """It is read, there is just no weld in it."""
    strip = np.full((80, 30_000, 3), 90, np.uint8)
    refused(tmp_path, saved(tmp_path / "strip.png", strip), "no weld was found")


# --- every kind of picture that is one: the same coupon, the same numbers -------------------------


def as_sixteen_bit(path: Path, picture: Image.Image) -> None:
    tifffile.imwrite(path, np.asarray(picture).astype(np.uint16) * 257, photometric="rgb")


def as_turned(path: Path, picture: Image.Image) -> None:
    exif = Image.Exif()
    exif[274] = 6  # EXIF 2.3, orientation 6: to be turned a quarter clockwise for viewing
    picture.transpose(Image.Transpose.ROTATE_90).save(path, exif=exif)


def as_animated(path: Path, picture: Image.Image) -> None:
    picture.save(path, save_all=True, append_images=[Image.new("RGB", picture.size)])


def as_alpha(path: Path, picture: Image.Image) -> None:
    picture.putalpha(255)
    picture.save(path)


KINDS: dict[str, tuple[str, Callable[[Path, Image.Image], Any]]] = {
    "16-bit": ("a.tif", as_sixteen_bit),
    "grey": ("a.png", lambda path, picture: picture.convert("L").save(path)),
    "alpha": ("a.png", as_alpha),
    "CMYK": ("a.tif", lambda path, picture: picture.convert("CMYK").save(path)),
    "palette": ("a.png", lambda path, picture: picture.quantize(64).save(path)),
    "animated": ("a.png", as_animated),
    "EXIF-rotated": ("a.jpg", as_turned),
}


@pytest.mark.parametrize("kind", KINDS)
def test_odd_but_whole_pictures_are_measured(tmp_path: Path, kind: str) -> None:
    name, save = KINDS[kind]
    # Half size keeps this quick; the bar is 168 px long then.
    with Image.open(SAMPLE) as whole:
        picture = whole.convert("RGB").resize((800, 600), Image.Resampling.BOX)
    save(tmp_path / name, picture)
    result = measure_photo(tmp_path / name, mark="px:0.029766mm", joint="tee")
    leg = result.measurements[0].quantities["leg_butting"].value
    assert leg == pytest.approx(5.600, abs=0.06)  # as drawn: the sample's truth file


# --- marks ----------------------------------------------------------------------------------------


def drawn(tmp_path: Path) -> tuple[object, ...]:
    """An outline to go with a picture, so that a test of marks need not look for a weld first."""
    return "--outline", write_outline(tmp_path / "drawn.geojson")


def test_no_mark_in_the_picture(tmp_path: Path) -> None:
    photo = saved(tmp_path / "plain.png", grey())
    for mark, name in (("bar:10mm", "A bar of known length"), ("ruler:1mm", "A rule")):
        refused(tmp_path, photo, name, "was not found", "use another", mark=mark, more=drawn(tmp_path))


def test_two_bars_that_disagree(tmp_path: Path) -> None:
    photo = saved(tmp_path / "two.png", bar(bar(grey()), at=(500, 500), length=190))
    refused(tmp_path, photo, "2 places in the picture fit", "points:", mark="bar:10mm", more=drawn(tmp_path))


def test_two_stated_marks_that_disagree_are_flagged_not_averaged(tmp_path: Path) -> None:
    photo, outline = write_photo(tmp_path / "tee.png"), write_outline(tmp_path / "tee.geojson")
    marks = ("px:0.02mm", "points:100,100,600,100=12mm")  # 0.02 and 0.024 mm a pixel
    result = measure_photo(photo, mark=marks, outline=outline)
    assert "scale_marks_disagree" in [f.code for f in result.scale.flags]
    assert result.scale.mm_per_px == 0.02
    leg = result.measurements[0].quantities["leg_butting"]
    assert isinstance(leg.value, float)
    assert leg.U95 is not None
    assert leg.value + leg.U95 > 5.0 * 1.15  # widened towards what the other mark says, 6 mm


@pytest.mark.parametrize(
    ("mark", "words"),
    [
        ("bar:10km", "unit"),
        ("bar:9000mm", "check its length and unit"),
        ("bar:0.001mm", "check its length and unit"),
        ("bar:0mm", "0mm"),
        ("bar:-3mm", "-3mm"),
        ("px:40mm", "check its length and unit"),
        ("points:1,1,1,1=10mm", "less than 2 px apart"),
        ("points:1,1,9999,1=10mm", "outside the picture"),
        ("points:1,1=10mm", "two points"),
        ("bar:nanmm", "nan"),
        ("bar:1e999mm", "1e999"),
        ("", "The mark is empty"),
    ],
)
def test_marks_of_absurd_size(tmp_path: Path, mark: str, words: str) -> None:
    refused(tmp_path, saved(tmp_path / "bar.png", bar(grey())), words, mark=mark, more=drawn(tmp_path))


# --- what the picture shows -----------------------------------------------------------------------


def plates() -> ByteArray:
    """A tee put together and photographed before it was welded."""
    picture = grey(25)
    cv2.rectangle(picture, (0, 300), (800, 470), (150, 150, 150), -1)
    cv2.rectangle(picture, (450, 0), (580, 299), (150, 150, 150), -1)
    return picture


def noise() -> ByteArray:
    return np.random.default_rng(0).integers(0, 256, (HEIGHT, WIDTH, 3)).astype(np.uint8)


@pytest.mark.parametrize("draw", [grey, plates, noise], ids=["nothing", "unwelded plates", "noise"])
def test_no_weld_in_the_picture(tmp_path: Path, draw: Callable[[], ByteArray]) -> None:
    photo = saved(tmp_path / "a.png", bar(draw()))
    # Which of its reasons the network gives is its own; that it refuses and what to do is what holds.
    refused(tmp_path, photo, "draw the outline by hand", "--outline", mark="points:60,60,360,60=10mm")


SOMETHING_ELSE = ("chelsea.png", "coins.png", "motorcycle_left.png", "page.png")
"""Photographs that come with scikit-image: a cat, coins, a motorcycle in a shed, a page of text."""


@pytest.mark.parametrize("name", SOMETHING_ELSE)
def test_a_photo_of_something_else_gives_no_numbers(name: str) -> None:
    path = Path(skimage.__file__).parent / "data" / name
    try:
        result = measure_photo(path, mark="px:0.02mm")
    except (NotFoundError, InputError):  # no weld, or nothing on it to measure from
        return
    # Not refused outright: then nothing may be claimed, and it must say so where a person looks.
    for weld, measurements in zip(result.outline.welds, result.measurements, strict=True):
        assert weld.flags
        assert all(q.value is None and q.reason for q in measurements.quantities.values())


# --- files that steer -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "bench.toml"),
        ("[[limit]]\nname = 'x'\nquantity = 'convexity'\nat_most = '3'\n", "line 4"),
        ("[[limit]]\nname = 'x'\nquantity = 'girth'\nat_most = '3mm'\n", "line 3"),
        ("[[limit\n", "not valid TOML"),
        ("[[limit]]\nname = 'x'\nquantity = 'convexity'\nat_most = 'open(1)'\n", "line 4"),
        ("\x00\x01", "bench.toml"),
    ],
    ids=["empty", "bare number", "unknown quantity", "not TOML", "no formula", "binary"],
)
def test_malformed_limits(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(text, encoding="utf-8")
    refused(tmp_path, write_photo(tmp_path / "tee.png"), words, more=("--limits", file))
    ran = command("limits", "show", file)
    one_sentence(ran, words)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "drawn.geojson"),
        ("{", "drawn.geojson"),
        ('{"type": "FeatureCollection", "features": []}', "drawn.geojson"),
        ('{"type": "Point", "coordinates": [1, 2]}', "drawn.geojson"),
        ("[" * 100_000, "drawn.geojson"),
        ('{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"part": "face"}, '
         '"geometry": {"type": "LineString", "coordinates": [[1, NaN], [3, 4]]}}]}', "drawn.geojson"),
    ],
    ids=["empty", "cut short", "no features", "another geometry", "nested without end", "no number"],
)  # fmt: skip
def test_malformed_outline(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "drawn.geojson"
    file.write_text(text, encoding="utf-8")
    refused(tmp_path, write_photo(tmp_path / "tee.png"), words, more=("--outline", file))


def test_an_outline_of_another_photo(tmp_path: Path) -> None:
    other = np.full((900, 1200, 3), 110, np.uint8)
    refused(tmp_path, saved(tmp_path / "other.png", other), f"{WIDTH}", more=drawn(tmp_path))


# --- places that cannot be written ----------------------------------------------------------------


@contextlib.contextmanager
def plain_user() -> Iterator[Path]:
    """A folder of an ordinary user's, worked in as that user; root may do everything and would test nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        if os.geteuid() != 0:
            yield folder
            return
        # What the command imports on its way may lie where only root can look.
        measure_photo(write_photo(folder / "a.png"), mark=MARK, outline=write_outline(folder / "a.geojson"))
        os.setresuid(NOBODY, NOBODY, 0)  # the real one too: access() asks for that
        try:
            yield folder
        finally:
            os.setresuid(0, 0, 0)


@pytest.mark.skipif(os.name != "posix", reason="permissions as POSIX has them")
def test_no_permission_to_read_or_to_write() -> None:
    with plain_user() as folder:
        photo, outline = write_photo(folder / "tee.png"), write_outline(folder / "tee.geojson")
        locked = folder / "locked"
        locked.mkdir(mode=0o500)
        try:
            ran = command("measure", photo, "--mark", MARK, "--outline", outline, "--out", locked)
            one_sentence(ran, "you have no permission")
            assert list(locked.iterdir()) == []
            ran = command("measure", photo, "--mark", MARK, "--outline", outline, "--json", locked / "a.json")
            assert ran.status == 2
            assert "cannot be written: you have no permission" in ran.err
            photo.chmod(0)
            one_sentence(command("measure", photo, "--mark", MARK, "--outline", outline), "you have no permission")
        finally:
            locked.chmod(0o700)


def limited(arguments: list[str], most_bytes: int) -> "subprocess.CompletedProcess[str]":
    """Run the command in a process whose files may not grow past a size: the kernel's own refusal."""
    prelude = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({most_bytes}, {most_bytes})); "
        "from macrocheck.cli import main; main(sys.argv[1:])"
    )
    return subprocess.run(
        [sys.executable, "-c", prelude, *arguments], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.mark.skipif(sys.platform != "linux", reason="file size limits as Linux has them")
def test_outputs_are_whole_or_absent_when_no_more_can_be_written(tmp_path: Path) -> None:
    photo, outline = write_photo(tmp_path / "tee.png"), write_outline(tmp_path / "tee.geojson")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "tee.result.json").write_text("as it was", encoding="utf-8")
    done = limited(
        ["measure", str(photo), "--mark", MARK, "--outline", str(outline), "--out", str(folder)], most_bytes=20_000
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "cannot be written" in done.stderr
    assert [p.name for p in folder.iterdir()] == ["tee.result.json"]
    assert (folder / "tee.result.json").read_text(encoding="utf-8") == "as it was"


# --- a real process -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["measure", "nowhere.jpg", "--mark", "bar:10mm"], "nowhere.jpg does not exist"),
        (["measure", "nowhere.jpg", "--mark", "bar:10"], "no unit"),
        (["limits", "show", "nowhere"], "no limits file 'nowhere'"),
    ],
    ids=["photo", "mark", "limits"],
)
def test_a_real_process_says_it_the_same_way(tmp_path: Path, arguments: list[str], words: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "macrocheck", *arguments],
        capture_output=True, text=True, check=False, timeout=60, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout.strip() == ""
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_click_sees_the_same_program() -> None:
    """Through click's own runner: usage faults end with 2 as well, and name the option."""
    from macrocheck.cli import program

    ran = CliRunner().invoke(program, ["measure", "a.jpg", "--mark", "px:0.02mm", "--guard", "many"])
    assert ran.exit_code == 2
    assert "--guard" in ran.output
