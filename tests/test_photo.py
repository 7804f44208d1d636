"""Reading photographs: every kind of picture comes out as upright 8-bit sRGB, every bad file as one sentence."""

import hashlib
import io
import os
import struct
import sys
import threading
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageOps

from macrocheck import reading
from macrocheck.arrays import AnyArray, ByteArray
from macrocheck.colour import to_eight_bits
from macrocheck.errors import InputError
from macrocheck.reading import read_photo

W, H = 96, 80


def scene() -> ByteArray:
    """Smooth, coloured and without symmetry, so that any turn, flip or swap of channels shows."""
    x, y = np.meshgrid(np.linspace(20, 230, W), np.linspace(30, 200, H))
    return np.dstack([x, y, (x + 3 * y) / 5]).round().astype(np.uint8)


def picture() -> Image.Image:
    return Image.fromarray(scene())


def refused(path: Path | str) -> str:
    """Return the sentence with which a file is refused."""
    with pytest.raises(InputError) as caught:
        read_photo(path)
    text = str(caught.value)
    assert "\n" not in text
    assert text.endswith(".")
    assert str(path) in text or "\\" in text
    assert caught.value.__cause__ is None
    return text


def png(width: int, height: int) -> bytes:
    """A PNG whose header claims a size; its data is that of nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


def icc(
    space: bytes, curves: dict[bytes, list[float]], colourants: dict[bytes, tuple[float, float, float]]
) -> bytes:
    """An ICC display profile (ICC.1:2001-04): XYZ colourants under D50 and tone curves from 0 to 1."""
    tags: dict[bytes, bytes] = {
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(8 + 3 + 67),
        b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": b"XYZ \0\0\0\0" + _xyz((0.9642, 1.0, 0.8249)),
    }
    for name, curve in curves.items():
        counts = np.round(np.asarray(curve) * 65535).astype(">u2").tobytes()
        tags[name] = b"curv\0\0\0\0" + struct.pack(">I", len(curve)) + counts
    for name, xyz in colourants.items():
        tags[name] = b"XYZ \0\0\0\0" + _xyz(xyz)
    offset, table, body = 128 + 4 + 12 * len(tags), b"", b""
    for name, data in tags.items():
        padded = data + bytes(-len(data) % 4)
        table += name + struct.pack(">II", offset + len(body), len(data))
        body += padded
    size = offset + len(body)
    head = struct.pack(">I4sI4s4s4s", size, b"lcms", 0x02100000, b"mntr", space, b"XYZ ")
    head += bytes(12) + b"acsp" + bytes(28) + _xyz((0.9642, 1.0, 0.8249)) + bytes(48)
    return head + struct.pack(">I", len(tags)) + table + body


def _xyz(values: tuple[float, float, float]) -> bytes:
    return struct.pack(">iii", *(round(v * 65536) for v in values))


def srgb_curve() -> list[float]:
    """IEC 61966-2-1 decoding, 1024 steps."""
    v = np.linspace(0, 1, 1024)
    return list(np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4))


def display_p3() -> bytes:
    # D50 colourants of Display P3, from memory.
    colourants = {
        b"rXYZ": (0.51512, 0.24120, -0.00105),
        b"gXYZ": (0.29198, 0.69225, 0.04189),
        b"bXYZ": (0.15710, 0.06657, 0.78407),
    }
    return icc(b"RGB ", dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), srgb_curve()), colourants)


class TestKinds:
    @pytest.mark.parametrize("ending", ["png", "tif", "bmp", "ppm", "jp2"])
    def test_lossless_files_come_back_exactly(self, tmp_path: Path, ending: str) -> None:
        path = tmp_path / f"a.{ending}"
        picture().save(path)
        photo = read_photo(path)
        assert photo.pixels.dtype == np.uint8
        assert np.array_equal(photo.pixels, scene())
        assert (photo.width, photo.height) == (W, H)
        assert photo.notes == ()

    def test_digest_path_and_immutability(self, tmp_path: Path) -> None:
        path = tmp_path / "a.png"
        picture().save(path)
        photo = read_photo(str(path))
        assert photo.path == str(path)
        assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert not photo.pixels.flags.writeable
        assert photo.pixels.flags.c_contiguous

    @pytest.mark.parametrize("progressive", [False, True])
    def test_jpeg_gives_pillows_pixels(self, tmp_path: Path, progressive: bool) -> None:
        # External decoder: Pillow. Equal to the level, so the faster way loses nothing.
        path = tmp_path / "a.jpg"
        picture().save(path, quality=93, progressive=progressive)
        with Image.open(path) as image:
            assert np.array_equal(read_photo(path).pixels, np.asarray(image))

    def test_webp_and_lossy_formats_are_near(self, tmp_path: Path) -> None:
        for name in ("a.webp", "a.avif"):
            picture().save(tmp_path / name, quality=95)
            assert np.abs(read_photo(tmp_path / name).pixels.astype(int) - scene()).mean() < 3

    @pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
    def test_grey_has_three_equal_channels(self, tmp_path: Path, name: str) -> None:
        Image.fromarray(scene()[..., 0]).save(tmp_path / name, quality=100)
        pixels = read_photo(tmp_path / name).pixels
        assert np.array_equal(pixels[..., 0], pixels[..., 2])
        assert np.abs(pixels[..., 0].astype(int) - scene()[..., 0]).max() <= 1

    def test_black_and_white(self, tmp_path: Path) -> None:
        bits = scene()[..., 0] > 100
        Image.fromarray(bits).save(tmp_path / "a.png")
        assert np.array_equal(read_photo(tmp_path / "a.png").pixels[..., 1], bits * np.uint8(255))

    def test_palette(self, tmp_path: Path) -> None:
        image = picture().quantize(200)
        image.save(tmp_path / "a.png")
        assert np.array_equal(read_photo(tmp_path / "a.png").pixels, np.asarray(image.convert("RGB")))

    def test_cmyk_without_a_profile(self, tmp_path: Path) -> None:
        ink = np.zeros((H, W, 4), np.uint8)
        ink[:, : W // 2] = (0, 255, 255, 0)  # magenta and yellow print red
        ink[:, W // 2 :] = (0, 0, 0, 255)  # black
        for name in ("a.jpg", "a.tif"):
            Image.fromarray(ink, "CMYK").save(tmp_path / name, quality=100)
            pixels = read_photo(tmp_path / name).pixels
            assert np.abs(pixels[40, 10].astype(int) - (255, 0, 0)).max() <= 3
            assert pixels[40, 90].max() <= 3

    def test_lab(self, tmp_path: Path) -> None:
        lab = np.zeros((H, W, 3), np.uint8)
        lab[..., 0] = round(53.39 * 2.55)
        Image.fromarray(lab, "LAB").save(tmp_path / "a.tif")
        # CIE L* 53.39 is the mid grey 127.5 of sRGB (IEC 61966-2-1 and CIE 15, computed).
        assert np.abs(read_photo(tmp_path / "a.tif").pixels.astype(int) - 127).max() <= 2

    def test_transparency_shows_white(self, tmp_path: Path) -> None:
        alpha = np.full((H, W), 255, np.uint8)
        alpha[:10], alpha[10:20] = 0, 102  # 102 / 255 = 0.4
        for name, colour in (("rgba.png", scene()), ("la.png", scene()[..., 0]), ("rgba.tif", scene())):
            Image.fromarray(np.dstack([colour, alpha])).save(tmp_path / name)
            photo = read_photo(tmp_path / name)
            expected = np.broadcast_to(colour.reshape(H, W, -1), (H, W, 3))
            assert (photo.pixels[:10] == 255).all()
            assert np.array_equal(photo.pixels[20:], expected[20:])
            assert np.abs(photo.pixels[10:20] - (0.4 * expected[10:20] + 0.6 * 255)).max() <= 0.51
            assert photo.notes == ("Transparent parts are taken as white.",)

    def test_opaque_alpha_is_no_news(self, tmp_path: Path) -> None:
        picture().convert("RGBA").save(tmp_path / "a.png")
        photo = read_photo(tmp_path / "a.png")
        assert np.array_equal(photo.pixels, scene())
        assert photo.notes == ()

    def test_transparent_palette_colour_and_colour_key(self, tmp_path: Path) -> None:
        image = Image.new("P", (W, H), 1)
        image.putpalette([10, 20, 30, 200, 100, 50])
        image.paste(0, (0, 0, W, 40))
        image.save(tmp_path / "a.png", transparency=0)
        pixels = read_photo(tmp_path / "a.png").pixels
        assert (pixels[:40] == 255).all()
        assert (pixels[40:] == (200, 100, 50)).all()
        keyed = np.array(scene())
        keyed[:40] = (1, 2, 3)
        Image.fromarray(keyed).save(tmp_path / "b.png", transparency=(1, 2, 3))
        assert (read_photo(tmp_path / "b.png").pixels[:40] == 255).all()

    @pytest.mark.parametrize("name", ["a.gif", "a.webp", "a.png", "a.tif"])
    def test_of_several_pictures_the_first_is_taken_and_that_is_said(self, tmp_path: Path, name: str) -> None:
        frames = [Image.new("RGB", (W, H), c) for c in ((250, 0, 0), (0, 250, 0), (0, 0, 250))]
        frames[0].save(tmp_path / name, save_all=True, append_images=frames[1:])
        photo = read_photo(tmp_path / name)
        assert np.abs(photo.pixels.astype(int) - (250, 0, 0)).max() <= 3
        assert photo.notes == ("The file holds 3 pictures; the first is taken.",)

    def test_heic(self, tmp_path: Path) -> None:
        pillow_heif.from_pillow(picture()).save(tmp_path / "a.heic", quality=95)
        photo = read_photo(tmp_path / "a.heic")
        assert np.abs(photo.pixels.astype(int) - scene()).mean() < 3
        exif = Image.Exif()
        exif[274] = 6
        pillow_heif.from_pillow(picture()).save(tmp_path / "b.heic", quality=95, exif=exif.tobytes())
        turned = read_photo(tmp_path / "b.heic").pixels
        assert turned.shape == (W, H, 3)
        assert np.abs(turned.astype(int) - np.rot90(scene(), -1)).mean() < 3

    def test_heic_without_the_extra(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        pillow_heif.from_pillow(picture()).save(tmp_path / "a.heic")
        monkeypatch.setitem(sys.modules, "pillow_heif", None)
        assert 'pip install "macrocheck[heic]"' in refused(tmp_path / "a.heic")


class TestDepth:
    def deep(self) -> AnyArray:
        return scene().astype(np.uint16) * 257

    @pytest.mark.parametrize("compression", [None, "zlib"])
    @pytest.mark.parametrize("grey", [False, True])
    def test_sixteen_bit_tiff(self, tmp_path: Path, grey: bool, compression: str | None) -> None:
        values = self.deep()[..., 0] if grey else self.deep()
        tifffile.imwrite(
            tmp_path / "a.tif", values, photometric="minisblack" if grey else "rgb", compression=compression
        )
        pixels = read_photo(tmp_path / "a.tif").pixels
        expected = np.repeat(scene()[..., :1], 3, axis=2) if grey else scene()
        assert np.array_equal(pixels, expected)

    def test_sixteen_bit_png(self, tmp_path: Path) -> None:
        for values, expected in (
            (self.deep(), scene()[..., ::-1]),  # OpenCV writes blue first
            (self.deep()[..., 0], np.repeat(scene()[..., :1], 3, axis=2)),
        ):
            cv2.imwrite(str(tmp_path / "a.png"), values)
            assert np.array_equal(read_photo(tmp_path / "a.png").pixels, expected)

    def test_sixteen_bits_with_alpha(self, tmp_path: Path) -> None:
        alpha = np.full((H, W), 65535, np.uint16)
        alpha[:30] = 0
        tifffile.imwrite(
            tmp_path / "a.tif", np.dstack([self.deep(), alpha]), photometric="rgb", extrasamples=["unassalpha"]
        )
        photo = read_photo(tmp_path / "a.tif")
        assert (photo.pixels[:30] == 255).all()
        assert np.array_equal(photo.pixels[30:], scene()[30:])

    def test_twelve_bit_counts_are_not_black(self, tmp_path: Path) -> None:
        counts = np.round(scene() * (4095 / 255)).astype(np.uint16)
        tifffile.imwrite(tmp_path / "a.tif", counts, photometric="rgb")
        photo = read_photo(tmp_path / "a.tif")
        assert np.array_equal(photo.pixels, scene())
        assert photo.notes == ("The 16-bit file holds 12-bit counts; white is taken at 4095.",)

    def test_white_is_zero(self, tmp_path: Path) -> None:
        for values in (scene()[..., 0], self.deep()[..., 0]):
            tifffile.imwrite(tmp_path / "a.tif", values, photometric="miniswhite")
            assert np.array_equal(read_photo(tmp_path / "a.tif").pixels[..., 0], 255 - scene()[..., 0])

    def test_float(self, tmp_path: Path) -> None:
        tifffile.imwrite(tmp_path / "a.tif", scene()[..., 0].astype(np.float32) / 255)
        assert np.array_equal(read_photo(tmp_path / "a.tif").pixels[..., 0], scene()[..., 0])
        tifffile.imwrite(tmp_path / "b.tif", scene()[..., 0].astype(np.float32))
        assert "save it with 8 or 16 bits a channel" in refused(tmp_path / "b.tif")

    def test_scaling_by_hand(self) -> None:
        eight, depth = to_eight_bits(np.array([0, 257, 32768, 65535], np.uint16))
        assert (eight.tolist(), depth) == ([0, 1, 128, 255], 16)
        assert to_eight_bits(np.array([0, 1023], np.uint16))[1] == 10
        assert to_eight_bits(np.array([0, 1024], np.uint16))[1] == 12
        assert to_eight_bits(np.array([0, 4096], np.uint16))[1] == 14


class TestOrientation:
    @pytest.mark.parametrize("orientation", range(1, 9))
    @pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp"])
    def test_exif(self, tmp_path: Path, orientation: int, name: str) -> None:
        exif = Image.Exif()
        exif[274] = orientation
        picture().save(tmp_path / name, exif=exif, quality=95)
        with Image.open(tmp_path / name) as image:
            expected = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))  # external check: Pillow
        assert np.array_equal(read_photo(tmp_path / name).pixels, expected)

    @pytest.mark.parametrize("orientation", range(1, 9))
    @pytest.mark.parametrize("bits", [8, 16])
    def test_tiff(self, tmp_path: Path, orientation: int, bits: int) -> None:
        stored = scene() if bits == 8 else scene().astype(np.uint16) * 257
        tifffile.imwrite(
            tmp_path / "a.tif", stored, photometric="rgb", extratags=[(274, "H", 1, orientation, True)]
        )
        exif = Image.Exif()
        exif[274] = orientation
        picture().save(tmp_path / "b.png", exif=exif)
        assert np.array_equal(read_photo(tmp_path / "a.tif").pixels, read_photo(tmp_path / "b.png").pixels)

    def test_by_hand(self, tmp_path: Path) -> None:
        # EXIF 2.3, tag 274: with 6, the stored first row is the picture's right side, the first column its top.
        exif = Image.Exif()
        exif[274] = 6
        picture().save(tmp_path / "a.png", exif=exif)
        assert np.array_equal(read_photo(tmp_path / "a.png").pixels[:, -1], scene()[0])


class TestColour:
    def test_display_p3_becomes_srgb(self, tmp_path: Path) -> None:
        # sRGB's pure red is (234, 51, 35) in Display P3 (from memory; CSS Color 4 gives 0.9175, 0.2003, 0.1386).
        Image.new("RGB", (W, 600), (234, 51, 35)).save(tmp_path / "a.png", icc_profile=display_p3())
        pixels = read_photo(tmp_path / "a.png").pixels
        assert np.abs(pixels.astype(int) - (255, 0, 0)).max() <= 4
        assert (pixels == pixels[0, 0]).all()  # no seam between the strips it is worked in

    @pytest.mark.parametrize("name", ["a.jpg", "a.webp", "a.tif", "b.png"])
    def test_every_format_and_alpha_goes_through_the_profile(self, tmp_path: Path, name: str) -> None:
        image = Image.new("RGB", (W, H), (234, 51, 35))
        (image.convert("RGBA") if name == "b.png" else image).save(
            tmp_path / name, icc_profile=display_p3(), quality=100
        )
        assert np.abs(read_photo(tmp_path / name).pixels.astype(int) - (255, 0, 0)).max() <= 8

    def test_grey_profile(self, tmp_path: Path) -> None:
        # A linear grey of one half is 188 in sRGB (IEC 61966-2-1).
        linear = icc(b"GRAY", {b"kTRC": [0.0, 1.0]}, {})
        Image.new("L", (W, H), 128).save(tmp_path / "a.png", icc_profile=linear)
        assert np.abs(read_photo(tmp_path / "a.png").pixels.astype(int) - 188).max() <= 1

    def test_srgb_profile_changes_nothing(self, tmp_path: Path) -> None:
        from PIL import ImageCms

        profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
        picture().save(tmp_path / "a.png", icc_profile=profile)
        assert np.array_equal(read_photo(tmp_path / "a.png").pixels, scene())

    @pytest.mark.parametrize("profile", [b"nonsense", icc(b"GRAY", {b"kTRC": [0.0, 1.0]}, {})])
    def test_a_profile_that_does_not_fit_is_said(self, tmp_path: Path, profile: bytes) -> None:
        picture().save(tmp_path / "a.png", icc_profile=profile)
        photo = read_photo(tmp_path / "a.png")
        assert np.array_equal(photo.pixels, scene())
        assert photo.notes == ("The colour profile in the file cannot be used; its colours are taken as sRGB.",)


class TestDensity:
    @pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.bmp"])
    @pytest.mark.parametrize("dpi", [300, 600, 1200, 2400])
    def test_a_scan_states_its_density(self, tmp_path: Path, name: str, dpi: int) -> None:
        picture().save(tmp_path / name, dpi=(dpi, dpi))
        # 25.4 mm to the inch (international yard and pound agreement, 1959).
        assert read_photo(tmp_path / name).density_px_per_mm == pytest.approx(dpi / 25.4, rel=1e-4)

    @pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.bmp"])
    @pytest.mark.parametrize("dpi", [(1, 1), (72, 72), (96, 96), (300, 600)])
    def test_defaults_and_unlike_densities_are_not_believed(
        self, tmp_path: Path, name: str, dpi: tuple[int, int]
    ) -> None:
        picture().save(tmp_path / name, dpi=dpi)
        assert read_photo(tmp_path / name).density_px_per_mm is None

    @pytest.mark.parametrize("name", ["a.jpg", "a.webp", "a.png"])
    def test_exif_density_and_its_centimetres(self, tmp_path: Path, name: str) -> None:
        exif = Image.Exif()
        exif[282] = exif[283] = 400.0
        exif[296] = 3  # per centimetre (EXIF 2.3)
        picture().save(tmp_path / name, exif=exif)
        assert read_photo(tmp_path / name).density_px_per_mm == pytest.approx(40.0)

    def test_what_a_camera_wrote_is_not_believed(self, tmp_path: Path) -> None:
        exif = Image.Exif()
        exif[282] = exif[283] = 300.0
        exif[296] = 2
        exif.get_ifd(0x8769)[33434] = 0.01  # exposure time
        picture().save(tmp_path / "a.jpg", exif=exif, dpi=(300, 300))
        assert read_photo(tmp_path / "a.jpg").density_px_per_mm is None

    def test_none(self, tmp_path: Path) -> None:
        picture().save(tmp_path / "a.png")
        assert read_photo(tmp_path / "a.png").density_px_per_mm is None

    def test_jfif_per_centimetre(self, tmp_path: Path) -> None:
        # JFIF 1.02: units 2 is dots per cm, at byte 13 of the file, then X and Y density.
        buffer = io.BytesIO()
        picture().save(buffer, "JPEG", dpi=(300, 300))
        data = bytearray(buffer.getvalue())
        data[13:18] = struct.pack(">BHH", 2, 472, 472)
        (tmp_path / "a.jpg").write_bytes(data)
        assert read_photo(tmp_path / "a.jpg").density_px_per_mm == pytest.approx(47.2)


class TestRefused:
    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"", "is empty (0 bytes)"),
            (b"a text of some length\n" * 20, "is not a picture that can be read; give a JPEG, PNG"),
            (b"%PDF-1.7\n" + b"x" * 300, "is not a picture that can be read"),
            (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "is not a picture that can be read"),
            (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 99 99\n", "is not a picture that can be read"),
            (b"\xff\xd8\xff", "is damaged or cut short"),
            (b"\x89PNG\r\n\x1a\n", "is damaged or cut short"),
            (b"RIFF\x10\0\0\0WEBPVP8 ", "is damaged or cut short"),
            (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "is damaged or cut short"),
            (png(90, 90), "is damaged or cut short"),
            (png(60_000, 60_000), "claims 3,600 Mpx; at most 120 Mpx are read"),
            (png(20_000, 7_000), "claims 140 Mpx; at most 120 Mpx are read"),
            (png(2**31 - 1, 2**31 - 1), "at most 120 Mpx are read"),
            (png(1, 1), "is only 1 x 1 px; at least 64 px a side are needed"),
            (png(30_000, 1), "is only 30000 x 1 px"),
            (png(63, 500), "is only 63 x 500 px"),
        ],
    )
    def test_content(self, tmp_path: Path, content: bytes, words: str) -> None:
        (tmp_path / "a.jpg").write_bytes(content)
        assert words in refused(tmp_path / "a.jpg")

    def test_places(self, tmp_path: Path) -> None:
        assert "is a folder" in refused(tmp_path)
        assert "does not exist" in refused(tmp_path / "nothing.jpg")
        (tmp_path / "file").write_bytes(b"1")
        assert "a part of its path is a file" in refused(tmp_path / "file" / "a.jpg")
        assert "is not a file name" in refused(f"{tmp_path}/a\0b.jpg")
        assert "the name is too long" in refused(tmp_path / ("n" * 300))
        (tmp_path / "loop").symlink_to("loop")
        assert "links go round in a circle" in refused(tmp_path / "loop")

    @pytest.mark.parametrize("fault", [PermissionError(13, "Permission denied"), OSError(5, "Input/output error")])
    def test_no_permission_or_a_failing_disk(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: OSError
    ) -> None:
        picture().save(tmp_path / "a.png")

        def failing(_: Path) -> bytes:
            raise fault

        monkeypatch.setattr(Path, "read_bytes", failing)
        expected = "you have no permission" if isinstance(fault, PermissionError) else "the disk reports a fault"
        assert expected in refused(tmp_path / "a.png")

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
    def test_no_permission_for_real(self, tmp_path: Path) -> None:
        picture().save(tmp_path / "a.png")
        (tmp_path / "a.png").chmod(0)
        assert "you have no permission" in refused(tmp_path / "a.png")

    def test_pipes_and_devices_do_not_hang(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "pipe")
        texts: list[str] = []
        work = threading.Thread(
            target=lambda: texts.extend(refused(p) for p in (tmp_path / "pipe", "/dev/zero")), daemon=True
        )
        work.start()
        work.join(10)
        assert len(texts) == 2
        assert all("is not an ordinary file" in t for t in texts)

    def test_more_bytes_than_any_photograph(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        picture().save(tmp_path / "a.png")
        monkeypatch.setattr(reading, "MOST_BYTES", 100)
        assert "more than any photograph" in refused(tmp_path / "a.png")

    def test_camera_raw(self, tmp_path: Path) -> None:
        picture().save(tmp_path / "a.tif")
        (tmp_path / "a.tif").rename(tmp_path / "a.NEF")
        assert "export it as JPEG or TIFF" in refused(tmp_path / "a.NEF")
        tifffile.imwrite(
            tmp_path / "b.tif", scene(), photometric="rgb", extratags=[(50706, "B", 4, (1, 4, 0, 0), True)]
        )
        assert "export it as JPEG or TIFF" in refused(tmp_path / "b.tif")

    @pytest.mark.parametrize(
        "save",
        [
            lambda b: picture().save(b, "JPEG", quality=95),
            lambda b: picture().save(b, "JPEG", quality=95, progressive=True),
            lambda b: picture().convert("L").save(b, "JPEG", quality=95),
            lambda b: picture().save(b, "PNG"),
            lambda b: picture().save(b, "TIFF", compression="tiff_lzw"),
            lambda b: tifffile.imwrite(b, scene().astype(np.uint16) * 257, photometric="rgb"),
            lambda b: picture().save(b, "WEBP", quality=95),
            lambda b: picture().save(b, "BMP"),
            lambda b: picture().save(b, "GIF"),
            lambda b: pillow_heif.from_pillow(picture()).save(b, quality=95),
        ],
        ids=["jpeg", "progressive", "grey", "png", "lzw", "deep", "webp", "bmp", "gif", "heic"],
    )
    def test_cut_short_anywhere(self, tmp_path: Path, save: Callable[[io.BytesIO], Any]) -> None:
        buffer = io.BytesIO()
        save(buffer)
        whole = buffer.getvalue()
        for share in (0.02, 0.2, 0.5, 0.8, 0.95):
            (tmp_path / "a").write_bytes(whole[: int(len(whole) * share)])
            assert "damaged or cut short" in refused(tmp_path / "a") or share < 0.05

    @pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "WEBP", "GIF", "BMP"])
    def test_damaged_bytes_never_give_a_traceback(self, tmp_path: Path, kind: str) -> None:
        buffer = io.BytesIO()
        picture().save(buffer, kind)
        random = np.random.default_rng(4)
        for _ in range(60):
            data = bytearray(buffer.getvalue())
            for at in random.integers(0, len(data), 4):
                data[at] = random.integers(256)
            (tmp_path / "a").write_bytes(data)
            try:
                pixels = read_photo(tmp_path / "a").pixels
            except InputError:
                continue
            assert pixels.shape[2] == 3


def test_a_very_wide_picture_is_read(tmp_path: Path) -> None:
    Image.new("RGB", (30_000, 70), (10, 20, 30)).save(tmp_path / "a.png", compress_level=1)
    assert read_photo(tmp_path / "a.png").pixels.shape == (70, 30_000, 3)


def test_no_warning_of_the_libraries_escapes(tmp_path: Path) -> None:
    # 95 Mpx: Pillow warns of it, macrocheck allows it. Damaged EXIF and a palette with transparency warn too.
    Image.new("1", (12_000, 8_000)).save(tmp_path / "big.png")
    picture().save(tmp_path / "exif.jpg", exif=b"Exif\0\0MM\0*\0\0\0\x08\0\x05\x01\x12\0\x03\0\0\0")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert read_photo(tmp_path / "big.png").width == 12_000
        assert read_photo(tmp_path / "exif.jpg").width == W


def test_several_threads_read_at_once(tmp_path: Path) -> None:
    picture().save(tmp_path / "a.png", icc_profile=display_p3())
    results: list[ByteArray] = []
    filters = list(warnings.filters)
    threads = [
        threading.Thread(target=lambda: results.append(read_photo(tmp_path / "a.png").pixels)) for _ in range(6)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 6
    assert list(warnings.filters) == filters
    assert all(np.array_equal(r, results[0]) for r in results)


def test_half_pictures_are_refused_whatever_other_libraries_told_pillow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from PIL import ImageFile

    whole = tmp_path / "whole.png"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (90, 90, 3), dtype=np.uint8)).save(whole)
    half = tmp_path / "half.png"
    half.write_bytes(whole.read_bytes()[:9000])
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    with pytest.raises(InputError, match="cut short"):
        read_photo(half)
