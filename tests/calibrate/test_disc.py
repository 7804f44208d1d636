"""Discs and coins in pictures with known truth."""

from pathlib import Path

import numpy as np
import pytest

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.coins import COINS
from macrocheck.calibrate.disc import find_discs
from macrocheck.errors import InputError, NotFoundError
from macrocheck.reading import read_photo
from macrocheck.render.marks import draw_disc
from tests.calibrate.pictures import blank, with_disc
from tests.calibrate.scenes import camera, photo_of

PLAIN = np.full((600, 800, 3), 70.0)


@pytest.mark.parametrize("diameter", [90.3, 301.7])
@pytest.mark.parametrize("blur", [0.0, 1.0, 3.0])
def test_a_disc_is_measured_to_sub_pixel(diameter: float, blur: float) -> None:
    image, _ = draw_disc(PLAIN, centre=(333.3, 280.8), diameter_px=diameter, rim=None)
    (disc,) = find_discs(photo_of(camera(image, seed=2, blur=blur)))
    assert 2 * disc.radius == pytest.approx(diameter, abs=0.0015 * diameter)
    assert disc.centre == pytest.approx([333.3, 280.8], abs=0.15)


def test_the_outline_is_the_circle_that_another_library_fits() -> None:
    # OpenCV's fitEllipseAMS (algebraic, Taubin's normalisation) through the outline's own points
    import cv2

    image, _ = draw_disc(PLAIN, centre=(400.2, 300.6), diameter_px=260.0, tilt=0.93, tilt_angle_deg=25.0)
    (disc,) = find_discs(photo_of(camera(image, seed=1)))
    _, sizes, _ = cv2.fitEllipseAMS(disc.outline().astype(np.float32))
    assert sorted(sizes) == pytest.approx([2 * a for a in disc.axes], rel=1e-4)
    assert sorted(sizes) == pytest.approx([0.93 * 260.0, 260.0], rel=0.0015)


@pytest.mark.parametrize("seed", range(10))
def test_discs_over_clutter(seed: int) -> None:
    picture = with_disc(seed, 1000)
    scale = calibrate(photo_of(picture.pixels), [parse_mark("disc:20mm")])
    error = abs(scale.mm_per_px * picture.length_px / 20 - 1)
    assert error < max(0.0015, 3 * scale.u_rel), picture.what
    assert error < 0.004, picture.what


@pytest.mark.parametrize("colour", [(182.0, 120.0, 36.0), (95.0, 140.0, 153.0)])
def test_a_disc_as_light_as_its_ground_is_found_by_colour(colour: tuple[float, float, float]) -> None:
    # its brightness is the ground's: 0.299 red + 0.587 green + 0.114 blue (ITU-R BT.601)
    assert np.dot(colour, [0.299, 0.587, 0.114]) == pytest.approx(129, abs=2)
    image, _ = draw_disc(
        np.full((600, 800, 3), 129.0), centre=(333.3, 280.8), diameter_px=160.4, colour=colour, rim=None
    )
    (disc,) = find_discs(photo_of(camera(image, seed=2, blur=1.0)))
    assert 2 * disc.radius == pytest.approx(160.4, rel=0.003)


def test_a_disc_over_two_grounds_is_measured_in_the_colour_that_shows_all_of_it() -> None:
    # a brass disc, half of it over bright metal that is as light as it is
    ground = np.full((600, 800, 3), 70.0)
    ground[:, 340:] = 205.0
    colour = (235.0, 215.0, 130.0)
    image, _ = draw_disc(ground, centre=(333.3, 280.8), diameter_px=160.4, colour=colour, rim=None)
    (disc,) = find_discs(photo_of(camera(image, seed=2, blur=1.5)))
    assert 2 * disc.radius == pytest.approx(160.4, rel=0.005)
    assert disc.axes[0] == disc.axes[1]


