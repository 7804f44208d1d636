"""What the accuracy report says of the sets of pictures, as Markdown, from the kept rows alone."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from macrocheck.quantities import QUANTITIES
from tests.bench import aims
from tests.bench.compare import Row, summary
from tests.bench.sharp import Sharp, sharp_test

NAMES = {q.key: (q.name, q.unit) for q in QUANTITIES}
UNITS = {"mm": "", "mm2": " (mm²)", "deg": " (degrees)", "1": " (ratio)"}
TITLES = {
    "own-fair": "Own family, fair etch",
    "own-grain": "Own family, told by grain",
    "own-hard": "Own family, hard",
    "own-bead": "Own family, beads on plate, hard",
    "apart-fair": "Second family, fair etch",
    "apart-grain": "Second family, told by grain",
    "apart-hard": "Second family, hard",
    "elsewhere-fair": "Third family, fair etch",
    "elsewhere-hard": "Third family, hard",
    "otherwise-fair": "Fourth family, fair etch",
    "otherwise-hard": "Fourth family, hard",
    "otherwise-bead": "Fourth family, beads on plate, hard",
    "otherwise-corner": "Fourth family, corners, hard",
}


def number(value: float | None, digits: int = 3) -> str:
    """Return a figure, or a dash where there is none."""
    return "–" if value is None else f"{value:.{digits}f}"


def percent(value: float | None, digits: int = 0) -> str:
    """Return a share as a percentage."""
    return "–" if value is None else f"{100 * value:.{digits}f}"


def rows_of_table(head: Sequence[str], body: Iterable[Sequence[str]]) -> list[str]:
    """Return the lines of a Markdown table."""
    return [
        "| " + " | ".join(head) + " |",
        "|" + "---|" * len(head),
        *("| " + " | ".join(cells) + " |" for cells in body),
    ]


def _mark(met: bool) -> str:
    return "met" if met else "**missed**"


def glance(sets: Mapping[str, dict[str, Any]]) -> list[str]:
    """Return one table: every set against what is aimed for, by the worst quantity of each group."""
    head = ["", *(TITLES[name] for name in sets)]
    body: list[list[str]] = []
    for group, (keys, median, high) in aims.GROUPS.items():
        cells = [f"{group}: median / 95 %, mm"]
        for name, figures in sets.items():
            had = [f for k in keys if (f := figures["quantities"].get(k)) and f.get("median") is not None]
            if not had:
                cells.append("–")
                continue
            worst = max(f["median"] for f in had), max(f["p95"] for f in had)
            times = aims.slack(*name.split("-"))
            met = worst[0] <= median * times and worst[1] <= high * times
            cells.append(
                f"{worst[0]:.3f} / {worst[1]:.2f} {_mark(met)} ({median * times:.2f} / {high * times:.2f})"
            )
        body.append(cells)
    cells = ["IoU of weld metal: median / 10th percentile"]
    for name, figures in sets.items():
        least = aims.iou_aims(aims.slack(*name.split("-")))
        got = figures["iou_median"], figures["iou_p10"]
        if got[0] is None:
            cells.append("–")
            continue
        met = got[0] >= least[0] and got[1] >= least[1]
        cells.append(f"{got[0]:.3f} / {got[1]:.3f} {_mark(met)} ({least[0]:.3f} / {least[1]:.2f})")
    body.append(cells)
    cells = ["no result, of 100 welds"]
    for figures in sets.values():
        cells.append(f"{percent(figures['no_result'], 1)} {_mark((figures['no_result'] or 0.0) <= aims.NO_RESULT)}")
    body.append(cells)
    for key, what, (low, high), show in (
        ("rms_z", "rms(error / u), least to most over these quantities", aims.RMS_Z, lambda v: number(v, 2)),
        ("coverage", "U95 holds the truth, %, least to most", aims.COVERAGE, percent),
    ):
        cells = [what]
        for figures in sets.values():
            values = [f[key] for k in aims.AIMS if (f := figures["quantities"].get(k)) and f.get(key) is not None]
            inside = sum(low <= v <= high for v in values)
            cells.append(
                f"{show(min(values))} to {show(max(values))}, {inside} of {len(values)} within "
                f"{show(low)} to {show(high)}"
                if values
                else "–"
            )
        body.append(cells)
    return rows_of_table(head, body)


def quantities(figures: dict[str, Any]) -> list[str]:
    """Return the table of one set, a row a quantity."""
    head = ["", "n", "median", "90 %", "95 %", "largest", "bias", "rms(error/u)", "U95 holds, %", "withheld, %"]
    head.append("not 0: n, rms, U95 holds")
    body = []
    for key, f in figures["quantities"].items():
        name, unit = NAMES[key]
        cells = [name + UNITS[unit], str(f["n"])]
        cells += [number(f.get(k)) for k in ("median", "p90", "p95", "max")]
        bias = f.get("bias")
        cells += ["–" if bias is None else f"{bias:+.3f}", number(f.get("rms_z"), 2), percent(f.get("coverage"))]
        body.append([*cells, percent(f["withheld"]), _not_zero(f)])
    return rows_of_table(head, body)


def _not_zero(f: dict[str, Any]) -> str:
    """The figures of those that are not 0, where some are."""
    if not f.get("there") or f["there"] == f["n"]:
        return ""
    return f"{f['there']}, {number(f['there_rms_z'], 2)}, {percent(f['there_coverage'])}"


def one_set(name: str, rows: Sequence[Row], figures: dict[str, Any]) -> list[str]:
    """Return the section of one set of pictures."""
    seeds = sorted({r["seed"] for r in rows})
    lines = [f"### {TITLES[name]}", ""]
    lines.append(
        f"{figures['pictures']} pictures (seeds {seeds[0]} to {seeds[-1]}), {figures['welds']} welds whole "
        "in them. "
        f"No result: {percent(figures['no_result'], 1)} %. Members taken for one another: "
        f"{percent(figures['swapped'], 1)} %. Outlines where no weld is: {figures['extra']}. "
        f"IoU of the weld metal, median / 10th percentile: {number(figures['iou_median'])} / "
        f"{number(figures['iou_p10'])}. One photo took {number(figures['seconds_median'], 2)} s (median, "
        "one thread)."
    )
    lines += ["", *quantities(figures), ""]
    found = [r for r in rows if r["found"]]
    clean = sum(not r["flags"] and not r["outline_flags"] for r in found)
    flags = ", ".join(f"`{code}` {n}" for code, n in figures["flags"].items()) or "none"
    lines += [f"Flags: {clean} of {len(found)} welds have none; {flags}.", ""]
    if figures["reasons"]:
        lines += ["No result because:", ""]
        reasons = Counter(without_name(r["reason"]) for r in rows if not r["found"])
        for reason, n in reasons.most_common():
            seeds_of = [str(r["seed"]) for r in rows if not r["found"] and without_name(r["reason"]) == reason]
            shown = ", ".join(dict.fromkeys(seeds_of[:12])) + (" ..." if len(seeds_of) > 12 else "")
            lines.append(f"* {n} × {reason} (seeds {shown})")
        lines.append("")
    return lines


def without_name(reason: str) -> str:
    """Return a reason without the picture's name in front of it."""
    head, sign, rest = reason.partition(".png: ")
    return rest if sign and " " not in head else reason


