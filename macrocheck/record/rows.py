"""Rows that can be searched, worked out from a revision's documents: what is written and what `verify` expects."""

from collections.abc import Mapping, Sequence
from typing import Any

Row = dict[str, Any]
Rows = dict[str, list[Row]]
"""Table name -> rows in the order of their primary key, without `seq`."""

TABLES: tuple[str, ...] = ("coupon", "setting", "section", "mark", "weld", "measurement", "verdict", "flag")
KEYS: dict[str, tuple[str, ...]] = {
    "coupon": (),
    "setting": ("name",),
    "section": (),
    "mark": ("place",),
    "weld": ("weld",),
    "measurement": ("quantity", "weld"),
    "verdict": ("weld", "place"),
    "flag": ("place",),
}
"""Table name -> its primary key besides `seq`."""


def rows_of(body: Mapping[str, Any], result: Mapping[str, Any] | None) -> Rows:
    """Return the rows of one revision from its body and, for a measured section, its result document."""
    rows: Rows = {name: [] for name in TABLES}
    if body["what"] == "coupon":
        rows["coupon"].append({"coupon": body["coupon"], "run": body["run"]})
        written = [_setting(s) for s in body["settings"]]
        names = {s["name"] for s in written}
        rows["setting"] = written + [_setting(s) for s in body["derived"] if s["name"] not in names]
    elif body["what"] == "section":
        _section(body, result, rows)
    for name, key in KEYS.items():
        rows[name].sort(key=lambda row, key=key: tuple(row[k] for k in key))  # type: ignore[misc]
    return rows


def _setting(s: Mapping[str, Any]) -> Row:
    return {k: s[k] for k in ("name", "text", "value", "low", "high", "u", "unit", "origin")}


def _section(body: Mapping[str, Any], result: Mapping[str, Any] | None, rows: Rows) -> None:
    limits = None if result is None else result["limits"]["name"]
    rows["section"].append(
        {
            "coupon": body["coupon"],
            "section": body["section"],
            "photo": None if body["photo"] is None else body["photo"]["sha256"],
            "inputs": body["inputs"],
            "grade": None if result is None else result["grade"],
            "limits": limits,
            "failure": body["failure"],
        }
    )
    rows["mark"] = [{"place": i, "text": mark} for i, mark in enumerate(body["marks"])]
    if result is None:
        return
    flags: list[tuple[int | None, str]] = [
        (None, f["code"]) for f in (*result["scale"]["flags"], *result["outline"]["flags"])
    ]
    for number, weld in enumerate(result["welds"], start=1):
        rows["weld"].append({"weld": number, "joint": weld["joint"]})
        for key, q in weld["quantities"].items():
            rows["measurement"].append(_measured(number, key, q))
        balance: Sequence[Mapping[str, Any]] = body["balance"][number - 1] if number <= len(body["balance"]) else ()
        for s in balance:
            u95 = None if s["u"] is None else 2 * s["u"]
            rows["measurement"].append(_measured(number, s["name"], {**s, "U95": u95, "reason": None}))
        for place, v in enumerate(weld["verdicts"]):
            rows["verdict"].append(
                {
                    "weld": number,
                    "place": place,
                    "limit_name": v["limit"],
                    "quantity": v["quantity"],
                    "word": v["word"],
                }
            )
        flags += [(number, f["code"]) for f in weld["flags"]]
    rows["flag"] = [{"place": i, "weld": weld, "code": code} for i, (weld, code) in enumerate(flags)]


def _measured(weld: int, key: str, q: Mapping[str, Any]) -> Row:
    """Return one quantity; of a list (spans, two legs) only unit and reason, the list stands in the document."""
    single = not isinstance(q["value"], list)
    value = float(q["value"]) if single and q["value"] is not None else None
    return {
        "weld": weld,
        "quantity": key,
        "value": value,
        "u": q["u"] if single else None,
        "U95": q["U95"] if single else None,
        "unit": q["unit"],
        "reason": q["reason"],
    }
