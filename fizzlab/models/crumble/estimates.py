"""What a crumble analysis hands back: one effect, one joint test, one share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["ratio", "odds ratio", "difference"]


@dataclass(frozen=True)
class Effect:
    """One coefficient, on the scale on which a maker reads it.

    Parameters
    ----------
    name : str
        Column of the model: ``"colour[lake]"``, ``"log vpd_kpa"``, ``"rater[Ada]"``.
    term : str
        The factor that it belongs to.
    kind : {"ratio", "odds ratio", "difference"}
    estimate, low, high : float
        Estimate and interval. An end may be 0 or infinite where the readings set no bound; both are NaN
        (and so is `p`) where raters differ alike in every batch.
    p : float
        Two-sided p-value of "no effect".
    df : float
        Denominator degrees of freedom, counted in batches.
    design_effect : float
        Variance with the batches taken into account over that of independent pieces: at least 1, but for
        raters, who are compared on the same pieces. 1 where the batches are in the model itself.
    """

    name: str
    term: str
    kind: Kind
    estimate: float
    low: float
    high: float
    p: float
    df: float
    design_effect: float = 1.0


@dataclass(frozen=True)
class JointTest:
    """An F test that every coefficient of one term is zero; NaN where the batches are too few for it.

    Parameters
    ----------
    term : str
    f : float
    df_num, df_den : float
    p : float
    """

    term: str
    f: float
    df_num: float
    df_den: float
    p: float


@dataclass(frozen=True)
class Share:
    """A count out of a total with two 95 % (or `level`) intervals for the share behind it.

    Parameters
    ----------
    count, total : int
    share : float
    wilson_low, wilson_high : float
        Wilson's score interval.
    exact_low, exact_high : float
        Clopper and Pearson's interval, which covers at least `level` and is the wider of the two.
    level : float
    design_effect : float
        By how much batches enlarge the variance; 1 where the pieces are taken as independent. The intervals
        are those of count / design_effect out of total / design_effect.
    batches : int
    """

    count: int
    total: int
    share: float
    wilson_low: float
    wilson_high: float
    exact_low: float
    exact_high: float
    level: float = 0.95
    design_effect: float = 1.0
    batches: int = 1
