"""Drying curves from weighings: how fast one piece loses its moisture, and when it is as dry as it gets.

All curves are thin-layer drying curves in grams,

    m(t) = m_end + moisture * MR(t),

where m_end is the mass the piece is heading for *in this air*, `moisture` the grams it loses on the way
and MR(t) the share of them still left after t hours. Both masses are estimated together with the curve.
The usual way, to subtract a last weighing and divide by the first, takes the errors of those two
weighings for truth and makes a piece that was not weighed long enough look dry.

The four classical curves are only two when written in grams:

* Newton (Lewis)         MR = exp(-k t)
* Henderson and Pabis    MR = a exp(-k t)
* logarithmic            MR = a exp(-k t) + c
* Page                   MR = exp(-k t^n)

Multiplied out, the first three are all "a constant plus something times exp(-k t)": a and c only
say that the first weighing or the assumed end was off, which estimating both masses already
allows for. They cannot be told apart by any weighing, so they are fitted once, as `EXPONENTIAL`, and
`other_names` gives the numbers each of the three would be reported with. What can be told apart
from them is Page's curve.

Sources (titles from memory except where the method page says otherwise): W. K. Lewis, "The rate of drying
of solid materials", Ind. Eng. Chem. 13 (1921) 427-432; G. E. Page, "Factors influencing the maximum rates
of air drying shelled corn in thin layers", M.S. thesis, Purdue University (1949); S. M. Henderson and
S. Pabis, "Grain drying theory I", J. Agric. Eng. Res. 6 (1961) 169-174.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.stats import f as fisher

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import (
    CurveComparison,
    CurveFit,
    CurveModel,
    Parameter,
    compare_curves,
    fit_curve,
    profile_interval,
)

Array = NDArray[np.float64]

_END = Parameter("end_g", "mass the piece is heading for in this air", "g", lower=0.0)
_MOISTURE = Parameter("moisture_g", "moisture it loses on the way", "g", lower=0.0)
_RATE = Parameter("rate_per_h", "how fast: one over the hours until 37 % is left", "1/h", lower=1e-5)
_SHAPE = Parameter("shape", "below 1 fast first and slow later, above 1 slow first", lower=0.2, upper=5.0)
_TRUST = 0.05  # share of the moisture left at the last weighing above which the end is a guess
_TOO_WIDE = 10.0  # an interval whose ends are further apart than this factor answers nothing


def _starts(hours: Array, mass_g: Array) -> tuple[float, float, list[float]]:
    """Return an end mass, a moisture and some rates to start from."""
    order = np.argsort(hours, kind="stable")
    t, m = hours[order], mass_g[order]
    fall = max(float(m.max() - m.min()), 1e-9)
    end = float(m.min()) - 0.02 * fall
    left = np.minimum.accumulate((m - end) / (m.max() - end))
    below = np.flatnonzero(left <= np.exp(-1))
    after_63 = float(t[below[0]]) if len(below) else float(t[-1])
    rate = 1.0 / max(after_63, 1e-3)
    return end, fall, [rate, 0.35 * rate, 3.0 * rate]


def _exponential(hours: Array, p: Array) -> Array:
    return np.asarray(p[0] + p[1] * np.exp(-p[2] * hours))


def _exponential_slopes(hours: Array, p: Array) -> list[Array]:
    left = np.exp(-p[2] * hours)
    return [np.ones_like(left), left, -p[1] * hours * left]


def _exponential_starts(hours: Array, mass_g: Array) -> list[list[float]]:
    end, fall, rates = _starts(hours, mass_g)
    return [[end, fall, rate] for rate in rates]


def _page(hours: Array, p: Array) -> Array:
    return np.asarray(p[0] + p[1] * np.exp(-((p[2] * hours) ** p[3])))


def _page_slopes(hours: Array, p: Array) -> list[Array]:
    scaled = p[2] * hours
    power = scaled ** p[3]
    left = np.exp(-power)
    log = np.log(np.where(scaled > 0, scaled, 1.0))
    return [np.ones_like(left), left, -p[1] * left * power * p[3] / p[2], -p[1] * left * power * log]


def _page_starts(hours: Array, mass_g: Array) -> list[list[float]]:
    end, fall, rates = _starts(hours, mass_g)
    return [[end, fall, rates[0], 1.0], [end, fall, rates[0], 0.7], [end, fall, rates[0], 1.5]] + [
        [end, fall, rate, 1.0] for rate in rates[1:]
    ]


EXPONENTIAL = CurveModel(
    "exponential",
    "loses the same share of its remaining moisture every hour (Newton, Henderson and Pabis, logarithmic)",
    (_END, _MOISTURE, _RATE),
    f=_exponential,
    jacobian=_exponential_slopes,
    starts=_exponential_starts,
)
"""m = end_g + moisture_g exp(-rate_per_h t)."""

PAGE = CurveModel(
    "Page",
    "loses a changing share of its remaining moisture every hour (Page)",
    (_END, _MOISTURE, _RATE, _SHAPE),
    f=_page,
    jacobian=_page_slopes,
    starts=_page_starts,
)
"""m = end_g + moisture_g exp(-(rate_per_h t)^shape); Page's k is rate_per_h^shape, his n is shape."""

