"""Setting: one thing noted about how a coupon was welded, as written and as a number; the known ones."""

import re
from dataclasses import dataclass
from typing import Any, Literal

Origin = Literal["written", "derived", "assumed"]
Measure = Literal[
    "text", "length", "thickness", "speed", "volts", "amps", "flow", "ratio", "density", "angle", "count"
]


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: `text` as it was written, and where it is a number `value` in `unit`.

    `low`, `high`: the ends of a range, or the least and the most of several readings. `u`: standard uncertainty in
    `unit`, None where nothing says it. `origin`: written by the user, derived from other settings (`text` then is
    the formula), or assumed (`text` then says from what).
    """

    name: str
    text: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    u: float | None = None
    unit: str = ""
    origin: Origin = "written"

    def to_json(self) -> dict[str, object]:
        """Return the setting as it stands in the record's documents."""
        return {name: getattr(self, name) for name in self.__slots__}

    @classmethod
    def from_json(cls, row: dict[str, Any]) -> "Setting":
        """Return the setting that `to_json` wrote."""
        return cls(**{name: row[name] for name in cls.__slots__})


@dataclass(frozen=True, slots=True)
class SettingKind:
    """A setting that is known: `name` in the record, `unit` it is kept in, `usual` unit a bare number may mean."""

    name: str
    measure: Measure
    unit: str
    explanation: str
    also: tuple[str, ...] = ()
    usual: str | None = None


KINDS: tuple[SettingKind, ...] = (
    SettingKind("process", "text", "", "welding process, such as GMAW"),
    SettingKind("wire", "text", "", "wire or electrode type, such as ER70S-6", ("wire type", "electrode")),
    SettingKind(
        "wire_diameter",
        "length",
        "mm",
        "diameter with its unit: 0.9 mm, .035 in, 1/16 in",
        ("wire size", "wire dia"),
    ),
    SettingKind("gas", "text", "", "shielding gas, such as Ar 90 CO2 10", ("shielding gas",)),
    SettingKind("gas_flow", "flow", "L/min", "gas flow: 15 L/min, 35 cfh", ("flow",)),
    SettingKind("polarity", "text", "", "such as DC electrode positive"),
    SettingKind("position", "text", "", "welding position, such as 2F or PB"),
    SettingKind("machine", "text", "", "machine and its dials as they stood", ("machine settings", "power source")),
    SettingKind(
        "wire_feed_speed",
        "speed",
        "m/min",
        "wire feed speed: 7.6 m/min, 300 in/min, or readings of length over time: 94 in / 15 s; 96 in / 15 s",
        ("wfs", "wire feed", "wire speed"),
    ),
    SettingKind(
        "volts", "volts", "V", "volts as read: 22.5 or a range 22-23", ("voltage", "arc volts", "arc voltage"), "V"
    ),
    SettingKind("amps", "amps", "A", "amps as read: 180 or a range 170-190", ("amperage", "current"), "A"),
    SettingKind(
        "travel_speed",
        "speed",
        "mm/min",
        "travel speed: 400 mm/min, 15 in/min, or length over time: 150 mm / 22 s",
        ("travel",),
    ),
    SettingKind(
        "stickout",
        "length",
        "mm",
        "contact tip to work or electrode extension: 15 mm, 1/2 in",
        ("stick out", "ctwd"),
    ),
    SettingKind("work_angle", "angle", "deg", "work angle in degrees", (), "deg"),
    SettingKind("travel_angle", "angle", "deg", "travel angle in degrees", (), "deg"),
    SettingKind("passes", "count", "", "number of passes in the section, 1 where nothing is said", (), ""),
    SettingKind("deposition_efficiency", "ratio", "1", "deposited over melted wire: 95 %"),
    SettingKind("thermal_efficiency", "ratio", "1", "heat into the work over arc energy: 80 %"),
    SettingKind(
        "wire_density", "density", "g/cm3", "density of the wire, 7.85 g/cm3 (steel) where nothing is said"
    ),
    SettingKind(
        "thickness_butting",
        "thickness",
        "mm",
        "thickness of the butting member: 6 mm, 1/4 in, 11ga",
        ("butting thickness", "upper thickness"),
    ),
    SettingKind(
        "thickness_nonbutting",
        "thickness",
        "mm",
        "thickness of the nonbutting member",
        ("nonbutting thickness", "lower thickness"),
    ),
    SettingKind("technique", "text", "", "push, pull, weave, stringer ..."),
    SettingKind("operator", "text", "", "who welded", ("welder",)),
    SettingKind("date", "text", "", "when it was welded, such as 2026-03-14"),
    SettingKind("note", "text", "", "anything else", ("notes", "remark", "remarks")),
)

BY_NAME: dict[str, SettingKind] = {k.name: k for k in KINDS}


def plain_name(text: str) -> str:
    """Return a heading as it is compared: lower case, words parted by single underscores."""
    return "_".join(re.split(r"[\s_\-./]+", text.strip().lower())).strip("_")


_BY_WORDS = {plain_name(n): k for k in KINDS for n in (k.name, *k.also)}


def kind_named(text: str) -> SettingKind:
    """Return the setting that a heading names; one that is not in the list is kept as text under its own name."""
    return _BY_WORDS.get(plain_name(text)) or SettingKind(
        " ".join(text.split()), "text", "", "a column of your own"
    )


def known_words() -> tuple[str, ...]:
    """Return every heading that is known, in the form of `plain_name`."""
    return tuple(_BY_WORDS)
