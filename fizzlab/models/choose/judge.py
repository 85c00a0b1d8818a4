"""Which combinations are good enough, with what chance, and which is best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from fizzlab.errors import CannotAnswer
from fizzlab.models.choose.draws import Draws, simulate
from fizzlab.models.choose.forecasters import Forecaster, Given, forecasters
from fizzlab.models.choose.wishes import Limit, Wish, overall
from fizzlab.models.terms import Amount

Array = NDArray[np.float64]

#: Columns of the table of a choice that no factor may have; a response of such a name gets another column.
OWN = frozenset(
    {"meets_all", "desirability", "expected_desirability", "score", "best_chance", "in_front"}
    | {"front_chance", "made", "beyond_tried", "meets_all_low", "meets_all_high"}
)

MOST = 2000
FRONT_DRAWS = 400
WORK = 4_000_000


def column(response: str) -> str:
    """The column of a response's typical value; those of its interval and chance start with it.

    Examples
    --------
    >>> column("hours"), column("score")
    ('hours', 'score_of_batch')
    """
    return f"{response}_of_batch" if response in OWN else response


@dataclass(frozen=True)
class Choice:
    """Settings judged by all limits and wishes at once; made by `judge_settings`.

    Parameters
    ----------
    table : DataFrame
        One row a setting, best first: the factors; for each response (see `column`) its typical value,
        ``_low`` and ``_high`` (interval of it) and, if it has a limit, ``_meets`` (chance that a new batch
        keeps to it);
        meets_all, with meets_all_low and meets_all_high (between which the share of new batches lies with
        95 %, by what the trial leaves open; responses apart); desirability (of the typical batch) and
        expected_desirability (of a new batch); score; best_chance (chance that it is the best of these
        settings; together less than 1 as far as none may be any good); in_front (no other setting is as good
        in everything and better in something); front_chance; made (batches made of it); beyond_tried.
    responses : tuple of str
    limits : tuple of Limit
    wishes : tuple of Wish
    draws, seed : int
    correlation : DataFrame
    notes : tuple of str
    """

    table: pd.DataFrame
    factors: tuple[str, ...]
    responses: tuple[str, ...]
    limits: tuple[Limit, ...]
    wishes: tuple[Wish, ...]
    draws: int
    seed: int
    correlation: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def best(self) -> pd.Series:
        """The setting of greatest score among those within what was tried."""
        inside = self.table[~self.table["beyond_tried"]]
        if inside.empty:
            raise CannotAnswer(
                "None of these settings lies within what was tried.", "Judge settings that were tried."
            )
        return inside.iloc[0]

    def contenders(self, at_least: float = 0.05) -> pd.DataFrame:
        """Settings that may be the best with at least this chance."""
        return self.table[self.table["best_chance"] >= at_least]

    def trade_off(self) -> pd.DataFrame:
        """For the picture: factors, typical values with intervals, in_front and front_chance."""
        columns = [*self.factors]
        for name in map(column, self.responses):
            columns += [name, f"{name}_low", f"{name}_high"]
        return self.table[[*columns, "in_front", "front_chance", "score", "beyond_tried"]]

    def __str__(self) -> str:
        shown = [*self.factors, *map(column, self.responses)]
        shown += [name for name in ("meets_all", "desirability", "best_chance") if name in self.table]
        table = self.table[shown].head(12).to_string(index=False, float_format="{:.3g}".format)
        return "\n".join([table, *self.notes])


def tried_settings(analyses: Sequence[Given]) -> pd.DataFrame:
    """The combinations that were made, once each."""
    names = _factor_names(analyses)
    parts = [each.table[[n for n in names if n in each.table]] for each in forecasters(analyses)]
    whole = [part for part in parts if len(part.columns) == len(names)]
    if not whole:
        raise ValueError("no analysis knows all the factors")
    return pd.concat(whole).drop_duplicates().reset_index(drop=True)


def grid_settings(analyses: Sequence[Given], steps: int = 5) -> pd.DataFrame:
    """Every level with even steps of every amount, within what was tried.

    Raises
    ------
    CannotAnswer
        More than 2,000 combinations.
    ValueError
        A mixture, whose parts cannot be stepped alone.
    """
    names = _factor_names(analyses)
    values: dict[str, list[float] | list[str]] = {}
    for each in forecasters(analyses):
        ranges = each.ranges
        for factor in each.factors:
            if isinstance(factor, Amount):
                low, high = ranges[factor.name]
                even = np.geomspace if factor.log else np.linspace
                values.setdefault(factor.name, [float(f"{v:.10g}") for v in even(low, high, steps)])
            else:
                values.setdefault(factor.name, list(factor.levels))
    number = int(np.prod([len(values[name]) for name in names], dtype=float))
    if number > MOST:
        raise CannotAnswer(
            f"There are {number} combinations, more than {MOST} to look through.", "Take fewer steps."
        )
    full = pd.DataFrame(list(product(*(values[name] for name in names))), columns=names)
    outside = _beyond(analyses, full)
    return full[~outside].reset_index(drop=True)


def _factor_names(analyses: Sequence[Given]) -> list[str]:
    return list(dict.fromkeys(f.name for each in forecasters(analyses) for f in each.factors))


def _beyond(analyses: Sequence[Given], settings: pd.DataFrame) -> NDArray[np.bool_]:
    """Settings outside of what was tried, for some response."""
    out = np.zeros(len(settings), bool)
    seen: list[pd.DataFrame] = []
    for each in forecasters(analyses):
        if not each.chance:
            continue
        names = [factor.name for factor in each.factors]
        tried = each.table[names].drop_duplicates().sort_values(names).reset_index(drop=True)
        if not any(tried.equals(other) for other in seen):
            seen.append(tried)
            out |= each.beyond(settings)
    return out


def judge_settings(
    analyses: Sequence[Given],
    settings: pd.DataFrame | None = None,
    *,
    limits: Sequence[Limit] = (),
    wishes: Sequence[Wish] = (),
    draws: int = 4000,
    seed: int = 1,
) -> Choice:
    """Say of each setting with what chance a new batch meets every limit, and how far it grants the wishes.

    Parameters
    ----------
    analyses : sequence of ResponseFit or Forecaster
        One a response.
    settings : DataFrame, optional
        One row a setting, with a column for each factor; the combinations that were made if not given. See
        `grid_settings` for those between.
    limits : sequence of Limit
        At most one a response.
    wishes : sequence of Wish
    draws, seed : int
        See `simulate`. With 4,000 draws a chance of one half is known to 0.8 %.

    Returns
    -------
    Choice

    Raises
    ------
    ValueError
        A limit or wish on a response without an analysis, or neither limits nor wishes.
    CannotAnswer
        A factor has the name of a column of the result.

    Notes
    -----
    score is the expected desirability of a new batch, counted as nothing when it breaks a limit: without
    wishes the chance to meet every limit, without limits the expected desirability. A point optimum of the
    fitted values is not used, because it forgets both that the fit is uncertain and that batches vary.

    Examples
    --------
    >>> from fizzlab.models.effects import fit_response
    >>> from fizzlab.models.terms import Category
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0],
    ...                       "loss": [3.1, 1.2, 2.9, 1.4, 3.3, 1.1]})
    >>> colour = Category("colour", ("dye", "lake"), "dye")
    >>> both = [fit_response(trial, name, [colour], log=True) for name in ("hours", "loss")]
    >>> choice = judge_settings(both, limits=[Limit("hours", at_most=8), Limit("loss", at_most=2)])
    >>> choice.best["colour"], bool(choice.best["meets_all"] > 0.9)
    ('lake', True)
    """
    used = forecasters(analyses)
    names = tuple(each.response for each in used)
    _check(names, limits, wishes)
    factors = _factor_names(used)
    taken = sorted(OWN & set(factors))
    if taken:
        raise CannotAnswer(
            f"The factor {taken[0]} has a name that is used for the choice itself.", "Rename it."
        )
    table = (tried_settings(used) if settings is None else settings)[factors].reset_index(drop=True)
    if table.empty:
        raise ValueError("there are no settings to judge")
    thin = max(200, min(draws, WORK // len(table)))
    drawn = simulate(used, table, draws=thin, seed=seed)
    by_name = {name: r for r, name in enumerate(names)}
    found = table.copy()
    met = np.ones(drawn.batch.shape[:2], bool)
    beyond = _beyond(used, table)
    for each in used:
        told = each.shown(table)
        for suffix, end in (("", "estimate"), ("_low", "low"), ("_high", "high")):
            value = told[end].to_numpy(float)
            found[f"{column(each.response)}{suffix}"] = np.exp(value) if each.log else value
    for limit in limits:
        kept = limit.met(drawn.batch[:, :, by_name[limit.response]])
        found[f"{column(limit.response)}_meets"] = kept.mean(axis=0)
        met &= kept
    worth = met.astype(float)
    if limits:
        found["meets_all"] = met.mean(axis=0)
        ends = np.quantile(_merit(used, drawn, limits, ()), [0.025, 0.975], axis=0)
        found["meets_all_low"], found["meets_all_high"] = ends
    if wishes:
        granted = overall(wishes, {name: drawn.batch[:, :, r] for name, r in by_name.items()})
        found["desirability"] = overall(wishes, {name: found[column(name)].to_numpy(float) for name in names})
        found["expected_desirability"] = granted.mean(axis=0)
        worth = worth * granted
    found["score"] = worth.mean(axis=0)
    found["best_chance"] = _best_chance(_merit(used, drawn, limits, wishes))
    found["in_front"], found["front_chance"] = _fronts(found, drawn, limits, wishes)
    found["made"] = _made(used, table)
    found["beyond_tried"] = beyond
    found = found.sort_values("score", ascending=False, kind="stable").reset_index(drop=True)
    notes = [*drawn.notes]
    if beyond.any():
        notes.append("Settings beyond what was tried are marked; their numbers rest on the model alone.")
    return Choice(
        table=found,
        factors=tuple(factors),
        responses=names,
        limits=tuple(limits),
        wishes=tuple(wishes),
        draws=thin,
        seed=seed,
        correlation=drawn.correlation,
        notes=tuple(notes),
    )


def _check(names: Sequence[str], limits: Sequence[Limit], wishes: Sequence[Wish]) -> None:
    if not limits and not wishes:
        raise ValueError("there are neither limits nor wishes to judge by")
    asked = [limit.response for limit in limits] + [wish.response for wish in wishes]
    unknown = set(asked) - set(names)
    if unknown:
        raise ValueError(f"there is no analysis of {sorted(unknown)[0]}")
    for given in ([limit.response for limit in limits], [wish.response for wish in wishes]):
        if len(set(given)) < len(given):
            raise ValueError("a response has more than one limit, or more than one wish")


def _merit(
    used: Sequence[Forecaster], drawn: Draws, limits: Sequence[Limit], wishes: Sequence[Wish]
) -> Array:
    """How good each setting is if a draw were the truth, shape (draws, settings).

    Chance to meet the limits (responses taken apart) times the desirability of the typical batch.
    """
    merit = np.ones(drawn.typical.shape[:2])
    for limit in limits:
        r = drawn.responses.index(limit.response)
        mean, sd = drawn.typical[:, :, r], drawn.spread[:, r][:, None]
        low, high = limit.ends
        if used[r].log:
            mean = np.log(mean)
            low = float(np.log(low)) if low > 0 else -np.inf
            high = float(np.log(high)) if high > 0 else -np.inf
        if not used[r].chance:
            merit = merit * ((mean >= low) & (mean <= high))
            continue
        sd = np.maximum(sd, 1e-12)
        merit = merit * (ndtr((high - mean) / sd) - ndtr((low - mean) / sd))
    if wishes:
        values = {name: drawn.typical[:, :, r] for r, name in enumerate(drawn.responses)}
        merit = merit * overall(wishes, values)
    return merit


def _best_chance(merit: Array) -> Array:
    best = merit.max(axis=1, keepdims=True)
    top = (merit >= best * (1 - 1e-9)) & (best > 1e-9)
    return np.asarray((top / np.maximum(top.sum(axis=1, keepdims=True), 1)).mean(axis=0))


def _costs(
    names: Sequence[str], values: Array, limits: Sequence[Limit], wishes: Sequence[Wish]
) -> Array | None:
    """Each asked response so that less is better; the last axis is the response."""
    found = []
    for r, name in enumerate(names):
        wish = next((w for w in wishes if w.response == name), None)
        limit = next((lim for lim in limits if lim.response == name), None)
        value = values[..., r]
        if wish is not None:
            sign = {"less": value, "more": -value, "near": np.abs(value - wish.best)}
            found.append(sign[wish.want])
        elif limit is not None:
            low, high = limit.ends
            if np.isinf(low):
                found.append(value)
            elif np.isinf(high):
                found.append(-value)
            else:
                found.append(np.abs(value - (low + high) / 2))
    return np.stack(found, axis=-1) if found else None


def _front(cost: Array) -> NDArray[np.bool_]:
    """Which rows no other row beats, shape (settings,)."""
    as_good = (cost[:, None, :] <= cost[None, :, :]).all(axis=2)
    better = (cost[:, None, :] < cost[None, :, :]).any(axis=2)
    return np.asarray(~(as_good & better).any(axis=0))


def _fronts(
    found: pd.DataFrame, drawn: Draws, limits: Sequence[Limit], wishes: Sequence[Wish]
) -> tuple[NDArray[np.bool_], Array]:
    values = found[[column(name) for name in drawn.responses]].to_numpy(float)
    here = _costs(drawn.responses, values, limits, wishes)
    times = max(20, min(FRONT_DRAWS, len(drawn.typical), 40_000_000 // len(found) ** 2))
    there = _costs(drawn.responses, drawn.typical[:times], limits, wishes)
    assert here is not None
    assert there is not None
    return _front(here), np.mean([_front(cost) for cost in there], axis=0)


def _made(used: Sequence[Forecaster], settings: pd.DataFrame) -> list[int]:
    """Batches made of each setting, in the response that has most."""
    counts = np.zeros(len(settings), int)
    for each in used:
        if not each.chance:
            continue
        names = [factor.name for factor in each.factors]
        rows = each.table.drop_duplicates("run") if "run" in each.table else each.table
        here = []
        for _, setting in settings.iterrows():
            like = np.ones(len(rows), bool)
            for name in names:
                like &= _alike(rows[name], setting[name])
            here.append(int(like.sum()))
        counts = np.maximum(counts, here)
    return [int(count) for count in counts]


def _alike(values: pd.Series, value: object) -> NDArray[np.bool_]:
    if pd.api.types.is_numeric_dtype(values):
        return np.isclose(values.to_numpy(float), float(value))  # type: ignore[arg-type]
    return (values.astype(str) == str(value)).to_numpy()


def as_setting(row: Mapping[str, object] | pd.Series, names: Sequence[str]) -> pd.DataFrame:
    """One setting as a table of one row."""
    return pd.DataFrame([{name: row[name] for name in names}])
