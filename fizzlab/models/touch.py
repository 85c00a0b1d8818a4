"""Touch checks as brackets, what a regression of them needs, and what they tell where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import listed, say
from fizzlab.models.basis import refuse_inseparable
from fizzlab.models.censored import NotFitted
from fizzlab.models.days import on_every_day
from fizzlab.models.terms import Array, Category, Term, model_matrix, need_columns, parts

FEWEST_SPARE = 2  # residual degrees of freedom below which no interval is worth printing


def brackets(touch_checks: pd.DataFrame) -> pd.DataFrame:
    """Turn touch checks into one bracket a piece: wet at `lower` hours, dry at `upper` hours.

    `lower` is the last wet look before any dry one (0 if none), `upper` the first dry one after all wet looks
    (inf if none): of a piece that was dry and then wet, the bracket is wide.
    """
    need_columns(touch_checks, ["run", "piece", "hours", "dry"], say("the_touch_checks"))
    used = touch_checks[["run", "piece", "hours", "dry"]]
    if used.isna().any().any():
        raise ValueError("touch checks have missing values")
    dry, hours = used["dry"].astype(bool), used["hours"].astype(float)
    piece = [used["run"], used["piece"]]
    first_dry = hours.where(dry, np.inf).groupby(piece, observed=True).transform("min")
    last_wet = hours.where(~dry, -1.0).groupby(piece, observed=True).transform("max")
    sure = dry & (hours > last_wet), ~dry & (hours < first_dry)
    ends = used[["run", "piece"]].assign(lower=hours.where(sure[1], 0.0), upper=hours.where(sure[0], np.inf))
    found = ends.groupby(["run", "piece"], sort=False, observed=True).agg({"lower": "max", "upper": "min"})
    wrong = found[found["lower"] >= found["upper"]]
    if len(wrong):
        run, piece = wrong.index[0]
        raise ValueError(f"run {run}, piece {piece} was dry at 0 hours")
    return found.reset_index()


def check_pieces(pieces: pd.DataFrame, batches: pd.DataFrame) -> None:
    """Refuse brackets that are none (`ValueError`), and pieces that all lie on one side."""
    lower, upper = pieces["lower"].to_numpy(float), pieces["upper"].to_numpy(float)
    if not ((lower >= 0) & (upper > 0) & (lower <= upper) & np.isfinite(lower)).all():
        raise ValueError("brackets must be hours: lower 0 or more, upper above 0 and no less than lower")
    if batches.index.has_duplicates:
        raise ValueError("runs must have one row a batch")
    if pieces.empty:
        raise cannot("no_looks")
    _one_side(pieces, "every")


def _one_side(pieces: pd.DataFrame, whose: str, **told: str) -> None:
    if np.isinf(pieces["upper"]).all():
        raise cannot(f"{whose}_still_wet", **told)
    if (pieces["lower"] == 0).all():
        raise cannot(f"{whose}_dry_at_once", **told)


def check_terms(
    pieces: pd.DataFrame, batches: pd.DataFrame, terms: Sequence[Term], x: Array, columns: Sequence[str]
) -> None:
    """Refuse terms that changed together, too few batches, and levels all on one side."""
    refuse_inseparable(x, columns)
    spare = len(x) - x.shape[1]
    if spare < FEWEST_SPARE:
        raise cannot("batches_few", n=len(x), numbers=x.shape[1], more=FEWEST_SPARE - spare)
    for term in terms:
        if isinstance(term, Category):
            for level, part in pieces.groupby(pieces["run"].map(batches[term.name].astype(str))):
                _one_side(part, "levels", factor=term.name, level=str(level))


def judged_by_days(
    batches: pd.DataFrame, terms: Sequence[Term], joint: Sequence[str], air: Sequence[Term]
) -> tuple[list[Term], tuple[str, ...], list[str]]:
    """The terms and joint effects that the days can judge, and what is said of those left out.

    What changed mostly from day to day costs a day each, and one has to be left. The air is given up first,
    then factors; refused where no factor is left of some.
    """
    days, kept, said = batches["day"], list(terms), list[str]()
    while True:
        both = [each for each in joint if set(parts(each)) <= {term.name for term in kept}]
        matrix = model_matrix(batches, kept, both)
        means = matrix.groupby(days).transform("mean") - matrix.mean()
        across = (means**2).sum() > 0.5 * ((matrix - matrix.mean()) ** 2).sum()
        across[[name for term in kept if on_every_day(batches, term) for name in term.columns()]] = False
        spare, airy = days.nunique() - 1 - across.sum(), any(term in air for term in kept)
        if not across.any() or spare >= (FEWEST_SPARE if airy else 1):
            return kept, tuple(both), said
        if both:
            raise cannot("days_for_joint", days=days.nunique())
        slow = [term for term in kept if across[term.columns()].any()]
        gone = [term for term in slow if term in air] or slow
        names = say("rooms_air") if gone[0] in air else listed([term.name for term in gone])
        why = say("days_too_few", n=days.nunique(), names=names)
        kept = [term for term in kept if term not in gone]
        if gone[0] not in air and not any(term not in air for term in kept):
            raise cannot("days_for_factors", why=why)
        said.append(say("not_in_numbers", why=why))


def explained(failure: NotFitted, names: Sequence[str]) -> CannotAnswer:
    """Why the likelihood has no maximum, in plain words."""
    columns = [names[i] for i in failure.columns if i > 0] or [say("the_terms")]
    return cannot(f"likelihood_{failure.kind}", columns=listed(columns))


class SeenOrder(NamedTuple):
    """One level against its control, on the days that had both; made by `seen_order`.

    `later`, `earlier` and `open` count the days by which was surely later; `p_value` is of the two-sided sign
    test, `least` and `most` bound the mean ratio of dry times, without chance.
    """

    level: str
    control: str
    later: int
    earlier: int
    open: int
    p_value: float
    least: float
    most: float


def seen_order(pieces: pd.DataFrame, batches: pd.DataFrame, term: Category) -> list[SeenOrder]:
    """Compare each level with the control on the days that had both, by the medians of the brackets' ends."""
    ends = pieces.groupby("run", sort=False)[["lower", "upper"]].median()
    table = ends.join(batches[["day", term.name]].astype({term.name: str}), how="inner")
    with np.errstate(divide="ignore"):
        table[["low", "high"]] = np.log(table[["lower", "upper"]])
    days = table.groupby(["day", term.name], sort=False).agg(
        {"lower": "min", "upper": "max", "low": "mean", "high": "mean"}
    )
    made = {str(level): part.droplevel(1) for level, part in days.groupby(level=1)}
    found = []
    for level in term.levels:
        if level == term.control or not {level, term.control} <= set(made):
            continue
        shared = made[level].index.intersection(made[term.control].index)
        mine, control = made[level].loc[shared], made[term.control].loc[shared]
        if shared.empty:
            continue
        up, down = (int((a["lower"] >= b["upper"]).sum()) for a, b in ((mine, control), (control, mine)))
        p = float(stats.binomtest(up, up + down).pvalue) if up + down else 1.0
        bounds = (mine["low"] - control["high"]).mean(), (mine["high"] - control["low"]).mean()
        found.append(SeenOrder(level, term.control, up, down, len(shared) - up - down, p, *np.exp(bounds)))
    return found
