"""The sharp test: among results without a flag, which values are off by more than three times their U95."""

from collections.abc import Sequence
from dataclasses import dataclass

from tests.bench.compare import SPANS, Row, samples

FLOOR = 0.01
"""Added to 3 U95, in the quantity's own unit: truth is known to about half of that, and U95 may be 0."""
NO_EXCUSE = frozenset({"indication", "void_at_root", "void_unsure", "weld_in_parts", "joint_unsure"})
"""Flags that point at something to see in the weld or the picture, but raise no doubt about its outline."""


@dataclass(frozen=True, slots=True)
class Beyond:
    """One value that is off by more than it may: `times` is error over U95 (infinite where that is 0)."""

    seed: int
    weld: int
    joint: str
    key: str
    truth: float
    value: float
    U95: float
    iou: float

    @property
    def times(self) -> float:
        """Absolute error over U95."""
        return abs(self.value - self.truth) / self.U95 if self.U95 > 0 else float("inf")


@dataclass(frozen=True, slots=True)
class Sharp:
    """`welds` results of which `clean` have no flag; their `values` compared, and those beyond, worst first.

    `nowhere`: seeds of pictures in which an outline without a flag lies where no weld is.
    """

    welds: int
    clean: int
    values: int
    beyond: tuple[Beyond, ...]
    nowhere: tuple[int, ...] = ()

    @property
    def spoilt(self) -> int:
        """Welds without a flag that have at least one value beyond."""
        return len({(b.seed, b.weld) for b in self.beyond})


def clean(row: Row, *, strict: bool) -> bool:
    """Whether a result has no flag; `strict`: flags of `NO_EXCUSE` do not count as one."""
    flags = {*row["flags"], *row["outline_flags"]}
    return not (flags - NO_EXCUSE if strict else flags)


def sharp_test(rows: Sequence[Row], *, strict: bool = False) -> Sharp:
    """Put every number of every result without a flag to the test."""
    found = [r for r in rows if r["found"]]
    plain = [r for r in found if clean(r, strict=strict)]
    values, beyond = 0, []
    for row in plain:
        for key, entry in row["quantities"].items():
            if key in SPANS:
                continue
            truths = entry["truth"] if isinstance(entry["truth"], Sequence) else [entry["truth"]]
            for truth, (error, _, wide, _) in zip(truths, samples([row], key), strict=False):
                if wide is None:
                    continue
                values += 1
                if abs(error) > 3 * wide + FLOOR:
                    beyond.append(
                        Beyond(row["seed"], row["weld"], row["joint"], key, truth, truth + error, wide, row["iou"])
                    )
    order = sorted(beyond, key=lambda b: -b.times)
    nowhere = {
        (r["seed"], k)
        for r in rows
        for k, flags in enumerate(r["extra"])
        if clean({"flags": flags, "outline_flags": ()}, strict=strict)
    }
    return Sharp(len(found), len(plain), values, tuple(order), tuple(sorted({seed for seed, _ in nowhere})))
