"""How fast stored pieces lose their fizz.

Moist air lets acid and soda meet before the bath. What is left is taken to fall by the same share every
week (first order):

    log left_ij = log fresh_i - k_i weeks_ij + error,

with its own loss rate k_i for each batch in each storage. The batch is the unit: the interval of the mean
rate comes from how much batches differ, not from how many pieces were tried.

Home storage is not a stability study: the cupboard's air changes with the season, and a lid that leaks,
a parcel in summer or a damp bathroom shelf is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer

Array = NDArray[np.float64]

HOME_STORAGE = (
    "Home storage is not a stability study: the air was not controlled, so another cupboard or season may "
    "give another answer."
)

#: Humidities closer than this are one storage: a cheap hygrometer tells no finer.
SAME_RH_PCT = 5.0


@dataclass(frozen=True)
class LossRate:
    """First-order loss of fizz in one storage.

    Parameters
    ----------
    storage : str
        ``"all"``, or the humidity in words: ``"55 % humidity"``.
    rh_pct : float
        Mean humidity; nan where none was noted.
    per_week, low, high : float
        Share lost a week, k (0.02 is about two per cent a week). The low end may be below 0.
    weeks_to_share, weeks_low, weeks_high : float
        Weeks until `share` of the fresh fizz is left; infinite where the readings set no end.
    share : float
    beyond_tried : bool
        Is `weeks_to_share` later than the last week tried?
    bend_p : float
        p-value of "the loss is as fast late as early"; nan where too few weeks were tried. Small: first order
        does not describe it, and the weeks are not to be trusted.
    df : float
    batches : int
    level : float
    """

    storage: str
    rh_pct: float
    per_week: float
    low: float
    high: float
    weeks_to_share: float
    weeks_low: float
    weeks_high: float
    share: float
    beyond_tried: bool
    bend_p: float
    df: float
    batches: int
    level: float
    warning: str = HOME_STORAGE


@dataclass(frozen=True)
class HumidityEffect:
    """What damper storage does to the loss rate.

    Parameters
    ----------
    per_10_pct, low, high : float
        Change of the weekly loss for 10 % more humidity (0.01 is one per cent a week more).
    p, df : float
    batches : int
    within : bool
        True: the same batches lay in several humidities and were compared with themselves. False: different
        batches lay in different humidities.
    tried_pct : tuple of float
        Lowest and highest humidity tried.
    level : float
    """

    per_10_pct: float
    low: float
    high: float
    p: float
    df: float
    batches: int
    within: bool
    tried_pct: tuple[float, float]
    level: float


def loss_rates(
    shelf: pd.DataFrame,
    measure: Literal["share_left", "gas_g", "seconds"] = "share_left",
    share: float = 0.9,
    level: float = 0.95,
) -> list[LossRate]:
    """Return the loss of fizz in storage, and the time until `share` of it is left.

    Parameters
    ----------
    shelf : DataFrame
        One row a piece: run, weeks, the measure, and rh_pct if noted. Fresh pieces (weeks 0) of a batch set
        its start, so grams of gas or seconds of fizz need not be turned into shares beforehand.
    measure : {"share_left", "gas_g", "seconds"}
        Column that says how much fizz is left.
    share : float
        The share of the fresh fizz to wait for.
    level : float
        Coverage of the intervals: t, with batches - 1 degrees of freedom.

    Returns
    -------
    list of LossRate
        One a storage humidity, dry first; one for all where no humidity was noted.

    Raises
    ------
    CannotAnswer
        Fewer than three batches were tried at two or more times, or a piece had no fizz at all.
    ValueError
        `share` is not between 0 and 1.

    References
    ----------
    The rate of a batch is its least-squares slope, and time to a share is -log(share)/k: the usual
    first-order kinetics of stability testing. The interval is of the mean rate of batches, not the bound for
    one batch that guideline ICH Q1E asks for (from memory, not seen).

    Examples
    --------
    >>> shelf = pd.DataFrame({"run": list("AAABBBCCC"), "weeks": [0, 4, 8] * 3,
    ...     "gas_g": [10, 9.2, 8.5, 9.6, 8.9, 8.1, 10.3, 9.6, 8.7]})
    >>> rate = loss_rates(shelf, "gas_g")[0]
    >>> round(rate.per_week, 3), round(rate.weeks_to_share, 1), rate.beyond_tried
    (0.021, 5.0, False)
    """
    if not 0 < share < 1:
        raise ValueError("share must be between 0 and 1")
    return [
        _of_storage(name, rows, share, level)
        for name, rows in _slopes(shelf, measure).groupby("storage", sort=False)
    ]


def humidity_effect(
    shelf: pd.DataFrame,
    measure: Literal["share_left", "gas_g", "seconds"] = "share_left",
    level: float = 0.95,
) -> HumidityEffect:
    """Return how the weekly loss changes with the humidity of the storage.

    Where three or more batches lay in several humidities each, every such batch is compared with itself and
    the mean of the batches' slopes gets a t interval. Otherwise the loss rates of different batches are
    regressed on humidity (least squares, batches - 2 degrees of freedom).

    Parameters
    ----------
    shelf : DataFrame
        As for `loss_rates`, with rh_pct.
    measure, level
        As for `loss_rates`.

    Raises
    ------
    CannotAnswer
        No humidity was noted, only one humidity was tried, or too few batches.

    Examples
    --------
    >>> rows = [(run, weeks, rh, fresh * np.exp(-k * weeks))
    ...     for run, fresh, more in (("A", 10, 0.00), ("B", 9, 0.004), ("C", 11, -0.003))
    ...     for rh, k in ((40, 0.01), (70, 0.04 + more)) for weeks in (0, 3, 6)]
    >>> shelf = pd.DataFrame(rows, columns=["run", "weeks", "rh_pct", "gas_g"])
    >>> effect = humidity_effect(shelf, "gas_g")
    >>> round(effect.per_10_pct, 4), effect.within, effect.low > 0
    (0.0101, True, True)
    """
    rates = _slopes(shelf, measure)
    if rates["rh_pct"].isna().all():
        raise CannotAnswer(
            "The humidity of the storage was not noted.", "Put a hygrometer beside the stored pieces."
        )
    rates = rates.dropna(subset=["rh_pct"])
    spread = rates.groupby("run")["rh_pct"].agg(np.ptp)
    several = spread[spread >= SAME_RH_PCT].index
    tried = (float(rates["rh_pct"].min()), float(rates["rh_pct"].max()))
    if tried[1] - tried[0] < SAME_RH_PCT:
        raise CannotAnswer(
            "Every piece was stored at about the same humidity.",
            "Store half of each batch in a tin with a drying agent, and half in the damp.",
        )
    if len(several) >= 3:
        own = [
            float(np.polyfit(rows["rh_pct"], rows["per_week"], 1)[0])
            for _, rows in rates[rates["run"].isin(several)].groupby("run")
        ]
        slopes = np.array(own)
        estimate, se = float(slopes.mean()), float(slopes.std(ddof=1) / np.sqrt(len(slopes)))
        df, batches = len(slopes) - 1, len(slopes)
    else:
        means = rates.groupby("run")[["rh_pct", "per_week"]].mean()
        batches, df = len(means), len(means) - 2
        if df < 1 or np.ptp(means["rh_pct"]) < SAME_RH_PCT:
            raise CannotAnswer(
                f"{batches} batches are too few to tell the humidity from the batches themselves.",
                "Store pieces of three or more batches in both the dry and the damp.",
            )
        line = stats.linregress(means["rh_pct"], means["per_week"])
        estimate, se = float(line.slope), float(line.stderr)
    margin = float(stats.t.ppf(0.5 + level / 2, df)) * se
    p = float(2 * stats.t.sf(abs(estimate) / se, df)) if se > 0 else 0.0
    return HumidityEffect(
        per_10_pct=10 * estimate,
        low=10 * (estimate - margin),
        high=10 * (estimate + margin),
        p=p,
        df=float(df),
        batches=batches,
        within=len(several) >= 3,
        tried_pct=tried,
        level=level,
    )


def _of_storage(name: object, rates: pd.DataFrame, share: float, level: float) -> LossRate:
    batches = len(rates)
    if batches < 3:
        raise CannotAnswer(
            f"Only {batches} batches were stored and tried at two or more times ({name}).",
            "Store pieces of three or more batches; pieces of one batch do not count as repeats.",
        )
    k = rates["per_week"].to_numpy(float)
    df = batches - 1
    mean, se = float(k.mean()), float(k.std(ddof=1) / np.sqrt(batches))
    margin = float(stats.t.ppf(0.5 + level / 2, df)) * se
    low, high = mean - margin, mean + margin
    weeks, soonest, latest = (-np.log(share) / rate if rate > 0 else np.inf for rate in (mean, high, low))
    bends = rates["bend"].dropna().to_numpy(float)
    bend_p = float("nan")
    if len(bends) >= 3 and bends.std(ddof=1) > 0:
        bend_p = float(stats.ttest_1samp(bends, 0.0).pvalue)
    return LossRate(
        storage=str(name),
        rh_pct=float(rates["rh_pct"].mean()),
        per_week=mean,
        low=low,
        high=high,
        weeks_to_share=float(weeks),
        weeks_low=float(soonest),
        weeks_high=float(latest),
        share=share,
        beyond_tried=bool(weeks > rates["last_week"].max()),
        bend_p=bend_p,
        df=float(df),
        batches=batches,
        level=level,
    )


def _slopes(shelf: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return the loss rate of each batch in each storage, with its curvature."""
    left = shelf[measure].to_numpy(float)
    if np.isnan(left).any():
        raise ValueError(f"{measure} has missing values")
    if (left <= 0).any():
        raise CannotAnswer(
            "A stored piece had no fizz left at all, which a steady loss by the same share never reaches.",
            "Leave out the weeks after a storage had gone dead, or try it sooner.",
        )
    table = shelf.assign(log_left=np.log(left), storage="all")
    if "rh_pct" not in table:
        table["rh_pct"] = np.nan
    else:
        table["storage"] = _storages(table)
    rows = []
    for (storage, run), piece in _with_fresh(table):
        weeks, log_left = piece["weeks"].to_numpy(float), piece["log_left"].to_numpy(float)
        different = len(np.unique(weeks))
        if different < 2:
            continue
        fit = np.polyfit(weeks, log_left, 1)
        bend = np.polyfit(weeks, log_left, 2)[0] if different >= 3 else np.nan
        aged = piece[piece["weeks"] > 0]
        rows.append((storage, run, -fit[0], bend, weeks.max(), aged["rh_pct"].mean()))
    names = ["storage", "run", "per_week", "bend", "last_week", "rh_pct"]
    rates = pd.DataFrame(rows, columns=names)
    if rates.empty:
        raise CannotAnswer(
            "No batch was tried at two different times.",
            "Try fresh pieces, and pieces of the same batch later.",
        )
    return rates.sort_values(["rh_pct", "run"], ignore_index=True)


def _with_fresh(table: pd.DataFrame) -> list[tuple[tuple[str, object], pd.DataFrame]]:
    """Return the rows of each batch in each storage; fresh pieces belong to every storage of their batch."""
    aged = table[table["weeks"] > 0]
    fresh = table[table["weeks"] == 0]
    groups = []
    for (storage, run), rows in aged.groupby(["storage", "run"], sort=True):
        groups.append(((str(storage), run), pd.concat([fresh[fresh["run"] == run], rows])))
    return groups


def _storages(table: pd.DataFrame) -> pd.Series:
    """Name storages by humidity: values closer than `SAME_RH_PCT` to their neighbour are one."""
    known = np.sort(table.loc[(table["weeks"] > 0) & table["rh_pct"].notna(), "rh_pct"].unique())
    if not len(known):
        return pd.Series("all", index=table.index)
    group = np.concatenate([[0], np.cumsum(np.diff(known) >= SAME_RH_PCT)])
    middle = {rh: float(known[group == own].mean()) for rh, own in zip(known, group, strict=True)}
    return table["rh_pct"].map(
        lambda rh: f"{middle[rh]:.0f} % humidity" if rh in middle else "humidity not noted"
    )
