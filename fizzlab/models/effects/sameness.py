"""Is it the same, within a margin? Two one-sided tests; "no difference found" is never read as sameness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from fizzlab.models.effects.analysis import Analysis
from fizzlab.models.effects.contrasts import contrast
from fizzlab.models.effects.means import At, category_of, other_than, settings_grid

Verdict = Literal["same within the margin", "different", "different, but within the margin", "not settled"]


@dataclass(frozen=True)
class Sameness:
    """Whether two levels are the same within a margin.

    Parameters
    ----------
    factor, new, old : str
    margin : float
        As a ratio: 1.1 says that a tenth more or a tenth less (old/1.1 to old*1.1) is as good as the same.
    ratio, low, high : float
        New over old, with the interval of level 1 - 2 alpha that the tests stand for.
    p : float
        The larger of the two one-sided p values.
    p_difference : float
        Two-sided p value of "there is no difference".
    alpha : float
    verdict : str
    df : float
    """

    factor: str
    new: str
    old: str
    margin: float
    ratio: float
    low: float
    high: float
    p: float
    p_difference: float
    alpha: float
    verdict: Verdict
    df: float

    @property
    def same(self) -> bool:
        """Is sameness within the margin shown?"""
        return self.p < self.alpha

    def __str__(self) -> str:
        asked = f"within {1 / self.margin:.3g} to {self.margin:.3g} times {self.old}"
        got = (
            f"{self.new} is {self.ratio:.3g} times {self.old} "
            f"({(1 - 2 * self.alpha) * 100:.0f} % interval {self.low:.3g} to {self.high:.3g})"
        )
        said = {
            "same within the margin": f"That is the same, {asked}.",
            "different, but within the margin": f"There is a difference, and it is small: {asked}.",
            "different": (
                f"They differ by more than the margin: outside {asked.removeprefix('within ')}."
                if self.low > self.margin or self.high < 1 / self.margin
                else f"They differ, and whether the difference stays {asked} is not settled."
            ),
            "not settled": f"Neither sameness ({asked}) nor a difference is shown; more batches would help.",
        }
        return f"{got}. {said[self.verdict]}"


def same_within(
    analysis: Analysis,
    factor: str,
    new: str,
    old: str | None = None,
    *,
    margin: float,
    alpha: float = 0.05,
    at: At | None = None,
) -> Sameness:
    """Test whether two suppliers, or a substitute, are the same within a margin that the maker states.

    Parameters
    ----------
    analysis : Analysis
    factor : str
    new, old : str
        Levels; `old` is the control if not given.
    margin : float
        Above 1; see `Sameness`.
    alpha : float
        Chance of calling them the same when they are as far apart as the margin.
    at : mapping, optional

    Returns
    -------
    Sameness

    Notes
    -----
    D. J. Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680. On the log scale the
    tests are on the difference of logarithms. On the plain scale they are on new - old/margin and
    new - old*margin, which are linear in the means (V. Sasabuchi's test, as in D. Hauschke, M. Kieser,
    E. Diletti, M. Burke, Statistics in Medicine 18 (1999) 93-105), and the interval is Fieller's;
    with random groups, whose degrees of freedom go with the ratio, the tests are inverted by search.

    Examples
    --------
    >>> import pandas as pd
    >>> from fizzlab.models.effects.analysis import analyse
    >>> from fizzlab.models.terms import Category
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "supplier": ["old", "new"] * 3,
    ...                       "hours": [4.0, 4.1, 4.1, 4.0, 4.1, 4.1]})
    >>> found = analyse(trial, "hours", [Category("supplier", ("old", "new"), "old")], log=True)
    >>> print(same_within(found, "supplier", "new", margin=1.1))
    new is 1 times old (90 % interval 0.975 to 1.03). That is the same, within 0.909 to 1.1 times old.
    """
    if margin <= 1:
        raise ValueError("the margin is a ratio above 1, for example 1.1")
    category = category_of(analysis, factor)
    old = category.control if old is None else old
    for level in (new, old):
        if level not in category.levels:
            raise ValueError(f"{factor} has no measured level {level!r}")
    shown, weights = settings_grid(analysis, [factor], other_than(factor, at))
    levels = list(shown[factor])
    top, bottom = weights[levels.index(new)], weights[levels.index(old)]
    difference = analysis.interval(top - bottom)
    df = difference["df"]
    if analysis.log:
        room = float(np.log(margin))
        below = (difference["estimate"] + room) / difference["se"]
        above = (room - difference["estimate"]) / difference["se"]
        p = float(stats.t.sf(min(below, above), df))
        reach = difference["se"] * float(stats.t.isf(alpha, df))
        ratio, low, high = np.exp([difference["estimate"] + d for d in (0.0, -reach, reach)])
    else:
        tails = []
        for row in (top - bottom / margin, bottom * margin - top):
            estimate, se, own = (float(part[0]) for part in contrast(analysis.fits, row, analysis.method))
            tails.append(float(stats.t.sf(estimate / se, own)))
        p = max(tails)
        ratio, low, high = _fieller(analysis, top, bottom, df, alpha)
    verdict: Verdict
    if p < alpha:
        differs = difference["p"] < alpha
        verdict = "different, but within the margin" if differs else "same within the margin"
    else:
        verdict = "different" if difference["p"] < alpha else "not settled"
    return Sameness(
        factor,
        new,
        old,
        margin,
        float(ratio),
        float(low),
        float(high),
        p,
        difference["p"],
        alpha,
        verdict,
        df,
    )


def _fieller(
    analysis: Analysis, top: np.ndarray, bottom: np.ndarray, df: float, alpha: float
) -> tuple[float, float, float]:
    """Ratio of two means and its limits of level 1 - 2 alpha; infinite where the old mean may be zero."""
    beta, covariance = analysis.fits.beta[0], analysis.fits.covariance[0]
    a, b = float(top @ beta), float(bottom @ beta)
    if analysis.structure.groups:  # each ratio then has degrees of freedom of its own
        return a / b, *_inverted(analysis, top, bottom, a / b, alpha)
    t2 = float(stats.t.isf(alpha, df)) ** 2
    squared = b**2 - t2 * float(bottom @ covariance @ bottom)
    cross = a * b - t2 * float(top @ covariance @ bottom)
    constant = a**2 - t2 * float(top @ covariance @ top)
    if squared <= 0:
        return a / b, -np.inf, np.inf
    root = float(np.sqrt(max(cross**2 - squared * constant, 0.0)))
    return a / b, (cross - root) / squared, (cross + root) / squared


def _inverted(
    analysis: Analysis, top: np.ndarray, bottom: np.ndarray, ratio: float, alpha: float
) -> tuple[float, float]:
    """The ratios up to which top - ratio × bottom cannot be told from zero, searched for outwards."""

    def past(log_step: float, sign: int) -> float:
        row = top - ratio * np.exp(sign * log_step) * bottom
        estimate, se, df = (float(part[0]) for part in contrast(analysis.fits, row, analysis.method))
        return abs(estimate) / se - float(stats.t.isf(alpha, df))

    ends = []
    for sign in (-1, 1):
        inside = 0.0
        for step in np.geomspace(1e-6, np.log(1000), 30):
            if ratio > 0 and past(step, sign) > 0:
                reach = brentq(past, inside, step, args=(sign,)) if inside else step
                ends.append(ratio * float(np.exp(sign * reach)))
                break
            inside = step
        else:
            return -np.inf, np.inf
    return ends[0], ends[1]
