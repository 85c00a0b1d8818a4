"""One number a batch for each response of a trial, taken from what the tests say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models import censored
from fizzlab.models.crumble import CrumbleStudy, TumbleStudy
from fizzlab.models.cure.study import WeighedStudy
from fizzlab.models.fizz.durations import WATER, arrhenius_column
from fizzlab.models.fizz.study import Compared, FizzStudy, Reached
from fizzlab.models.terms import Term
from fizzlab.recipe import Recipe, cost, for_run


@dataclass(frozen=True)
class Responses:
    """The numbers of each batch, and why others have none.

    Parameters
    ----------
    batches : DataFrame
        One row a batch, with run, day, the factors, and a column for each response that was measured, in
        its own unit (see `fizzlab.trial.settings.MEASURES`); missing where the batch has no number.
    measured : tuple of str
        Those columns.
    not_told : mapping of str to CannotAnswer
        Responses that were measured and yet give no number a batch, with the reason.
    """

    batches: pd.DataFrame
    measured: tuple[str, ...]
    not_told: Mapping[str, CannotAnswer]


def batch_responses(
    runs: pd.DataFrame,
    *,
    weighed: WeighedStudy | None = None,
    crumbled: CrumbleStudy | None = None,
    fizzed: FizzStudy | None = None,
    own: Sequence[str] = (),
) -> Responses:
    """Gather the number of each batch for each response.

    Pieces of a batch are averaged (times on the logarithm, at the common water temperature), because they
    are not repeats of it.

    Parameters
    ----------
    runs : DataFrame
        Checked table of the batches.
    weighed, crumbled, fizzed
        What the tests say; None where there are none.
    own : sequence of str
        Columns of `runs` that are responses of the maker's own.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": ["A", "B"], "day": "1", "shine": [5.0, 7.0], "rust": [np.nan, np.nan]})
    >>> batch_responses(runs, own=["shine", "rust"]).measured
    ('shine',)
    """
    found: dict[str, pd.Series | CannotAnswer] = {}
    if weighed is not None:
        found["weighed_dry_h"] = weighed.times["hours"]
    if crumbled is not None:
        found |= _of_crumbling(crumbled)
    if fizzed is not None:
        found |= _of_fizz(fizzed)
    found |= {name: runs.set_index("run")[name].astype(float) for name in own if name in runs}
    batches = runs.reset_index(drop=True)
    measured = []
    for name, values in found.items():
        if not isinstance(values, CannotAnswer) and values.notna().any():
            batches = batches.assign(**{name: batches["run"].map(values).astype(float)})
            measured.append(name)
    not_told = {name: why for name, why in found.items() if isinstance(why, CannotAnswer)}
    return Responses(batches, tuple(measured), not_told)


def _of_crumbling(study: CrumbleStudy) -> dict[str, pd.Series | CannotAnswer]:
    found: dict[str, pd.Series | CannotAnswer] = {}
    if isinstance(study.tumbles, TumbleStudy):
        losses = study.tumbles.losses
        # a loss that the scale cannot show counts as half a step, as in the comparison of losses
        found["tumble_loss_pct"] = losses["loss_pct"].where(~losses["below_step"], 0.5 * losses["step_pct"])
    elif study.tumbles is not None:
        found["tumble_loss_pct"] = study.tumbles
    if study.scores is not None:
        pieces = study.scores.scores.groupby(["run", "piece"], sort=False)["score"].mean()
        found["score"] = pieces.groupby("run", sort=False).mean()
    return found


def _of_fizz(study: FizzStudy) -> dict[str, pd.Series | CannotAnswer]:
    found: dict[str, pd.Series | CannotAnswer] = {}
    for name, compared in (
        ("fizz_s", study.lasting),
        ("colour_s", study.colour),
        ("half_out_s", study.half_out),
    ):
        if isinstance(compared, Compared):
            found[name] = _times(compared)
        elif compared is not None:
            found[name] = compared
    if isinstance(study.reached, Reached):
        whole = study.reached.groups[0].group
        shares = study.reached.batches[study.reached.batches["group"] == whole]
        found["gas_pct"] = 100 * shares.set_index("run")["share"]
    elif study.reached is not None:
        found["gas_pct"] = study.reached
    return found


def _times(compared: Compared) -> pd.Series | CannotAnswer:
    """Geometric mean of each batch at the common water temperature."""
    times, fit = compared.times, compared.fit
    if not times["done"].all():
        return _unfinished(compared)
    logs = np.log(times["seconds"])
    if WATER in fit.columns:
        slope = float(fit.coefficients[fit.columns.index(WATER)])
        logs = logs - slope * arrhenius_column(times["water_c"].to_numpy(float), fit.at_water_c)
    means: pd.Series = np.exp(logs.groupby(times["run"], sort=False).mean())
    return means


def _unfinished(compared: Compared) -> pd.Series | CannotAnswer:
    """The same where some pieces were not watched to the end: a censored fit with a location a batch."""
    times, fit = compared.times, compared.fit
    runs = pd.Index(pd.unique(times["run"]))
    never = [str(run) for run in runs if not times.loc[times["run"] == run, "done"].any()]
    if never:
        return CannotAnswer(
            f"Of some batches no piece was watched to the end, so they have no mean: {', '.join(never)}.",
            "Watch pieces to the end.",
        )
    which = (times["run"].to_numpy()[:, None] == runs.to_numpy()[None, :]).astype(float)
    columns = [np.ones(len(times)), *which.T[1:]]
    if WATER in fit.columns:
        columns.append(arrhenius_column(times["water_c"].to_numpy(float), fit.at_water_c))
    seconds = times["seconds"].to_numpy(float)
    upper = np.where(times["done"], seconds, np.inf)
    try:
        found = censored.fit(
            censored.sort(seconds, upper, np.arange(len(times)), np.column_stack(columns)),
            batch_effect=False,
            restricted=False,
        )
    except censored.NotFitted:
        return CannotAnswer("The batches have no mean that settles.", "Watch more pieces to the end.")
    logs = found.beta[0] + np.r_[0.0, found.beta[1 : len(runs)]]
    return pd.Series(np.exp(logs), index=runs)


def costs(recipe: Recipe, pieces: int, settings: pd.DataFrame, terms: Sequence[Term]) -> list[float]:
    """What a piece of each setting costs in ingredients, by the prices of the recipe.

    Parameters
    ----------
    recipe : Recipe
        With its rules.
    pieces : int
        Pieces that a batch makes.
    settings : DataFrame
        One row a setting, with a column for each term.

    Raises
    ------
    CannotAnswer
        An ingredient has no price, so that there is no sum.
    """
    found = []
    for _, row in settings.iterrows():
        made = cost(for_run(recipe, {term.name: row[term.name] for term in terms}), pieces)
        if made.unpriced:
            raise CannotAnswer(
                f"{' and '.join(made.unpriced)} {'has' if len(made.unpriced) == 1 else 'have'} no price, so "
                "what a piece costs is not known.",
                "Give price and pack of each ingredient in [recipe].",
            )
        found.append(made.piece.typical)
    return found
