"""Which combination to keep: all responses judged at once, how sure that is, and what should confirm it.

The method is in docs/methods/choose.md. Reading trial.toml checks limits and wishes by these classes, so
nothing heavy is imported before it is used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.measures import number
from fizzlab.models.result import ENDS, FitResult, Forecast, scale
from fizzlab.models.terms import Amount, Array, Category, Term, level_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Want = Literal["less", "more", "near"]

#: Columns of the table of a choice, which no factor may be called by.
OWN = ("meets", "meets_low", "meets_high", "granted", "score", "best_chance", "extrapolated")

#: A level is out of the running if the settings that have it are the best with less chance than this.
UNLIKELY = 0.05

#: A setting that keeps a limit less often than this is said to break it.
HALF = 0.5

MOST = 2000  # combinations that are looked through
WORK = 1_000_000  # draws times settings
COMMON = 4  # fewest common batches for a correlation of two responses
POINTS = 16  # at which the other responses are held to take the chance that one keeps its limit


@dataclass(frozen=True)
class Limit:
    """What a response must keep to: at least this, at most that, in its unit; one of them is needed."""

    response: str
    at_least: float | None = None
    at_most: float | None = None

    def __post_init__(self) -> None:
        if self.at_least is None and self.at_most is None:
            raise ValueError(f"a limit on {self.response} needs at_least or at_most")
        if not self.ends[0] < self.ends[1]:
            raise ValueError(f"the limits on {self.response} leave nothing between them")

    @property
    def ends(self) -> tuple[float, float]:
        """The limits, infinite where there is none."""
        low = -np.inf if self.at_least is None else self.at_least
        high = np.inf if self.at_most is None else self.at_most
        return float(low), float(high)

    def met(self, values: Array) -> NDArray[np.bool_]:
        """Which values keep to it; a value on the limit does."""
        low, high = self.ends
        return (values >= low) & (values <= high)


@dataclass(frozen=True)
class Wish:
    """What a response should be like, from worthless (0) to all that one could want (1).

    Granted in full at `best` and beyond, nothing at `worst` (for "near" two numbers, below and above);
    `shape` 1 is a straight line between, above 1 only the neighbourhood of `best` counts.
    """

    response: str
    want: Want
    best: float
    worst: float | tuple[float, float]
    shape: float = 1.0
    weight: float = 1.0

    def __post_init__(self) -> None:
        if self.want not in ("less", "more", "near"):
            raise ValueError('want must be "less", "more" or "near"')
        if (self.want == "near") != isinstance(self.worst, tuple):
            raise ValueError(f"{self.response}: worst must be two numbers for near, and one otherwise")
        if not self.bounds[0] < self.best < self.bounds[1]:
            raise ValueError(f"{self.response}: worst and best are the wrong way round")
        if self.shape <= 0 or self.weight <= 0:
            raise ValueError(f"{self.response}: shape and weight must be above zero")

    @property
    def bounds(self) -> tuple[float, float]:
        """Where the wish is worth nothing, below and above; infinite where it never is."""
        if isinstance(self.worst, tuple):
            return float(self.worst[0]), float(self.worst[1])
        return (-np.inf, float(self.worst)) if self.want == "less" else (float(self.worst), np.inf)

    def granted(self, values: Sequence[float] | Array) -> Array:
        """How far each value grants the wish: ((y - worst) / (best - worst))^shape, from 0 to 1."""
        y, found = np.asarray(values, float), np.ones(np.shape(values))
        for end in filter(np.isfinite, self.bounds):
            found = found * np.clip((y - end) / (self.best - end), 0, 1) ** self.shape
        return found


def overall(wishes: Sequence[Wish], values: Mapping[str, Sequence[float] | Array]) -> Array:
    """The weighted geometric mean of how far the wishes are granted; 0 as soon as one is worth nothing."""
    total = sum(wish.weight for wish in wishes)
    parts = [wish.granted(values[wish.response]) ** (wish.weight / total) for wish in wishes]
    return np.asarray(np.prod(parts, axis=0))


class Draws(NamedTuple):
    """Possible truths by response, on the scale fitted: typical and new batches, shape (draws, settings).

    `spread`, shape (draws,), is the sd of a new batch; `linked` the correlation of the responses, in order.
    """

    typical: Mapping[str, Array]
    batch: Mapping[str, Array]
    spread: Mapping[str, Array]
    linked: Array
    notes: tuple[str, ...]


def simulate(forecasts: Mapping[str, Forecast], *, draws: int = 4000, seed: int = 1) -> Draws:
    """Draw what the typical batch of each setting may truly be, and a new batch of it.

    Estimate + se t, errors hanging together as the batches they rest on; a new batch has the variance s^2 df
    / chi2. Responses by the correlation of their residuals, variances by its square, as in a Wishart
    distribution.
    """
    from scipy.special import ndtr

    correlation, notes = _correlation(forecasts)
    width, chance, root = len(forecasts), np.random.default_rng(seed), _root(correlation)
    keys = pd.Index(sorted({key for each in forecasts.values() for key in each.keys}))
    common = chance.standard_normal((draws, len(keys), width)) @ root.T
    noise = chance.standard_normal((draws, width)) @ root.T
    share = ndtr(chance.standard_normal((draws, width)) @ _root(correlation**2).T)
    typical, batch, spread = {}, {}, {}
    for r, (name, each) in enumerate(forecasts.items()):
        error = common[:, keys.get_indexer(pd.Index(each.keys)), r] @ each.lean.T
        mean = each.estimate + error * each.se * scale(share[:, r], each.df)
        spread[name] = each.spread(share[:, r])
        typical[name], batch[name] = mean, mean + (spread[name] * noise[:, r])[:, None]
    said = [note for each in forecasts.values() for note in each.notes]
    return Draws(typical, batch, spread, correlation, tuple(dict.fromkeys([*said, *notes])))


def _correlation(forecasts: Mapping[str, Forecast]) -> tuple[Array, list[str]]:
    """How the residuals of the responses go together; what is not known counts as independent."""
    used = list(forecasts.items())
    found, notes = np.eye(len(used)), []
    for i, (name, one) in enumerate(used):
        for j, (other, two) in enumerate(used[:i]):
            if not (one.chance and two.chance):
                continue
            both = pd.concat([one.residuals, two.residuals], axis=1, join="inner").to_numpy(float)
            size = np.sqrt((both**2).sum(axis=0))
            if len(both) < COMMON or not (size > 0).all():
                notes.append(say("few_in_common", one=other, other=name))
            else:
                found[i, j] = found[j, i] = float(both[:, 0] @ both[:, 1] / size.prod())
    value, turn = np.linalg.eigh(found)
    if value.min() < 1e-8:  # responses measured on different batches need not fit together
        found = turn * np.maximum(value, 1e-6) @ turn.T
        size = np.sqrt(np.diag(found))
        found = found / np.outer(size, size)
    return found, notes


def _root(correlation: Array) -> Array:
    value, turn = np.linalg.eigh(correlation)
    return np.asarray(turn * np.sqrt(np.maximum(value, 0)))


@dataclass(frozen=True, kw_only=True)
class Choice:
    """Settings judged by all limits and wishes at once; made by `choose`.

    `table` has one row a setting, best first: the factors; meets (chance that a new batch keeps all limits),
    meets_low and meets_high (95 %); granted (how far it grants the wishes, 0 to 1); score; best_chance (less
    than 1 in sum as far as none may be any good); extrapolated. `responses` has the same rows by response:
    estimate, conf_low, conf_high of the typical batch, meets. `shares` are those of the pieces that a
    response is asked of.
    """

    table: pd.DataFrame
    responses: Mapping[str, pd.DataFrame] = field(repr=False)
    terms: tuple[Term, ...]
    limits: tuple[Limit, ...]
    wishes: tuple[Wish, ...]
    shares: Mapping[str, float]
    notes: tuple[str, ...]
    fits: Mapping[str, FitResult] = field(repr=False)

    @property
    def factors(self) -> list[str]:
        return [term.name for term in self.terms]

    @property
    def best(self) -> pd.Series:
        """The setting of greatest score among those within what was tried."""
        inside = self.table[~self.table["extrapolated"]]
        if inside.empty:
            raise cannot("nothing_inside")
        return inside.iloc[0]

    @property
    def settled(self) -> bool:
        """Is the best setting the best with a chance of 95 % or more?"""
        return bool(self.best["best_chance"] >= 1 - UNLIKELY)

    def contenders(self) -> pd.DataFrame:
        """Other settings that may be the best with a chance of 5 % or more, the likeliest first."""
        others = self.table[self.table["best_chance"] >= UNLIKELY].drop(index=self.best.name, errors="ignore")
        return others.sort_values("best_chance", ascending=False, kind="stable")

    def unlikely(self) -> dict[str, list[str]]:
        """Levels of each factor that are hardly the best's; two of each always stay."""
        found = {}
        for term in self.terms:
            if isinstance(term, Category):
                sums = self.table.groupby(self.table[term.name].astype(str))["best_chance"].sum()
                ranked = sums.sort_values(ascending=False).iloc[2:]
                found[term.name] = [str(level) for level in ranked[ranked < UNLIKELY].index]
        return {name: levels for name, levels in found.items() if levels}

    def confirm(
        self, batches: int = 3, days: int | None = None, *, setting: Mapping[Any, Any] | None = None
    ) -> pd.DataFrame:
        """Between which bounds the mean of new batches should lie, all with 95 % together.

        Parameters
        ----------
        batches, days : int
            New batches, and the new days that they are spread over; a day each if not given.
        setting : mapping, optional
            A value for each factor, and where it is known the room's air; the best one if not given.

        Returns
        -------
        DataFrame
            One row a response that varies by chance: estimate, conf_low, conf_high (each of k with 1 - 0.05 /
            k), df, log, and confirms: does any mean within the bounds keep the limit?
        """
        days = batches if days is None else days
        if not 1 <= days <= batches:
            raise ValueError("there must be at least one batch for each day")
        row = pd.DataFrame([dict(self.best[self.factors] if setting is None else setting)])
        found = {name: fit.forecast(row, self.shares.get(name, 0.5)) for name, fit in self.fits.items()}
        varied = {name: each for name, each in found.items() if each.chance}
        if not varied:
            raise cannot("nothing_by_chance")
        alone = 1 - 0.05 / len(varied)
        rows, asked = {}, {limit.response: limit.ends for limit in self.limits}
        for name, each in varied.items():
            *ends, df = each.mean(batches, days, alone)[:, 0]
            least, most = each.fitted(np.array(asked.get(name, (-np.inf, np.inf))))
            beyond = float(each.estimate[0] - ends[0])  # of the share that the limit asks for, past the mean
            inside = bool(least <= ends[1] + beyond and ends[2] + beyond <= most)
            rows[name] = (*each.in_unit(np.array(ends)), df, each.log, inside)
        columns = [*ENDS, "df", "log", "confirms"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("response")

    def _shown(self) -> pd.DataFrame:
        values = {name: each["estimate"] for name, each in self.responses.items()}
        own = [name for name in ("meets", "granted", "best_chance") if name in self.table]
        return pd.concat([self.table[self.factors], pd.DataFrame(values), self.table[own]], axis=1)

    def __str__(self) -> str:
        return "\n".join([self._shown().to_string(index=False, float_format="{:.3g}".format), *self.notes])

    def _repr_html_(self) -> str:
        return str(self._shown().to_html(index=False, border=0, float_format="{:.3g}".format))

    def plot(self, ax: Axes | None = None, most: int = 12) -> Axes:
        """Draw a tile for each of the best settings and responses: darker where surer as asked.

        The number is of the typical batch. Framed: a new batch breaks the limit more often than not.
        """
        import seaborn as sns
        from matplotlib.patches import Rectangle

        from fizzlab.models.plotting import RED, axes_for

        rows, whole = self.table.head(most), "meets" if self.limits else "granted"
        named = [" + ".join(level_name(t, row[t.name]) for t in self.terms) for _, row in rows.iterrows()]
        said = {whole: [">99" if each > 0.995 else f"{100 * each:.0f}" for each in rows[whole]]}
        good = {whole: rows[whole].to_numpy(float)}
        kept = {whole: good[whole] if self.limits else np.ones(len(rows))}
        for name, each in self.responses.items():
            typical = each["estimate"].head(most).to_numpy(float)
            kept[name] = each["meets"].head(most).to_numpy(float) if "meets" in each else np.ones(len(rows))
            granted = next((w.granted(typical) for w in self.wishes if w.response == name), 1.0)
            good[name], said[name] = kept[name] * granted, [number(value) for value in typical]
        axes = axes_for(ax, height=0.9 + 0.36 * len(rows))
        shades = sns.light_palette("#2a6f9e", as_cmap=True)
        look: dict[str, Any] = {"annot_kws": {"size": 10}, "linewidths": 1.5, "cbar": False}
        tiles = pd.DataFrame(good, index=named)
        sns.heatmap(tiles, annot=pd.DataFrame(said), fmt="", vmin=0, vmax=1, cmap=shades, ax=axes, **look)
        for row, column in np.argwhere(pd.DataFrame(kept).to_numpy(float) < HALF):
            at = (column + 0.04, row + 0.06)
            axes.add_patch(Rectangle(at, 0.92, 0.88, fill=False, edgecolor=RED, linewidth=2.2))
        axes.xaxis.tick_top()
        axes.tick_params(length=0)
        axes.tick_params(axis="y", rotation=0)
        return axes


def choose(
    fits: Mapping[str, FitResult] | Iterable[FitResult],
    settings: pd.DataFrame | None = None,
    *,
    limits: Sequence[Limit] | Mapping[str, Mapping[str, Any]] = (),
    wishes: Sequence[Wish] | Mapping[str, Mapping[str, Any]] = (),
    share: float = 0.95,
    draws: int = 4000,
    seed: int = 1,
) -> Choice:
    """Say of each setting with what chance a new batch keeps every limit, and how far it grants the wishes.

    Parameters
    ----------
    fits : mapping of str to FitResult, or several FitResults
        By response.
    settings : DataFrame, optional
        A column for each factor; the combinations that were made if not given. See `between` for others.
    limits : sequence of Limit, or mapping
        At most one a response: ``{"dry_h": {"at_most": 8}, "loss": {"at_least": 1, "at_most": 4}}``.
    wishes : sequence of Wish, or mapping
        ``{"dry_h": {"want": "less", "best": 3, "worst": 8}}``.
    share : float
        Of the pieces of a batch, which a dry time is asked of.
    draws, seed : int
        With 4,000 draws a chance of one half is known to 0.8 %; fewer are made for more than 1,000 settings.

    Notes
    -----
    score is the expected desirability of a new batch, nothing where it breaks a limit: without wishes the
    chance to keep every limit. Wishes by G. Derringer, R. Suich, J. Quality Technology 12 (1980) 214-219,
    draws compared with J. J. Peterson, J. Quality Technology 36 (2004) 139-153.

    Examples
    --------
    >>> from fizzlab.models.effects import fit_response
    >>> trial = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3,
    ...                       "hours": [4.0, 6.1, 4.4, 6.5, 4.2, 6.0],
    ...                       "loss": [3.1, 1.2, 2.9, 1.4, 3.3, 1.1]})
    >>> both = [fit_response(trial, name, "colour") for name in ("hours", "loss")]
    >>> choice = choose(both, limits={"hours": {"at_most": 8}, "loss": {"at_most": 2}})
    >>> choice.best["colour"], bool(choice.best["meets"] > 0.9)
    ('lake', True)
    >>> choice.confirm(batches=3)[["estimate", "conf_low", "conf_high"]].round(1).to_dict("index")["hours"]
    {'estimate': 6.2, 'conf_low': 5.4, 'conf_high': 7.0}
    """
    listed = list(fits.values()) if isinstance(fits, Mapping) else list(fits)
    fits = dict(fits) if isinstance(fits, Mapping) else {fit.response: fit for fit in listed}
    if isinstance(limits, Mapping):
        limits = [Limit(name, **given) for name, given in limits.items()]
    if isinstance(wishes, Mapping):
        wishes = [Wish(name, **given) for name, given in wishes.items()]
    if not fits or len(fits) < len(listed):
        raise ValueError("there must be one fit for each response")
    if not limits and not wishes:
        raise ValueError("there are neither limits nor wishes to judge by")
    for each in ([limit.response for limit in limits], [wish.response for wish in wishes]):
        if unknown := set(each) - set(fits):
            raise ValueError(f"there is no fit of {', '.join(sorted(unknown))}")
        if len(set(each)) < len(each):
            raise ValueError("a response has more than one limit, or more than one wish")
    terms = _terms(fits)
    names = [term.name for term in terms]
    if taken := set(names) & set(OWN):
        raise cannot("column_taken", name=taken.pop())
    if settings is None:
        knowing = [fit.batches[names] for fit in listed if set(names) <= set(fit.batches)]
        settings = pd.concat(knowing).drop_duplicates()
    table = settings[names].reset_index(drop=True)
    if table.empty:
        raise ValueError("there are no settings to judge")
    forecasts = {name: fit.forecast(table, share) for name, fit in fits.items()}
    drawn = simulate(forecasts, draws=max(200, min(draws, WORK // len(table))), seed=seed)
    responses = {name: each.typical.copy() for name, each in forecasts.items()}
    worth = np.ones(1)
    typical, batch = (
        {name: each.in_unit(values[name]) for name, each in forecasts.items()}
        for values in (drawn.typical, drawn.batch)
    )
    merit, told = _chances(forecasts, drawn, limits), {n: e.estimate[None] for n, e in forecasts.items()}
    spread = {name: np.array([each.sd]) for name, each in forecasts.items()}
    best = drawn._replace(typical=told, spread=spread)  # as if it were the one draw
    centres = [{n: np.median(v, axis=0)[None] for n, v in p.items()} for p in (drawn.typical, drawn.spread)]
    middle = drawn._replace(typical=centres[0], spread=centres[1])
    for limit in limits:
        responses[limit.response]["meets"] = _chances(forecasts, best, [limit])[0]
        worth = worth * limit.met(batch[limit.response])
    if limits:
        met = _chances(forecasts, best, limits)[0]
        low, high = _ends(merit, _chances(forecasts, middle, limits)[0])
        table = table.assign(meets=met, meets_low=np.fmin(low, met), meets_high=np.fmax(high, met))
    if wishes:
        granted = overall(wishes, batch)
        table["granted"] = granted.mean(axis=0)
        worth, merit = worth * granted, merit * overall(wishes, typical)
    table["score"] = worth.mean(axis=0)
    most = merit.max(axis=1, keepdims=True)
    top = (merit >= most * (1 - 1e-9)) & (most > 1e-9)
    table["best_chance"] = (top / np.maximum(top.sum(axis=1, keepdims=True), 1)).mean(axis=0)
    table["extrapolated"] = _extrapolated(fits, table)
    order = table["score"].sort_values(ascending=False, kind="stable").index
    notes = drawn.notes
    if table["extrapolated"].any():
        notes += (say("beyond_marked"),)
    return Choice(
        table=table.loc[order].reset_index(drop=True),
        responses={name: each.loc[order].reset_index(drop=True) for name, each in responses.items()},
        terms=terms,
        limits=tuple(limits),
        wishes=tuple(wishes),
        shares={name: each.share for name, each in forecasts.items() if each.share is not None},
        notes=notes,
        fits=fits,
    )


def between(fits: Mapping[str, FitResult], steps: int = 5) -> pd.DataFrame:
    """Every level with even steps of every amount, within what was tried; settings for `choose`."""
    terms, values = _terms(fits), list[Sequence[Any]]()
    for term in terms:
        if isinstance(term, Amount):
            tried = next(fit.batches[term.name] for fit in fits.values() if term.name in fit.batches)
            even = np.geomspace if term.log else np.linspace
            values.append([float(f"{v:.10g}") for v in even(tried.min(), tried.max(), steps)])
        else:
            values.append(term.levels)
    number = int(np.prod([len(each) for each in values], dtype=float))
    if number > MOST:
        raise cannot("too_many_settings", number=number, most=MOST)
    full = pd.DataFrame(list(product(*values)), columns=[term.name for term in terms])
    return full[~_extrapolated(fits, full)].reset_index(drop=True)


def _terms(fits: Mapping[str, FitResult]) -> tuple[Term, ...]:
    return tuple({term.name: term for fit in fits.values() for term in fit.terms}.values())


def _chances(forecasts: Mapping[str, Forecast], drawn: Draws, limits: Sequence[Limit]) -> Array:
    """The chance that a new batch keeps all limits if a draw were the truth, shape (draws, settings).

    One response given where in its limits the former lies (A. Genz, J. Comput. Graph. Statist. 1 (1992)
    141-149).
    """
    from scipy.special import ndtr, ndtri

    names, sure, ends, picks = list(forecasts), np.ones(1), list[tuple[Array, Array]](), list[int]()
    for limit in limits:
        each, mean = forecasts[limit.response], drawn.typical[limit.response]
        low, high = each.fitted(np.array(limit.ends))
        if each.chance:
            sd = np.maximum(drawn.spread[limit.response][:, None], 1e-12)
            ends.append(((low - mean) / sd, (high - mean) / sd))
            picks.append(names.index(limit.response))
        else:
            sure = sure * ((mean >= low) & (mean <= high))
    root = np.linalg.cholesky(drawn.linked[np.ix_(picks, picks)])
    apart = bool(np.allclose(root, np.eye(len(picks))))
    width = np.arange(max(len(picks), 1))
    points = (np.arange(1 if apart else POINTS)[:, None] + 0.5) / POINTS * 5.0**width % 1  # Korobov's lattice
    total = np.zeros(1)
    for point in points:
        kept, z = sure, list[Array]()
        for row, (low, high), share in zip(root, ends, point, strict=False):
            shift, own = sum((a * b for a, b in zip(row, z, strict=False)), np.zeros(1)), row[len(z)]
            below, above = ndtr((low - shift) / own), ndtr((high - shift) / own)
            kept = kept * (above - below)
            z.append(
                ndtri(np.clip(below + share * (above - below), 1e-12, 1 - 1e-12)) if not apart else shift
            )
        total = total + kept / len(points)
    return np.broadcast_to(total, drawn.typical[names[0]].shape)


def _ends(merit: Array, middle: Array) -> Array:
    """95 % ends of the chance to keep limits; `middle`: with each response in the middle of its draws.

    Several responses in doubt bend their draws down: B. Efron, Biometrika 72 (1985) 45-58.
    """
    from scipy.special import ndtr, ndtri

    below = ((merit < middle).mean(axis=0) + (merit <= middle).mean(axis=0)) / 2
    off = ndtri(np.clip(below, 0.5 / len(merit), 1 - 0.5 / len(merit)))
    at = ndtr(2 * off + ndtri([[0.025], [0.975]]))
    return np.transpose([np.quantile(each, part) for each, part in zip(merit.T, at.T, strict=True)])


def _extrapolated(fits: Mapping[str, FitResult], settings: pd.DataFrame) -> NDArray[np.bool_]:
    """Settings outside of what was tried, for some response."""
    return np.asarray(np.any([fit.extrapolated(settings) for fit in fits.values()], axis=0))
