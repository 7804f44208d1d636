"""`macrocheck relate`: how a measured quantity follows the settings."""

from typing import TYPE_CHECKING, Literal

import click

from macrocheck.cli.outcome import DONE
from macrocheck.errors import InputError
from macrocheck.study.relation import FORMS, Form

if TYPE_CHECKING:
    from collections.abc import Sequence

    from macrocheck.study.data import Coupon


@click.command(
    name="relate",
    epilog="RECORD is a file or a database address such as postgresql+psycopg://HOST/NAME.",
)
@click.argument("record")
@click.option(
    "--x",
    "settings",
    required=True,
    metavar="SETTING,...",
    help="What was set: amps; several settings show which explains what: amps,travel_speed,gas.",
)
@click.option("--y", "quantity", required=True, metavar="QUANTITY", help="What was measured.")
@click.option(
    "--form",
    "forms",
    type=click.Choice(FORMS),
    multiple=True,
    help="straight, power (y = a x^b), or arc (current, volts and travel speed).  [default: all three]",
)
@click.option(
    "--at",
    "places",
    multiple=True,
    metavar="SETTING=VALUE,...",
    help="Predict there: amps=190, or amps=190,volts=23,travel_speed=400 mm/min. Repeatable.",
)
@click.option(
    "--where", "conditions", multiple=True, metavar="CONDITION", help="Only what fits: gas=CO2. Repeatable."
)
@click.option("--confidence", metavar="PERCENT", help="Confidence of intervals and bands.  [default: 95 %]")
@click.option(
    "--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit of what was measured."
)
@click.option("--json", "json_to", metavar="FILE|-", help="Write everything as JSON; - is standard output.")
def command(
    record: str,
    settings: str,
    quantity: str,
    forms: tuple[Form, ...],
    places: tuple[str, ...],
    conditions: tuple[str, ...],
    confidence: str | None,
    unit: Literal["mm", "in"],
    json_to: str | None,
) -> int:
    """Fit how a measured quantity follows the settings on RECORD, with confidence and prediction bands.

    Each coupon counts once. The bands end where the coupons end; a prediction beyond them says so.
    """
    from macrocheck.cli.study_options import fraction
    from macrocheck.cli.study_tables import answer
    from macrocheck.cli.study_tables_relation import relation_lines
    from macrocheck.record.engine import reading
    from macrocheck.record.query import parse_filter
    from macrocheck.record.store import open_record
    from macrocheck.study.gather import coupons_of, settled_quantities, settled_settings
    from macrocheck.study.relate import relate
    from macrocheck.study.values import CONFIDENCE

    sure = fraction(confidence, "--confidence", CONFIDENCE)
    wanted = [name.strip() for name in settings.split(",") if name.strip()]
    if not wanted:
        msg = "--x names at least one setting, such as amps."
        raise click.UsageError(msg)
    filters = [parse_filter(c) for c in conditions]
    with open_record(record) as opened, reading(opened.engine, opened.name) as conn:
        names = settled_settings(conn, wanted)
        if "run" in names:
            msg = "A run is a name, no number; use macrocheck compare --by run."
            raise click.UsageError(msg)
        y = settled_quantities(conn, [quantity])[0]
        at = [[(settled_settings(conn, [k])[0], v) for k, v in _pairs(place)] for place in places]
        coupons = coupons_of(conn, [y], filters)
    found = relate(
        coupons,
        x=names,
        y=y,
        forms=forms or FORMS,
        places=[{name: _value(name, text, coupons) for name, text in place} for place in at],
        record=opened.name,
        where=conditions,
        confidence=sure,
        lengths=unit,
    )
    if not found.fits and not found.explained:
        reasons = "; ".join(f"{form}: {why}" for form, why in found.refused)
        msg = f"No relation of {y} to {', '.join(names)} could be fitted to these coupons ({reasons})."
        raise InputError(msg)
    answer(found.to_json(), relation_lines(found), json_to)
    return DONE


def _pairs(place: str) -> list[tuple[str, str]]:
    made = []
    for pair in place.split(","):
        name, equals, value = pair.partition("=")
        if not equals or not name.strip() or not value.strip():
            msg = f"'{pair.strip()}' is no place to predict at; write SETTING=VALUE, such as amps=190."
            raise click.UsageError(msg)
        made.append((name.strip(), value.strip()))
    return made


def _value(name: str, text: str, coupons: "Sequence[Coupon]") -> float | str:
    """Read the value of a setting as the record holds it: a number in its unit, or words in lower case."""
    from macrocheck.record.setting_text import read_setting
    from macrocheck.record.settings import BY_NAME

    noted = [s for c in coupons if (s := c.settings.get(name)) is not None]
    if noted and all(s.value is None for s in noted):
        return " ".join(text.split()).casefold()
    kind = BY_NAME.get(name)
    try:
        return float(text)
    except ValueError:
        if kind is None or kind.measure == "text":
            msg = f"'{text}' is not a number for {name}; write it in the record's unit, without one."
            raise click.UsageError(msg) from None
    value = read_setting(kind, text).value
    if value is None:
        msg = f"'{text}' is not a number for {name}."
        raise click.UsageError(msg)
    return value
