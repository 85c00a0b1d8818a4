"""The power curve: how often a trial would see an effect, by its size."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from fizzlab.models.plotting import BLUE, RED, SOFT, house_style, new_figure

_TICKS = [1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0]


def power_curve(
    table: pd.DataFrame, target: float = 0.8, worth_knowing: float | None = None, ratio_of: str = "dry times"
) -> Figure:
    """How many of 100 trials would see an effect, by its size, with the error of the simulation.

    Parameters
    ----------
    table : DataFrame
        Columns ratio, chance, low and high, two rows at least, for one effect.
    target : float
        The share at which a line is drawn.
    worth_knowing : float, optional
        The smallest ratio that matters to the maker, marked by a line.
    ratio_of : str
        What the ratio is of.

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        Fewer than two sizes.
    """
    rows = table.sort_values("ratio")
    if len(rows) < 2:
        raise ValueError("a curve needs two sizes of effect at least")
    ratio = rows["ratio"].to_numpy(float)
    chance, low, high = (100 * rows[name].to_numpy(float) for name in ("chance", "low", "high"))
    with house_style():
        figure, axes = new_figure(height=3.5)
        axes.fill_between(ratio, low, high, color=BLUE, alpha=0.18, lw=0)
        axes.plot(ratio, chance, color=BLUE, marker="o", ms=3.5)
        axes.axhline(100 * target, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        right = float(ratio.max())
        if worth_knowing is not None:
            right = max(right, worth_knowing)
            axes.axvline(worth_knowing, color=RED, lw=1.2, ls=(0, (1.2, 1.6)))
            near_end = np.log(worth_knowing) > 0.6 * np.log(right)
            axes.annotate(
                f"worth knowing: {worth_knowing:g} times",
                (worth_knowing, 4),
                (-5 if near_end else 5, 0),
                textcoords="offset points",
                ha="right" if near_end else "left",
                fontsize=8.5,
                color=RED,
            )
        axes.set_xscale("log")
        axes.set_xlim(1.0, right * 1.01)
        shown = _spaced([tick for tick in _TICKS if tick <= right * 1.01], right)
        axes.set_xticks(shown, [f"{tick:g}" for tick in shown])
        axes.minorticks_off()
        axes.set_ylim(0, 102)
        axes.set_yticks([0, 20, 40, 60, 80, 100])
        axes.set_xlabel(f"true ratio of {ratio_of}")
        axes.set_ylabel("of 100 such trials, see it")
    return figure


def _spaced(ticks: list[float], right: float) -> list[float]:
    """Ticks at least a twelfth of the axis apart, so that their numbers do not touch."""
    least = np.log(right) / 12
    kept = ticks[:1]
    for tick in ticks[1:]:
        if np.log(tick / kept[-1]) >= least:
            kept.append(tick)
    return kept
