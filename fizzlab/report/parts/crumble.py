"""The crumbling part of a report: what each test adds to what every measure has."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from fizzlab.models.crumble import BROKEN, DROP, LOSS, CrumbleStudy, broken_shares, step_decides
from fizzlab.models.drops import DropFit, plot_drops
from fizzlab.models.effects import ResponseFit
from fizzlab.models.plotting import drawn_apart, house_style, new_figure
from fizzlab.models.raters import RaterAgreement
from fizzlab.models.terms import ALL, level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, by_levels
from fizzlab.report.figures.pieces import score_shares
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import count, listed, number, percent
from fizzlab.trial.folder import Trial

STUDY = "fizzlab.models.crumble:study_crumble"

#: Said where drops are shown: what can hurt.
DROP_SAFETY = (
    "Shards fly when a piece breaks, and its acid stings. Drop onto a tray at arm's length, with glasses on, and "
    "tumble with the lid on."
)

#: Of a measure: topic, label, unit, and a row a level: factor, level, estimate, interval, n_batches.
Levels = tuple[str, str, str, pd.DataFrame]

AGREE = {
    "agree": "The raters mean the same by a score",
    "roughly agree": "The raters mean roughly the same by a score: draw conclusions with care",
    "do not agree": "The raters do not mean the same by a score",
    "cannot tell": "Can't tell yet whether the raters mean the same by a score",
}


@standing
def crumble(done: Analysis) -> Pieces:
    """Crumbling in full; what the comparison and the typical values tell of it is not told again."""
    study, trial = done.studies.get(STUDY), done.trial
    if not isinstance(study, CrumbleStudy):
        return []
    scores, pieces = trial.rows("crumble_scores"), Pieces()
    if len(study.losses):
        pieces += _tumbles(done, study)
    if len(trial.rows("drops")):
        pieces += ["### Dropped", *_drops(trial, study)]
    if len(scores):
        pieces += ["### Scored by hand", *_scores(trial, study.agreement)]
    if len(study.index):
        caption = "The crumble index as trial.toml states it, 0 (holds) to 1 (crumbles), the best batch first"
        pieces += ["### One index", Grid(_index(study.index), caption)]
    steps = [reason.would_help for reason in study.refused.values()]
    if scores["rater"].nunique() == 1:
        steps.append("Let a second person score the same pieces, without seeing the first scores.")
    if study.agreement is not None and study.agreement.retrain:
        who = listed(study.agreement.retrain)
        steps.append(f"Go through the scale with {who}, a piece of every score from 0 to 4 on the table.")
    refused = [reason.why for reason in study.refused.values()]
    if not trial.settings.terms():  # else told with what changed
        refused += [str(reason) for reason in study.reasons.values()]
    if not pieces and not refused:
        return []
    return [Notes(steps, "next") if steps else None, caution(refused), *pieces]


def more_levels(done: Analysis) -> dict[str, Levels]:
    """Typical values that no fit gives so: the share of broken pieces, the height that most pieces survive."""
    study, survive, found = done.studies.get(STUDY), done.trial.settings.crumble.survive, dict[str, Levels]()
    if isinstance(study, CrumbleStudy) and BROKEN in study.numbers:
        counts, batches = study.losses.dropna(subset="broken"), done.trial.batches()
        named = {t.name: batches[t.name].map(lambda value, t=t: level_name(t, value)) for t in done.terms}
        shares = [
            broken_shares(counts, each.loc[counts.index], _reach(done, name, batches, each))
            .rename_axis("level")
            .reset_index()
            .assign(factor=name)
            for name, each in (named or {"": pd.Series(ALL, batches.index)}).items()
        ]
        found[BROKEN] = ("crumble.broken.level", "broken pieces", "%", pd.concat(shares))
    fit = done.fits.get(DROP)
    if isinstance(fit, DropFit):
        table = by_levels(fit, 1 - survive).assign(df=fit.df)
        found["survive"] = ("crumble.drop.survive", f"{percent(survive)} survive a fall from", "cm", table)
    return found


def _reach(done: Analysis, factor: str, batches: pd.DataFrame, levels: pd.Series) -> pd.Series | None:
    """How far the interval of broken pieces reaches at each level of a factor, or of all batches."""
    fit = done.fits.get(BROKEN)
    if fit is None:
        return None
    made = batches[[factor]].drop_duplicates() if factor else batches.iloc[:1, :0]
    rows = fit.predict(made)
    return pd.Series(((rows["conf_high"] - rows["conf_low"]) / 2).to_numpy(), levels.loc[made.index])


def _tumbles(done: Analysis, study: CrumbleStudy) -> Pieces:
    """The loss of each batch, and what the scale cannot show."""
    losses, below, fit = study.losses, study.losses["below_step"], done.fits.get(LOSS)
    batches, doubts = done.trial.batches().loc[losses.index], list[str]()
    if below.any() and isinstance(fit, ResponseFit):
        matters = "An eighth of a step, or a whole one, changes no answer."
        if step_decides(fit, losses):
            matters = "Some answers hang on that: use a scale with a finer step, or tumble longer."
        who = f"{'Batch' if below.sum() == 1 else 'Batches'} {listed([str(run) for run in losses.index[below]])}"
        doubts.append(f"{who} lost less than the scale can show; half a step stands in. {matters}")
    label = done.trial.settings.label
    made = {label(t.name): [level_name(t, value) for value in batches[t.name]] for t in done.terms}
    table = pd.DataFrame(made, batches.index)
    table["loss"] = losses["loss_pct"].map(lambda loss: f"{number(loss)} %").mask(below, "under half a step")
    table["tumbles"] = losses["tumbles"].astype(str)
    if BROKEN in study.numbers:
        counts = losses[["broken", "pieces"]].dropna().astype(int).astype(str)
        many = counts["broken"] + " of " + counts["pieces"]
        table["broken"] = many.reindex(table.index).fillna("not counted")
    return [
        caution(doubts),
        Grid(table.rename_axis("batch").reset_index(), "The loss of each batch", method=True),
    ]


def _drops(trial: Trial, study: CrumbleStudy) -> Pieces:
    """Every drop, and what to mind."""
    drops, fit, doubts = trial.rows("drops"), study.fits.get(DROP), [DROP_SAFETY]
    with house_style():
        figure, axes = new_figure(height=4.0)
        if isinstance(fit, DropFit):
            fit.plot(axes, survive=trial.settings.crumble.survive)
            if fit.separated:
                doubts.append("Height tells broken from whole without a mistake: use smaller steps.")
            if fit.repeated:
                many = count(fit.repeated, "piece")
                doubts.append(f"{many} fell more than once; an earlier fall may have weakened them.")
        else:
            plot_drops(drops, _labels(trial, drops), ax=axes)
    band = "95 % interval of the height at which half break; it may go on past the frame"
    alt = f"{len(drops)} drops by height, {int(drops['broke'].sum())} of them broke."
    return [Picture("drop-sequence", figure, f"Every drop in order. Band: {band}.", alt), caution(doubts)]


def _scores(trial: Trial, agreement: RaterAgreement | None) -> Pieces:
    """How far the raters agree, and the shares of the scores."""
    scores = trial.rows("crumble_scores")
    labels = _labels(trial, scores)
    below = " Below: how far each rater scores off the others, with 95 % intervals." if agreement else ""
    return [
        Findings(_agreement(agreement), "plain") if agreement else None,
        Picture(
            "score-bars",
            score_shares(scores, labels, agreement),
            f"The share of the scores, 0 (holds whole) to 4 (falls to powder).{below}",
            f"Stacked bars of the scores 0 to 4 by {listed(list(labels.cat.categories))}.",
        ),
    ]


def _labels(trial: Trial, readings: pd.DataFrame) -> pd.Series:
    """What each batch that has readings is drawn with."""
    batches = trial.batches()
    return drawn_apart(batches[batches.index.isin(readings["run"])], trial.settings.terms())[0]


def _agreement(agreement: RaterAgreement) -> list[Finding]:
    """How far the raters agree, and who runs high or low; of two raters only how far they are apart."""
    low, high = agreement.conf_low, agreement.conf_high
    ends = f" ({low:.2f} to {high:.2f})" if pd.notna(low) else ""
    said = f"{AGREE[agreement.verdict]}: alpha {agreement.alpha:.2f}{ends}, of 1 at most. Two raters gave a piece the "
    said += f"same score in {percent(agreement.same)} of cases."
    row: dict[str, Any] = {"estimate": agreement.alpha, "conf_low": low, "conf_high": high}
    more = {"df": agreement.df, "batches": agreement.n_batches}
    found = [words.numbers_of("crumble.agreement", said, row, "alpha", **more)]
    leans = agreement.table.rename(columns={"difference": "estimate"}).to_dict("records")
    two = len(leans) == 2
    for lean in leans[:1] if two else leans:
        rater, others = lean["rater"], leans[1]["rater"] if two else "the others"
        topic = "crumble.raters" if two else f"crumble.raters[{rater}]"
        more = {"df": lean["df"], "batches": int(lean["n_batches"])}
        found.append(words.numbers_of(topic, _lean(lean, rater, others), lean, "points", **more))
    return found


def _lean(lean: Mapping[Any, Any], rater: str, others: str) -> str:
    """How far one rater scores off the others."""
    reach = "alike in every batch"
    if pd.notna(lean["conf_low"]):
        reach = f"{words.signed(lean['conf_low'])} to {words.signed(lean['conf_high'])}"
    size = f"{number(abs(lean['estimate']))} points {'above' if lean['estimate'] > 0 else 'below'}"
    if lean["runs"] == "level":
        return f"Can't tell whether {rater} scores unlike {others}: {size} ({reach})."
    return f"{rater} scores {size} {others} on the same pieces ({reach})."


def _index(index: pd.DataFrame) -> pd.DataFrame:
    """The stated index and what each part gives to it, one row a batch, the best first."""
    heads = {"loss_pct": "from tumble loss", "broken_pct": "from broken pieces", "score": "from score"}
    table = index.sort_values("index", kind="stable").drop(columns="beyond").map("{:.2f}".format)
    return table.rename(columns=heads).rename_axis("batch").reset_index()
