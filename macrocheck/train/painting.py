"""Paints layouts as etched, photographed sections, a whole batch at a time on the GPU.

The looks go well past what is real: contrasts of either sign, members of unlike tone, heat-affected bands
stronger than the fusion line, weld metal told by grain alone, plates as dark as the background.
"""

import math
from dataclasses import dataclass

import torch
import torch.nn.functional as F  # noqa: N812  the library's own usage
from torch import Tensor

from macrocheck.train.camera import bend, blur, estranged, photograph, plain_photograph
from macrocheck.train.grains import cast_structure, other_structure, plate_structure, table_noise
from macrocheck.train.ingredients import WHOLE, Without
from macrocheck.train.layouts import GAP, LOOSE, VOID


class Dice:
    """Per-picture random numbers of shape (b, 1, 1, 1)."""

    def __init__(self, batch: int, device: torch.device) -> None:
        self.batch, self.device = batch, device

    def between(self, low: float, high: float) -> Tensor:
        """Uniform in [low, high)."""
        return torch.rand(self.batch, 1, 1, 1, device=self.device) * (high - low) + low

    def logs(self, low: float, high: float) -> Tensor:
        """Log-uniform in [low, high)."""
        return torch.exp(self.between(math.log(low), math.log(high)))

    def normal(self, sd: float) -> Tensor:
        """Normal about zero."""
        return torch.randn(self.batch, 1, 1, 1, device=self.device) * sd

    def chance(self, p: float) -> Tensor:
        """1.0 with probability p, else 0.0."""
        return (torch.rand(self.batch, 1, 1, 1, device=self.device) < p).float()

    def sign(self) -> Tensor:
        """-1.0 or 1.0."""
        return self.chance(0.5) * 2 - 1


def smooth_field(batch: int, size: int, cells: int, device: torch.device) -> Tensor:
    """Smooth random field of about unit sd with `cells` swings across, (b, 1, size, size)."""
    coarse = torch.randn(batch, 1, cells + 3, cells + 3, device=device)
    fine = F.interpolate(
        coarse, size=(int(size * (cells + 3) / cells) + 2,) * 2, mode="bicubic", align_corners=True
    )
    off = int(size / cells)
    return fine[:, :, off : off + size, off : off + size] * 1.4


def _dilated_edge(metal: Tensor, width: Tensor) -> Tensor:
    """A band along the metal's outline, 0..1, about `width` px wide."""
    soft = blur(metal, width)
    return 4 * soft * (1 - soft)


@dataclass(frozen=True, eq=False)
class _Scene:
    """What every step of painting one batch looks at; all (b, 1, h, w) unless it says otherwise.

    `cover`: share of each pixel that a region of the layout covers. `xy`: each pixel's place, shifted at random.
    `warp`, `slow`, `patch`: smooth fields of many, few and some swings. `tone`: of both plates, (b, 1, 1, 1);
    `tones`: of each; `ground`: of the background. `told_by_grain`, `told_by_line`: 1.0 where weld
    and plates share a tone and nothing but grain, or the fusion line, tells them apart. `zone_leads`: 1.0 where the
    zone's outer edge is the strongest line in the metal. `etched`: how far the etch shows at each pixel, 0..1.
    `other`: a texture for what is no weld. `without`: what is not painted; its random numbers are drawn all the
    same, so that all else stays as it is.
    """

    layout: dict[str, Tensor]
    size: int
    dice: Dice
    cover: dict[int, Tensor]
    distance: Tensor
    along: Tensor
    xy: tuple[Tensor, Tensor]
    warp: tuple[Tensor, Tensor]
    slow: Tensor
    patch: Tensor
    tone: Tensor
    tones: tuple[Tensor, Tensor]
    weld_tone: Tensor
    ground: Tensor
    told_by_grain: Tensor
    told_by_line: Tensor
    zone_leads: Tensor
    etched: Tensor
    other: Tensor
    without: Without

    @property
    def weld(self) -> Tensor:
        """Weld metal, its voids included."""
        return self.cover[1] + self.cover[VOID]

    @property
    def metal(self) -> Tensor:
        """Everything that is metal, 0..1."""
        return (self.weld + self.cover[2] + self.cover[3] + self.cover[LOOSE]).clamp(0, 1)

    @property
    def body(self) -> Tensor:
        """Weld and members, 0..1."""
        return (self.weld + self.cover[2] + self.cover[3]).clamp(0, 1)

    @property
    def seams(self) -> Tensor:
        """Unfused interfaces, one pixel wide."""
        return (self.layout["lines"][:, None] % 2).float()


