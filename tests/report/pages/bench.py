"""A record of coupons for the report's tests: the hand-made tee, measured once, under many names."""

import hashlib
import json
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from macrocheck.outline_file import outline_bytes
from macrocheck.pipeline import measure_photo
from macrocheck.record.attach import Measured, attach
from macrocheck.record.entries import KeptWhere, SectionInputs
from macrocheck.record.rebuild import scale_detail
from macrocheck.record.setting_text import read_setting
from macrocheck.record.settings import Setting, kind_named
from macrocheck.record.store import Record
from tests.cli.coupon import MARK, outline, write_photo

HOSTILE = "</style><script>alert(document.domain)</script>\"'><img src=x onerror=alert(1)>&{{7*7}}$x^2$"
"""What a coupon, its settings and its reasons are called."""


@dataclass(frozen=True)
class Tee:
    """The tee's photograph as bytes, its result document, outline and scale."""

    photo: bytes
    document: dict[str, Any]
    outline: bytes
    scale: Mapping[str, Any]


def measured_tee(folder: Path) -> Tee:
    """Measure the hand-made tee, graded."""
    path = write_photo(folder / "tee.jpg")
    result = measure_photo(
        path, mark=MARK, outline=outline(), limits="iso5817-fillet-b", given={"t": 6.0, "a": 3.0}
    )
    document: dict[str, Any] = json.loads(json.dumps(result.to_json()))
    return Tee(path.read_bytes(), document, outline_bytes(result.outline), scale_detail(result.scale))


def settings(**noted: str) -> list[Setting]:
    """Read settings as a sheet's cells say them."""
    return [read_setting(kind_named(name), text) for name, text in noted.items()]


def put(
    record: Record,
    tee: Tee,
    coupon: str,
    folder: Path,
    *,
    noted: list[Setting],
    sections: int = 1,
    grow: float = 0.0,
    keep: KeptWhere = "beside",
    with_outline: bool = True,
    reason: str | None = None,
    who: str | None = "Kim",
) -> list[Path]:
    """Put a coupon on the record, `grow` mm more root penetration and fusion, a photograph of its own a section."""
    paths, measured = [], []
    for i in range(sections):
        content = tee.photo + f"{coupon} {i} {grow}".encode()
        path = folder / f"{hashlib.sha256(content).hexdigest()[:12]}.jpg"
        path.write_bytes(content)
        document = deepcopy(tee.document)
        document["photo"] |= {"path": str(path), "sha256": hashlib.sha256(content).hexdigest()}
        for weld in document["welds"]:
            for key in ("root_penetration", "depth_of_fusion_butting", "depth_of_fusion_nonbutting"):
                weld["quantities"][key]["value"] += grow + 0.02 * i
        measured.append(
            Measured(
                "abcdef"[i],
                document,
                SectionInputs(marks=(MARK,), joint="tee", given={"t": 6.0, "a": 3.0}, fusion_threshold_mm=0.1),
                path,
                tee.outline if with_outline else None,
                None,
                tee.scale,
            )
        )
        paths.append(path)
    attach(record, coupon, measured, settings=noted, keep=keep, reason=reason, who=who)
    return paths
