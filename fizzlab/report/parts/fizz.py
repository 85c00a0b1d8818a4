"""Fizz: a trial in, the pieces that a notebook shows out.

Nothing is computed here that a study does not already hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.fizz.reached import GasFits
from fizzlab.models.fizz.release import Release
from fizzlab.models.fizz.study import Compared, FizzStudy, Reached, Stored, study_fizz, theory_of_recipe
from fizzlab.models.terms import grouping
from fizzlab.report.analysis import Analysed
from fizzlab.report.figures import fizz as drawn
from fizzlab.report.findings import Finding
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces
from fizzlab.report.phrases import count, listed, number, percent
from fizzlab.report.phrases import fizz as worded
from fizzlab.trial.folder import Trial
from fizzlab.trial.tables import TABLES

#: The tables that this part of a report reads.
FIZZ_TABLES = ("fizz_times", "fizz_curves", "shelf")

#: Said where fizz is read about: what can hurt.
SAFETY = (
    "Hot water scalds: measure it before a hand goes in. Oil from a piece makes a tub and the floor slippery.",
)


@dataclass(frozen=True)
class Fizzed:
    """What the fizz tables say, and what had to be assumed of the recipe."""

    study: FizzStudy
    assumed: list[str]


def fizzing(trial: Trial) -> Fizzed | None:
    """Analyse the fizz tables; None where there are none."""
    if not any(trial.has(name) for name in FIZZ_TABLES):
        return None
    wanted = trial.settings.fizz
    theory, assumed = _theory(trial) if trial.has("fizz_curves") else (None, [])
    study = study_fizz(
        trial.rows("runs"),
        trial.rows("fizz_times"),
        trial.rows("fizz_curves"),
        trial.rows("shelf"),
        trial.settings.terms(),
        at_water_c=wanted.bath_c,
        water_ml=wanted.water_ml,
        theory_g=theory,
        curve=wanted.curve,
        shelf_share=wanted.shelf_share,
    )
    return Fizzed(study, assumed)


def _theory(trial: Trial) -> tuple[dict[str, float] | float | CannotAnswer | None, list[str]]:
    """What a piece could give: as trial.toml says, or by the recipe."""
    if trial.settings.fizz.theory_g is not None:
        return trial.settings.fizz.theory_g, []
    recipe, written = trial.settings.made_recipe(), trial.settings.recipe
    if recipe is None or written is None:
        return None, []
    filled = written.filled()
    try:
        spans = theory_of_recipe(
            recipe,
            written.pieces,
            None if filled is None else filled.piece_g,
            trial.batches(),
            trial.settings.terms(),
        )
    except CannotAnswer as reason:
        return reason, []
    loose = [span for span in spans.values() if not span.is_exact]
    assumed = []
    if loose:
        low, high = min(span.low for span in loose), max(span.high for span in loose)
        assumed.append(
            f"Soda or acid is measured by volume in the recipe, so a piece could give anything from {number(low)} to "
            f"{number(high)} g of gas; the typical mass is used. Weigh both to know the share reached."
        )
    return {run: span.typical for run, span in spans.items()}, assumed


def fizz_readings(trial: Trial) -> Pieces:
    """How many pieces of how many batches each fizz table holds, and over which water."""
    lines = []
    for name in FIZZ_TABLES:
        if not trial.has(name):
            lines.append(f"{name}: none ({TABLES[name].meaning}).")
            continue
        rows = trial.rows(name)
        pieces = rows.groupby(["run", "piece"]).ngroups
        line = f"{name}: {count(pieces, 'piece')} of {count(rows['run'].nunique(), 'batch', 'batches')}"
        if "water_c" in rows:
            line += f", in water of {rows['water_c'].min():g} to {rows['water_c'].max():g} °C"
        lines.append(f"{line}.")
    return [Notes(lines)]


def fizz_answer(trial: Trial, fizzed: Fizzed | None, changed: Analysed | None = None) -> Pieces:
    """What the fizz tests say, in two sentences at most, unless `changed` told it."""
    if fizzed is None or (changed is not None and changed.effects):
        return []
    said = worded.summary(fizzed.study, trial.settings.label)
    return [Notes(said, "answer")] if said else []


def fizz(trial: Trial, fizzed: Fizzed | None, changed: Analysed | None = None) -> Pieces:
    """Fizz in full: by stopwatch, by weight, colour, storage, what to mind, and how it was worked out.

    What `changed` has told of the factors, by the fit that may judge it, is not told again.
    """
    if fizzed is None:
        return []
    study = fizzed.study
    told = frozenset() if changed is None else frozenset(changed.responses)
    pieces: Pieces = ["## Fizz"]
    pieces += _by_stopwatch(trial, study, "fizz_s" in told)
    pieces += _by_weight(trial, study, "half_out_s" in told)
    pieces += _colour(trial, study, "colour_s" in told)
    pieces += _shelf(trial, study)
    pieces.append(Notes([*worded.doubts(study), *fizzed.assumed, *SAFETY], "caution"))
    said = worded.methods(study, trial.settings.fizz.water_ml)
    return [*pieces, said] if said else pieces


def _by_stopwatch(trial: Trial, study: FizzStudy, told: bool) -> Pieces:
    lasting = study.lasting
    if not isinstance(lasting, Compared):
        return []
    label = trial.settings.label
    effects = _effects(lasting, worded.LASTING, label, told)
    typical = worded.typical_findings(lasting, worded.LASTING)
    figure = _times(trial, study, lasting, "fizz-by-water", "the fizz is over")
    if not effects:
        return [Findings(typical, "answer"), figure]
    return [Findings(effects, "answer"), figure, Findings(typical, "plain")]


def _effects(compared: Compared, speech: worded.Speech, label: worded.Label, told: bool) -> list[Finding]:
    """What the water does, and the factors where they were not told of before."""
    found = worded.effect_findings(compared, speech, label)
    return [each for each in found if each.topic.endswith(".water")] if told else found


def _by_weight(trial: Trial, study: FizzStudy, told: bool) -> Pieces:
    if not isinstance(study.curves, GasFits):
        return []
    pieces: Pieces = []
    if isinstance(study.reached, Reached):
        groups = study.reached.groups
        pieces += [Findings(worded.reached_findings(groups), "answer"), _reached(trial, study, study.reached)]
        if len(groups) > 1:
            pieces.append(
                Grid(
                    worded.reached_table(groups),
                    "Gas that came against the recipe",
                )
            )
    pieces += ["### How the gas comes", _curves(trial, study, study.curves)]
    if isinstance(study.half_out, Compared):
        found = worded.typical_findings(study.half_out, worded.HALF_OUT)
        if isinstance(study.nine_out, Compared):
            found.append(worded.nine_tenths(study.nine_out))
        found += _effects(study.half_out, worded.HALF_OUT, trial.settings.label, told)
        pieces.append(Findings(found, "plain"))
    pieces.append(Grid(worded.curve_table(study), "The weighed cups"))
    return pieces


def _colour(trial: Trial, study: FizzStudy, told: bool) -> Pieces:
    colour = study.colour
    if not isinstance(colour, Compared):
        return []
    found = _effects(colour, worded.COLOUR, trial.settings.label, told)
    found += worded.typical_findings(colour, worded.COLOUR)
    pieces: Pieces = ["### When colour shows", Findings(found, "plain")]
    if isinstance(study.seen, tuple):
        pieces.append(_release(trial, study, study.seen))
    return pieces


def _shelf(trial: Trial, study: FizzStudy) -> Pieces:
    stored = study.stored
    if not isinstance(stored, Stored):
        return []
    return [
        "### In storage",
        Findings(worded.shelf_findings(stored), "plain"),
        *([_storage(stored)] if stored.left["left"].notna().any() else []),
    ]


def _label(trial: Trial) -> str:
    factor = grouping(trial.settings.terms())
    return "" if factor is None else trial.settings.label(factor.name)


def _times(trial: Trial, study: FizzStudy, compared: Compared, name: str, waits_for: str) -> Picture:
    ends = [f"{row['level']} {worded.seconds(row['seconds'])}" for row in compared.typical.to_dict("records")]
    order = [level for level in study.order if level in set(compared.times["level"])]
    return Picture(
        name,
        drawn.fizz_by_water(
            compared.times, compared.line(), _label(trial), order, study.at_water_c, waits_for
        ),
        "Each mark is a piece; an arrow upwards was still going when the watching ended. Lines and bands (95 %): the "
        "typical piece of each level, thin where the water was not tried.",
        f"Seconds until {waits_for} against water temperature from {compared.fit.tried_c[0]:g} to "
        f"{compared.fit.tried_c[1]:g} °C. At {study.at_water_c:g} °C: {listed(ends)}.",
    )


def _curves(trial: Trial, study: FizzStudy, curves: GasFits) -> Picture:
    readings, lines = [], []
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        who = {"run": row["run"], "piece": row["piece"], "level": study.levels[row["run"]]}
        readings.append(fit.readings.assign(**who))
        grid = np.linspace(0, float(fit.readings["seconds"].max()), 60)
        lines.append(pd.DataFrame({"seconds": grid, "gas_g": fit.gas_at(grid)}).assign(**who))
    table = pd.concat(readings, ignore_index=True)
    order = [level for level in study.order if level in set(table["level"])]
    pieces = curves.pieces
    return Picture(
        "fizz-curves",
        drawn.gas_curves(
            table, pd.concat(lines, ignore_index=True), _label(trial), order, float(pieces["step_g"].max())
        ),
        "Above, the gas of each weighed piece with its curve; drying up and splashes are taken off. Below, what the "
        "curve leaves over; the grey band is one step of the scale.",
        f"Rising curves of the gas of {len(pieces)} pieces, levelling off at {number(float(pieces['gas_g'].min()))} to "
        f"{number(float(pieces['gas_g'].max()))} g; half is out after "
        f"{worded.seconds(float(pieces['t50_s'].min()))} to {worded.seconds(float(pieces['t50_s'].max()))}.",
    )


def _reached(trial: Trial, study: FizzStudy, reached: Reached) -> Picture:
    groups = pd.DataFrame(
        [
            {
                "group": each.group,
                "share": each.share,
                "low": each.share_low,
                "high": each.share_high,
                "if_none_stays": each.share_if_none_stays,
            }
            for each in reached.groups
        ]
    )
    said = [f"{row['group']} {percent(row['share'])}" for row in groups.to_dict("records")]
    return Picture(
        "gas-reached",
        drawn.gas_reached(groups, reached.batches, _label(trial), study.order),
        "Gas that came, with what the cup can hold dissolved, as a share of what the recipe could give. Filled mark and "
        "bar: mean of the batches and its 95 % interval; small strokes: the batches; open mark: if no gas at all stayed "
        "dissolved.",
        f"Share of the recipe's gas that came, against a line at 100 %: {listed(said)}.",
    )


def _release(trial: Trial, study: FizzStudy, seen: tuple[Release, ...]) -> Picture:
    steps = pd.concat([each.seen.assign(level=each.group) for each in seen], ignore_index=True)
    ends = [
        f"{each.group} after {worded.seconds(each.median_s)}"
        if np.isfinite(each.median_s)
        else f"{each.group} never"
        for each in seen
    ]
    unseen = sum(each.unseen for each in seen)
    return Picture(
        "colour-release",
        drawn.colour_release(steps, _label(trial), study.order),
        "Share of the pieces that have shown colour, as counted and at whatever water they had; the dashed line is half "
        f"of them. {f'{unseen} showed none while they were watched.' if unseen else ''}".strip(),
        f"Rising steps of the share of pieces that show colour. Half of them do: {listed(ends)}.",
    )


def _storage(stored: Stored) -> Picture:
    said = [
        f"{rate.storage} {percent(float(np.exp(-rate.per_week * stored.last_week)))}" for rate in stored.rates
    ]
    return Picture(
        "shelf-life",
        drawn.shelf_life(stored.left.dropna(), stored.lines(), stored.rates[0].share),
        f"Each mark is a piece against the fresh pieces of its batch; lines and bands (95 %) are the mean loss of the "
        f"batches. The dashed line is {percent(stored.rates[0].share)}.",
        f"Fizz left falls over {stored.last_week:g} weeks of storage; at the end: {listed(said)}.",
    )