def _patchy_etch(dice: Dice, size: int) -> Tensor:
    """How far the etch shows, 0..1: everywhere in most pictures, else fading in patches where the acid ran off."""
    fades = dice.chance(0.3) * dice.between(0.4, 1.0)
    cells = (2, 4, 8)[int(torch.randint(0, 3, (1,)).item())]
    field = smooth_field(dice.batch, size, cells, dice.device)
    return 1 - fades * torch.sigmoid((field - dice.between(-0.3, 1.2)) * dice.logs(1.5, 12))


def _scene(layout: dict[str, Tensor], without: Without) -> _Scene:
    """Choose the tones of plates, weld and background, and the fields that disturb them."""
    sub = layout["regions"]
    b, size = sub.shape[0], sub.shape[1] // 2
    device = sub.device
    dice = Dice(b, device)
    axis = torch.arange(size, device=device, dtype=torch.float32)
    y, x = axis[None, None, :, None].expand(b, 1, size, size), axis[None, None, None, :].expand(b, 1, size, size)
    xy = (x + dice.between(0, 5000), y + dice.between(0, 5000))
    warp = (smooth_field(b, size, 24, device), smooth_field(b, size, 24, device))
    slow = smooth_field(b, size, 4, device)
    patch = smooth_field(b, size, 9, device)
    tone = dice.between(35, 225)
    unlike = torch.where(dice.chance(0.5) > 0, dice.normal(6), dice.normal(40))
    pick = torch.rand(b, 1, 1, 1, device=device)
    told_by_grain, told_by_line = (pick < 0.52).float(), (pick > 0.93).float()
    zone_leads = told_by_grain * dice.chance(0.86)
    if "grain" in without:
        told_by_grain = torch.zeros_like(told_by_grain)
    step = torch.where(told_by_grain + told_by_line > 0, dice.normal(6), dice.sign() * dice.between(8, 95))
    pick = torch.rand(b, 1, 1, 1, device=device)
    ground = torch.where(
        pick < 0.45, dice.between(0, 35), torch.where(pick < 0.62, dice.between(195, 255), dice.between(20, 235))
    )
    etched = _patchy_etch(dice, size)
    same = (pick > 0.86).float()
    ground = torch.where(same > 0, tone + dice.normal(10), ground)
    return _Scene(
        layout=layout,
        size=size,
        dice=dice,
        cover={k: F.avg_pool2d((sub == k).float()[:, None], 2) for k in (1, 2, 3, GAP, LOOSE, VOID)},
        distance=layout["distance"].float()[:, None],
        along=layout["along"][:, None],
        xy=xy,
        warp=warp,
        slow=slow,
        patch=patch,
        tone=tone,
        tones=(tone + unlike * 0.5, tone - unlike * 0.5),
        weld_tone=tone + step * etched,
        ground=ground,
        told_by_grain=told_by_grain,
        told_by_line=told_by_line,
        zone_leads=zone_leads,
        etched=etched,
        other=other_structure(dice, xy, warp),
        without=without,
    )


