"""What an exported folder holds, in the terms of RO-Crate 1.1."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.record.entries import PhotoKept
from macrocheck.results import CAUTIONS

_TYPES = {
    ".json": "application/json",
    ".geojson": "application/geo+json",
    ".toml": "application/toml",
    ".csv": "text/csv",
    ".jsonl": "application/jsonl",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".tif": "image/tiff",
    ".tiff": "image/tiff",
    ".webp": "image/webp",
}
_WHAT = {
    "record.json": "Whose record this is, and its last revision",
    "revisions.jsonl": "Every revision in order, each with the hash of the one before",
    "welds.csv": "One row a weld: settings and quantities with their units and expanded uncertainties (U95)",
}


def write_metadata(
    folder: Path, overlays: Mapping[str, tuple[str, str]], photos: Mapping[str, tuple[PhotoKept, str]]
) -> None:
    """Write ro-crate-metadata.json for all that lies in `folder`; InputError where the library is missing.

    `overlays`: path -> (what it shows, path of its photograph). `photos`: digest -> (photograph, path).
    """
    try:
        from rocrate.rocrate import ROCrate
    except ImportError as error:
        msg = 'Writing an RO-Crate folder needs an extra: pip install "macrocheck[crate]".'
        raise InputError(msg) from error
    from rocrate.model.softwareapplication import SoftwareApplication

    crate: Any = ROCrate(version="1.1")
    crate.name = "Test record of welded and etched sections"
    crate.description = f"Measurements of cut-and-etch cross sections of welds. {' '.join(CAUTIONS)}"
    crate.datePublished = datetime.now(UTC)
    crate.license = "Not stated; ask whoever gave you this folder."
    program = crate.add(
        SoftwareApplication(
            crate,
            "#macrocheck",
            properties={"name": "macrocheck", "version": __version__, "softwareVersion": __version__},
        )
    )
    made: dict[str, Any] = {}
    names = {path: photo.name for photo, path in photos.values()}
    for file in sorted(p for p in folder.rglob("*") if p.is_file()):
        path = file.relative_to(folder).as_posix()
        properties: dict[str, Any] = {
            "name": names.get(path, file.name),
            "contentSize": str(file.stat().st_size),
        }
        if file.suffix.lower() in _TYPES:
            properties["encodingFormat"] = _TYPES[file.suffix.lower()]
        what = _WHAT.get(path) or (overlays[path][0] if path in overlays else None)
        if what is not None:
            properties["description"] = what
        made[path] = crate.add_file(file, dest_path=path, properties=properties)
    for path, (_, photo_path) in overlays.items():
        made[path]["isBasedOn"] = made[photo_path]
        made[path]["creator"] = program
    crate.metadata.write(folder)