CURVES: tuple[CurveModel, ...] = (EXPONENTIAL, PAGE)


def scale_step(masses_g: ArrayLike) -> float:
    """Return the step of the scale as the weighings show it: 1, 0.1, 0.01 or 0.001 g.

    Examples
    --------
    >>> scale_step([85.2, 84.0, 83.7])
    0.1
    >>> scale_step([85.21, 84.0])
    0.01
    """
    masses = np.asarray(masses_g, float)
    for digits in range(3):
        if np.allclose(masses, np.round(masses, digits), rtol=0, atol=1e-9):
            return float(round(10.0**-digits, digits))
    return 0.001


@dataclass(frozen=True)
class DryingTime:
    """When a piece is as dry as was asked.

    Attributes
    ----------
    hours, low, high : float
        Hours since the first hour of the weighings' clock, with the ends of the profile interval.
    level : float
    asked : str
        What was asked, in words.
    last_weighing : float
        Hours of the last weighing.
    """

    hours: float
    low: float
    high: float
    level: float
    asked: str
    last_weighing: float

    @property
    def extrapolated(self) -> bool:
        """Whether the piece gets there only after its last weighing."""
        return self.hours > self.last_weighing

    def __str__(self) -> str:
        interval = f"{100 * self.level:.0f} % interval {self.low:.3g} to {self.high:.3g} h"
        after = " (after the last weighing)" if self.extrapolated else ""
        return f"{self.asked}: {self.hours:.3g} h, {interval}{after}"


@dataclass(frozen=True)
class PieceDrying:
    """The drying curve of one piece.

    Attributes
    ----------
    comparison : CurveComparison
        Exponential and Page ranked by AICc (with 6 weighings too few to weigh Page's).
    fit : CurveFit
        The curve that times are read off.
    left_at_end : float
        Share of the moisture that the curve says was still in the piece at the last weighing.
    notes : tuple of str
        Doubts, as sentences.
    """

    comparison: CurveComparison
    fit: CurveFit
    left_at_end: float
    notes: tuple[str, ...]

    def __str__(self) -> str:
        return "\n".join([str(self.fit), *self.notes])


def _shape(values: Array) -> float:
    return float(values[3]) if len(values) > 3 else 1.0


def moisture_left(fit: CurveFit, hours: ArrayLike) -> Array:
    """Return the share of the moisture that the curve says is left, MR(t), between 1 and 0.

    Examples
    --------
    >>> piece = fit_piece([0, 1, 2, 4, 8, 16, 30], [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1])
    >>> moisture_left(piece.fit, [0, 1]).round(2)
    array([1.  , 0.56])
    """
    return np.asarray(np.exp(-((fit["rate_per_h"] * np.asarray(hours, float)) ** _shape(fit.values))))


