"""A record as a folder that others can read, an RO-Crate 1.1 package (w3id.org/ro/crate/1.1), and back.

ro-crate-metadata.json   what everything is, in the terms of the standard
record.json              whose record it is, and its last revision
revisions.jsonl          every revision, a line each, in order
documents/               what the revisions say, named by SHA-256
photos/                  the photographs that are kept, named by SHA-256
overlays/                what was measured, drawn into the photographs, as it stands now
welds.csv                the table of `record export --to csv`
"""

import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select, update

from macrocheck import __version__
from macrocheck.errors import InputError, MacrocheckError, OutputError
from macrocheck.paths import os_reason, shown
from macrocheck.record import schema
from macrocheck.record.crate_about import about_documents
from macrocheck.record.crate_metadata import write_metadata
from macrocheck.record.documents import digest, parsed, unpack
from macrocheck.record.engine import reading, writing
from macrocheck.record.entries import Document, PhotoKept
from macrocheck.record.export import export_csv
from macrocheck.record.ladder import BEGINNING, NO_HASH, begin_hash
from macrocheck.record.photos import file_name
from macrocheck.record.query import body_of, document_bytes, document_of, list_sections
from macrocheck.record.store import Record, insert_revision, keep_documents, revision_hash
from macrocheck.results import CAUTIONS

FORMAT = "macrocheck-record-folder"
FORMAT_VERSION = 1

_ENDINGS = {"application/json": ".json", "application/geo+json": ".geojson", "application/toml": ".toml"}
_COLUMNS = ("seq", "kind", "subject", "number", "reason", "at", "who", "version", "body", "previous", "hash")


def export_folder(record: Record, to: Path) -> int:
    """Write the whole record as an RO-Crate folder, whole or not at all; return the count of revisions.

    Raises InputError where the folder is there already or the library `rocrate` is missing, OutputError where it
    cannot be written.
    """
    if to.exists():
        msg = f"{shown(to)} is there already; name a folder that is not."
        raise InputError(msg)
    with _aside(to) as folder:
        for part in ("documents", "photos", "overlays"):
            (folder / part).mkdir()
        export_csv(record, folder / "welds.csv")
        with reading(record.engine, record.name) as conn:
            count = _write_chain(conn, folder)
            photos = _write_photos(record, conn, folder)
            overlays = _write_overlays(conn, folder, photos)
            documents = about_documents(conn)
        write_metadata(folder, documents, overlays, photos)
    return count


@contextmanager
def _aside(to: Path) -> Iterator[Path]:
    try:
        aside = Path(tempfile.mkdtemp(".part", ".macrocheck-", to.resolve().parent))
    except OSError as error:
        msg = f"{shown(to)} cannot be written: {os_reason(error)}; nothing was changed."
        raise OutputError(msg) from error
    try:
        yield aside
        aside.chmod(0o755)
        aside.rename(to)
    except (OSError, OutputError) as error:
        reason = error if isinstance(error, OSError) else error.__cause__
        if not isinstance(reason, OSError):  # the record, and not the folder
            raise
        msg = f"{shown(to)} cannot be written: {os_reason(reason)}; nothing was changed."
        raise OutputError(msg) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _write_chain(conn: Connection, folder: Path) -> int:
    t = schema.document
    for row in conn.execution_options(yield_per=100).execute(select(t)):
        try:
            (folder / "documents" / _document_name(row.sha256, row.media_type)).write_bytes(unpack(row.packed))
        except ValueError as error:
            msg = f"Document {row.sha256} is damaged; run: macrocheck record verify."
            raise InputError(msg) from error
    count = 0
    with (folder / "revisions.jsonl").open("w", encoding="utf-8", newline="\n") as file:
        query = select(schema.revision).order_by(schema.revision.c.seq)
        for row in conn.execution_options(yield_per=200).execute(query):
            line = {name: getattr(row, name) for name in _COLUMNS}
            file.write(json.dumps(line, ensure_ascii=False) + "\n")
            count += 1
    head = conn.execute(select(schema.head.c.seq, schema.head.c.hash)).one()
    about = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "info": {row.name: row.value for row in conn.execute(select(schema.info))},
        "seq": head.seq,
        "hash": head.hash,
        "exported_by": f"macrocheck {__version__}",
        "documents": {r.sha256: r.media_type for r in conn.execute(select(t.c.sha256, t.c.media_type))},
        "cautions": list(CAUTIONS),
    }
    text = json.dumps(about, ensure_ascii=False, indent=1)
    (folder / "record.json").write_text(text + "\n", encoding="utf-8")
    return count


