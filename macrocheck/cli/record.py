"""`macrocheck record`: look at a test record, check it, take it elsewhere."""

import sys
from pathlib import Path

import click

from macrocheck.cli.outcome import DONE, REJECTED, counted

_RECORD_HELP = "RECORD is a file or a database address such as postgresql+psycopg://HOST/NAME."
_photos = click.option(
    "--photos", type=click.Path(path_type=Path), metavar="DIR", help="Folder of photos kept beside the record."
)
_COUNTED = {"csv": "row", "xlsx": "row", "json": "section", "folder": "revision"}
_where = click.option(
    "--where",
    "conditions",
    multiple=True,
    metavar="CONDITION",
    help="Only what fits: amps>=170, operator=Kim, note~spatter, leg_butting<4mm, grade=reject. Repeatable.",
)


@click.group(name="record", epilog=_RECORD_HELP)
def command() -> None:
    """Look at a test record, check it, take it elsewhere."""


@command.command("show", epilog=_RECORD_HELP)
@click.argument("record")
@click.argument("coupon", required=False)
@click.option("--history", is_flag=True, help="Every revision with its reason, not only what holds now.")
def show(record: str, coupon: str | None, history: bool) -> None:
    """Show what a record holds, or all about one coupon."""
    from macrocheck.cli.record_show import coupon_lines, history_lines, record_lines
    from macrocheck.record.engine import reading
    from macrocheck.record.store import open_record

    with open_record(record) as opened, reading(opened.engine, opened.name) as conn:
        lines = record_lines(conn, opened.name) if coupon is None else coupon_lines(conn, opened.name, coupon)
        if history:
            lines += history_lines(conn, coupon)
    for line in lines:
        click.echo(line)


@command.command("list", epilog=_RECORD_HELP)
@click.argument("record")
@_where
def list_command(record: str, conditions: tuple[str, ...]) -> None:
    """List the sections on a record, one a line."""
    from macrocheck.cli.record_show import caution_line, list_lines
    from macrocheck.record.engine import reading
    from macrocheck.record.query import parse_filter
    from macrocheck.record.store import open_record

    filters = [parse_filter(c) for c in conditions]
    with open_record(record) as opened, reading(opened.engine, opened.name) as conn:
        for line in list_lines(conn, filters):
            click.echo(line)
    click.echo(caution_line())


@command.command("verify", short_help="Find whatever was changed on a record.", epilog=_RECORD_HELP)
@click.argument("record")
@_photos
@click.option("--expect", metavar="SEQ:HASH", help="A revision and its hash as noted earlier elsewhere.")
def verify_command(record: str, photos: Path | None, expect: str | None) -> int:
    """Check the whole record: every revision, document, row and kept photograph.

    Note the last revision and its hash somewhere else now and then: with --expect they also show a record whose end
    was cut off or that was written anew.

    Exit status: 0 nothing was changed, 1 something was, 2 bad input.
    """
    from macrocheck.record.store import open_record
    from macrocheck.record.verify import verify

    wanted = None
    if expect is not None:
        seq, colon, noted = expect.partition(":")
        if not colon or not seq.isdigit() or len(noted) != 64:
            msg = "--expect is SEQ:HASH, such as 12:5f3a... with all 64 characters of the hash."
            raise click.UsageError(msg)
        wanted = (int(seq), noted.lower())
    with open_record(record, photos=photos) as opened:
        found = verify(opened, expect=wanted)
    for fault in found.faults:
        click.echo(fault)
    unkept = f", {found.photos_not_kept} known by digest only" if found.photos_not_kept else ""
    click.echo(
        f"{counted(found.revisions, 'revision')}, {counted(found.documents, 'document')}, "
        f"{counted(found.photos_checked, 'kept photograph')}"
        f"{unkept}: {'nothing was changed' if found.clean else counted(len(found.faults), 'fault')}."
    )
    click.echo(f"Last revision {found.seq}, hash {found.hash}")
    return DONE if found.clean else REJECTED


@command.command("export", short_help="Write a record as csv, xlsx, json or folder.", epilog=_RECORD_HELP)
@click.argument("record")
@click.argument("to_file", metavar="FILE|-")
@_photos
@click.option(
    "--to",
    "form",
    type=click.Choice(["csv", "xlsx", "json", "folder"]),
    help="Kind of file.  [default: its ending]",
)
@_where
def export_command(
    record: str, to_file: str, form: str | None, photos: Path | None, conditions: tuple[str, ...]
) -> int:
    """Write a record as a table (csv, xlsx: a row a weld, units in the headings) or whole (json, folder).

    FILE - is the screen. A folder is an RO-Crate package with photographs and overlays that import reads back
    without loss; it takes the whole record.
    """
    from macrocheck.paths import shown
    from macrocheck.record.export import export_csv, export_json, export_xlsx
    from macrocheck.record.query import parse_filter
    from macrocheck.record.store import open_record

    form = form or Path(to_file).suffix.lower().removeprefix(".")
    if form not in {"csv", "xlsx", "json", "folder"}:
        msg = "Say what to write: --to csv, --to xlsx, --to json or --to folder."
        raise click.UsageError(msg)
    if form in {"xlsx", "folder"} and to_file == "-":
        msg = f"A {'workbook' if form == 'xlsx' else 'folder'} cannot be written to the screen; name one."
        raise click.UsageError(msg)
    if form == "folder" and conditions:
        msg = "A folder takes the whole record, whose revisions hang together; leave --where out."
        raise click.UsageError(msg)
    filters = [parse_filter(c) for c in conditions]
    with open_record(record, photos=photos) as opened:
        if form == "folder":
            from macrocheck.record.crate import export_folder

            count = export_folder(opened, Path(to_file))
        elif form == "xlsx":
            count = export_xlsx(opened, to_file, filters)
        else:
            write = export_csv if form == "csv" else export_json
            count = write(opened, sys.stdout if to_file == "-" else to_file, filters)
    if to_file != "-":
        click.echo(f"Wrote {shown(to_file)}: {counted(count, _COUNTED[form])}")
    return DONE


@command.command("import", short_help="Read an exported folder into a new record.", epilog=_RECORD_HELP)
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("record")
@_photos
def import_command(folder: Path, record: str, photos: Path | None) -> int:
    """Read an exported FOLDER into a new RECORD, with every revision, hash and photograph as it was.

    Exit status: 0 read and verified, 2 something in the folder is missing or was changed (nothing is kept).
    """
    from macrocheck.record.crate import check_folder, import_folder
    from macrocheck.record.engine import is_url, remove_begun
    from macrocheck.record.store import open_record
    from macrocheck.record.verify import verify

    check_folder(folder)  # before a record is begun
    there = is_url(record) or Path(record).exists()
    try:
        with open_record(record, make=True, photos=photos) as opened:
            count = import_folder(opened, folder)
            found = verify(opened)
    except BaseException:
        if not there:
            remove_begun(record)
        raise
    for fault in found.faults:
        click.echo(fault)
    click.echo(f"Read {counted(count, 'revision')}; last revision {found.seq}, hash {found.hash}")
    return DONE if found.clean else REJECTED
