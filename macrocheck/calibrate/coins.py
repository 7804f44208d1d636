"""Coins that lie about a workshop and their published diameters. Light: a mark's text is read with it.

Coins that are not round (20 euro cent, 20 and 50 pence, the pound of 2017) have no one diameter and are left out.
"""

from dataclasses import dataclass

WEAR_MM = 0.05
"""Limits of error of a coin's diameter, mm: striking and wear; common practice, no source."""

_ECB = "Council Regulation (EC) No 975/98 on euro coins, as summarised at EUR-Lex; read"
_US = "United States Mint, coin specifications; read"
_UK = "The Royal Mint, coin designs and specifications; from memory"


@dataclass(frozen=True, slots=True)
class Coin:
    """One coin: its published diameter, mm, and who publishes it."""

    diameter_mm: float
    source: str


COINS: dict[str, Coin] = {
    "euro-1c": Coin(16.25, _ECB),
    "euro-2c": Coin(18.75, _ECB),
    "euro-5c": Coin(21.25, _ECB),
    "euro-10c": Coin(19.75, _ECB),
    "euro-50c": Coin(24.25, _ECB),
    "euro-1": Coin(23.25, _ECB),
    "euro-2": Coin(25.75, _ECB),
    "us-cent": Coin(19.05, _US),
    "us-nickel": Coin(21.21, _US),
    "us-dime": Coin(17.91, _US),
    "us-quarter": Coin(24.26, _US),
    "us-half-dollar": Coin(30.61, _US),
    "us-dollar": Coin(26.49, _US),
    "uk-1p": Coin(20.3, _UK),
    "uk-2p": Coin(25.9, _UK),
    "uk-5p": Coin(18.0, _UK),
    "uk-10p": Coin(24.5, _UK),
    "uk-2-pound": Coin(28.4, _UK),
}
"""Name as written after `disc:` -> coin."""


def coin_named(text: str) -> tuple[str, Coin] | None:
    """Return name and coin for a text such as "US quarter"; None where there is none of that name."""
    name = "-".join(text.lower().replace("-", " ").replace("_", " ").split())
    coin = COINS.get(name)
    return None if coin is None else (name, coin)
