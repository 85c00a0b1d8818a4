"""Figures of crumbling: tumble losses by level, the sequence of drops, scores and the raters' leans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from fizzlab.models.plotting import INK, SOFT, Look, house_style, looks, new_figure, thinned

#: Shades of the scores 0 to 4, light to dark, that a grey printer keeps apart.
SHADES = ("#e8f1f6", "#b9d6e6", "#7fb2d0", "#3f84b0", "#0b4a75")


def tumble_losses(batches: pd.DataFrame, levels: pd.DataFrame, label: str) -> Figure:
    """Loss of each batch by level, with the typical loss and its interval.

    Parameters
    ----------
    batches : DataFrame
        Columns level, loss_pct and below_step (less than the scale can show), one row a batch.
    levels : DataFrame
        Columns level, loss_pct, low, high: in the order in which to draw them; the estimates may be missing.
    label : str
        What the levels are, in plain words.
    """
    names = list(levels["level"])
    shown = looks(names)
    values = np.concatenate([batches["loss_pct"], levels["low"].dropna(), levels["high"].dropna()])
    values = values[values > 0]
    with house_style():
        figure, axes = new_figure(height=1.5 + 0.62 * len(names))
        for place, row in enumerate(levels.to_dict("records")):
            look = shown[row["level"]]
            own = batches[batches["level"] == row["level"]]
            spread = np.linspace(-0.11, 0.11, len(own)) if len(own) > 1 else np.zeros(1)
            seen = ~own["below_step"].to_numpy(bool)
            x = own["loss_pct"].clip(lower=values.min() if len(values) else 0.01).to_numpy(float)
            y = place + 0.2 + spread
            axes.plot(x[seen], y[seen], marker=look.marker, color=look.colour, ms=5, ls="", alpha=0.75)
            axes.plot(
                x[~seen], y[~seen], marker="<", mfc="white", mec=look.colour, ms=6, ls="", clip_on=False
            )
            if np.isfinite(row["loss_pct"]):
                axes.hlines(place - 0.17, row["low"], row["high"], colors=look.colour, lw=2.2)
                axes.plot(row["loss_pct"], place - 0.17, marker="|", color=look.colour, ms=13, mew=2.6)
        axes.set_yticks(range(len(names)), names)
        axes.set_ylim(len(names) - 0.45, -0.55)
        axes.grid(axis="y", visible=False)
        axes.set_xscale("log")
        _plain_ticks(axes, values)
        axes.set_xlabel("loss in the tumble, % of the mass")
        if len(names) > 1:
            axes.set_ylabel(label)
        marks = [
            Line2D([], [], color=SOFT, marker="o", ms=5, ls="", label="a batch"),
            Line2D([], [], color=SOFT, marker="|", ms=11, mew=2.4, lw=2.2, label="typical, 95 %"),
        ]
        figure.legend(handles=marks, loc="outside upper right", ncols=2, fontsize=9)
    return figure


def _plain_ticks(axes: Axes, values: np.ndarray) -> None:
    steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1, 1.5, 2, 3, 4, 5, 7, 10, 15, 20, 30, 50, 70, 100]
    low, high = (float(values.min()) / 1.15, float(values.max()) * 1.15) if len(values) else (0.01, 0.1)
    inside = [step for step in steps if low <= step <= high]
    axes.set_xlim(low, high)
    ticks = thinned(inside, 8)
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()


def top_cm(drops: pd.DataFrame, levels: pd.DataFrame) -> float:
    """The top of the frame of `drop_sequence`: above every drop and estimate, but not every interval."""
    reach = [drops["height_cm"].max(), *levels["median_cm"]]
    return max(float(value) for value in reach if np.isfinite(value)) * 1.22


def drop_sequence(drops: pd.DataFrame, levels: pd.DataFrame, label: str, survive: float) -> Figure:
    """Every drop in order, broken or whole, with the estimated heights of each level.

    Parameters
    ----------
    drops : DataFrame
        Columns run, height_cm, broke, level; batches by level, drops of a batch in their order.
    levels : DataFrame
        Columns level, median_cm, median_low, median_high, survive_cm, in the order of drawing; may be empty.
    label : str
        What the levels are.
    survive : float
        Share of pieces that survives `survive_cm`.
    """
    names = list(dict.fromkeys(drops["level"]))
    shown = looks(names)
    places = _places(drops)
    x, heights, broke = places.to_numpy(), drops["height_cm"].to_numpy(float), drops["broke"].to_numpy(bool)
    high = top_cm(drops, levels)
    with house_style():
        figure, axes = new_figure(height=4.0)
        for _, own in drops.groupby("run", sort=False):
            at = places[own.index]
            axes.plot(at, own["height_cm"], color=SOFT, lw=0.7, alpha=0.7, zorder=1)
        for name in names:
            look = shown[name]
            here = (drops["level"] == name).to_numpy()
            held, fell = here & ~broke, here & broke
            axes.plot(x[held], heights[held], "o", mfc="white", mec=look.colour, ms=4.6, mew=1.2, ls="")
            axes.plot(x[fell], heights[fell], "X", color=look.colour, ms=5.6, mec="white", mew=0.4, ls="")
            begin, end = x[here].min() - 0.8, x[here].max() + 0.8
            estimate = levels[levels["level"] == name]
            for row in estimate.to_dict("records"):
                low, top = max(row["median_low"], 0.0), min(row["median_high"], high)
                axes.fill_between([begin, end], low, top, color=look.colour, alpha=0.14, lw=0, zorder=0)
                axes.hlines(row["median_cm"], begin, end, colors=look.colour, lw=2.0)
                axes.hlines(row["survive_cm"], begin, end, colors=look.colour, lw=1.4, ls=(0, (4, 2)))
            if len(names) > 1:
                axes.text((begin + end) / 2, high * 0.985, name, ha="center", va="top", color=look.colour)
        runs = drops.assign(_x=x).groupby("run", sort=False)["_x"].mean()
        crowded = len(runs) > 10
        axes.set_xticks(
            runs.to_numpy(), [str(run) for run in runs.index], fontsize=8, rotation=90 if crowded else 0
        )
        axes.tick_params(axis="x", length=0)
        axes.grid(axis="x", visible=False)
        axes.set_xlim(x.min() - 1.2, x.max() + 1.2)
        axes.set_ylim(0, high)
        axes.set_xlabel(f"batch{', by ' + label if len(names) > 1 else ''}; its drops in order")
        axes.set_ylabel("drop height, cm")
        marks: list[Any] = [
            Line2D([], [], marker="X", color=INK, ms=6, ls="", label="broke"),
            Line2D([], [], marker="o", mfc="white", mec=INK, ms=5, ls="", label="held"),
        ]
        if len(levels):
            marks += [
                Line2D([], [], color=INK, lw=2.0, label="half break"),
                Line2D(
                    [],
                    [],
                    color=INK,
                    lw=1.4,
                    ls=(0, (4, 2)),
                    label=f"{survive:.0%} survive".replace("%", " %"),
                ),
            ]
        figure.legend(
            handles=marks, loc="outside upper center", ncols=len(marks), fontsize=9, columnspacing=1.0
        )
    return figure


def _places(drops: pd.DataFrame) -> pd.Series:
    """Where each drop stands from left to right: a gap between batches, a wider one between levels."""
    new_run = drops["run"].ne(drops["run"].shift()) & drops["run"].shift().notna()
    new_level = drops["level"].ne(drops["level"].shift()) & drops["level"].shift().notna()
    return pd.Series(np.arange(len(drops)) + 1.5 * new_run.cumsum() + 2.0 * new_level.cumsum(), drops.index)


def score_bars(chances: pd.DataFrame, leans: pd.DataFrame, label: str, agreement: str) -> Figure:
    """How often each score is to be expected at each level, and how far each rater scores off the others.

    Parameters
    ----------
    chances : DataFrame
        Columns level, score, chance; the order of levels is that of first appearance.
    leans : DataFrame
        Columns rater, difference, low, high (score points); empty for one rater.
    label : str
        What the levels are.
    agreement : str
        How far the raters agree, over the lower panel.
    """
    names = list(dict.fromkeys(chances["level"]))
    rows = len(leans)
    with house_style():
        tall = [0.5 * len(names) + 0.5, *([0.34 * rows + 0.5] if rows else [])]
        figure, panels = new_figure(
            len(tall), 1, height=1.35 + sum(tall) + (0.5 if rows else 0), height_ratios=tall, squeeze=False
        )
        bars = panels[0, 0]
        _stack(bars, chances, names)
        bars.set_xlabel("share of pieces, %")
        if len(names) > 1:
            bars.set_ylabel(label)
        handles = [
            Line2D([], [], marker="s", ms=9, ls="", color=shade, mec=SOFT, mew=0.5, label=str(score))
            for score, shade in enumerate(SHADES)
        ]
        figure.legend(
            handles=handles, loc="outside upper center", ncols=5, fontsize=9.5, columnspacing=1.2,
            title="score: 0 holds whole, 4 falls to powder", title_fontsize=9.5, handletextpad=0.2,
        )  # fmt: skip
        if rows:
            _lean_panel(panels[1, 0], leans, agreement)
    return figure


def _stack(axes: Axes, chances: pd.DataFrame, names: Sequence[str]) -> None:
    for place, name in enumerate(names):
        left = 0.0
        for score, chance in chances[chances["level"] == name][["score", "chance"]].itertuples(index=False):
            width = 100 * float(chance)
            axes.barh(place, width, left=left, height=0.62, color=SHADES[int(score)], edgecolor=SOFT, lw=0.5)
            if width >= 6.5:
                colour = "white" if score >= 3 else INK
                axes.text(
                    left + width / 2,
                    place,
                    f"{width:.0f}",
                    ha="center",
                    va="center",
                    color=colour,
                    fontsize=9,
                )
            left += width
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_xlim(0, 100)
    axes.grid(axis="y", visible=False)


def _lean_panel(axes: Axes, leans: pd.DataFrame, agreement: str) -> None:
    shown: dict[str, Look] = looks(sorted(leans["rater"]))  # their markers; colours are kept for levels
    ends = leans[["difference", "low", "high"]].to_numpy(float)
    reach = 1.15 * max(float(np.nanmax(np.abs(ends))), 0.5)
    axes.axvline(0, color=SOFT, lw=1.0)
    for place, row in enumerate(leans.to_dict("records")):
        look = shown[row["rater"]]
        if np.isfinite(row["low"]):
            axes.hlines(place, row["low"], row["high"], colors=INK, lw=2.0)
        axes.plot(row["difference"], place, marker=look.marker, color=INK, ms=6, ls="")
    axes.set_yticks(range(len(leans)), list(leans["rater"]))
    axes.set_ylim(len(leans) - 0.5, -0.5)
    axes.set_xlim(-reach, reach)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.grid(axis="y", visible=False)
    axes.set_xlabel("points above (right) or below the others")
    axes.set_title(agreement, fontsize=10, fontweight="normal")
