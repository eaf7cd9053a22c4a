"""Numbers, dates and amounts as a reader of one country writes them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Context, Decimal
from functools import lru_cache
from typing import Literal, get_args

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton
from babel.lists import format_list
from babel.numbers import format_decimal

from interpretation.errors import FurrowsliceError
from interpretation.quantities import (
    CM_PER_INCH,
    DEPTH_TOLERANCE_CM,
    HA_PER_ACRE,
    KG_PER_HA,
    KG_PER_HA_PER_LB_PER_1000_FT2,
    KG_PER_HA_PER_LB_PER_ACRE,
    T_PER_HA_PER_TON_PER_ACRE,
)

Units = Literal["metric", "us", "garden-metric", "garden-us"]
UNITS: tuple[Units, ...] = get_args(Units)
LITRES_PER_US_GALLON = 3.785411784  # exact: 231 cubic inches of 2.54 cm
ML_PER_US_OUNCE = 1000 * LITRES_PER_US_GALLON / 128
M2_PER_FT2 = 0.3048**2
FT2_PER_ACRE = 43_560

# Written for the eye; files and interfaces keep the plain spelling.
PRINTED = {
    "ug/kg": "µg/kg", "mg/dm3": "mg/dm³", "cmol/dm3": "cmol/dm³", "pH": "", "ratio": "", "index": "",
    "lb/1000ft2": "lb/1000 ft²", "floz/1000ft2": "fl oz/1000 ft²", "g/100m2": "g/100 m²",
    "kg/100m2": "kg/100 m²", "mL/100m2": "mL/100 m²", "ft2": "ft²", "m2": "m²",
    "P2O5": "P₂O₅", "K2O": "K₂O", "NO3-N": "NO₃-N", "NO3": "NO₃", "NO2-N": "NO₂-N", "NO2": "NO₂",
    "NH4-N": "NH₄-N", "NH4": "NH₄", "SO4-S": "SO₄-S", "SO4": "SO₄", "PO4": "PO₄", "CaCO3": "CaCO₃",
}  # fmt: skip

# For each system: unit -> (unit it is printed in, how many of that one unit makes)
_Conversions = dict[str, tuple[str, float]]
_TO_GARDEN_US: _Conversions = {
    **{unit: ("lb/1000ft2", kg / KG_PER_HA_PER_LB_PER_1000_FT2) for unit, kg in KG_PER_HA.items()},
    "lb/ac": ("lb/1000ft2", 1000 / FT2_PER_ACRE),  # the same as above, to the last digit
    "ton/ac": ("lb/1000ft2", 2000 * 1000 / FT2_PER_ACRE),
}
# 1 kg/ha = 1000 g on 10 000 m2: 10 g on 100 m2.
_TO_GARDEN_METRIC: _Conversions = {unit: ("g/100m2", 10 * kg) for unit, kg in KG_PER_HA.items()}
_GENERAL: dict[Units, _Conversions] = {
    "metric": {
        "lb/ac": ("kg/ha", KG_PER_HA_PER_LB_PER_ACRE),
        "ton/ac": ("t/ha", T_PER_HA_PER_TON_PER_ACRE),
        "lb/1000ft2": ("kg/ha", KG_PER_HA_PER_LB_PER_1000_FT2),
    },
    "us": {
        "kg/ha": ("lb/ac", 1 / KG_PER_HA_PER_LB_PER_ACRE),
        "t/ha": ("ton/ac", 1 / T_PER_HA_PER_TON_PER_ACRE),
        "L/ha": ("gal/ac", HA_PER_ACRE / LITRES_PER_US_GALLON),
        "ha": ("ac", 1 / HA_PER_ACRE),
        "cm": ("in", 1 / CM_PER_INCH),
    },
    "garden-metric": _TO_GARDEN_METRIC | {"L/ha": ("mL/100m2", 10.0), "ha": ("m2", 10_000.0)},
    "garden-us": _TO_GARDEN_US
    | {
        "L/ha": ("floz/1000ft2", 1000 * M2_PER_FT2 / 10 / ML_PER_US_OUNCE),
        "ha": ("ft2", 10_000 / M2_PER_FT2),
        "cm": ("in", 1 / CM_PER_INCH),
    },
}
# Lime is bought by the tonne or the ton, whatever a table states it in, and for a garden by the bag.
_LIME: dict[Units, _Conversions] = {
    "metric": {
        "kg/ha": ("t/ha", 0.001),
        "lb/ac": ("t/ha", 0.001 * KG_PER_HA_PER_LB_PER_ACRE),
        "ton/ac": ("t/ha", T_PER_HA_PER_TON_PER_ACRE),
        "lb/1000ft2": ("t/ha", 0.001 * KG_PER_HA_PER_LB_PER_1000_FT2),
    },
    "us": {
        "kg/ha": ("ton/ac", 0.001 / T_PER_HA_PER_TON_PER_ACRE),
        "t/ha": ("ton/ac", 1 / T_PER_HA_PER_TON_PER_ACRE),
        "lb/ac": ("ton/ac", 1 / 2000),
        "lb/1000ft2": ("ton/ac", 0.001 * KG_PER_HA_PER_LB_PER_1000_FT2 / T_PER_HA_PER_TON_PER_ACRE),
    },
    "garden-metric": {unit: ("kg/100m2", 0.01 * kg) for unit, kg in KG_PER_HA.items()},
    "garden-us": _TO_GARDEN_US,
}


@lru_cache(maxsize=4096)
def _decimal(value: float, pattern: str, locale: str) -> str:
    return format_decimal(value, format=pattern, locale=locale)


@lru_cache(maxsize=32)
def _locale(code: str) -> Locale:
    try:
        return Locale.parse(code, sep="-")
    except (ValueError, UnknownLocaleError) as error:
        raise FurrowsliceError(
            f"unknown locale {code!r}",
            expected="a language with an optional country, e.g. en, en-US, es, es-MX",
            fix="correct the locale",
        ) from error


@dataclass(frozen=True, slots=True)
class Format:
    """How one report writes numbers.

    Parameters
    ----------
    locale
        BCP 47 code, e.g. ``en``, ``es`` or ``es-MX``: the country decides point or comma.
    units
        System of the amounts: ``metric`` and ``us`` for fields (kg/ha, lb/ac), ``garden-metric`` and
        ``garden-us`` for gardens and lawns (on 100 m², on 1,000 ft²). Soil values keep the unit they were
        reported in.

    Examples
    --------
    >>> Format("es").number(1234.5, 1)
    '1.234,5'
    >>> Format("en", "us").amount(45.0, "kg/ha")
    ('40', 'lb/ac')
    >>> Format("en", "garden-metric").amount(45.0, "kg/ha")
    ('450', 'g/100m2')
    """

    locale: str
    units: Units = "metric"

    @property
    def for_garden(self) -> bool:
        """Whether amounts are for a garden or lawn, not for a field."""
        return self.units.startswith("garden-")

    @property
    def in_inches(self) -> bool:
        """Whether lengths, weights and measures are those of the United States."""
        return self.units in ("us", "garden-us")

    def number(self, value: float, decimals: int) -> str:
        """Write a number with so many decimals, minus as a minus sign."""
        text = _decimal(
            half_up(value, decimals) + 0.0, "#,##0" + "." * (decimals > 0) + "0" * decimals, self._babel
        )
        return text.replace("-", "−")

    def plain(self, value: float) -> str:
        """Write a number with the decimals it has, four significant figures at most."""
        if value == 0 or not math.isfinite(value):
            return self.number(0, 0) if value == 0 else "–"
        size = math.floor(math.log10(abs(value)))
        if not -4 <= size < 7:
            return self.scientific(value)
        decimals = max(0, 3 - size)
        text = f"{value:.{decimals}f}"
        shown = text.rstrip("0").partition(".")[2] if decimals else ""
        return self.number(value, len(shown))

    def scientific(self, value: float) -> str:
        """Write a number as a power of ten with four significant figures."""
        mantissa, exponent = f"{value:.3e}".split("e")
        raised = str(int(exponent)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{self.number(float(mantissa), 3)}·10{raised}"

    def conversion(self, unit: str, *, lime: bool = False) -> tuple[str, float]:
        """Name the unit this report prints a unit in, and how many of it one makes."""
        known = _LIME if lime else _GENERAL
        return known[self.units].get(unit, (unit, 1.0))

    def amount(self, value: float, unit: str, *, lime: bool = False) -> tuple[str, str]:
        """Write an amount in this report's system; returns number and unit.

        A converted amount is whole from 10 upwards, has one decimal from 1, two from 0.1 and three below; an
        amount that is already in the system keeps its digits. Lime is told in tonnes or tons.
        """
        shown, factor = self.conversion(unit, lime=lime)
        return self.plain(value if shown == unit else coarse(value * factor)), shown

    def depth(self, cm: float) -> tuple[str, str]:
        """Write a depth; returns number and unit.

        Inches are told whole where that is within half a centimetre, the difference that tables forgive: who
        wrote 20 cm for 8 in reads 8 in.
        """
        whole = round(cm / CM_PER_INCH)
        if self.in_inches and abs(whole * CM_PER_INCH - cm) <= DEPTH_TOLERANCE_CM:
            return self.plain(float(whole)), "in"
        return self.amount(cm, "cm")

    def quantity(self, value: float, unit: str, *, lime: bool = False) -> str:
        """Write an amount with its unit."""
        number, shown = self.amount(value, unit, lime=lime)
        return f"{number} {printed(shown)}"

    def day(self, value: date | None, missing: str = "–") -> str:
        """Write a day with the month's name, so that no order of day and month is guessed."""
        return missing if value is None else _day(value, self._babel)

    def month(self, value: date) -> str:
        """Write a month and its year, where the day itself would claim too much."""
        return _month(value, self._babel)

    def join(self, items: list[str]) -> str:
        """Join names: a, b and c."""
        return format_list(items, locale=self._babel)

    def either(self, items: list[str]) -> str:
        """Join names: a, b or c."""
        return format_list(items, style="or", locale=self._babel)

    @property
    def _babel(self) -> str:
        # Spain writes 7,2 and so does plain Spanish; who weighs in pounds writes 7.2, in Spanish too.
        return str(_locale("es-US" if self.locale == "es" and self.in_inches else self.locale))


