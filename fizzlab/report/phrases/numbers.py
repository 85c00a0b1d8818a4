"""Numbers to words: every sentence of a report is made here, plain words first, then the number with
its interval and unit.
"""

from __future__ import annotations

from fizzlab.errors import capital as capital
from fizzlab.errors import count as count
from fizzlab.errors import listed as listed
from fizzlab.measures import number as number


def signed(value: float) -> str:
    """A difference, with its sign.

    Examples
    --------
    >>> signed(4.0), signed(-0.35), signed(0.0)
    ('+4.0', '−0.35', '0')
    """
    return f"{'+' if value > 0 else '−' if value < 0 else ''}{number(abs(value))}"


def of_hundred(p: float) -> str:
    """A probability in words.

    Examples
    --------
    >>> of_hundred(0.003), of_hundred(0.042)
    ('fewer than 1 in 100', '4 in 100')
    """
    return "fewer than 1 in 100" if p < 0.01 else f"{p * 100:.0f} in 100"


def ratio(value: float) -> str:
    """A ratio near 1, to two places, so that an end near 1 is seen on its own side.

    Examples
    --------
    >>> ratio(1.036), ratio(0.5578), ratio(12.3)
    ('1.04', '0.56', '12')
    """
    return f"{value:.2f}" if 0.1 <= value < 9.995 else number(value)


def duration(hours: float) -> str:
    """A time span in the unit a person would use.

    Examples
    --------
    >>> duration(0.6), duration(4.37), duration(15.14), duration(30.2), duration(100)
    ('36 min', '4.4 h', '15.1 h', '30 h', '4.2 days')
    """
    if hours < 0.95:
        return f"{round(hours * 60)} min"
    if hours < 23.95:
        return f"{hours:.1f} h"
    return f"{hours:.0f} h" if hours < 72 else f"{number(hours / 24)} days"


def percent(share: float) -> str:
    """A share in per cent.

    Examples
    --------
    >>> percent(0.95), percent(0.954)
    ('95 %', '95 %')
    """
    return f"{share * 100:.0f} %"
