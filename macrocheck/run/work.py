"""One section measured, in whatever process it is done: a job in, an outcome out, both plain values."""

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from macrocheck.errors import MacrocheckError
from macrocheck.record.documents import canonical, digest

if TYPE_CHECKING:
    from macrocheck.grade import LimitSet
    from macrocheck.outline import Outline

TIME_LIMIT_S = 300.0
"""How long one photograph may take. One of 12 Mpx takes a second or two; whatever takes minutes is not coming."""


@dataclass(frozen=True, slots=True)
class LimitsText:
    """Limits as they stand: the TOML text, and what it is called in messages."""

    text: str
    where: str
    fallback: str
    shipped: bool


@dataclass(frozen=True, slots=True)
class SectionJob:
    """One photograph to measure and what with; lengths in mm.

    `sha256`: of the photograph when the job was made; `content`: its bytes, where the file is not at hand in the
    process that measures. `outline`: GeoJSON bytes. `kept_outline`: the same, of the outline that a person
    corrected on the record, used where the sheet names none; it is no input of the sheet's. `mark_offset_mm`,
    `camera_distance_mm`: how high the marks lie over the section, as `calibrate` takes them.
    """

    coupon: str
    section: str
    photo: str
    sha256: str
    marks: tuple[str, ...]
    joint: str
    hints: tuple[str, ...]
    outline: bytes | None
    given: Mapping[str, float] = field(default_factory=dict)
    limits: LimitsText | None = None
    guard: float | None = None
    fusion_threshold_mm: float = 0.1
    content: bytes | None = None
    kept_outline: bytes | None = None
    mark_offset_mm: float | None = None
    camera_distance_mm: float | None = None

    def inputs(self, version: str) -> str:
        """Return the digest of all that the result depends on, the measuring program's version included."""
        height = {"mark_offset_mm": self.mark_offset_mm, "camera_distance_mm": self.camera_distance_mm}
        return digest(
            canonical(
                {
                    **{name: mm for name, mm in height.items() if mm is not None},
                    "photo": self.sha256,
                    "marks": list(self.marks),
                    "joint": self.joint,
                    "hints": list(self.hints),
                    "outline": None if self.outline is None else digest(self.outline),
                    "given_mm": dict(self.given),
                    "limits": None if self.limits is None else digest(self.limits.text.encode("utf-8")),
                    "guard": self.guard,
                    "fusion_threshold_mm": self.fusion_threshold_mm,
                    "version": version,
                }
            )
        )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a job: a result document, its outline and its scale's detail, or why there is none."""

    result: Mapping[str, Any] | None = None
    outline: bytes | None = None
    scale: Mapping[str, Any] | None = None
    failure: str | None = None


def gave_up(time_limit_s: float) -> str:
    """Return the failure of a photograph that took too long."""
    return (
        f"It was given up after {time_limit_s:g} s; run it again with a longer --time-limit, or with a smaller "
        "copy of the photograph."
    )


def measure_section(job: SectionJob) -> Outcome:
    """Measure one section; whatever goes wrong is the outcome, never an error."""
    try:
        if job.content is None:
            return _measured(job, Path(job.photo))
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder) / Path(job.photo).name
            place.write_bytes(job.content)
            return _measured(job, place)
    except MacrocheckError as error:
        return Outcome(failure=str(error))
    except MemoryError:
        return Outcome(failure="There was not enough memory; run fewer at once with --jobs.")
    except Exception as error:  # noqa: BLE001  (a fault of ours in one picture must not stop the run)
        what = " ".join(str(error).split())[:200]
        return Outcome(failure=f"Something went wrong that should not have ({type(error).__name__}: {what}).")


def measure_sections(jobs: tuple[SectionJob, ...]) -> tuple[Outcome, ...]:
    """Measure a coupon's sections one after the other."""
    return tuple(measure_section(job) for job in jobs)


def _measured(job: SectionJob, photo: Path) -> Outcome:
    from macrocheck.outline_file import outline_bytes
    from macrocheck.pipeline import JOINTS, measure_read_photo
    from macrocheck.reading import read_photo
    from macrocheck.record.rebuild import scale_detail

    joint = next(j for j in JOINTS if j == job.joint)
    read = read_photo(photo)
    if read.sha256 != job.sha256:
        return Outcome(failure="The photograph changed while the run was going on; run it again.")
    result = measure_read_photo(
        read,
        mark=job.marks,
        mark_offset=job.mark_offset_mm,
        camera_distance=job.camera_distance_mm,
        joint=joint,
        limits=None if job.limits is None else _limits(job.limits),
        given=job.given,
        guard=job.guard,
        outline=_outline(job, read.width, read.height),
        hints=job.hints,
        fusion_threshold_mm=job.fusion_threshold_mm,
    )
    document = result.to_json()
    document["photo"] = {**_mapping(document["photo"]), "path": job.photo}
    return Outcome(document, outline_bytes(result.outline), scale_detail(result.scale))


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _outline(job: SectionJob, width: int, height: int) -> "Outline | None":
    content = job.outline if job.outline is not None else job.kept_outline
    if content is None:
        return None
    import json

    from macrocheck.errors import InputError
    from macrocheck.outline_file import outline_from_geojson

    try:
        document = json.loads(content)
    except ValueError as error:
        msg = f"The outline of {job.coupon}, {job.section} is not JSON."
        raise InputError(msg) from error
    joint = None if job.joint == "auto" else job.joint
    return outline_from_geojson(document, width=width, height=height, joint=joint)  # type: ignore[arg-type]


@lru_cache(maxsize=4)
def _limits(limits: LimitsText) -> "LimitSet":
    from macrocheck.grade import parse_limits

    return parse_limits(limits.text, where=limits.where, shipped=limits.shipped, fallback=limits.fallback)
