"""Dry times from weighings: every weighed piece, then its batch, then what shortens drying.

A weighed piece has a dry time of its own (`fizzlab.models.cure.drying`). Pieces of one batch are not
repeats: their log times are averaged, and the batches' times are regressed as exactly known ones by the
same engine as the touch checks (`fizzlab.models.cure.touch`), so that days that hold several batches are
allowed for in the same way and a forecast can be made from either.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.cure.drying import (
    PAGE,
    DryingTime,
    PieceDrying,
    fit_piece,
    scale_step,
    time_to_constant,
    time_to_share,
)
from fizzlab.models.cure.touch import DryTimeFit, fit_dry_time
from fizzlab.models.curves import CurveModel
from fizzlab.models.terms import Term

_NUMBERS = ("rate_per_h", "shape", "moisture_g", "end_g")


@dataclass(frozen=True)
class DriedPieces:
    """The drying of every weighed piece.

    Attributes
    ----------
    table : DataFrame
        One row a piece, in the order in which they first appear: run, piece, weighings (how many), curve (the
        one read off), favoured (the one with the lower AICc), rate_per_h, shape, moisture_g, end_g,
        left_at_end (share of the moisture still in it at the last weighing), hours, low, high, extrapolated
        (dry only after its last weighing), converged, note (why there is no number, or a doubt).
    pieces : dict
        The fits, by (run, piece); those that failed are absent.
    weighings : DataFrame
        The weighings as given: run, piece, hours, mass_g.
    asked : str
        What counts as dry, in words.
    level : float
        Of the intervals.
    """

    table: pd.DataFrame
    pieces: dict[tuple[Hashable, Hashable], PieceDrying]
    weighings: pd.DataFrame
    asked: str
    level: float

    def readings(self) -> pd.DataFrame:
        """Return the weighings of the fitted pieces: run, piece, hours, mass_g, share_left.

        `share_left` is the mass as a share of the piece's first weighing.
        """
        keys = list(zip(self.weighings["run"], self.weighings["piece"], strict=True))
        used = self.weighings[[key in self.pieces for key in keys]]
        return used.assign(
            share_left=used["mass_g"] / [self._first(*key) for key in keys if key in self.pieces]
        )

    def lines(self, points: int = 60) -> pd.DataFrame:
        """Return the fitted curves, each up to its last weighing: run, piece, hours, mass_g, share_left."""
        parts = []
        for (run, piece), found in self.pieces.items():
            hours = np.linspace(0.0, float(found.fit.x.max()), points)
            mass = found.fit.at(hours)
            parts.append(
                pd.DataFrame(
                    {
                        "run": run,
                        "piece": piece,
                        "hours": hours,
                        "mass_g": mass,
                        "share_left": mass / self._first(run, piece),
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)

    def _first(self, run: Hashable, piece: Hashable) -> float:
        fit = self.pieces[run, piece].fit
        return float(fit.y[np.argmin(fit.x)])


def dry_pieces(
    weighings: pd.DataFrame,
    *,
    remaining_share: float | None = 0.1,
    loss_g_per_h: float | None = None,
    curve: CurveModel = PAGE,
    resolution_g: float | None = None,
    level: float = 0.95,
    fitted: Mapping[tuple[Hashable, Hashable], PieceDrying] | None = None,
) -> DriedPieces:
    """Fit every weighed piece and read off when it was dry.

    "Dry" is either `remaining_share` of the moisture left, or, if given, less than `loss_g_per_h`
    grams lost an hour. All pieces are read off the same curve, so that no difference between curves is
    taken for one between pieces.

    Parameters
    ----------
    weighings : DataFrame
        Columns run, piece, hours, mass_g; rows that are left out must be gone already.
    remaining_share, loss_g_per_h : float
    curve : EXPONENTIAL or PAGE
    resolution_g : float, optional
        Step of the scale; by default as all the weighings together show it.
    level : float
        Of the intervals.
    fitted : mapping of (run, piece) to PieceDrying, optional
        Fits made before from the same weighings, to read another time off them.

    Returns
    -------
    DriedPieces
        A piece that cannot be answered for has nan and the reason in `note`; it stops none of the others.

    Raises
    ------
    CannotAnswer
        There are no weighings, or no piece gave a dry time.
    ValueError
        Missing values.

    Examples
    --------
    >>> weighings = pd.DataFrame(
    ...     {"run": "A", "piece": 1, "hours": [0, 1, 2, 4, 8, 16, 30],
    ...      "mass_g": [86.12, 85.24, 84.7, 84.3, 84.13, 84.1, 84.1]}
    ... )
    >>> dry_pieces(weighings).table[["run", "piece", "hours", "low", "high"]].round(1)
      run  piece  hours  low  high
    0   A      1    3.8  3.4   4.3
    """
    used = weighings[["run", "piece", "hours", "mass_g"]]
    if used.isna().any().any():
        raise ValueError("weighings have missing values")
    if not len(used):
        raise CannotAnswer("There are no weighings.", "Weigh a piece of each batch as it dries.")
    step = scale_step(used["mass_g"]) if resolution_g is None else resolution_g
    rows: list[dict[str, object]] = []
    pieces: dict[tuple[Hashable, Hashable], PieceDrying] = {}
    asked = ""
    for (run, piece), part in used.groupby(["run", "piece"], sort=False, observed=True):
        row: dict[str, object] = {"run": run, "piece": piece, "weighings": len(part), "curve": curve.name}
        try:
            found = (fitted or {}).get((run, piece)) or fit_piece(
                part["hours"], part["mass_g"], curve=curve, resolution_g=step
            )
            pieces[run, piece] = found
            row |= {"favoured": found.comparison.best.model.name, "left_at_end": found.left_at_end}
            row |= {name: found.fit.parameters.get(name, 1.0) for name in _NUMBERS}
            row |= {"converged": True, "note": " ".join(found.notes)}
            time = _time(found, remaining_share, loss_g_per_h, level)
            asked = time.asked
            row |= {
                "hours": time.hours,
                "low": time.low,
                "high": time.high,
                "extrapolated": time.extrapolated,
            }
        except CannotAnswer as problem:
            row["note"] = str(problem)
        rows.append(row)
    columns = [
        "run",
        "piece",
        "weighings",
        "curve",
        "favoured",
        *_NUMBERS,
        "left_at_end",
        "hours",
        "low",
        "high",
    ]
    table = pd.DataFrame(rows).reindex(columns=[*columns, "extrapolated", "converged", "note"])
    for name in ("extrapolated", "converged"):
        table[name] = table[name].eq(True)
    numbers = [*_NUMBERS, "left_at_end", "hours", "low", "high"]
    table[numbers] = table[numbers].astype(float)
    table["favoured"] = table["favoured"].fillna("")
    if table["hours"].isna().all():
        raise CannotAnswer(
            f"None of the {len(table)} weighed pieces gave a dry time. The first: {table['note'].iloc[0]}",
            "Weigh for longer, and more often in the first hours.",
        )
    return DriedPieces(table, pieces, used.copy(), asked, level)


def _time(found: PieceDrying, share: float | None, loss: float | None, level: float) -> DryingTime:
    if loss is not None:
        return time_to_constant(found.fit, loss, level)
    if share is None:
        raise ValueError("give either remaining_share or loss_g_per_h")
    return time_to_share(found.fit, share, level)


def batch_dry_times(pieces: pd.DataFrame) -> pd.DataFrame:
    """Average the log dry times of each batch's weighed pieces.

    Parameters
    ----------
    pieces : DataFrame
        Columns run, hours (nan where a piece gave none), extrapolated; from `DriedPieces.table`.

    Returns
    -------
    DataFrame
        Indexed by run: hours (geometric mean), log_hours, pieces (that gave a time), without (that gave
        none), extrapolated (how many of the times lie after the last weighing), note. A batch none of
        whose pieces gave a time has nan.

    Examples
    --------
    >>> table = pd.DataFrame({"run": ["A", "A", "B"], "hours": [4.0, 9.0, 5.0], "extrapolated": False})
    >>> batch_dry_times(table)[["hours", "pieces"]].round(6)
         hours  pieces
    run
    A      6.0       2
    B      5.0       1
    """
    logs = pieces.assign(log_hours=np.log(pieces["hours"]), missing=pieces["hours"].isna())
    groups = logs.groupby("run", sort=False, observed=True)
    out = groups.agg(
        log_hours=("log_hours", "mean"),
        pieces=("log_hours", "count"),
        without=("missing", "sum"),
        extrapolated=("extrapolated", "sum"),
    )
    out.insert(0, "hours", np.exp(out["log_hours"]))
    out["note"] = [
        f"{missing} of {seen + missing} weighed pieces gave no dry time; if they were the slow ones, the "
        "batch looks faster than it was."
        if missing and seen
        else ""
        for seen, missing in zip(out["pieces"], out["without"], strict=True)
    ]
    return out


def regress_dry_time(
    batch_times: pd.DataFrame,
    batches: pd.DataFrame,
    terms: Sequence[Term],
    day_effect: bool | Literal["auto"] = "auto",
    level: float = 0.95,
) -> DryTimeFit:
    """Regress batches' log dry times on factors, amounts and the air.

    Where every batch has a day to itself this is ordinary least squares with t on batches - parameters
    degrees of freedom. Where days hold several batches, days are a random effect: a factor that
    changes within days is judged against batches of the same day, one that changes only from day to day (as
    room air mostly does) against days. The two-way split and its degrees of freedom are those of
    `fit_dry_time`, which takes the times as exactly known.

    Parameters
    ----------
    batch_times : DataFrame
        Indexed by run with a column hours; from `batch_dry_times`. Batches without a time are passed over,
        and named in `notes`.
    batches : DataFrame
        Indexed by run, with a column for each term, and `day` for a day effect.
    terms : sequence of Category or Amount
    day_effect : bool or "auto"
        "auto": if `batches` has a column `day` and some day has more than one batch.
    level : float
        Of the intervals.

    Returns
    -------
    DryTimeFit
        `estimates` with ratios of dry times; `joint_test(term)` for a factor of several levels.

    Raises
    ------
    CannotAnswer
        No batch with a time, too few batches or days, or terms that cannot be told apart.
    ValueError
        A run that `batches` lacks, or a missing term or value.

    Examples
    --------
    >>> from fizzlab.models.terms import Category
    >>> times = pd.DataFrame({"hours": [4.0, 5.9, 4.2, 6.2, 3.9, 6.0]}, index=list("ABCDEF"))
    >>> batches = pd.DataFrame({"colour": ["dye", "lake"] * 3}, index=list("ABCDEF"))
    >>> result = regress_dry_time(times, batches, [Category("colour", ("dye", "lake"), "dye")])
    >>> result.estimates.loc["colour[lake]", ["ratio", "df"]].astype(float).round(2).tolist()
    [1.5, 4.0]
    """
    known = batch_times["hours"].dropna()
    if not len(known):
        raise CannotAnswer("No batch has a dry time.", "Weigh pieces of each batch until their mass settles.")
    exact = pd.DataFrame(
        {"run": known.index, "piece": 1, "lower": known.to_numpy(float), "upper": known.to_numpy(float)}
    )
    found = fit_dry_time(exact, batches, terms, day_effect=day_effect, level=level)
    # that each batch enters once is how it is meant here, not a doubt
    notes = [note for note in found.notes if "one piece" not in note]
    missing = [str(run) for run in batch_times.index[batch_times["hours"].isna()]]
    if missing:
        notes.append(f"No dry time, and so not counted: batch {', '.join(missing)}.")
    if "note" in batch_times:
        notes += [f"Batch {run}: {note}" for run, note in batch_times["note"].items() if note]
    return replace(found, notes=tuple(notes))
