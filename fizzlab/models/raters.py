"""Do the raters mean the same by a score? Krippendorff's alpha, and who runs high.

Ours: statsmodels has kappas only, which bear no gaps (Cohen's: two raters; Fleiss's: no order).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.models.plotting import INK, SOFT, axes_for
from fizzlab.models.result import FitResult, t_interval
from fizzlab.models.terms import need_columns

Array = NDArray[np.float64]
Verdict = Literal["agree", "roughly agree", "do not agree", "cannot tell"]

#: Krippendorff's customary bounds: rely on scores from the first up, conclude tentatively from the second.
RELY, TENTATIVE = 0.800, 0.667


@dataclass(frozen=True, kw_only=True)
class RaterAgreement(FitResult):
    """How far raters agree (`alpha`: 1 is perfect, 0 what chance would give), and who leans.

    `same` is the share of pairs of raters on one piece with the same score. `verdict` goes by the interval:
    low end at 0.8 or more, at 0.667 or more, high end below 0.667, else "cannot tell". `leans` says how far
    each rater scores above the others on the same pieces, who runs "high", "low" or "level" (no lean was
    found), and alpha without them. `retrain`: with whom to go through the scale, worst first; of two, both.
    """

    alpha: float
    conf_low: float
    conf_high: float
    df: int
    same: float
    verdict: Verdict
    leans: pd.DataFrame = field(repr=False)
    retrain: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """The leans."""
        return self.leans

    @property
    def heading(self) -> str:
        """The verdict, with alpha."""
        told = {"alpha": self.alpha, "low": self.conf_low, "high": self.conf_high}
        return say(f"raters: {self.verdict}", **told)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw how far each rater scores above or below the others."""
        axes = axes_for(ax, height=0.9 + 0.34 * len(self.table))
        for place, row in enumerate(self.table.to_dict("records")):
            axes.plot([row["conf_low"], row["conf_high"]], [place, place], color=INK)
            axes.plot([row["difference"]], [place], "o", color=INK)
        reach = 1.15 * max(0.5, float(np.nanmax(np.abs(self.table.iloc[:, 1:4].to_numpy(float)))))
        axes.axvline(0, color=SOFT, lw=1.0)
        axes.set_yticks(range(len(self.table)), list(self.table["rater"]))
        axes.set(xlim=(-reach, reach), ylim=(len(self.table) - 0.5, -0.5))
        axes.set_xlabel(say("axis_leans"))
        return axes


def krippendorff_alpha(ratings: Array) -> float:
    """Krippendorff's alpha of ordered ratings, a row a piece and a column a rater; gaps are nan.

    1 - D_o / D_e, observed over expected disagreement, d_ck = (n_c/2 + sum_{c<g<k} n_g + n_k/2)^2; nan where
    it is not defined. K. Krippendorff (2011), Computing Krippendorff's Alpha-Reliability.
    """
    values = np.unique(ratings[~np.isnan(ratings)])
    counts = (ratings[:, :, None] == values).sum(axis=1).astype(float)
    counts = counts[counts.sum(axis=1) >= 2]
    weighted = counts / (counts.sum(axis=1) - 1)[:, None]
    coincidences = weighted.T @ counts - np.diag(weighted.sum(axis=0))
    total = coincidences.sum(axis=1)
    middle = np.cumsum(total) - total / 2
    distance = (middle[:, None] - middle[None, :]) ** 2
    expected = float((np.outer(total, total) * distance).sum())
    if not expected > 0:
        return float("nan")
    return float(1.0 - (coincidences * distance).sum() * (total.sum() - 1) / expected)


