"""Time until colour is first seen in the water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.duration.survfunc import SurvfuncRight

from fizzlab.errors import CannotAnswer
from fizzlab.models.fizz.durations import DurationFit, fit_times
from fizzlab.models.terms import Term
from fizzlab.recipe import BATH_C

#: A colour noted at 0 seconds came before the eye and the thumb could tell: somewhere up to here.
AT_ONCE_S = 1.0


@dataclass(frozen=True)
class Release:
    """Share of pieces that have shown colour, against time, for one group.

    Parameters
    ----------
    group : str
    seen : DataFrame
        seconds, share, low, high, watched (pieces still watched just before): a step at each time at which a
        first colour was noted.
    median_s : float
        Time by which half have shown colour; infinite where fewer than half did.
    pieces, unseen, batches : int
    level : float
    """

    group: str
    seen: pd.DataFrame
    median_s: float
    pieces: int
    unseen: int
    batches: int
    level: float


def fit_release(
    times: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term] = (),
    at_water_c: float = BATH_C,
    level: float = 0.95,
) -> DurationFit:
    """Compare the time to first colour between levels, as `fit_durations` does for the fizz.

    A piece whose `colour_s` is empty showed none while it was watched: its time is longer than `seconds`. A
    time of 0 counts as "within the first second".

    Parameters
    ----------
    times : DataFrame
        One row a piece: run, water_c, seconds, colour_s.
    batches, terms, at_water_c, level
        As for `fit_durations`.

    Raises
    ------
    CannotAnswer
        As `fit_durations`.
    ValueError
        A colour noted after the watching ended.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> times = pd.DataFrame({"run": list("AABBCCDDEEFF"), "water_c": 38.0, "seconds": 90.0,
    ...     "colour_s": [5, 6, 20, 24, 6, 5, 22, 18, 4, 6, 19, None]})
    >>> lake = fit_release(times, batches, [Category("colour", ("dye", "lake"), control="dye")]).effects[0]
    >>> round(lake.ratio), lake.low > 2
    (5, True)
    """
    lower, upper = _bounds(times)
    return fit_times(times, lower, upper, batches, terms, at_water_c, level)


def colour_seen(times: pd.DataFrame, group: pd.Series | None = None, level: float = 0.95) -> list[Release]:
    """Return the share of pieces that have shown colour by each time (Kaplan and Meier's estimate, reversed).

    Needs no model of the times, but knows nothing of batches or water either: its interval is for pieces that
    are independent, so with several pieces of a batch it is too narrow. Compare levels with `fit_release`.

    Parameters
    ----------
    times : DataFrame
        One row a piece: run, seconds, colour_s.
    group : Series, optional
        A level for each row, same index.
    level : float
        Coverage of the pointwise intervals (log minus log scale).

    References
    ----------
    E. L. Kaplan and P. Meier, J. Am. Stat. Assoc. 53 (1958) 457. Computed by statsmodels.

    Examples
    --------
    >>> times = pd.DataFrame({"run": list("ABCD"), "seconds": 60.0, "colour_s": [5, 10, 20, None]})
    >>> shown = colour_seen(times)[0]
    >>> shown.seen[["seconds", "share"]].round(2).values.tolist(), shown.median_s, shown.unseen
    ([[5.0, 0.25], [10.0, 0.5], [20.0, 0.75]], 10.0, 1)
    """
    _bounds(times)
    groups = pd.Series("all", index=times.index) if group is None else group.astype(str)
    return [
        _seen(str(name), times.loc[rows.index], level) for name, rows in groups.groupby(groups, sort=False)
    ]


def _seen(name: str, times: pd.DataFrame, level: float) -> Release:
    shown = times["colour_s"].notna().to_numpy()
    if not shown.any():
        raise CannotAnswer(
            f"No piece of {name} showed colour while it was watched.", "Watch on until some have."
        )
    at = np.where(shown, times["colour_s"].fillna(0), times["seconds"]).astype(float)
    curve = SurvfuncRight(at, shown.astype(int))
    low, high = _log_log(curve, level)
    seen = pd.DataFrame(
        {
            "seconds": np.asarray(curve.surv_times, float),
            "share": 1 - np.asarray(curve.surv_prob, float),
            "low": 1 - high,
            "high": 1 - low,
            "watched": np.asarray(curve.n_risk, int),
        }
    )
    seen = seen[np.asarray(curve.n_events) > 0].reset_index(drop=True)
    half = seen["seconds"][seen["share"] >= 0.5 - 1e-12]
    return Release(
        group=name,
        seen=seen,
        median_s=float(half.iloc[0]) if len(half) else float("inf"),
        pieces=len(times),
        unseen=int((~shown).sum()),
        batches=times["run"].nunique(),
        level=level,
    )


def _log_log(curve: SurvfuncRight, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Bounds of the survival on the scale of log(-log S), which stay between 0 and 1."""
    from scipy.stats import norm

    left = np.asarray(curve.surv_prob, float)
    se = np.asarray(curve.surv_prob_se, float)
    inside = (left > 0) & (left < 1)
    low, high = np.zeros_like(left), np.ones_like(left)
    turned = np.log(-np.log(left[inside]))
    margin = norm.ppf(0.5 + level / 2) * np.abs(se[inside] / (left[inside] * np.log(left[inside])))
    low[inside], high[inside] = np.exp(-np.exp(turned + margin)), np.exp(-np.exp(turned - margin))
    return low, high


def _bounds(times: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    seconds = times["seconds"].to_numpy(float)
    colour = pd.to_numeric(times["colour_s"]).to_numpy(float)
    if (colour > seconds + 1e-9).any():
        raise ValueError("a colour was noted after the watching ended")
    unseen = np.isnan(colour)
    at_once = colour == 0
    lower = np.where(unseen, seconds, np.where(at_once, 0.0, colour))
    upper = np.where(unseen, np.inf, np.where(at_once, AT_ONCE_S, colour))
    return lower, upper
