"""What an exported folder holds, in the terms of RO-Crate 1.1."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from macrocheck import __version__
from macrocheck.errors import InputError
from macrocheck.record.crate_about import About
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
    folder: Path,
    documents: Mapping[str, About],
    overlays: Mapping[str, tuple[str, str]],
    photos: Mapping[str, tuple[PhotoKept, str]],
) -> None:
    """Write ro-crate-metadata.json for all that lies in `folder`; InputError where the library is missing.

    `documents`: digest -> what it is. `overlays`: path -> (what it shows, path of its photograph). `photos`:
    digest -> (photograph, path).
    """
    try:
        from rocrate.rocrate import ROCrate
    except ImportError as error:
        msg = 'Writing an RO-Crate folder needs an extra: pip install "macrocheck[crate]".'
        raise InputError(msg) from error
    crate: Any = ROCrate(version="1.1")
    crate.name = "Test record of welded and etched sections"
    crate.description = f"Measurements of cut-and-etch cross sections of welds. {' '.join(CAUTIONS)}"
    crate.datePublished = datetime.now(UTC)
    program, people, licence = _context(crate, documents)
    crate.license = licence
    if people:  # one as itself and not as a list of one, as the standard would have it
        crate.root_dataset["author"] = list(people.values()) if len(people) > 1 else next(iter(people.values()))
    made: dict[str, Any] = {}
    for file in sorted(p for p in folder.rglob("*") if p.is_file()):
        path = file.relative_to(folder).as_posix()
        properties = {"name": file.name, "contentSize": str(file.stat().st_size)}
        if file.suffix.lower() in _TYPES:
            properties["encodingFormat"] = _TYPES[file.suffix.lower()]
        about = documents.get(file.stem) if path.startswith("documents/") else None
        if about is not None:
            properties |= {"name": about.name, "description": about.description, "dateCreated": about.at}
        if path in _WHAT:
            properties["description"] = _WHAT[path]
        if path in overlays:
            properties["description"] = overlays[path][0]
        made[path] = crate.add_file(file, dest_path=path, properties=properties)
        if about is not None:
            made[path]["author"] = people[about.who]
    for photo, path in photos.values():
        made[path]["name"] = photo.name
    for file_path, about in ((p, documents.get(Path(p).stem)) for p in made if p.startswith("documents/")):
        if about is not None and about.photo is not None and about.photo in photos:
            made[file_path]["isBasedOn"] = made[photos[about.photo][1]]
    for path, (_, photo_path) in overlays.items():
        made[path]["isBasedOn"] = made[photo_path]
        made[path]["creator"] = program
    crate.metadata.write(folder)


def _context(crate: Any, documents: Mapping[str, About]) -> tuple[Any, dict[str, Any], Any]:
    """Add the program, the people who put something on the record, and what is known of a licence: nothing."""
    from rocrate.model.contextentity import ContextEntity
    from rocrate.model.person import Person
    from rocrate.model.softwareapplication import SoftwareApplication

    program = crate.add(
        SoftwareApplication(
            crate,
            "#macrocheck",
            properties={"name": "macrocheck", "version": __version__, "softwareVersion": __version__},
        )
    )
    people = {
        who: crate.add(Person(crate, f"#person-{i}", properties={"name": who}))
        for i, who in enumerate(dict.fromkeys(a.who for a in documents.values()), start=1)
    }
    text = "Nothing is stated about the use of this folder; ask whoever gave it to you."
    licence = {"@type": "CreativeWork", "name": "No licence stated", "description": text}
    return program, people, crate.add(ContextEntity(crate, "#licence", properties=licence))
