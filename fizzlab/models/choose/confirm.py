"""Confirmation batches: what they should give if the trial was right, and whether they did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.choose.forecasters import Given, forecasters
from fizzlab.models.choose.judge import as_setting
from fizzlab.models.choose.wishes import Limit


@dataclass(frozen=True)
class Confirmation:
    """What the mean of some new batches of one setting should be; made by `confirm`.

    Parameters
    ----------
    setting : dict
    batches, days : int
        New batches, and the new days that they are spread over.
    level : float
        Chance that all responses lie inside together, if the trial was right (at least).
    table : DataFrame
        One row a response: expected, low, high (of the mean of the batches, or of their geometric mean if
        the logarithm was analysed), df, log.
    notes : tuple of str
    """

    setting: Mapping[str, object]
    batches: int
    days: int
    level: float
    table: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Confirmed:
    """Whether confirmation batches agree with the forecast; made by `judge_confirmation`.

    Parameters
    ----------
    agrees : bool
        Every response lies inside.
    table : DataFrame
        One row a response: seen, expected, low, high, agrees; with limits also kept (batches that kept to it)
        and batches.
    """

    agrees: bool
    table: pd.DataFrame

    def __str__(self) -> str:
        if self.agrees:
            return "The confirmation batches came out as forecast."
        wrong = [str(name) for name in self.table.index[~self.table["agrees"]]]
        return (
            f"{' and '.join(wrong)} did not come out as forecast. Either something differed from the trial, "
            "or the model misses something there; make it again beside the control before trusting it."
        )


def confirm(
    analyses: Sequence[Given],
    setting: Mapping[str, object] | pd.Series,
    batches: int,
    *,
    days: int | None = None,
    level: float = 0.95,
) -> Confirmation:
    """Say between which bounds the mean of new batches should lie if the trial was right.

    Parameters
    ----------
    analyses : sequence of ResponseFit or Forecaster
        Those without chance variation are passed over.
    setting : mapping
        A value for each factor.
    batches : int
    days : int, optional
        New days over which they are spread; a day each if not given.
    level : float
        For all responses together (each at 1 - (1 - level) / responses).

    Raises
    ------
    ValueError
        Fewer batches than days, a factor without a value, or nothing that varies by chance.

    Notes
    -----
    estimate +- t sqrt(x'cov(b)x + day / days + rest / batches), with Satterthwaite's degrees of freedom for
    the sum; without random groups it is the textbook's s^2 (x'(X'X)^-1 x + 1/k) on n - p.

    Examples
    --------
    >>> from fizzlab.models.effects import fit_response
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0]})
    >>> found = fit_response(trial, "hours", "colour", log=False)
    >>> confirm([found], {"colour": "lake"}, 3).table[["expected", "low", "high"]].round(2).values.tolist()
    [[6.2, 5.67, 6.73]]
    """
    days = batches if days is None else days
    if not 1 <= days <= batches:
        raise ValueError("there must be at least one batch for each day")
    rows = {}
    notes: list[str] = []
    varied = [each for each in forecasters(analyses) if each.chance]
    if not varied:
        raise ValueError("nothing here varies by chance")
    alone = 1 - (1 - level) / len(varied)
    for each in varied:
        notes += each.notes
        names = [factor.name for factor in each.factors]
        found = each.bounds(as_setting(setting, names), batches, days, alone)
        ends = np.array([found.expected, found.low, found.high])
        told = np.exp(ends) if each.log else ends
        rows[each.response] = {
            "expected": told[0],
            "low": told[1],
            "high": told[2],
            "df": found.df,
            "log": each.log,
        }
    table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("response")
    chosen = {str(name): value for name, value in dict(setting).items()}
    return Confirmation(chosen, batches, days, level, table, tuple(dict.fromkeys(notes)))


def confirmation_sizes(
    analyses: Sequence[Given],
    setting: Mapping[str, object] | pd.Series,
    most: int = 6,
    *,
    level: float = 0.95,
) -> pd.DataFrame:
    """How narrow the bounds get with 1, 2, ... batches, each on a day of its own.

    Returns
    -------
    DataFrame
        One row a number of batches and a response: batches, response, low, high. What the trial itself left
        open stays, so that more batches soon help little.
    """
    parts = []
    for batches in range(1, most + 1):
        table = confirm(analyses, setting, batches, level=level).table.reset_index()
        parts.append(table[["response", "low", "high"]].assign(batches=batches))
    return pd.concat(parts, ignore_index=True)[["batches", "response", "low", "high"]]


def judge_confirmation(
    confirmation: Confirmation, results: pd.DataFrame, limits: Sequence[Limit] = ()
) -> Confirmed:
    """Say whether the confirmation batches came out as forecast.

    Parameters
    ----------
    confirmation : Confirmation
    results : DataFrame
        One row a batch, with a column for each response.
    limits : sequence of Limit

    Raises
    ------
    CannotAnswer
        Another number of batches than was said beforehand, or a missing value.
    """
    rows = {}
    for name, expected in confirmation.table.iterrows():
        values = results[str(name)].to_numpy(float)
        if len(values) != confirmation.batches or np.isnan(values).any():
            raise CannotAnswer(
                f"The bounds are for {confirmation.batches} batches, and {int((~np.isnan(values)).sum())} "
                f"have a value of {name}.",
                "Ask for the bounds again with the number of batches that were made.",
            )
        if expected["log"] and not (values > 0).all():
            raise CannotAnswer(f"Some {name} is zero or less, so there are no ratios of it.", "Look it up.")
        seen = float(np.exp(np.log(values).mean())) if expected["log"] else float(values.mean())
        low, high = float(expected["low"]), float(expected["high"])
        rows[name] = {
            "seen": seen,
            "expected": float(expected["expected"]),
            "low": low,
            "high": high,
            "agrees": low <= seen <= high,
        }
        for limit in limits:
            if limit.response == name:
                rows[name] |= {"kept": int(limit.met(values).sum()), "batches": len(values)}
    table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("response")
    return Confirmed(bool(table["agrees"].all()), table)


def seen_between(looks: pd.DataFrame) -> tuple[float, float]:
    """Between which hours the geometric mean of the dry times lies, by what was seen of each piece.

    Parameters
    ----------
    looks : DataFrame
        One row a piece: run, lower (last seen wet, 0 if never) and upper (first seen dry, inf if never).

    Returns
    -------
    (float, float)
        Pieces are averaged in each batch, then the batches.

    Examples
    --------
    >>> low, high = seen_between(pd.DataFrame({"run": ["A", "B"], "lower": [2.0, 8.0], "upper": [4.0, 9.0]}))
    >>> round(low, 6), round(high, 6)
    (4.0, 6.0)
    """
    with np.errstate(divide="ignore"):
        logs = pd.DataFrame(
            {
                "run": looks["run"],
                "lower": np.log(looks["lower"].to_numpy(float)),
                "upper": np.log(looks["upper"].to_numpy(float)),
            }
        )
    batches = logs.groupby("run")[["lower", "upper"]].mean().to_numpy(float)
    low, high = np.exp(batches.mean(axis=0))
    return float(low), float(high)