@pytest.mark.parametrize("blur", [0.8, 2.4])
@pytest.mark.parametrize(
    ("face", "rim"), [((136.0, 104.0, 85.0), (115.0, 64.0, 83.0)), ((236.0, 209.0, 144.0), (255.0, 180.0, 150.0))]
)
def test_a_rim_that_melts_into_the_outline_moves_it_nowhere(
    face: tuple[float, float, float], rim: tuple[float, float, float], blur: float
) -> None:
    image, _ = draw_disc(PLAIN - 40, centre=(333.3, 280.8), diameter_px=140.0, colour=face, rim=rim, rim_px=5.6)
    (disc,) = find_discs(photo_of(camera(image, seed=2, blur=blur, quality=80)))
    assert 2 * disc.radius == pytest.approx(140.0, rel=0.001)


def test_a_disc_over_stripes_keeps_its_middle_and_its_size() -> None:
    ground = np.full((600, 800, 3), 60.0)
    ground[:, np.arange(800) % 24 < 9] = 105.0
    image, _ = draw_disc(ground, centre=(333.3, 280.8), diameter_px=115.0, colour=(182.0, 160.0, 120.0))
    (disc,) = find_discs(photo_of(camera(image, seed=3, blur=2.0)))
    assert 2 * disc.radius == pytest.approx(115.0, rel=0.002)
    assert disc.centre == pytest.approx([333.3, 280.8], abs=0.25)


@pytest.mark.parametrize("seed", range(8))
def test_clutter_passes_for_no_disc(seed: int) -> None:
    with pytest.raises(NotFoundError, match="ruler:1mm"):
        calibrate(photo_of(blank(seed, 900)), [parse_mark("disc:20mm")])


@pytest.mark.parametrize("tilt_deg", [8.0, 20.0])
def test_a_tilted_disc_squares_the_plane_up(tilt_deg: float) -> None:
    # a circle seen from afar at an angle is an ellipse whose axes are as the angle's cosine (Euclid, Optics)
    ratio = float(np.cos(np.deg2rad(tilt_deg)))
    image, drawn = draw_disc(PLAIN, centre=(400.0, 300.0), diameter_px=250.0, tilt=ratio, tilt_angle_deg=40.0)
    scale = calibrate(photo_of(camera(image, seed=0)), [parse_mark("disc:20mm")])
    flag = next(f for f in scale.flags if f.code == "scale_tilt")
    assert f"{tilt_deg:.0f} degrees" in flag.text
    radii = np.hypot(*(scale.to_mm(drawn.points_px) - scale.to_mm(np.array([[400.0, 300.0]]))).T)
    assert radii == pytest.approx(10.0, rel=0.003)
    assert scale.mm_per_px == pytest.approx(scale.mm_per_px_at((400.0, 300.0)), rel=1e-9)
    assert scale.u_rel >= (1 - ratio) / 2


def test_a_disc_held_square_raises_no_tilt() -> None:
    image, _ = draw_disc(PLAIN, centre=(400.0, 300.0), diameter_px=250.0)
    scale = calibrate(photo_of(camera(image, seed=0)), [parse_mark("disc:us-quarter")])
    assert "scale_tilt" not in {f.code for f in scale.flags}
    assert scale.mm_per_px == pytest.approx(24.26 / 250, rel=0.001)
    assert "us-quarter" in scale.method


def test_of_a_ring_the_outermost_outline_counts() -> None:
    image, _ = draw_disc(PLAIN, centre=(400.0, 300.0), diameter_px=260.0, colour=(120.0, 120.0, 110.0))
    image, _ = draw_disc(image, centre=(400.0, 300.0), diameter_px=180.0, colour=(220.0, 210.0, 170.0))
    discs = find_discs(photo_of(camera(image, seed=0)))
    assert [2 * d.radius for d in discs] == pytest.approx([260.0], rel=0.0015)


def test_two_rival_discs_are_refused() -> None:
    image, _ = draw_disc(PLAIN, centre=(220.0, 300.0), diameter_px=250.0)
    image, _ = draw_disc(image, centre=(580.0, 300.0), diameter_px=180.0)
    with pytest.raises(NotFoundError, match="different scales"):
        calibrate(photo_of(camera(image, seed=0)), [parse_mark("disc:20mm")])


def test_two_like_discs_are_one_scale() -> None:
    image, _ = draw_disc(PLAIN, centre=(220.0, 300.0), diameter_px=200.0)
    image, _ = draw_disc(image, centre=(580.0, 300.0), diameter_px=200.0)
    scale = calibrate(photo_of(camera(image, seed=0)), [parse_mark("disc:20mm")])
    assert scale.mm_per_px == pytest.approx(0.1, rel=0.0015)