def rater_agreement(scores: pd.DataFrame, *, conf_level: float = 0.95) -> RaterAgreement:
    """Say how far raters of the same pieces agree, and who runs high or low.

    Krippendorff's alpha, 1 - D_o / D_e, with a jackknife interval over batches (on log(1 - alpha)). A rater's
    lean is the score less the mean of the others' on the same piece, averaged within batches; Student's t
    tests these batch means against 0. K. Krippendorff (2011), Computing Krippendorff's Alpha-Reliability.

    Parameters
    ----------
    scores : DataFrame
        Columns run, piece, rater, score.

    Raises
    ------
    CannotAnswer
        No piece was scored by two raters, or all scores are alike.

    Examples
    --------
    >>> scores = pd.DataFrame([(run, piece, rater, value + (rater == "Bo" and piece == "b"))
    ...     for run, value in zip("ABCDEF", (0, 1, 2, 3, 1, 2)) for piece in "ab" for rater in ("Ada", "Bo")],
    ...     columns=["run", "piece", "rater", "score"])
    >>> found = rater_agreement(scores)
    >>> round(found.alpha, 2), found.same, found.df
    (0.79, 0.5, 5)
    """
    need_columns(scores, ["run", "piece", "rater", "score"], "scores")
    if scores.duplicated(["run", "piece", "rater"]).any():
        raise ValueError("a rater scored the same piece twice")
    table = scores.pivot(index=["run", "piece"], columns="rater", values="score").astype(float)
    table = table[table.notna().sum(axis=1) >= 2]
    if table.empty:
        raise cannot("one_rater")
    ratings, runs = table.to_numpy(), table.index.get_level_values("run")
    alpha = krippendorff_alpha(ratings)
    if np.isnan(alpha):
        raise cannot("same_scores")
    low, high = _jackknife(ratings, runs.to_numpy(), alpha, conf_level)
    first, second = np.triu_indices(table.shape[1], 1)
    apart = ratings[:, first] - ratings[:, second]
    least, most = (alpha, alpha) if np.isnan(low) else (low, high)
    verdict: Verdict = "do not agree" if most < TENTATIVE else "cannot tell"
    if least >= TENTATIVE:
        verdict = "agree" if least >= RELY else "roughly agree"
    leans = _leans(table, conf_level)
    return RaterAgreement(
        response="score",
        batches=pd.DataFrame(index=pd.Index(runs.unique(), name="run")),
        conf_level=conf_level,
        alpha=alpha,
        conf_low=low,
        conf_high=high,
        df=runs.nunique() - 1,
        n_batches=runs.nunique(),
        same=float((apart[~np.isnan(apart)] == 0).mean()),
        verdict=verdict,
        leans=leans,
        retrain=_retrain(leans, alpha, verdict),
    )


def _jackknife(
    ratings: Array, runs: NDArray[np.object_], alpha: float, conf_level: float
) -> tuple[float, float]:
    names = pd.unique(runs)
    parts = np.array([1 - krippendorff_alpha(ratings[runs != run]) for run in names])
    if alpha >= 1 or len(names) < 3 or not (parts > 0).all():
        return float("nan"), float("nan")
    logs = np.log(parts)
    error = np.sqrt((len(names) - 1) / len(names) * ((logs - logs.mean()) ** 2).sum())
    reach = stats.t.ppf(0.5 + conf_level / 2, len(names) - 1) * error
    ends = 1 - np.exp(np.log(1 - alpha) + np.array([reach, -reach]))
    return float(ends[0]), float(ends[1])


def _leans(table: pd.DataFrame, conf_level: float) -> pd.DataFrame:
    """The table of `RaterAgreement`."""
    size = table.notna().sum(axis=1)
    family = table.shape[1] if table.shape[1] > 2 else 1
    rows = []
    for rater in table.columns:
        others = (table.sum(axis=1) - table[rater]) / (size - 1)
        means = (table[rater] - others).dropna().groupby(level="run").mean().to_numpy()
        df, centre = len(means) - 1, float(means.mean())
        low = high = p = float("nan")
        error = float(means.std(ddof=1) / np.sqrt(len(means))) if df > 0 else 0.0
        if error > 1e-12:
            told = t_interval(centre, error, df, 1 - (1 - conf_level) / family)
            low, high, p = told["conf_low"], told["conf_high"], min(1.0, family * told["p_value"])
        elif df > 0:  # every batch leans alike: a sign test is all that equal differences allow
            p = 1.0 if centre == 0 else min(1.0, family * 2.0 * 0.5 ** len(means))
        runs = ("high" if centre > 0 else "low") if p < 1 - conf_level else "level"
        without = krippendorff_alpha(table.drop(columns=rater).to_numpy())
        rows.append((str(rater), centre, low, high, df, p, len(means), runs, without))
    names = ["rater", "difference", "conf_low", "conf_high", "df", "p_value", "n_batches", "runs"]
    leans = pd.DataFrame(rows, columns=[*names, "alpha_without"])
    return leans.sort_values("difference", ascending=False, kind="stable", ignore_index=True)


def _retrain(leans: pd.DataFrame, alpha: float, verdict: Verdict) -> tuple[str, ...]:
    leaning = leans["runs"] != "level"
    if verdict == "agree":
        return ()
    if len(leans) == 2:
        return tuple(leans["rater"]) if leaning.any() or verdict == "do not agree" else ()
    named = leans[leaning | (leans["alpha_without"] > alpha + 0.1)]
    return tuple(named.sort_values("difference", key=lambda d: -d.abs(), kind="stable")["rater"])
