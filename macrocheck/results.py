"""Measurements, verdicts and the whole result of one photograph, with its JSON form.

The JSON document's format is named `FORMAT` and described by `result.schema.json` beside this module.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from macrocheck.arrays import FloatArray
from macrocheck.flags import Flag
from macrocheck.outline import Outline
from macrocheck.scale import Scale

FORMAT = "macrocheck-result"
FORMAT_VERSION = 1

CAUTIONS: tuple[str, ...] = (
    "A visual measurement of one section is not a qualification of a procedure or a welder; "
    "codes, contract and a licensed or certified person decide.",
    "One section shows one place of one weld; it says nothing of how consistent the setting is.",
)

VerdictWord = Literal["accept", "undecided", "reject"]
Value = float | tuple[float, ...] | tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number: value, standard uncertainty `u` and `U95`, all in `unit`; or None and the reason.

    List quantities (`size_unequal`: two legs; `unfused_spans_*`: (start, end) pairs) hold tuples in `value`;
    their `u` and `U95` then hold for every entry.
    """

    value: Value | None
    u: float | None
    U95: float | None
    unit: str
    reason: str | None = None

    def to_json(self) -> dict[str, object]:
        """Return the quantity as it stands in the result document."""
        value: object = self.value
        if isinstance(value, tuple):
            value = [list(v) if isinstance(v, tuple) else v for v in value]
        return {"value": value, "u": self.u, "U95": self.U95, "unit": self.unit, "reason": self.reason}


@dataclass(frozen=True, slots=True)
class Profile:
    """Depth of fusion along one member surface: `s_mm` (n,), `d_mm` (n,), `u_mm` (n,), from the joint root."""

    s_mm: FloatArray
    d_mm: FloatArray
    u_mm: FloatArray

    def to_json(self) -> dict[str, object]:
        """Return the profile as it stands in the result document."""
        return {
            "s_mm": [round(float(v), 4) for v in self.s_mm],
            "d_mm": [round(float(v), 4) for v in self.d_mm],
            "u_mm": [round(float(v), 4) for v in self.u_mm],
        }


@dataclass(frozen=True, slots=True)
class Measurements:
    """Everything measured on one weld.

    `quantities`: key -> Quantity, one for every key that the joint has. `profiles`: member -> Profile
    ("butting", "nonbutting"; "surface" for a bead). `settings`: what the numbers rest on besides the picture
    ("fusion_threshold_mm": 0.1, "draws": 200, "seed": 0).
    """

    quantities: dict[str, Quantity]
    profiles: dict[str, Profile]
    flags: tuple[Flag, ...] = ()
    settings: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Verdict of one limit on one weld.

    `limit` the limit's name, `quantity` its key, `word` accept, undecided or reject, `at_least`/`at_most` the
    evaluated limits in `unit`, `value`/`guard` what was compared, `source` and `mark` where the limit comes
    from ("read" / "from memory" / "stated by the user"), `text` one sentence saying why.
    """

    limit: str
    quantity: str
    word: VerdictWord
    at_least: float | None
    at_most: float | None
    unit: str
    value: float | None
    guard: float
    source: str
    mark: str
    text: str

    def to_json(self) -> dict[str, object]:
        """Return the verdict as it stands in the result document."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Verdicts:
    """All verdicts of a photograph: per weld a tuple, the grade of the whole, and what the grade rests on.

    `given` (symbol -> mm) and `guard` (multiple of U95; None: the limits' own) as the user stated them beside the
    limits.
    """

    per_weld: tuple[tuple[Verdict, ...], ...]
    grade: VerdictWord | None
    limits_name: str | None = None
    rule: str | None = None
    notes: tuple[str, ...] = ()
    given: Mapping[str, float] = field(default_factory=dict)
    guard: float | None = None


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """What identifies the photograph in a result; `notes` say what was decided while reading it."""

    path: str
    sha256: str
    width: int
    height: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Result:
    """One photograph, measured and (where limits were given) graded.

    `correction`: who changed the outline by hand, when, where, and what had been found; None where nobody did.
    """

    photo: PhotoFacts
    scale: Scale
    outline: Outline
    measurements: tuple[Measurements, ...]
    verdicts: Verdicts
    version: str
    correction: Mapping[str, object] | None = None

    def to_json(self) -> dict[str, object]:
        """Return the result document (plain dicts, lists, strings, numbers, None)."""
        welds = []
        for i, (weld, measured) in enumerate(zip(self.outline.welds, self.measurements, strict=True)):
            root = weld.joint_root
            verdicts = self.verdicts.per_weld[i] if i < len(self.verdicts.per_weld) else ()
            welds.append(
                {
                    "joint": weld.joint,
                    "joint_root_px": None if root is None else list(root),
                    "toe_butting_px": list(weld.toe_butting) if weld.complete_butting else None,
                    "toe_nonbutting_px": list(weld.toe_nonbutting) if weld.complete_nonbutting else None,
                    "weld_outline_px": [[round(float(x), 3), round(float(y), 3)] for x, y in weld.polygon],
                    "quantities": {k: q.to_json() for k, q in measured.quantities.items()},
                    "profile": {k: p.to_json() for k, p in measured.profiles.items()},
                    "settings": dict(measured.settings),
                    "flags": [f.to_json() for f in (*weld.flags, *measured.flags)],
                    "verdicts": [v.to_json() for v in verdicts],
                }
            )
        return {
            "format": FORMAT,
            "format_version": FORMAT_VERSION,
            "photo": {
                "path": self.photo.path,
                "sha256": self.photo.sha256,
                "width": self.photo.width,
                "height": self.photo.height,
                "notes": list(self.photo.notes),
            },
            "scale": self.scale.to_json(),
            "outline": {
                "made_by": self.outline.made_by,
                "flags": [f.to_json() for f in self.outline.flags],
                **({} if self.correction is None else {"correction": dict(self.correction)}),
            },
            "welds": welds,
            "grade": self.verdicts.grade,
            "limits": {
                "name": self.verdicts.limits_name,
                "rule": self.verdicts.rule,
                "notes": list(self.verdicts.notes),
                "given_mm": dict(self.verdicts.given),
                "guard": self.verdicts.guard,
            },
            "cautions": list(CAUTIONS),
            "version": self.version,
        }
