"""Many fizz curves at once, and the gas that came against the gas that the recipe could give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves import akaike_weights
from fizzlab.models.fizz.gas import GasFit, fit_gas
from fizzlab.models.fizz.gas_models import SHAPES, Shape
from fizzlab.models.fizz.scale import Drift
from fizzlab.recipe import soluble_g


@dataclass(frozen=True)
class GasFits:
    """The fizz curves of a trial.

    Parameters
    ----------
    pieces : DataFrame
        One row a curve that was fitted: run, piece, water_c, shape, gas_g, t50_s, t90_s, start_g_s, each with
        its _low and _high, drift_g_min, drift_from, step_g, splash_g, plateau_seen, coarse.
    fits : tuple of GasFit
        In the order of `pieces`.
    not_fitted : DataFrame
        run, piece, why, would_help.
    shapes : DataFrame
        One row a curve: shape, aicc (summed over the pieces that every shape fits), delta, weight, best_of
        (pieces that it fits best).
    common : str or None
        The shape that `pieces` is stated in; None if each piece has its own best.
    """

    pieces: pd.DataFrame
    fits: tuple[GasFit, ...]
    not_fitted: pd.DataFrame
    shapes: pd.DataFrame
    common: Shape | None


@dataclass(frozen=True)
class GasReached:
    """Gas that came against the gas that the recipe could give.

    Parameters
    ----------
    group : str
    theory_g : float
        Mean over the batches of the most that the recipe can give, in grams a piece.
    dissolved_g : float
        Mean of what the cup of water can hold dissolved under pure gas (Henry's law); the piece must first
        fill this up.
    expected_g : float
        theory_g - dissolved_g: what the scale should lose.
    gas_g, gas_low, gas_high : float
        Mean of what it did lose.
    share, share_low, share_high : float
        (gas + dissolved) / theory.
    spent, spent_low, spent_high : float
        1 - share: fizz that was gone before the bath, or never could react.
    share_if_none_stays : float
        gas / theory: the share if nothing at all stayed dissolved. The truth lies between the two.
    df : float
    batches, pieces : int
    level : float
    """

    group: str
    theory_g: float
    dissolved_g: float
    expected_g: float
    gas_g: float
    gas_low: float
    gas_high: float
    share: float
    share_low: float
    share_high: float
    spent: float
    spent_low: float
    spent_high: float
    share_if_none_stays: float
    df: float
    batches: int
    pieces: int
    level: float


def fit_gas_curves(
    curves: pd.DataFrame,
    shape: Shape | Literal["common", "own"] = "common",
    drift: Drift | Literal["auto", "none"] = "auto",
    step_g: float | None = None,
    level: float = 0.95,
) -> GasFits:
    """Fit every fizz curve of a trial.

    Pieces are compared fairly only by the same curve, so by default the shape with the lowest sum of AICc
    over the pieces is used for all.

    Parameters
    ----------
    curves : DataFrame
        run, piece, water_c, seconds, mass_g.
    shape : {"common", "own"} or a shape
        "common": the shape that fits the trial best, for all; "own": each piece its best.
    drift, step_g, level
        As for `fit_gas`.

    Raises
    ------
    CannotAnswer
        No curve could be fitted.

    Examples
    --------
    >>> from fizzlab.models.fizz.gas_models import share_out
    >>> seconds = np.arange(0.0, 241.0, 12.0)
    >>> curves = pd.concat([pd.DataFrame({"run": run, "piece": 1, "water_c": 38.0, "seconds": seconds,
    ...     "mass_g": np.round(400.03 - gas * share_out("cube root", seconds, t50_s=30), 1)})
    ...     for run, gas in (("A", 8.0), ("B", 9.0))])
    >>> found = fit_gas_curves(curves)
    >>> found.common, found.pieces["gas_g"].round().tolist()
    ('cube root', [8.0, 9.0])
    """
    keys: list[tuple[object, object]] = []
    fits: list[GasFit] = []
    waters: list[float] = []
    tables: list[pd.DataFrame] = []
    failed: list[tuple[object, object, str, str]] = []
    wanted: Sequence[Shape] = SHAPES if shape in ("common", "own") else [s for s in SHAPES if s == shape]
    if not wanted:
        raise ValueError(f"no shape {shape!r}")
    for (run, piece), rows in curves.groupby(["run", "piece"], sort=False):
        try:
            fit = fit_gas(rows, wanted, drift, step_g, level)
        except CannotAnswer as problem:
            failed.append((run, piece, problem.why, problem.would_help))
            continue
        keys.append((run, piece))
        fits.append(fit)
        waters.append(float(rows["water_c"].mean()))
        tables.append(rows)
    if not fits:
        raise (
            CannotAnswer(failed[0][2], failed[0][3])
            if failed
            else CannotAnswer("There is no fizz curve.", "Weigh a piece in its cup as it fizzes.")
        )
    shapes = _shapes(fits)
    common: Shape | None = wanted[0] if len(wanted) == 1 else None
    if shape == "common":
        chosen: Shape = next(name for name in SHAPES if name == shapes["shape"].iloc[0])
        common = chosen
        redone: list[int] = []
        for i, fit in enumerate(fits):
            if fit.shape == chosen:
                redone.append(i)
                continue
            try:
                fits[i] = fit_gas(tables[i], [chosen], drift, step_g, level)
                redone.append(i)
            except CannotAnswer as problem:
                failed.append((*keys[i], problem.why, problem.would_help))
        keys, fits, waters = ([items[i] for i in redone] for items in (keys, fits, waters))  # type: ignore[assignment]
    pieces = pd.DataFrame(
        [_row(*key, water, fit) for key, water, fit in zip(keys, waters, fits, strict=True)]
    )
    not_fitted = pd.DataFrame(failed, columns=["run", "piece", "why", "would_help"])
    return GasFits(pieces, tuple(fits), not_fitted, shapes, common)


def gas_reached(
    pieces: pd.DataFrame,
    theory_g: float | Mapping[str, float],
    water_l: float,
    group: Mapping[str, str] | None = None,
    level: float = 0.95,
) -> list[GasReached]:
    """Compare the gas that came with what the recipe could give, less what stays dissolved.

    The batch is the unit: pieces of a batch are averaged, and the interval is t over batches. The gas that
    the recipe could give and what the water holds are taken as known; `share_if_none_stays` shows how much
    hangs on the latter. Water that already holds gas or is made basic by soda left over holds more or less.

    Parameters
    ----------
    pieces : DataFrame
        run, water_c, gas_g: of `GasFits.pieces`.
    theory_g : float or mapping of run to float
        Grams of carbon dioxide that one piece can give at most, by its recipe.
    water_l : float
        Litres of water in the cup.
    group : mapping of run to str, optional
        A level for each batch.
    level : float
        Coverage.

    Raises
    ------
    CannotAnswer
        Fewer than two batches in a group.
    ValueError
        A run without a theory, or a theory that is not positive.

    References
    ----------
    Henry's law with the constant of R. Sander's compilation, as in `fizzlab.recipe.henry_co2`.

    Examples
    --------
    >>> pieces = pd.DataFrame({"run": ["A", "B", "C"], "water_c": 38.0, "gas_g": [7.4, 7.9, 7.6]})
    >>> reached = gas_reached(pieces, theory_g=10.0, water_l=0.3)[0]
    >>> round(reached.dissolved_g, 2), round(reached.spent, 2), reached.spent_low > 0.1
    (0.32, 0.21, True)
    """
    theory = pd.Series(
        {
            run: theory_g if isinstance(theory_g, (int, float)) else theory_g.get(str(run), np.nan)
            for run in pieces["run"].unique()
        },
        dtype=float,
    )
    if not (theory > 0).all():
        raise ValueError("every run needs a positive theory_g")
    held = pieces["water_c"].map(lambda at: soluble_g(water_l, float(at)))
    table = pieces.assign(held=held, theory=pieces["run"].map(theory))
    batches = table.groupby("run", sort=False).agg(
        gas=("gas_g", "mean"), held=("held", "mean"), theory=("theory", "first"), pieces=("gas_g", "size")
    )
    names = (
        pd.Series("all", index=batches.index)
        if group is None
        else pd.Series({run: group[str(run)] for run in batches.index})
    )
    return [
        _reached(str(name), batches.loc[rows.index], level) for name, rows in names.groupby(names, sort=False)
    ]


def _reached(name: str, batches: pd.DataFrame, level: float) -> GasReached:
    count = len(batches)
    if count < 2:
        raise CannotAnswer(
            f"One batch ({name}) gives no interval for its gas.",
            "Weigh pieces of a second batch as they fizz.",
        )
    share = (batches["gas"] + batches["held"]) / batches["theory"]
    half = float(stats.t.ppf(0.5 + level / 2, count - 1)) / np.sqrt(count)
    gas, mean = float(batches["gas"].mean()), float(share.mean())
    gas_margin, margin = half * float(batches["gas"].std()), half * float(share.std())
    theory, held = float(batches["theory"].mean()), float(batches["held"].mean())
    return GasReached(
        group=name,
        theory_g=theory,
        dissolved_g=held,
        expected_g=theory - held,
        gas_g=gas,
        gas_low=float(gas - gas_margin),
        gas_high=float(gas + gas_margin),
        share=mean,
        share_low=float(mean - margin),
        share_high=float(mean + margin),
        spent=1 - mean,
        spent_low=float(1 - mean - margin),
        spent_high=float(1 - mean + margin),
        share_if_none_stays=float((batches["gas"] / batches["theory"]).mean()),
        df=float(count - 1),
        batches=count,
        pieces=int(batches["pieces"].sum()),
        level=level,
    )


def _shapes(fits: Sequence[GasFit]) -> pd.DataFrame:
    """Sum AICc over the pieces that every shape could be fitted to."""
    each = [fit.models.set_index("model")["aicc"] for fit in fits]
    table = pd.DataFrame(each).reset_index(drop=True)
    whole = table.dropna()
    total = (whole if len(whole) else table).sum(min_count=1).sort_values()
    best = pd.Series([fit.shape for fit in fits]).value_counts()
    return pd.DataFrame(
        {
            "shape": total.index,
            "aicc": total.to_numpy(),
            "delta": (total - total.iloc[0]).to_numpy(),
            "weight": akaike_weights(total.fillna(np.inf).to_numpy()),
            "best_of": [int(best.get(name, 0)) for name in total.index],
        }
    )


def _row(run: object, piece: object, water_c: float, fit: GasFit) -> dict[str, object]:
    row: dict[str, object] = {"run": run, "piece": piece, "water_c": water_c, "shape": fit.shape}
    for name in ("gas_g", "t50_s", "t90_s", "start_g_s"):
        estimate = getattr(fit, name)
        row |= {name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}
    splash = -sum(jump.change_g for jump in fit.jumps if jump.kind == "splash")
    return row | {
        "drift_g_min": fit.drift_g_min,
        "drift_from": fit.drift_from,
        "step_g": fit.step_g,
        "splash_g": float(splash),
        "plateau_seen": fit.plateau_seen,
        "coarse": fit.coarse,
    }