def _member(scene: _Scene, i: int, plate_strength: Tensor) -> tuple[Tensor, tuple[Tensor, Tensor]]:
    """Paint member `i` (0 butting, 1 nonbutting) with its heat-affected zone; also (zone, whether it is seen).

    The zone is a band of the distance from the weld, of either sign, crisp or soft, with a rim.
    """
    dice, distance, leads = scene.dice, scene.distance, scene.zone_leads > 0
    direction = scene.layout["directions"][:, i, None, None, None]
    texture = plate_structure(dice, scene.xy, direction) * plate_strength * dice.between(0.5, 1.5)
    width = (scene.layout["haz"][:, i, None, None, None] * dice.logs(0.4, 1.6)).clamp(min=2.0)
    wave = width * (1 + 0.12 * smooth_field(dice.batch, scene.size, 6, dice.device))
    crisp = width * torch.where(leads, dice.logs(0.02, 0.12), dice.logs(0.02, 0.5))
    inside = torch.sigmoid((wave - distance) / crisp.clamp(min=0.5))
    strength = torch.where(dice.chance(0.2) > 0, dice.between(0, 5), dice.between(5, 65))
    level = dice.sign() * torch.where(leads, dice.between(18, 65), strength)
    fades = dice.chance(0.4) * (1 - scene.zone_leads)
    ramp = torch.where(fades > 0, 1 - (distance / wave).clamp(0, 1), torch.ones_like(distance))
    ramp = torch.where(dice.chance(0.3) > 0, (distance / wave).clamp(0, 1), ramp)
    rim = (
        dice.chance(0.35)
        * dice.sign()
        * dice.between(10, 70)
        * torch.exp(-(((distance - wave) / dice.logs(1.0, 4.0)) ** 2))
    )
    # A second band inside the first: the coarse-grained part beside the fusion line, and its own tone.
    inner = torch.sigmoid((wave * dice.between(0.2, 0.7) - distance) / crisp.clamp(min=0.5))
    second = dice.chance(0.35) * inner
    calm = 1 - inside * dice.chance(0.4) * dice.between(0.3, 1.0)
    coarse = second * dice.chance(0.5) * dice.between(2, 18) * scene.other
    texture = texture + dice.chance(0.12) * dice.between(2, 14) * scene.other.roll(7 + 40 * i, dims=-1)
    seen = ((level.abs() > 7) | (rim.abs().amax(dim=(2, 3), keepdim=True) > 12)).float()
    zone = (distance < wave).float() * (scene.cover[2 + i] > 0.5)
    bands = (level * inside * ramp + second * dice.sign() * dice.between(0, 40)) * scene.etched
    if "zones" in scene.without:
        return scene.tones[i] + texture, (zone, torch.zeros_like(seen))
    return scene.tones[i] + (texture + coarse) * calm + bands + rim, (zone, seen)


def _deposit(scene: _Scene) -> Tensor:
    """Paint the weld metal: its cast structure."""
    dice = scene.dice
    strength = torch.where(scene.told_by_grain > 0, dice.between(7, 45), dice.between(0, 30))
    strength = torch.where(scene.told_by_line > 0, dice.between(0, 7), strength)
    patchy = 1 + dice.chance(0.3) * dice.between(0, 0.7) * scene.slow.clamp(-1, 1)
    return scene.weld_tone + strength * patchy * cast_structure(
        dice, scene.distance, scene.along, scene.xy, scene.warp
    )


def _passes(scene: _Scene) -> Tensor:
    """Lines between several passes, and reheated crescents beside the lines, to be added inside the weld."""
    dice = scene.dice
    passes = (scene.layout["lines"][:, None] >= 2).float()
    wide = blur(passes, scene.size * dice.between(0.01, 0.05)) * 12
    crescents = dice.chance(0.7) * dice.sign() * dice.between(5, 50) * wide.clamp(0, 1)
    if "zones" in scene.without:
        crescents = torch.zeros_like(crescents)
    return crescents + dice.chance(0.6) * dice.sign() * dice.between(5, 60) * blur(passes, dice.between(0.6, 1.5))


def _background(scene: _Scene) -> Tensor:
    """Paint what lies behind the section: plain, dusty, patchy or patterned."""
    dice, xy = scene.dice, scene.xy
    dust = table_noise(xy[0] / 2.0, xy[1] / 2.0)
    plain = scene.ground + dice.between(0, 10) * dust
    back = plain + dice.chance(0.3) * dice.between(5, 40) * scene.patch
    back = back + dice.chance(0.3) * dice.between(4, 40) * scene.other.roll(31, dims=-2)
    back = back + dice.chance(0.12) * dice.between(10, 50) * torch.sign(
        torch.sin(xy[0] / dice.logs(3, 40)) + torch.sin(xy[1] / dice.logs(3, 40))
    )
    return plain if "clutter" in scene.without else back


