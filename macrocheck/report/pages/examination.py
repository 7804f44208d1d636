"""What a report of a macroscopic examination has to say of how the section was made, and where the sheet says it.

Items: parent metal, etchant, surface finish, etching method and time as ISO 17639 asks of its report (read in a
published extract of it, not in the standard); the others from memory of the same list.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from macrocheck.record.settings import Setting, plain_name

SOURCE = (
    "Items that ISO 17639 asks of the report: parent metal, etchant, surface finish, etching method and time "
    "[read, in an extract]; the others [from memory]."
)


@dataclass(frozen=True, slots=True)
class Item:
    """One item: its title and the headings that a sheet may have for it; `core`: missed where it is not noted."""

    title: str
    headings: tuple[str, ...]
    core: bool = False


ITEMS: tuple[Item, ...] = (
    Item("Standard", ("standard", "examined_to", "test_standard")),
    Item("Kind of examination", ("examination", "kind_of_examination", "type_of_examination")),
    Item(
        "Parent metal",
        ("parent_metal", "base_metal", "parent_material", "base_material", "material", "steel", "steel_grade"),
        core=True,
    ),
    Item("Heat treatment", ("heat_treatment", "post_weld_heat_treatment", "pwht", "condition")),
    Item("Place of the section", ("section_position", "section_location", "location", "place", "cut_at")),
    Item(
        "Surface finish",
        ("surface_finish", "finish", "grinding", "preparation", "surface_preparation", "grit", "polish"),
        core=True,
    ),
    Item("Etchant", ("etchant", "etch", "reagent", "etching_reagent"), core=True),
    Item("Etching method", ("etching_method", "etch_method", "method_of_etching", "how_etched"), core=True),
    Item("Etching time", ("etching_time", "etch_time", "time_of_etching"), core=True),
    Item("Magnification", ("magnification", "enlargement"), core=True),
    Item("Examined by", ("examiner", "examined_by", "inspector", "inspected_by")),
    Item("Examined on", ("examined_on", "examination_date", "date_of_examination")),
)

_BY_HEADING = {heading: item for item in ITEMS for heading in item.headings}


@dataclass(frozen=True, slots=True)
class Examination:
    """The items noted of one coupon, the core items that are not, and the settings that are no such item."""

    noted: tuple[tuple[Item, Setting], ...]
    missing: tuple[str, ...]
    others: tuple[Setting, ...]


def examination(settings: Sequence[Setting]) -> Examination:
    """Part a coupon's settings into what was noted of the examination and the rest."""
    found: dict[str, Setting] = {}
    others = []
    for setting in settings:
        item = _BY_HEADING.get(plain_name(setting.name))
        if item is None or item.title in found:
            others.append(setting)
        else:
            found[item.title] = setting
    return Examination(
        tuple((item, found[item.title]) for item in ITEMS if item.title in found),
        tuple(item.title for item in ITEMS if item.core and item.title not in found),
        tuple(others),
    )