def _document_name(sha256: str, media_type: str) -> str:
    return sha256 + _ENDINGS.get(media_type, "")


def _write_photos(record: Record, conn: Connection, folder: Path) -> dict[str, tuple[PhotoKept, str]]:
    """Write every photograph that is kept; return digest -> (photograph, its path in the folder)."""
    written: dict[str, tuple[PhotoKept, str]] = {}
    query = (
        select(schema.revision.c.body).where(schema.revision.c.kind == "section").order_by(schema.revision.c.seq)
    )
    for sha in conn.execute(query).scalars().all():
        about = document_of(conn, sha)["photo"]
        photo = None if about is None else PhotoKept(**about)
        if photo is None or photo.kept == "no" or photo.sha256 in written:
            continue
        content = record.photos.content(photo)
        if content is None or digest(content) != photo.sha256:
            msg = f"The photograph {photo.name} is missing or was changed; run: macrocheck record verify."
            raise InputError(msg)
        name = f"photos/{file_name(photo.sha256, photo.name)}"
        (folder / name).write_bytes(content)
        written[photo.sha256] = (photo, name)
    return written


def _write_overlays(
    conn: Connection, folder: Path, photos: Mapping[str, tuple[PhotoKept, str]]
) -> dict[str, tuple[str, str]]:
    """Draw what stands now; return path in the folder -> (what it shows, the photograph's path)."""
    from macrocheck.reading import read_photo
    from macrocheck.record.rebuild import rebuilt
    from macrocheck.report.encode import encode_png
    from macrocheck.report.overlay import draw_overlay

    drawn: dict[str, tuple[str, str]] = {}
    for listed in list_sections(conn):
        if listed.section_seq is None or listed.photo is None or listed.photo not in photos:
            continue
        body = body_of(conn, listed.section_seq)
        if not body["result"] or not body["outline"]:
            continue
        place = photos[listed.photo][1]
        outline = json.loads(document_bytes(conn, body["outline"]))
        result = rebuilt(document_of(conn, body["result"]), outline, body["scale"])
        name = f"overlays/{listed.section_seq:06d}-{_plain(listed.coupon)}-{_plain(listed.section or '')}.png"
        (folder / name).write_bytes(encode_png(draw_overlay(read_photo(folder / place), result)))
        grade = f", {listed.grade}" if listed.grade else ""
        drawn[name] = (f"Coupon {listed.coupon}, section {listed.section}{grade}. {CAUTIONS[0]}", place)
    return drawn


