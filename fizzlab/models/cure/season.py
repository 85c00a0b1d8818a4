"""A season of small trials, pooled: how dry air shortens drying in this workshop, and in its next trial.

Every trial says how long drying took in its air and, if it met more than one, how fast that changes with
the air. Trials differ in ways nobody wrote down, so that the line of a new trial is less sure than the
pooled line: how much less is estimated, and shown. The method is in docs/methods/season.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.censored.likelihood import Array, quantile
from fizzlab.models.cure.pooling import (
    FEW,
    LEAST,
    Possible,
    enough,
    mixture_quantile,
    one_of_them,
    possible_spreads,
    reml,
)
from fizzlab.models.cure.touch import LOG_SIGMA, DryTimeFit
from fizzlab.models.terms import model_matrix

VPD = "vpd_kpa"
_SHAPE_SD = {"lognormal": 1.0, "weibull": float(np.pi / np.sqrt(6)), "loglogistic": float(np.pi / np.sqrt(3))}


@dataclass(frozen=True)
class TrialLine:
    """What one trial says of drying and the air; made by `line_of`, or by hand from an old record.

    Parameters
    ----------
    name : str
    level : float
        Log of the hours after which half of the pieces are dry, in air of `at`.
    slope : float or None
        Change of that for each unit of log VPD (-1: twice the VPD, half the time). None if the trial met
        one air only.
    at : float
        Vapour-pressure deficit in kPa.
    covariance : array, shape (2, 2) or (1, 1)
        Of level and slope, or of the level.
    tried : (float, float)
        Least and greatest VPD met, in kPa.
    spread : float
        Standard deviation of log hours of one piece of a new batch around the trial's line.
    batches : int
    df : float
        Degrees of freedom of the level; endless where its error is known.
    """

    name: str
    level: float
    slope: float | None
    at: float
    covariance: Array
    tried: tuple[float, float]
    spread: float
    batches: int
    df: float = float("inf")

    def __post_init__(self) -> None:
        size = 1 if self.slope is None else 2
        if np.shape(self.covariance) != (size, size):
            raise ValueError(f"the covariance of {self.name} must have shape ({size}, {size})")
        if not (np.linalg.eigvalsh(np.asarray(self.covariance, float)) > 0).all():
            raise ValueError(f"the covariance of {self.name} must be positive definite")
        if self.at <= 0 or self.tried[0] <= 0:
            raise ValueError("vapour-pressure deficits must be above zero")


def line_of(
    fit: DryTimeFit,
    name: str,
    settings: Mapping[str, object] | None = None,
    *,
    tried: tuple[float, float] | None = None,
) -> TrialLine:
    """The line of one trial, for one recipe.

    Parameters
    ----------
    fit : DryTimeFit
        With `vpd_kpa` as a logarithm among its terms, or without air.
    name : str
        The trial's name.
    settings : mapping, optional
        Value of every other term: the recipe that all pooled trials made, for example
        ``{"colour": "none"}``.
    tried : (float, float), optional
        Least and greatest VPD (kPa) met; needed where the fit has no air.

    Raises
    ------
    ValueError
        A VPD that is not a logarithm, or a setting or `tried` that is missing.

    Examples
    --------
    >>> from fizzlab.models.cure.touch import fit_dry_time
    >>> from fizzlab.models.terms import Amount
    >>> looks = pd.DataFrame({"run": list("AABBCCDDEEFF"), "piece": [1, 2] * 6,
    ...                       "lower": [9.0, 10, 9, 8, 7, 7, 6, 7, 5, 4, 4, 5]})
    >>> looks["upper"] = looks["lower"] + 1
    >>> air = pd.DataFrame({"vpd_kpa": [0.4, 0.42, 0.6, 0.62, 0.9, 0.88]}, index=list("ABCDEF"))
    >>> line = line_of(fit_dry_time(looks, air, [Amount("vpd_kpa", "kPa", log=True)]), "spring")
    >>> round(line.slope, 1), line.tried
    (-0.8, (0.4, 0.9))
    """
    air = next((term for term in fit.terms if term.name == VPD), None)
    if air is not None and not getattr(air, "log", False):
        raise ValueError(f"{VPD} must enter the fit as a logarithm")
    if air is not None:
        low, high = fit.tried[VPD]
        tried = (float(low), float(high))
    if tried is None:
        raise ValueError("the fit has no air in it: give the least and greatest vapour-pressure deficit met")
    at = float(np.sqrt(tried[0] * tried[1]))
    row = model_matrix(pd.DataFrame([{**(settings or {}), VPD: at}]), fit.terms).to_numpy(float)[0]
    rows = row[None]
    if air is not None:
        rows = np.stack([row, (fit.estimates.index == f"log {VPD}").astype(float)])
    reach = float(fit.found.sigma * quantile(fit.distribution, 0.5))
    width = len(fit.estimates)
    cov = rows @ fit.covariance.to_numpy(float)[:width, :width] @ rows.T
    if reach:
        whole = np.column_stack([rows, np.where(np.arange(len(rows)) == 0, reach, 0.0)])
        names = [*fit.estimates.index, LOG_SIGMA]
        cov = whole @ fit.covariance.loc[names, names].to_numpy(float) @ whole.T
    parts = [fit.sigma * _SHAPE_SD[fit.distribution], fit.tau, fit.delta]
    return TrialLine(
        name=name,
        level=float(row @ fit.coef) + reach,
        slope=None if air is None else float(rows[1] @ fit.coef),
        at=at,
        covariance=cov,
        tried=tried,
        spread=float(np.sqrt(np.nansum(np.square(parts)))),
        batches=fit.n_batches,
        df=fit.df(row),
    )


@dataclass(frozen=True)
class SeasonLine:
    """The dry-time line of a workshop, pooled over its trials; made by `pool_lines`.

    Parameters
    ----------
    table : DataFrame
        Rows level (log hours at `at`) and slope: estimate, se, df, low, high, tau (between trials; nan for a
        slope that was taken as common), new_low, new_high (a new trial's true level or slope).
    at : float
        VPD in kPa at which the level is told.
    trials : DataFrame
        One row a trial: level, level_se (at its own `at`), slope, slope_se, at, low_vpd, high_vpd, batches,
        df, odd (how many standard deviations its level lies from the pooled line, trial-to-trial variation
        included).
    q, q_df, q_p : float
        Test that all trials share one line.
    i2 : float
        Share of the variance between the trials' numbers that is not their own uncertainty: (q - df) / q,
        not below 0.
    spread : float
        Standard deviation of log hours of one piece of a new batch around its trial's line.
    tried : (float, float)
        Least and greatest VPD met in any trial.
    notes : tuple of str
    told : tuple of arrays
        The trials' numbers, what of (level, slope) each tells, their own covariance, and whose each is.
    sloped : int
        Trials that have a slope.
    """

    table: pd.DataFrame
    at: float
    trials: pd.DataFrame
    q: float
    q_df: int
    q_p: float
    i2: float
    spread: float
    tried: tuple[float, float]
    notes: tuple[str, ...]
    level: float
    covariance: Array = field(repr=False)
    possible: Possible = field(repr=False)
    told: tuple[Array, Array, Array, Array] = field(repr=False)
    sloped: int

    def forecast(self, vpd_kpa: Sequence[float] | Array) -> pd.DataFrame:
        """Hours until half of the pieces are dry, in given air.

        Parameters
        ----------
        vpd_kpa : sequence of float

        Returns
        -------
        DataFrame
            One row an air: vpd_kpa, typical, low, high (the pooled line), new_low, new_high (the line of a
            new trial), piece_low, piece_high (one piece of a new batch of a new trial), beyond_tried.
        """
        air = np.asarray(vpd_kpa, float)
        if not (air > 0).all():
            raise ValueError("vapour-pressure deficits must be above zero")
        u = np.log(air / self.at)
        row = np.column_stack([np.ones_like(u), u])
        middle = row @ self.table["estimate"].to_numpy(float)
        known = np.einsum("ri,ij,rj->r", row, self.covariance, row)
        df = _df_at(u, self.covariance, self.table["df"].to_numpy(float))
        reach = stats.t.ppf(0.5 + self.level / 2, df) * np.sqrt(known)
        new = self.possible.bounds(row, 0.0, self.level)
        piece = self.possible.bounds(row, self.spread**2, self.level)
        table: dict[str, object] = {VPD: air, "typical": np.exp(middle)}
        for name, ends in (("", (middle - reach, middle + reach)), ("new_", new), ("piece_", piece)):
            table[f"{name}low"], table[f"{name}high"] = np.exp(ends[0]), np.exp(ends[1])
        low, high = self.tried
        table["beyond_tried"] = (air < low * (1 - 1e-9)) | (air > high * (1 + 1e-9))
        return pd.DataFrame(table)

    def helped(self, name: str, vpd_kpa: Sequence[float] | Array) -> pd.DataFrame:
        """Hours until half of the pieces are dry in one of the trials, helped by what the others say.

        Parameters
        ----------
        name : str
            One of the pooled trials.
        vpd_kpa : sequence of float

        Returns
        -------
        DataFrame
            One row an air: vpd_kpa, hours, low, high.

        Raises
        ------
        ValueError
            No trial of that name was pooled.

        Notes
        -----
        The trial's line as predicted from all trials, over every pair of tau as in `forecast`: where trials
        are alike or this one is small it leans on the others, where they differ it stands by itself. The
        interval is widened from normal to t by the degrees of freedom of the trial's own level, however much
        the others help.
        """
        if name not in self.trials.index:
            raise ValueError(f"no trial is called {name!r}")
        air = np.asarray(vpd_kpa, float)
        row = np.column_stack([np.ones_like(air), np.log(air / self.at)])
        y, z, within, owner = self.told
        mine = (owner == self.trials.index.get_loc(name)).astype(float)
        centre, sd = one_of_them(self.possible, y, z, within, _between(owner, z, self.sloped), mine, row)
        low, middle, high = (
            mixture_quantile(centre, sd, self.possible.weight, share)
            for share in (0.5 - self.level / 2, 0.5, 0.5 + self.level / 2)
        )
        far, df = 0.5 + self.level / 2, float(self.trials["df"][name])
        wider = float(stats.t.ppf(far, df) / stats.norm.ppf(far))
        ends = {"low": middle + wider * (low - middle), "high": middle + wider * (high - middle)}
        return pd.DataFrame(
            {VPD: air, "hours": np.exp(middle), **{name: np.exp(end) for name, end in ends.items()}}
        )

    def dry_by(self, vpd_kpa: float, share: float) -> float:
        """Hours by which a piece of a new batch of a new trial is dry with a chance of `share`."""
        row = np.array([[1.0, np.log(vpd_kpa / self.at)]])
        return float(np.exp(self.possible.below(row, self.spread**2, share)[0]))

    def chance_dry(self, vpd_kpa: float, hours: float) -> float:
        """Chance that a piece of a new batch of a new trial is dry after so many hours."""
        row = np.array([[1.0, np.log(vpd_kpa / self.at)]])
        return float(self.possible.chance(row, self.spread**2, float(np.log(hours)))[0])

    def __str__(self) -> str:
        shown = self.table.to_string(float_format="{:.3g}".format, na_rep="")
        return "\n".join([f"{len(self.trials)} trials, level at {self.at:.2g} kPa", shown, *self.notes])


def _df_at(u: Array, covariance: Array, df: Array) -> Array:
    """Degrees of freedom at log VPD `u`: the level's where level and slope are known apart, then both."""
    pivot = -covariance[0, 1] / covariance[1, 1]
    at_pivot = covariance[0, 0] - covariance[0, 1] ** 2 / covariance[1, 1]
    tilt = covariance[1, 1] * (u - pivot) ** 2
    return np.asarray((at_pivot + tilt) ** 2 / (at_pivot**2 / df[0] + tilt**2 / df[1]), float)


def pool_lines(lines: Sequence[TrialLine], *, at: float | None = None, level: float = 0.95) -> SeasonLine:
    """Pool the dry-time lines of earlier trials of one workshop.

    Parameters
    ----------
    lines : sequence of TrialLine
        All of the same recipe. A trial that met one air only still tells its level there.
    at : float, optional
        VPD in kPa at which to tell the level, and at which trials are supposed to differ in level and slope
        independently; the middle (geometric) of the trials' air if not given.
    level : float

    Returns
    -------
    SeasonLine

    Raises
    ------
    CannotAnswer
        Fewer than 3 trials, or no trial that met more than one air.

    Notes
    -----
    (a_i, b_i) ~ N((a, b), S_i + diag(tau_a^2, tau_b^2)); a trial with one air u_i tells a_i + b_i u_i. The
    two tau by restricted maximum likelihood; covariance (Z'V^-1Z)^-1 times max(1, r'V^-1r / (n - 2)), which
    for one number is the guarded correction of Hartung and Knapp (for several: D. Jackson, R. D. Riley,
    Statist. Med. 33 (2014) 541-554). t with trials - 1 degrees of freedom for the level, and of the trials
    that have a slope for the slope, joined after Satterthwaite in between. With fewer than 3 slopes they are
    taken as common. A new trial's line as in `pool`, over every pair of tau.

    Examples
    --------
    >>> lines = [TrialLine(name, level, slope, 0.6, np.diag([0.01, 0.03]), (0.4, 0.9), 0.2, 6)
    ...          for name, level, slope in [("March", 2.3, -0.6), ("May", 2.5, -0.5), ("July", 2.2, -0.8)]]
    >>> season = pool_lines(lines)
    >>> season.table["estimate"].round(2).tolist(), season.forecast([0.6])["typical"].round(1).tolist()
    ([2.33, -0.63], [10.3])
    """
    enough(len(lines))
    if len({line.name for line in lines}) < len(lines):
        raise ValueError("every trial needs a name of its own")
    sloped = sum(line.slope is not None for line in lines)
    if not sloped:
        raise CannotAnswer(
            "No trial met more than one air, so how drying follows the air cannot be told from how trials "
            "differ.",
            "Make one trial on days of different air.",
        )
    middle = float(np.exp(np.mean([np.log(line.at) for line in lines])))
    at = middle if at is None else float(at)
    y, z, within, owner = _stack(lines, at)
    between = _between(owner, z, sloped)
    tau2 = np.zeros(2)
    tau2[: len(between)] = reml(y, z, [within], between)
    total = within + sum(t * b for t, b in zip(tau2, between, strict=False))
    beta, plain, rest = _gls(y, z, total)
    scale = max(1.0, rest / (len(y) - 2)) if len(y) > 2 else 1.0
    covariance = plain * scale
    q = _gls(y, z, within)[2]
    tau = np.sqrt(tau2)
    df = np.array([len(lines) - 1, (sloped if sloped >= LEAST else len(lines)) - 1], float)
    se = np.sqrt(np.diag(covariance))
    reach = stats.t.ppf(0.5 + level / 2, df)
    own = [float(np.median(np.diag(within)[z[:, 0] == 1])), float(np.median(np.diag(within)[z[:, 0] == 0]))]
    possible = possible_spreads(y, z, within, between, own[: len(between)])
    new_low, new_high = possible.bounds(np.eye(2), 0.0, level)
    table = pd.DataFrame(
        {
            "estimate": beta,
            "se": se,
            "df": df,
            "low": beta - reach * se,
            "high": beta + reach * se,
            "tau": [tau[0], tau[1] if sloped >= LEAST else np.nan],
            "new_low": new_low,
            "new_high": new_high,
        },
        index=["level", "slope"],
    )
    weights = np.array([line.batches for line in lines], float)
    spread = float(np.sqrt(np.average([line.spread**2 for line in lines], weights=weights)))
    q_df = len(y) - 2
    return SeasonLine(
        table=table,
        at=at,
        trials=_trials(lines, at, beta, tau),
        q=q,
        q_df=q_df,
        q_p=float(stats.chi2.sf(q, q_df)),
        i2=max(0.0, (q - q_df) / q) if q > 0 else 0.0,
        spread=spread,
        tried=(min(line.tried[0] for line in lines), max(line.tried[1] for line in lines)),
        notes=_notes(len(lines), sloped),
        level=level,
        covariance=covariance,
        possible=possible,
        told=(y, z, within, owner),
        sloped=sloped,
    )


def _between(owner: Array, z: Array, sloped: int) -> list[Array]:
    """What a spread of levels, and of slopes where enough trials have one, adds to the covariance."""
    trial = (owner[:, None] == owner[None, :]).astype(float)
    return [trial * np.outer(z[:, j], z[:, j]) for j in range(2 if sloped >= LEAST else 1)]


def _stack(lines: Sequence[TrialLine], at: float) -> tuple[Array, Array, Array, Array]:
    """Numbers of all trials, what of (level at `at`, slope) each tells, and their own covariance."""
    y: list[float] = []
    z: list[list[float]] = []
    owner: list[int] = []
    sizes = [1 if line.slope is None else 2 for line in lines]
    within = np.zeros((sum(sizes), sum(sizes)))
    for i, line in enumerate(lines):
        here = len(y)
        y.append(line.level)
        z.append([1.0, float(np.log(line.at / at))])
        if line.slope is not None:
            y.append(line.slope)
            z.append([0.0, 1.0])
        within[here : len(y), here : len(y)] = line.covariance
        owner += [i] * sizes[i]
    return np.array(y), np.array(z), within, np.array(owner)


def _gls(y: Array, z: Array, total: Array) -> tuple[Array, Array, float]:
    """Estimates, their covariance, and r'V^-1r."""
    factor = np.linalg.cholesky(total)
    white_z, white_y = np.linalg.solve(factor, z), np.linalg.solve(factor, y)
    covariance = np.linalg.inv(white_z.T @ white_z)
    beta = covariance @ white_z.T @ white_y
    return beta, covariance, float(((white_y - white_z @ beta) ** 2).sum())


def _trials(lines: Sequence[TrialLine], at: float, beta: Array, tau: Array) -> pd.DataFrame:
    rows = {}
    for line in lines:
        u = float(np.log(line.at / at))
        own = np.sqrt(np.diag(line.covariance))
        between = tau[0] ** 2 + (tau[1] * u) ** 2
        rows[line.name] = {
            "level": line.level,
            "level_se": float(own[0]),
            "slope": np.nan if line.slope is None else line.slope,
            "slope_se": np.nan if line.slope is None else float(own[1]),
            "at": line.at,
            "low_vpd": line.tried[0],
            "high_vpd": line.tried[1],
            "batches": line.batches,
            "df": line.df,
            "odd": float((line.level - beta[0] - beta[1] * u) / np.sqrt(own[0] ** 2 + between)),
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("trial")


def _notes(trials: int, sloped: int) -> tuple[str, ...]:
    said = []
    if trials < FEW:
        said.append(f"With {trials} trials, how much trials differ is hardly known; the intervals say so.")
    if sloped < LEAST:
        told = "Only 1 trial" if sloped == 1 else f"Only {sloped} trials"
        said.append(f"{told} met more than one air, so the slope is taken to be the same in every trial.")
    return tuple(said)