def test_a_disc_mostly_hidden_is_not_guessed() -> None:
    image, _ = draw_disc(PLAIN, centre=(400.0, 300.0), diameter_px=250.0)
    image[:, 330:] = 70.0
    with pytest.raises(NotFoundError, match="not found"):
        calibrate(photo_of(camera(image, seed=0)), [parse_mark("disc:20mm")])


def test_published_diameters() -> None:
    # Royal Mint: from memory; the others once more in test_coins_are_as_published
    known = {"euro-1": 23.25, "euro-2": 25.75, "euro-1c": 16.25, "us-dime": 17.91, "us-cent": 19.05, "uk-2p": 25.9}
    assert {name: COINS[name].diameter_mm for name in known} == known
    assert all(14 < coin.diameter_mm < 32 for coin in COINS.values())
    assert all(coin.source.endswith(("; read", "; from memory")) for coin in COINS.values())
    # 0.75 inch is the law's cent (from memory), 25.4 mm the inch
    assert parse_mark("disc: US cent").length_mm == pytest.approx(0.75 * 25.4, abs=0.005)


@pytest.mark.parametrize(
    ("text", "says"), [("disc", "needs its diameter"), ("disc:doubloon", "euro-1c"), ("disc:20", "no unit")]
)
def test_a_wrong_disc_gets_one_sentence(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_mark(text)


def test_a_coin_has_limits_of_error_of_its_own() -> None:
    assert parse_mark("disc:euro-1").tolerance == pytest.approx(0.05 / 23.25)
    assert parse_mark("disc:euro-1+-0.01mm").tolerance == pytest.approx(0.01 / 23.25)
    assert parse_mark("disc:25mm").tolerance == pytest.approx(0.001)


def test_coins_are_as_published() -> None:
    # United States Mint, coin specifications (read), in inches: cent, nickel, dime, quarter, half dollar, dollar
    names = ("us-cent", "us-nickel", "us-dime", "us-quarter", "us-half-dollar", "us-dollar")
    for name, inches in zip(names, (0.750, 0.835, 0.705, 0.955, 1.205, 1.043), strict=True):
        assert COINS[name].diameter_mm == pytest.approx(25.4 * inches, abs=0.006)
    # Council Regulation (EC) No 975/98 as summarised at EUR-Lex (read)
    published = {"euro-2": 25.75, "euro-1": 23.25, "euro-50c": 24.25, "euro-10c": 19.75, "euro-5c": 21.25}
    assert all(
        COINS[name].diameter_mm == mm for name, mm in {**published, "euro-2c": 18.75, "euro-1c": 16.25}.items()
    )


@pytest.mark.parametrize("coupon", ["T6-07-cold-lap-butting", "T8-12-skewed-grain", "L6-01-lap"])
def test_the_figures_of_a_rule_are_no_disc(coupon: str) -> None:
    photo = read_photo(str(Path(__file__).parents[2] / "sample_images" / f"{coupon}.jpg"))
    with pytest.raises(NotFoundError, match=r"was not found.*use another: bar:10mm, ruler:1mm"):
        calibrate(photo, [parse_mark("disc:5mm")])


@pytest.mark.parametrize("size", [1.5, 2.6, 4.0])
@pytest.mark.parametrize("figure", ["0", "O", "8", "6"])
def test_a_printed_figure_is_no_disc(figure: str, size: float) -> None:
    import cv2

    image = np.full((600, 800, 3), 235, np.uint8)
    cv2.putText(
        image, figure, (330, 330), cv2.FONT_HERSHEY_SIMPLEX, size, (20.0,) * 3, round(4 * size), cv2.LINE_AA
    )
    assert find_discs(photo_of(camera(image, seed=1))) == []


def test_a_ring_is_a_disc_to_its_outside() -> None:
    import cv2

    image = np.full((600, 800, 3), 60.0)
    cv2.circle(image, (400 * 16, 300 * 16), 90 * 16, (190.0,) * 3, 14, cv2.LINE_AA, 4)
    (disc,) = find_discs(photo_of(camera(image, seed=1)))
    assert 2 * disc.radius == pytest.approx(2 * 90 + 14, abs=1.5)