@lru_cache(maxsize=512)
def _day(value: date, locale: str) -> str:
    return format_date(value, format="long", locale=locale)


@lru_cache(maxsize=512)
def _month(value: date, locale: str) -> str:
    return format_skeleton("yMMMM", value, locale=locale)


def coarse(value: float) -> float:
    """Round as an amount can be given: whole from 10, one decimal from 1, two from 0.1, three below."""
    size = abs(value)
    return half_up(value, 0 if size >= 10 else 1 if size >= 1 else 2 if size >= 0.1 else 3)


_ROOMY = Context(prec=400, rounding=ROUND_HALF_UP)  # digits for the largest double there is


def half_up(value: float, decimals: int) -> float:
    """Round the number as it is written: a half goes up, as it does in the classes.

    >>> half_up(790.5, 0), half_up(1425.0, -1), half_up(0.285, 2)
    (791.0, 1430.0, 0.29)
    """
    if not math.isfinite(value):
        return value
    written = Decimal(repr(float(value)))
    return float(written.quantize(Decimal(1).scaleb(-decimals), context=_ROOMY))


def printed(text: str) -> str:
    """Spell a unit, form or nutrient for the eye; anything else stays."""
    return PRINTED.get(text, text)


def soil_unit(text: str) -> str:
    """Unit of a soil value with the space before it, or nothing where it has none."""
    shown = printed(text)
    return f" {shown}" if shown else ""
