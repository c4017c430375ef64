"""What the payoff is reckoned with: prices of the records, settings of the study, their ranges.

A value with a range is carried as uncertainty: a triangular distribution from ``low`` to ``high``
whose peak (mode) is ``value``. A price that nobody gave is missing; it is never assumed.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from models.vocabulary import LEVELS
from pipeline.errors import StudyError
from pipeline.settings import PAYOFF_INPUTS, PayoffSettings, Settings

FULL_CLOSED: Final = "full closed"  # fully insulated, the top opening closed
CHOICES: Final = (*LEVELS[1:], FULL_CLOSED)
"""What is reckoned against none: the levels, each with the top opening as it is, and one more."""

STORES_PRICE: Final = "stores per kg"
SUGAR_PRICE: Final = "feed sugar per kg"
FRAME_PRICE: Final = "spring frame of bees"
COLONY_PRICE: Final = "replacement colony"
WAGE: Final = "work per hour"
LIFETIME: Final = "lifetime of insulation"
RATE: Final = "discount rate"
REPLACEMENT_FRAMES: Final = "frames of a replacement colony"
FEED_SHARE: Final = "share of saved stores that spares feed"
SUGAR_PER_STORES: Final = "sugar for a kg of stores"

OWN, STUDY, DEFAULT = "own price", "price of the study", "default of the program"
TOML: Final = "study.toml"
_SETTING_NAMES: Final = {
    "lifetime_winters": (LIFETIME, "winters"),
    "discount_rate": (RATE, "a year"),
    "hours_top": ("hours top", "h"),
    "hours_partial": ("hours partial", "h"),
    "hours_full": ("hours full", "h"),
    "replacement_frames": (REPLACEMENT_FRAMES, "frames"),
    "feed_share": (FEED_SHARE, "share"),
}
_PER: Final = {STORES_PRICE: "kg", SUGAR_PRICE: "kg", FRAME_PRICE: "frame", WAGE: "h"}


def material_price(level: str, given: Container[str]) -> str:
    """Name the price of a level's material.

    Parameters
    ----------
    level : str
        One of ``CHOICES``.
    given : container of str
        Names of the prices given: full insulation with a closed top costs as much as with an open
        one unless it has a price of its own.
    """
    own = f"insulation {level}"
    return own if level != FULL_CLOSED or own in given else "insulation full"


def hours_of(level: str) -> str:
    """Name the hours that a level takes; a closed top takes no more of them."""
    return f"hours {'full' if level == FULL_CLOSED else level}"


@dataclass(frozen=True, slots=True)
class Input:
    """One number that the payoff is reckoned with.

    Attributes
    ----------
    name, unit : str
    value, low, high : float
        ``low <= value <= high``; all equal when it is given without a range.
    source : str
        Who gave it.
    """

    name: str
    unit: str
    value: float
    low: float
    high: float
    source: str

    @property
    def has_range(self) -> bool:
        """Whether it is uncertain."""
        return self.low < self.high

    @property
    def mean(self) -> float:
        """Mean of the triangular distribution."""
        return (self.low + self.value + self.high) / 3.0

    def draws(self, n: int, rng: np.random.Generator) -> np.ndarray:
        """Draw from the triangular distribution, shape (n,); the value itself without a range."""
        if not self.has_range:
            return np.full(n, self.value)
        return rng.triangular(self.low, self.value, self.high, n)


@dataclass(frozen=True, slots=True)
class Inputs:
    """All that is given, by name, and the currency of the prices."""

    given: Mapping[str, Input]
    currency: str

    def needed(self, level: str) -> list[str]:
        """Names of the inputs that a level's net benefit rests on, given or not."""
        share, hours = self.given[FEED_SHARE], self.given[hours_of(level)]
        material = material_price(level, self.given)
        names = [COLONY_PRICE, FRAME_PRICE, material, LIFETIME, RATE, FEED_SHARE]
        if share.low < 1.0:
            names.append(STORES_PRICE)
        if share.high > 0.0:
            names += [SUGAR_PRICE, SUGAR_PER_STORES]
        if hours.high > 0.0:
            names += [WAGE, hours_of(level)]
        return [*names, REPLACEMENT_FRAMES]

    def missing(self, names: Iterable[str]) -> list[str]:
        """Those of ``names`` that nobody gave."""
        return [name for name in names if name not in self.given]

    def is_worth_nothing(self, name: str) -> bool:
        """Whether a price is given as exactly 0, so that what it prices is left out."""
        return name in self.given and self.given[name].high == 0.0


