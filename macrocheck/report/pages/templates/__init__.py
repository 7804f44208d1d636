"""The files that a report is made with, as they lie in the package."""

from collections.abc import Mapping
from importlib import resources

ICONS: Mapping[str, str] = {
    "accept": "accept.svg",
    "undecided": "undecided.svg",
    "reject": "reject.svg",
    "none": "none.svg",
    "failed": "none.svg",
}
"""The file of each grade's and verdict's sign."""


def template(name: str) -> bytes:
    """Return one of the files that lie here."""
    return (resources.files(__name__) / name).read_bytes()