def sharp_section(sets: Mapping[str, Sequence[Row]]) -> list[str]:
    """Return the sharp test: over every set in numbers, and the worst values of the hard ones."""
    lines = [
        "## The sharp test",
        "",
        "Among results without a flag no value may be off by more than three times its U95 (plus 0.01 of "
        "its unit, to "
        "which truth is known). Flags of the scale excuse nothing here. *Strict*: nor do flags that point "
        "at something "
        "to look at and raise no doubt about the outline: an indication, a void at the root, a second "
        "part, an unsure "
        "kind of joint.",
        "",
    ]
    head = [
        "",
        "welds",
        "without a flag",
        "their values",
        "off by more",
        "of them welds",
        "outlines where no weld is",
    ]
    body = []
    tests: list[tuple[str, Sharp]] = []
    for name, rows in sets.items():
        for strict in (False, True):
            got = sharp_test(rows, strict=strict)
            tests += [(name, got)] if strict else []
            title = TITLES[name] + (", strict" if strict else "")
            cells = (got.welds, got.clean, got.values, len(got.beyond), got.spoilt, len(got.nowhere))
            body.append([title, *(str(c) for c in cells)])
    lines += [*rows_of_table(head, body), ""]
    for name, got in tests:
        if not got.beyond and not got.nowhere:
            continue
        lines += [f"{TITLES[name]}, the worst (strict):", ""]
        lines += rows_of_table(
            ["seed", "weld", "joint", "quantity", "truth", "value", "U95", "error / U95", "IoU"],
            [
                [
                    str(b.seed), str(b.weld), b.joint, NAMES[b.key][0], number(b.truth), number(b.value),
                    number(b.U95), number(b.times, 1), number(b.iou),
                ]
                for b in got.beyond[:20]
            ],
        )  # fmt: skip
        if got.nowhere:
            lines += ["", f"Outlines without a flag where no weld is: seeds {', '.join(map(str, got.nowhere))}."]
        lines.append("")
    return lines


def sets_sections(sets: Mapping[str, Sequence[Row]]) -> list[str]:
    """Return the overview, the sharp test and a section a set."""
    figures = {name: summary(rows) for name, rows in sets.items()}
    lines = ["## At a glance", ""]
    lines += [
        "Of each group the worst quantity counts, for the median and the 95th percentile apart; aims in brackets.",
        "",
        *glance({k: f for k, f in figures.items() if not k.endswith("-bead")}),
        "",
        *sharp_section(sets),
        "## Every quantity",
        "",
        "Absolute errors in mm unless the unit is given; bias is the mean of value less truth. *Not 0*: of the "
        "welds whose true or found value is not 0 alone, where others have a 0; a sure 0 that is right has no "
        "error and makes rms small.",
        "",
    ]
    for name, rows in sets.items():
        lines += one_set(name, rows, figures[name])
    return lines