def latest_prices(prices: pl.DataFrame) -> pl.DataFrame:
    """Keep each item's newest winter.

    Parameters
    ----------
    prices : polars.DataFrame
        The ``prices`` record.
    """
    return prices.sort("item", "winter").group_by("item", maintain_order=True).last()


def _one_currency(rows: list[dict], settings: Settings) -> str:
    """Find the currency that all prices used are in.

    Raises
    ------
    StudyError
        There are several, or it is not the study's.
    """
    items: dict[str, list[str]] = {}
    for row in rows:
        items.setdefault(row["currency"], []).append(row["item"])
    if len(items) > 1:
        told = "; ".join(f"{code} for {', '.join(own)}" for code, own in sorted(items.items()))
        raise StudyError(
            f"The newest prices are in several currencies: {told}.",
            mend="Give every price in one currency.",
        )
    [currency] = items
    own = settings.study.currency
    if own and own != currency:
        raise StudyError(
            f"Prices are in {currency}, but study.toml says currency = {own!r}.",
            mend="Correct the currency in study.toml or the prices.",
        )
    return currency


def _price(row: dict, source: str) -> Input:
    item, amount = row["item"], row["amount"]
    low = amount if row["amount_low"] is None else row["amount_low"]
    high = amount if row["amount_high"] is None else row["amount_high"]
    unit = f"{row['currency']}/{_PER.get(item, 'colony')}"
    winter = f"{row['winter']}/{(row['winter'] + 1) % 100:02d}"
    return Input(item, unit, amount, low, high, f"{source}, {winter}")


def _setting_inputs(settings: Settings) -> dict[str, Input]:
    own, default = settings.payoff, PayoffSettings()
    made = {}
    for setting in PAYOFF_INPUTS:
        name, unit = _SETTING_NAMES[setting]
        ends = [setting, f"{setting}_low", f"{setting}_high"]
        value, low, high = (getattr(own, end) for end in ends)
        is_default = all(getattr(own, end) == getattr(default, end) for end in ends)
        made[name] = Input(name, unit, value, low, high, DEFAULT if is_default else TOML)
    stores = settings.stores
    if stores.processing_loss >= 1.0:
        raise StudyError(
            "study.toml: [stores] processing_loss leaves nothing of the fed sugar.",
            mend="Write a share below 1.",
        )
    sugar = stores.stores_sugar_share / (1.0 - stores.processing_loss)
    made[SUGAR_PER_STORES] = Input(
        SUGAR_PER_STORES, "kg/kg", sugar, sugar, sugar, f"{TOML}, [stores]"
    )
    return made


def gather_inputs(
    prices: pl.DataFrame, settings: Settings, own: pl.DataFrame | None = None
) -> Inputs:
    """Put prices and settings together.

    Parameters
    ----------
    prices : polars.DataFrame
        The ``prices`` record of the study.
    settings : Settings
    own : polars.DataFrame, optional
        A member's own prices, same contract: each takes the place of the study's.

    Returns
    -------
    Inputs

    Raises
    ------
    StudyError
        There is no price at all, or the newest prices are in several currencies, or in another
        than the study's.
    """
    rows = {row["item"]: (row, STUDY) for row in latest_prices(prices).to_dicts()}
    if own is not None:
        rows |= {row["item"]: (row, OWN) for row in latest_prices(own).to_dicts()}
    if not rows:
        raise StudyError(
            "No prices have been given, so nothing can be said in money.",
            mend="Fill in the template prices.csv, put it into the inbox and run: "
            "winterpool run STUDY.",
        )
    currency = _one_currency([row for row, _ in rows.values()], settings)
    given = {item: _price(row, source) for item, (row, source) in rows.items()}
    return Inputs(given | _setting_inputs(settings), currency)


def say_borrowed(inputs: Inputs) -> str:
    """Say that full insulation with a closed top is priced as full insulation, if it is."""
    full = "insulation full"
    if full not in inputs.given or material_price(FULL_CLOSED, inputs.given) != full:
        return ""
    return (
        f"No price “insulation {FULL_CLOSED}” was given, so that of “{full}” is taken for its "
        "material; its hours are those of full too."
    )


def say_missing(names: list[str]) -> str:
    """Say which prices are missing and how to give them."""
    if not names:
        return ""
    items = ", ".join(f"“{name}”" for name in names)
    noun, it = ("price is", "it") if len(names) == 1 else ("prices are", "them")
    return (
        f"The {noun} missing: {items}. Give {it} in prices.csv; the price 0 leaves out what it "
        "stands for."
    )
