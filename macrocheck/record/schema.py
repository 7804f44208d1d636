"""Tables of the record, schema version 2.

`revision` is the chain; `document` holds what a revision says, named by its digest. The tables under "derived" are
worked out from the documents so that they can be searched, and are checked against them by `verify`.
Only `head` and `current` are ever changed; triggers refuse any other change.
"""

from sqlalchemy import (
    DDL,
    BigInteger,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    event,
)
from sqlalchemy.types import TypeEngine

SCHEMA_VERSION = 2

LONGEST_NAME = 100
"""Characters of a coupon's, section's, run's or setting's name."""

metadata = MetaData()
_SEQ: TypeEngine[int] = BigInteger().with_variant(Integer, "sqlite")


def _sha(name: str, *, key: bool = False, null: bool = False) -> "Column[str]":
    return Column(name, String(64), primary_key=key, nullable=null)


info = Table(
    "info",
    metadata,
    Column("name", String(40), primary_key=True),
    Column("value", Text, nullable=False),
)
"""schema_version, record (a UUID), made_at, made_by (software version)."""

head = Table(
    "head",
    metadata,
    Column("one", Integer, primary_key=True, autoincrement=False),
    Column("seq", _SEQ, nullable=False),
    _sha("hash"),
)
"""One row: the last revision. Writers take turns on it."""

revision = Table(
    "revision",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("kind", String(10), nullable=False),
    Column("subject", String(4 * LONGEST_NAME), nullable=False),
    Column("number", Integer, nullable=False),
    Column("reason", Text),
    Column("at", String(40), nullable=False),
    Column("who", Text, nullable=False),
    Column("version", Text, nullable=False),
    _sha("body"),
    _sha("previous"),
    _sha("hash"),
    Index("revision_of_subject", "kind", "subject", "number", unique=True),
)

document = Table(
    "document",
    metadata,
    _sha("sha256", key=True),
    Column("media_type", String(60), nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("packed", LargeBinary, nullable=False),
)

photo_inside = Table(
    "photo_inside",
    metadata,
    _sha("sha256", key=True),
    Column("size", BigInteger, nullable=False),
    Column("content", LargeBinary, nullable=False),
)

current = Table(
    "current",
    metadata,
    Column("kind", String(10), primary_key=True),
    Column("subject", String(4 * LONGEST_NAME), primary_key=True),
    Column("first_seq", _SEQ, nullable=False),
    Column("seq", _SEQ, nullable=False),
    Column("number", Integer, nullable=False),
    Index("current_in_order", "kind", "first_seq"),
    Index("current_by_seq", "seq"),
)
"""The newest revision of every run, coupon and section."""

# ---- derived ----

coupon = Table(
    "coupon",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("coupon", String(LONGEST_NAME), nullable=False, index=True),
    Column("run", String(LONGEST_NAME), index=True),
)

setting = Table(
    "setting",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("name", String(LONGEST_NAME), primary_key=True),
    Column("text", Text, nullable=False),
    Column("value", Double),
    Column("low", Double),
    Column("high", Double),
    Column("u", Double),
    Column("unit", String(40), nullable=False),
    Column("origin", String(10), nullable=False),
    Index("setting_by_value", "name", "value", "seq"),
    Index("setting_by_u", "name", "u"),
)

section = Table(
    "section",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("coupon", String(LONGEST_NAME), nullable=False, index=True),
    Column("section", String(LONGEST_NAME), nullable=False),
    _sha("photo", null=True),
    _sha("inputs", null=True),
    Column("grade", String(10), index=True),
    Column("limits", Text),
    Column("failure", Text),
    Index("section_of_photo", "photo"),
)

mark = Table(
    "mark",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("place", Integer, primary_key=True, autoincrement=False),
    Column("text", Text, nullable=False),
)

weld = Table(
    "weld",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("weld", Integer, primary_key=True, autoincrement=False),
    Column("joint", String(10), nullable=False),
)

measurement = Table(
    "measurement",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("quantity", String(LONGEST_NAME), primary_key=True),
    Column("weld", Integer, primary_key=True, autoincrement=False),
    Column("value", Double),
    Column("u", Double),
    Column("U95", Double),
    Column("unit", String(40), nullable=False),
    Column("reason", Text),
    Index("measurement_by_value", "quantity", "value", "seq"),
)

verdict = Table(
    "verdict",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("weld", Integer, primary_key=True, autoincrement=False),
    Column("place", Integer, primary_key=True, autoincrement=False),
    Column("limit_name", Text, nullable=False),
    Column("quantity", String(LONGEST_NAME), nullable=False),
    Column("word", String(10), nullable=False),
)

flag = Table(
    "flag",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("place", Integer, primary_key=True, autoincrement=False),
    Column("weld", Integer),
    Column("code", String(40), nullable=False, index=True),
)

DERIVED: tuple[Table, ...] = (coupon, setting, section, mark, weld, measurement, verdict, flag)
APPEND_ONLY: tuple[Table, ...] = (info, revision, document, photo_inside, *DERIVED)

_SQLITE = (
    "CREATE TRIGGER {table}_no_{what} BEFORE {WHAT} ON {table} BEGIN "
    "SELECT RAISE(ABORT, 'the record is append only'); END"
)
_POSTGRES_FUNCTION = (
    "CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS "
    "'BEGIN RAISE EXCEPTION ''the record is append only''; END'"
)
_POSTGRES = (
    "CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
    "FOR EACH ROW EXECUTE FUNCTION append_only()"
)


def guards(dialect: str) -> tuple[dict[str, str], str]:
    """Return the triggers that refuse changes (name -> table), and the SQL that lists those that are there."""
    guarded = [t.name for t in APPEND_ONLY if t is not info]
    if dialect == "sqlite":
        wanted = {f"{t}_no_{what}": t for t in guarded for what in ("update", "delete")}
        return wanted, "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    if dialect == "postgresql":
        return {f"{t}_append_only": t for t in guarded}, (
            "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'"
        )
    return {}, ""


def _ddl(statement: str) -> DDL:
    return DDL(statement)  # type: ignore[no-untyped-call]


def _guard(table: Table) -> None:
    for what in ("update", "delete"):
        statement = _SQLITE.format(table=table.name, what=what, WHAT=what.upper())
        event.listen(table, "after_create", _ddl(statement).execute_if(dialect="sqlite"))
    event.listen(table, "after_create", _ddl(_POSTGRES_FUNCTION).execute_if(dialect="postgresql"))
    event.listen(table, "after_create", _ddl(_POSTGRES.format(table=table.name)).execute_if(dialect="postgresql"))


for _table in APPEND_ONLY:
    if _table is not info:  # a migration writes the new version into it
        _guard(_table)