def _lay_together(scene: _Scene) -> tuple[Tensor, list[tuple[Tensor, Tensor]]]:
    """Paint every region and lay them together; also each member's heat-affected zone and whether it is seen."""
    dice, cover = scene.dice, scene.cover
    weld_paint = _deposit(scene)
    plate_strength = dice.between(0, 14)
    members = [_member(scene, i, plate_strength) for i in (0, 1)]
    weld_paint = weld_paint + _passes(scene)
    back = _background(scene)
    direction = scene.layout["directions"][:, 0, None, None, None]
    loose = scene.tones[0] + dice.normal(20) + plate_structure(dice, scene.xy, direction) * plate_strength
    loose = loose + dice.chance(0.35) * dice.between(5, 35) * scene.other.flip(-1)
    gap_tone = torch.where(dice.chance(0.7) > 0, dice.between(0, 40), scene.ground)
    void_tone = torch.where(dice.chance(0.8) > 0, dice.between(0, 50), dice.between(0, 255))
    air = 1 - (scene.weld + cover[2] + cover[3] + cover[LOOSE]) - cover[GAP]
    grey = (
        cover[1] * weld_paint
        + cover[2] * members[0][0]
        + cover[3] * members[1][0]
        + cover[LOOSE] * loose
        + cover[GAP] * gap_tone
        + cover[VOID] * void_tone
        + air * back
    )
    return grey, [zone for _, zone in members]


def _lines(scene: _Scene) -> tuple[Tensor, Tensor]:
    """The fusion line, seams and rims along outlines, to be added; also whether the seams are seen."""
    dice = scene.dice
    # Fusion line dark, bright or absent, and patchy; it needs the metal on both sides.
    line_on = torch.where(scene.told_by_grain > 0, dice.chance(0.35), dice.chance(0.55)) * (1 - scene.zone_leads)
    line_on = torch.maximum(line_on, scene.told_by_line) * (0.4 + 0.6 * (scene.slow > -0.7).float())
    fusion = torch.exp(-((scene.distance / dice.logs(0.6, 2.8)) ** 2)) * scene.body
    added = line_on * dice.sign() * (dice.between(8, 80) + 15 * scene.told_by_line) * fusion
    seam_seen = dice.chance(0.75)
    soft = blur(scene.seams, dice.logs(0.5, 1.6))
    soft = soft / soft.amax(dim=(2, 3), keepdim=True).clamp(min=1e-3)
    added = added - seam_seen * dice.between(12, 140) * soft * torch.where(dice.chance(0.9) > 0, 1.0, -0.7) * (
        0.5 + 0.5 * (scene.patch > -1).float()
    )
    # Outline rims: needed where plate and background share a tone, frequent elsewhere.
    need = ((scene.tone - scene.ground).abs() < 15).float()
    rim_on = torch.maximum(need, dice.chance(0.4))
    rim_level = torch.where(scene.ground + scene.tone > 300, -1.0, dice.sign()) * dice.between(12, 90)
    return added + rim_on * rim_level * _dilated_edge(scene.metal, dice.logs(0.5, 2.5)), seam_seen


def _blemishes(scene: _Scene) -> Tensor:
    """False edges and stains, metal only half the time; grinding marks and scratches; to be added."""
    dice, xy = scene.dice, scene.xy
    place = torch.where(dice.chance(0.5) > 0, scene.metal, torch.ones_like(scene.metal))
    added = place * dice.chance(0.3) * dice.between(5, 35) * scene.patch
    c, s = torch.cos(dice.between(0, 6.3)), torch.sin(dice.between(0, 6.3))
    half = scene.size / 2
    edge = torch.tanh(
        ((xy[0] % scene.size - half) * c + (xy[1] % scene.size - half) * s + 20 * scene.slow + dice.normal(60))
        / dice.logs(0.7, 30)
    )
    added = added + place * dice.chance(0.2) * dice.between(4, 30) * edge
    a = dice.between(0, math.pi)
    lie, across = xy[0] * torch.cos(a) + xy[1] * torch.sin(a), -xy[0] * torch.sin(a) + xy[1] * torch.cos(a)
    marks = table_noise(lie / dice.logs(40, 400), across / dice.logs(0.8, 3.0))
    sparse = (marks.abs() - 1.3).clamp(min=0) * torch.sign(marks) * 3
    strength = dice.chance(0.5) * dice.between(1, 16)
    added = added + scene.metal * strength * torch.where(dice.chance(0.5) > 0, marks, sparse)
    # Pits and dirt: specks of one tone, few or many, in the metal or everywhere.
    fine = dice.logs(1.5, 7.0)
    specks = (table_noise(xy[0] / fine, xy[1] / fine) - dice.between(1.2, 2.2)).clamp(0, 0.5) * 2
    return added + place * dice.chance(0.2) * dice.sign() * dice.between(10, 120) * specks


