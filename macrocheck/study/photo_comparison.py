"""PhotoComparison: two or more photographed sections beside each other, quantity by quantity."""

from dataclasses import dataclass

from macrocheck.results import Quantity
from macrocheck.study.values import plain

FORMAT = "macrocheck-photo-comparison"
FORMAT_VERSION = 1


@dataclass(frozen=True, slots=True)
class PhotoDifference:
    """A photo's value less the first photo's: `U95` is the joint one, and `exceeds` says the difference is more."""

    photo: int
    difference: float | None
    U95: float | None
    exceeds: bool | None


@dataclass(frozen=True, slots=True)
class ComparedQuantity:
    """One quantity: a `Quantity` a photo (None where its joint has no such quantity), differences to the first."""

    key: str
    name: str
    unit: str
    values: tuple[Quantity | None, ...]
    differences: tuple[PhotoDifference, ...]


@dataclass(frozen=True, slots=True)
class PhotoComparison:
    """Photos by `names`, the `weld` (from 1) that was taken of each, the rows, and notes."""

    names: tuple[str, ...]
    welds: tuple[int, ...]
    rows: tuple[ComparedQuantity, ...]
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def to_json(self) -> dict[str, object]:
        """Return the comparison as a document of plain values."""
        body = plain(self)
        return {"format": FORMAT, "format_version": FORMAT_VERSION, **(body if isinstance(body, dict) else {})}