def fit_piece(
    hours: ArrayLike,
    mass_g: ArrayLike,
    *,
    curve: CurveModel = PAGE,
    resolution_g: float | None = None,
) -> PieceDrying:
    """Fit the drying curves to the weighings of one piece.

    Both curves are fitted and ranked by AICc, but times are read off `curve`, by default Page's. The
    exponential is Page's curve with the shape held at 1; with the eight or so weighings that a piece gets,
    AICc picks it even where the true shape is 0.9, and intervals that take that choice for certain hold the
    truth much less often than they say (docs/methods/drying_curve.md has the numbers). Page's curve assumes
    nothing away and pays with a wider interval.

    Parameters
    ----------
    hours, mass_g : arrays, one entry a weighing
    curve : EXPONENTIAL or PAGE
        The curve that times are read off.
    resolution_g : float, optional
        Step of the scale; by default as the weighings show it. The scatter is never taken to be below
        that of rounding, step / sqrt(12).

    Returns
    -------
    PieceDrying

    Raises
    ------
    CannotAnswer
        Fewer than 6 weighings at different hours (5 for the exponential), a mass that does not fall, or no
        curve found.
    ValueError
        Arrays of different length, missing or negative values.

    Examples
    --------
    >>> piece = fit_piece([0, 1, 2, 4, 8, 16, 30], [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1])
    >>> {name: round(value, 2) for name, value in piece.fit.parameters.items()}
    {'end_g': 84.11, 'moisture_g': 2.02, 'rate_per_h': 0.59, 'shape': 1.02}
    """
    if curve not in CURVES:
        raise ValueError("curve must be EXPONENTIAL or PAGE")
    t, m = np.asarray(hours, float), np.asarray(mass_g, float)
    if t.shape != m.shape or t.ndim != 1:
        raise ValueError("hours and mass_g must hold one entry a weighing")
    if not (np.isfinite(t).all() and np.isfinite(m).all() and (t >= 0).all() and (m > 0).all()):
        raise ValueError("hours must be 0 or more and masses positive, with none missing")
    least = len(curve.parameters) + 2
    different = len(np.unique(t))
    if different < least:
        raise CannotAnswer(
            f"{different} weighings at different hours are too few for a drying curve.",
            f"Weigh each piece at least {least} times, close together at first and then less often, until "
            "two weighings hours apart show the same.",
        )
    step = scale_step(m) if resolution_g is None else resolution_g
    order = np.argsort(t, kind="stable")
    ends = max(1, len(m) // 4)
    if m[order[:ends]].mean() - m[order[-ends:]].mean() <= 2 * step:
        raise CannotAnswer(
            "The mass did not fall by more than the scale can show.",
            "Begin weighing earlier, while the piece is wet, or use a scale with a finer step.",
        )
    comparison = compare_curves(CURVES, t, m, resolution=step)
    fit = comparison.fit(curve.name) or fit_curve(curve, t, m, resolution=step)
    if not _shows_drying(fit, m):
        raise CannotAnswer(
            "The weighings scatter so much that no drying shows in them.",
            "Let the scale settle, set it to zero before each weighing, and keep draughts from it.",
        )
    left = float(moisture_left(fit, t.max()))
    return PieceDrying(comparison, fit, left, tuple(_doubts(fit, left, float(t.max()))))


def _shows_drying(fit: CurveFit, mass_g: Array) -> bool:
    """Whether the curve is better than a level line by an F test at 1 %."""
    gained = float(np.sum((mass_g - mass_g.mean()) ** 2)) - fit.rss
    more = len(fit.values) - 1
    return gained / more / fit.sigma**2 > float(fisher.ppf(0.99, more, fit.dof))


def _doubts(fit: CurveFit, left: float, last: float) -> list[str]:
    notes = []
    if left > _TRUST:
        settled = 3.0 ** (1 / _shape(fit.values)) / fit["rate_per_h"]
        notes.append(
            f"At the last weighing ({last:.3g} h) about {100 * left:.0f} % of the moisture was still to go, "
            "so the end mass is read ahead of the curve; weigh once more after about "
            f"{max(settled, 1.5 * last):.2g} h."
        )
    if fit.at_bound:
        notes.append(
            f"The search ended on the bound of {', '.join(fit.at_bound)}; take its numbers with care."
        )
    return notes


def _when(fit: CurveFit, log_hours: Callable[[Array], float], asked: str, level: float) -> DryingTime:
    found = profile_interval(fit, log_hours, level, name=asked)
    if found.high_open or found.low_open or found.conf_high - found.conf_low > np.log(_TOO_WIDE):
        raise _not_levelled(fit)
    return DryingTime(
        hours=float(np.exp(found.estimate)),
        low=float(np.exp(found.conf_low)),
        high=float(np.exp(found.conf_high)),
        level=level,
        asked=asked,
        last_weighing=float(fit.x.max()),
    )


def _not_levelled(fit: CurveFit) -> CannotAnswer:
    last = float(fit.x.max())
    settled = 3.0 ** (1 / _shape(fit.values)) / fit["rate_per_h"]
    return CannotAnswer(
        f"The piece was weighed for {last:.3g} h and its mass had not levelled off, so how much moisture was "
        "left cannot be told.",
        f"Weigh it again after about {min(max(settled, 1.5 * last), 4 * last):.2g} h, and once more some "
        "hours later, to see where it settles.",
    )


def time_to_share(fit: CurveFit, remaining_share: float, level: float = 0.95) -> DryingTime:
    """Return the hours until only that share of the moisture is left in the piece.

    t = (-ln share)^(1/n) / rate, with n = 1 for the exponential. The moisture counted is what leaves in
    this air; in damper air the piece would settle higher and "dry" would mean wetter.

    Parameters
    ----------
    fit : CurveFit
        Of EXPONENTIAL or PAGE.
    remaining_share : float
        Between 0 and 1: 0.05 asks when 95 % of the moisture has gone.
    level : float
        Level of the profile-likelihood interval.

    Returns
    -------
    DryingTime

    Raises
    ------
    CannotAnswer
        The mass had not levelled off, so that the interval has no end or spans more than a factor of ten.
    ValueError
        A share outside 0 to 1.

    Examples
    --------
    >>> piece = fit_piece([0, 1, 2, 4, 8, 16, 30], [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1])
    >>> print(time_to_share(piece.fit, 0.05))
    5 % of the moisture left: 4.93 h, 95 % interval 4.29 to 5.72 h
    """
    if not 0 < remaining_share < 1:
        raise ValueError("the remaining share must lie between 0 and 1")
    goal = float(np.log(-np.log(remaining_share)))

    def log_hours(values: Array) -> float:
        return goal / _shape(values) - float(np.log(values[2]))

    return _when(fit, log_hours, f"{100 * remaining_share:g} % of the moisture left", level)


def _log_hours_to_loss(values: Array, loss: float) -> float:
    """Return the log of the last hour at which the piece loses `loss` an hour; nan if it never does."""
    moisture, rate, n = float(values[1]), float(values[2]), _shape(values)
    if moisture <= 0 or rate <= 0:
        return np.nan
    # with u = (rate t)^n the loss per hour is moisture n rate u^((n-1)/n) exp(-u), falling beyond its peak
    power = (n - 1) / n
    top = max(power, 0.0)

    def excess(log_u: float) -> float:
        return float(np.log(moisture * n * rate / loss) + power * log_u - np.exp(log_u))

    start = np.log(top) if top > 0 else -60.0
    if excess(start) <= 0:
        return np.nan
    log_u = brentq(excess, start, np.log(top + 800.0), xtol=1e-13, rtol=1e-13)
    return float(log_u / n - np.log(rate))


def time_to_constant(fit: CurveFit, loss_g_per_h: float, level: float = 0.95) -> DryingTime:
    """Return the hours after which the piece loses less than `loss_g_per_h` grams an hour, for good.

    The "constant mass" rule. It is a rule about the scale and the piece's size as much as about dryness:
    a small piece in damp air meets it sooner, though it may be wetter.

    Parameters
    ----------
    fit : CurveFit
        Of EXPONENTIAL or PAGE.
    loss_g_per_h : float
        Positive.
    level : float
        Level of the profile-likelihood interval.

    Returns
    -------
    DryingTime

    Raises
    ------
    CannotAnswer
        The piece lost less than that from the start, or its mass had not levelled off (as for
        `time_to_share`).
    ValueError
        A loss that is not positive.

    Examples
    --------
    >>> piece = fit_piece([0, 1, 2, 4, 8, 16, 30], [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1])
    >>> print(time_to_constant(piece.fit, 0.02))
    loses less than 0.02 g an hour: 6.77 h, 95 % interval 6.04 to 7.56 h
    """
    if not loss_g_per_h > 0:
        raise ValueError("the loss per hour must be positive")
    if np.isnan(_log_hours_to_loss(fit.values, loss_g_per_h)):
        raise CannotAnswer(
            f"The piece lost less than {loss_g_per_h:g} g an hour from the first weighing on.",
            "Ask for a smaller loss per hour.",
        )

    def log_hours(values: Array) -> float:
        found = _log_hours_to_loss(values, loss_g_per_h)
        return found if np.isfinite(found) else -20.0

    asked = f"loses less than {loss_g_per_h:g} g an hour"
    return _when(fit, log_hours, asked, level)


def other_names(fit: CurveFit, first_g: float, end_g: float) -> dict[str, dict[str, float]]:
    """Return the fitted curve in the forms in which the literature reports it.

    With the moisture ratio formed as (m - end_g) / (first_g - end_g) from an assumed first and end mass, the
    exponential reads MR = a exp(-k t) + c with a = moisture / (first - end) and c = (m_end - end) / (first
    - end): "logarithmic" as it stands, "Henderson and Pabis" where the assumed end is the fitted one (c = 0)
    and "Newton" where the assumed first mass is the fitted one too (a = 1).

    Parameters
    ----------
    fit : CurveFit
        Of EXPONENTIAL or PAGE.
    first_g, end_g : float
        The masses that the moisture ratio is formed with.

    Returns
    -------
    dict
        Name of the form, and its numbers; k in 1/h, for Page in 1/h^n.

    Examples
    --------
    >>> piece = fit_piece([0, 1, 2, 4, 8, 16, 30], [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1])
    >>> plain = fit_piece(piece.fit.x, piece.fit.y, curve=EXPONENTIAL)
    >>> forms = other_names(plain.fit, first_g=86.12, end_g=84.0)
    >>> {name: round(value, 3) for name, value in forms["logarithmic"].items()}
    {'k': 0.592, 'a': 0.953, 'c': 0.049}
    """
    if not first_g > end_g:
        raise ValueError("the first mass must be greater than the end mass")
    k, n = fit["rate_per_h"], _shape(fit.values)
    if len(fit.values) > 3:
        return {"Page": {"k": k**n, "n": n}}
    return {
        "Newton": {"k": k},
        "Henderson and Pabis": {"k": k, "a": fit["moisture_g"] / (first_g - fit["end_g"])},
        "logarithmic": {
            "k": k,
            "a": fit["moisture_g"] / (first_g - end_g),
            "c": (fit["end_g"] - end_g) / (first_g - end_g),
        },
    }