def _uncluttered(layout: dict[str, Tensor]) -> dict[str, Tensor]:
    """The same layouts with nothing lying about or written over them."""
    regions = layout["regions"]
    bare = torch.where(regions == LOOSE, torch.zeros_like(regions), regions)
    return {**layout, "regions": bare, "clutter": torch.zeros_like(layout["clutter"])}


def paint(layout: dict[str, Tensor], without: Without = WHOLE) -> tuple[Tensor, dict[str, Tensor]]:
    """Paint a batch: returns pictures (b, 3, h, w) in 0..255 and the targets the network learns.

    Targets: `regions` (b, h, w) int64; `lines` (b, 4, h, w) haz, fusion line, seam, void in 0..1; `line_weight`
    the same shape (0 where the answer cannot be seen); `points` (b, 3, h, w) heat maps; `matters` (b, h, w) how
    much each pixel of `regions` counts.

    `without` leaves ingredients out; for the same random state the pictures differ in nothing else.
    """
    if "clutter" in without:
        layout = _uncluttered(layout)
    scene = _scene(layout, without)
    grey, zones = _lay_together(scene)
    lines, seam_seen = _lines(scene)
    grey = grey + lines + _blemishes(scene)
    clutter = layout["clutter"][:, None].float()
    picture = photograph(grey, scene.metal, scene.weld, scene.dice, clutter)
    if "camera" in without:
        picture = plain_photograph(grey, clutter)
    strange = estranged(picture, scene.dice)
    picture = picture if "filters" in without else strange
    targets = _targets(layout, scene.cover, scene.distance, scene.body, scene.seams, seam_seen, zones, scene.size)
    picture, targets = bend(picture, targets, scene.dice)
    # What the geometry lives on counts more: the fusion line, and the thin rims and lips at toes and root.
    near = F.max_pool2d(targets["points"].amax(dim=1, keepdim=True), 9, stride=1, padding=4)[:, 0]
    targets["matters"] = 1 + 2 * targets["lines"][:, 1] + 3 * near
    return picture, targets


def _targets(
    layout: dict[str, Tensor],
    cover: dict[int, Tensor],
    distance: Tensor,
    body: Tensor,
    seams: Tensor,
    seam_seen: Tensor,
    haz_band: list[tuple[Tensor, Tensor]],
    size: int,
) -> dict[str, Tensor]:
    weld = cover[1] + cover[VOID]
    stack = torch.cat([1 - weld - cover[2] - cover[3], weld, cover[2], cover[3]], dim=1)
    regions = stack.argmax(dim=1)
    haz = torch.maximum(haz_band[0][0], haz_band[1][0])
    haz_seen = torch.where(regions[:, None] == 2, haz_band[0][1], haz_band[1][1])
    fusion = torch.exp(-((distance / 1.6) ** 2)) * (body > 0.5)
    seam = blur(seams, torch.full_like(distance[:, :1, :1, :1], 0.8))
    seam = (seam / 0.45).clamp(0, 1)
    lines = torch.cat([haz, fusion, seam, (cover[VOID] > 0.5).float()], dim=1)
    one = torch.ones_like(haz)
    seam_weight = 0.3 + 0.7 * seam_seen.expand_as(haz)
    weight = torch.cat([torch.where(haz > 0, haz_seen, one), one, seam_weight, one], dim=1)
    axis = torch.arange(size, device=distance.device, dtype=torch.float32)
    pts = layout["points"]
    sigma = (layout["span"] * 0.02).clamp(1.5, 4.0)[:, None, None, None]
    dx = axis[None, None, None, :] - pts[:, :, 0, None, None]
    dy = axis[None, None, :, None] - pts[:, :, 1, None, None]
    heat = torch.exp(-(dx**2 + dy**2) / (2 * sigma**2))
    return {
        "regions": regions,
        "lines": lines,
        "line_weight": weight,
        "points": torch.maximum(heat[:, :3], heat[:, 3:]),
    }
