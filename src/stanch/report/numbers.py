"""Numbers as a reader sees them: rounded by their intervals, in surface units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from stanch.estimate import Estimate

__all__ = ["UNIT_SHOWN", "NumberView", "bare", "number", "percent", "show", "shown"]

UNIT_SHOWN = {"1": "", "Cel": "°C", "um": "µm", "us": "µs", "uL": "µL", "N/m^3": "N/m³", "10^9/L": "10⁹/L"}


NEXT_TO_NOTHING = 0.001
"""Below this a number without an interval is not told digit by digit, in its surface unit."""


@dataclass(frozen=True)
class NumberView:
    """A number as a reader sees it."""

    label: str
    value: str
    interval: str
    unit: str
    systematic: str
    status: str
    why: str


def show(value: float, low: float | None = None, high: float | None = None) -> str:
    """A number rounded so that its interval's half-width keeps two digits; four digits without an interval.

    Parameters
    ----------
    value, low, high : float
        [unit].

    Returns
    -------
    str

    Examples
    --------
    >>> show(512.345, 500.0, 525.0)
    '512'
    >>> show(0.71234, 0.7, 0.73)
    '0.712'
    """
    return f"{value:.{_decimals(value, low, high)}f}"


def bare(value: float) -> str:
    """A number without an interval: four digits, and of what is next to nothing only that it is.

    Parameters
    ----------
    value : float
        [unit].

    Returns
    -------
    str

    Examples
    --------
    >>> bare(12.3456)
    '12.35'
    >>> bare(2e-9)
    '< 0.001'
    """
    if 0 < abs(value) < NEXT_TO_NOTHING:
        return f"< {NEXT_TO_NOTHING:g}" if value > 0 else f"> -{NEXT_TO_NOTHING:g}"
    return show(value)


def _decimals(value: float, low: float | None, high: float | None) -> int:
    if low is not None and high is not None and high > low:
        digits = 1 - math.floor(math.log10((high - low) / 2))
    elif value:
        digits = 3 - math.floor(math.log10(abs(value)))
    else:
        digits = 0
    return min(max(digits, 0), 6)


def percent(probability: float | None) -> str:
    """A probability for readers: never 0 % or 100 %, which a finite number of samples cannot show.

    Parameters
    ----------
    probability : float or None
        [-].

    Returns
    -------
    str
    """
    if probability is None:
        return "left open"
    if probability < 0.01:
        return "below 1 %"
    if probability > 0.99:
        return "above 99 %"
    return f"{probability * 100:.0f} %"


def number(shown: str, e: Estimate) -> NumberView:
    """An estimate in surface units as a reader sees it."""
    digits = _decimals(e.value if e.value is not None else (e.low or e.high or 0.0), e.low, e.high)
    low, high = (None if x is None else f"{x:.{digits}f}" for x in (e.low, e.high))
    value, interval = "", ""
    if e.status == "above":
        value = f"above {low}"
    elif e.status == "below":
        value = f"below {high}"
    elif e.status == "unavailable":
        value = "unavailable"
    elif e.value is not None:
        value = bare(e.value) if e.low is None and e.high is None else f"{e.value:.{digits}f}"
    elif high is not None:
        value = f"below {high}"
    if e.status in ("ok", "provisional") and (low is not None or high is not None):
        interval = f"{'open' if low is None else low} to {'open' if high is None else high}"
    unit = UNIT_SHOWN.get(e.unit, e.unit) if e.status != "unavailable" else ""
    systematic = "" if e.systematic is None else f"{e.systematic * 100:.2g} %"
    return NumberView(shown, value, interval, unit, systematic, e.status, e.why)


def shown(value: float | None, low: float | None = None, high: float | None = None) -> tuple[str, str, str]:
    """A number and its ends, rounded alike by the interval, of any size.

    Parameters
    ----------
    value, low, high : float or None
        [unit].

    Returns
    -------
    tuple of str
        Value, low and high; empty for None. The interval's half-width keeps two digits, a number without interval four.

    Examples
    --------
    >>> shown(512.345, 500.0, 525.0)
    ('512', '500', '525')
    >>> shown(1.2341e-12)
    ('1.234 × 10⁻¹²', '', '')
    """
    known = [x for x in (value, low, high) if x is not None]
    size = max((abs(x) for x in known), default=0.0)
    if size == 0:
        return tuple("" if x is None else "0" for x in (value, low, high))  # type: ignore[return-value]
    top = math.floor(math.log10(size))
    ends = [x for x in (low, high) if x is not None]
    spread = 0.0
    if ends:
        spread = (max(known) - min(known)) / (2 if len(ends) == 2 else 1)
    digits = 1 - math.floor(math.log10(spread)) if spread > 0 else 3 - top
    # Plain digits for sizes people read at a glance; a power of ten beyond them.
    if -5 < top < 7 and (digits <= 6 or top >= -2):
        places = min(max(digits, 0), 6)
        texts = ["" if x is None else f"{x:.{places}f}" for x in (value, low, high)]
        if value is not None and not ends and float(texts[0]) == value and "." in texts[0]:
            # A number written in full, such as a level somebody chose, needs no zeros to show how far it is known.
            texts[0] = texts[0].rstrip("0").rstrip(".")
    else:
        places = min(max(digits + top, 0), 8)
        power = str(top).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
        texts = ["" if x is None else f"{_scaled(x, top):.{places}f} × 10{power}" for x in (value, low, high)]
    texts = [text.replace("-", "−", 1) if text.startswith("-") else text for text in texts]
    return texts[0], texts[1], texts[2]


def _scaled(value: float, power: int) -> Decimal:
    # In decimal digits, since dividing by a power of ten would round twice and run out of range.
    return Decimal(value).scaleb(-power)
