"""Options that the study commands share."""

import re

from macrocheck.errors import InputError


def fraction(text: str | None, option: str, default: float) -> float:
    """Read a confidence or share such as 95%, 95 or 0.95; InputError where it is none between 50 and 99.99 %."""
    if text is None:
        return default
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(%?)\s*", text)
    if match is not None:
        value = float(match[1].replace(",", "."))
        value = value / 100 if match[2] or value > 1 else value
        if 0.5 <= value <= 0.9999:
            return value
    msg = f"{option} is a percentage from 50 to 99.99 such as 95%, not '{text}'."
    raise InputError(msg)