def _plain(text: str) -> str:
    """Return a name with letters and digits only, for a file."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", text)[:40].strip("._") or "_"


def import_folder(record: Record, folder: Path) -> int:
    """Read an exported folder into an empty record, everything checked, whole or not at all.

    Returns the count of revisions. Raises InputError where the record holds something already, or a file of the
    folder is missing, changed or moved.
    """
    about = check_folder(folder)
    types: dict[str, str] = about["documents"]
    photos: dict[PhotoKept, str] = {}
    with writing(record.engine, record.name) as conn:
        if conn.execute(select(schema.head.c.seq)).scalar() != 0:
            msg = f"{record.name} holds a record already; import into a new one."
            raise InputError(msg)
        for sha, media_type in types.items():
            keep_documents(conn, [Document(_document(folder, sha, media_type), media_type)])
        seq, last = 0, begin_hash(about["info"])
        for row in _revisions(folder):
            if row["seq"] == 1 and row["previous"] == NO_HASH:  # begun with schema 1
                last = NO_HASH
            if (row["seq"], row["previous"]) != (seq + 1, last) or revision_hash(row) != row["hash"]:
                msg = f"Revision {row['seq']} in {shown(folder)} was changed, or is not where it belongs."
                raise InputError(msg)
            body = document_of(conn, row["body"])
            insert_revision(conn, row, body, document_of(conn, body["result"]) if body.get("result") else None)
            if body.get("photo"):
                photos[PhotoKept(**body["photo"])] = row["body"]
            seq, last = row["seq"], row["hash"]
        if (seq, last) != (about["seq"], about["hash"]):
            msg = f"The last revisions are missing from {shown(folder)}."
            raise InputError(msg)
        conn.execute(update(schema.head).values(seq=seq, hash=last))
        for name in BEGINNING:
            conn.execute(
                update(schema.info).where(schema.info.c.name == name).values(value=str(about["info"][name]))
            )
        _keep_photos(record, conn, folder, photos)
    return seq


def _keep_photos(record: Record, conn: Connection, folder: Path, photos: Iterable[PhotoKept]) -> None:
    """Keep the photographs of a folder; before the commit: a record never names one that is not there."""
    kept = [p for p in photos if p.kept != "no"]
    for photo in kept:
        _photo(folder, photo)  # every one is looked at before the first is kept
    t = schema.photo_inside
    for photo in kept:
        content = _photo(folder, photo)
        if photo.kept == "beside":
            record.photos.keep_bytes(photo.sha256, photo.name, content, "beside")
        elif conn.execute(select(t.c.sha256).where(t.c.sha256 == photo.sha256)).scalar() is None:
            conn.execute(t.insert().values(sha256=photo.sha256, size=len(content), content=content))


def check_folder(folder: Path) -> dict[str, Any]:
    """Return what a folder's record.json says; InputError where it is no folder that was exported."""
    name = shown(folder)
    if not (folder / "record.json").is_file():
        msg = f"{name} is not a folder that macrocheck record export --to folder wrote."
        raise InputError(msg)
    about: dict[str, Any] = _checked(lambda: parsed((folder / "record.json").read_bytes()), folder / "record.json")
    if about.get("format") != FORMAT or not isinstance(about.get("documents"), dict):
        msg = f"{name} is not a folder that macrocheck record export --to folder wrote."
        raise InputError(msg)
    if about.get("format_version") != FORMAT_VERSION:
        msg = f"{name} was written by a newer macrocheck; update macrocheck."
        raise InputError(msg)
    return about


def _revisions(folder: Path) -> Iterator[dict[str, Any]]:
    place = folder / "revisions.jsonl"
    lines = _checked(lambda: place.read_text(encoding="utf-8").splitlines(), place)
    for line in lines:
        row = _checked(partial(json.loads, line), place)
        if not isinstance(row, dict) or set(row) != set(_COLUMNS):
            msg = f"{shown(place)} was changed: a line of it is no revision."
            raise InputError(msg)
        yield row


def _document(folder: Path, sha256: str, media_type: str) -> bytes:
    place = folder / "documents" / _document_name(_hex(sha256, folder), media_type)
    content: bytes = _checked(place.read_bytes, place)
    if digest(content) != sha256:
        msg = f"{shown(place)} was changed."
        raise InputError(msg)
    return content


def _photo(folder: Path, photo: PhotoKept) -> bytes:
    place = folder / "photos" / file_name(_hex(photo.sha256, folder), photo.name)
    content: bytes = _checked(place.read_bytes, place)
    if digest(content) != photo.sha256:
        msg = f"{shown(place)} was changed."
        raise InputError(msg)
    return content


def _hex(sha256: str, folder: Path) -> str:
    """Refuse what is no digest: nothing outside the folder is ever read."""
    if not re.fullmatch(r"[0-9a-f]{64}", sha256):
        msg = f"{shown(folder)} was changed: it names {sha256[:20]!r} as a digest."
        raise InputError(msg)
    return sha256


def _checked(read: Callable[[], Any], place: Path | os.PathLike[str]) -> Any:
    try:
        return read()
    except MacrocheckError:
        raise
    except OSError as error:
        msg = f"{shown(place)} is missing or cannot be read."
        raise InputError(msg) from error
    except ValueError as error:
        msg = f"{shown(place)} was changed: it is not JSON."
        raise InputError(msg) from error
