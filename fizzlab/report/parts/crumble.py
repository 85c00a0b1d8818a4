"""The crumbling part of a report: what each test adds to what every measure has."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from fizzlab.language import listed, say
from fizzlab.models.crumble import BROKEN, DROP, LOSS, CrumbleStudy, broken_shares, step_decides
from fizzlab.models.drops import DropFit, plot_drops
from fizzlab.models.effects import ResponseFit
from fizzlab.models.plotting import drawn_apart, house_style, new_figure
from fizzlab.models.raters import RaterAgreement
from fizzlab.models.terms import ALL, level_name
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, by_levels
from fizzlab.report.figures import score_shares
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import number, percent
from fizzlab.trial.folder import Trial

STUDY = "fizzlab.models.crumble:study_crumble"

#: Said where drops are shown: what can hurt.
DROP_SAFETY = "shards_fly"

#: Of a measure: topic, label, unit, and a row a level: factor, level, estimate, interval, n_batches.
Levels = tuple[str, str, str, pd.DataFrame]

AGREE = {
    "agree": "raters_mean",
    "roughly agree": "raters_mean_roughly",
    "do not agree": "raters_do",
    "cannot tell": "raters_cannot_tell",
}


@standing
def crumble(done: Analysis) -> Pieces:
    """Crumbling in full; what the comparison and the typical values tell of it is not told again."""
    study, trial = done.studies.get(STUDY), done.trial
    if not isinstance(study, CrumbleStudy):
        return []
    scores, pieces = trial.rows("crumble_scores"), _tumbles(done, study) if len(study.losses) else []
    if len(trial.rows("drops")):
        pieces += [say("title_dropped"), *_drops(trial, study)]
    if len(scores):
        pieces += [say("scored_hand"), *_scores(trial, study.agreement)]
    if len(study.index):
        pieces += [say("one_index"), Grid(_index(study.index), say("crumble_index"))]
    steps = [reason.would_help for reason in study.refused.values()]
    steps += [say("let_second")] if scores["rater"].nunique() == 1 else []
    if study.agreement is not None and study.agreement.retrain:
        steps.append(say("go_through", who=listed(study.agreement.retrain)))
    refused = [reason.why for reason in study.refused.values()]
    if not trial.settings.terms():  # else told with what changed
        refused += [str(reason) for reason in study.reasons.values()]
    if not pieces and not refused:
        return []
    return [Notes(steps, "next") if steps else None, caution(refused), *pieces]


def more_levels(done: Analysis) -> dict[str, Levels]:
    """Typical values that no fit gives so: the share of broken pieces, the height that most pieces survive."""
    study, survive, found = done.studies.get(STUDY), done.settings.crumble.survive, dict[str, Levels]()
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
        found[BROKEN] = ("crumble.broken.level", say("broken_pieces"), "%", pd.concat(shares))
    fit = done.fits.get(DROP)
    if isinstance(fit, DropFit):
        table = by_levels(fit, 1 - survive).assign(df=fit.df)
        label = say("survive_fall", survive=percent(survive))
        found["survive"] = ("crumble.drop.survive", label, "cm", table)
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
        matters = say("some_answers" if step_decides(fit, losses) else "eighth_step")
        runs = listed([str(run) for run in losses.index[below]])
        doubts.append(say("lost_less", n=int(below.sum()), runs=runs, matters=matters))
    label = done.settings.label
    made = {label(t.name): [level_name(t, value) for value in batches[t.name]] for t in done.terms}
    table = pd.DataFrame(made, batches.index)
    table["loss"] = losses["loss_pct"].map(lambda loss: f"{number(loss)} %").mask(below, say("under_half"))
    table["tumbles"] = losses["tumbles"].astype(str)
    if BROKEN in study.numbers:
        counts = losses[["broken", "pieces"]].dropna().astype(int).astype(str)
        many = counts.apply(lambda row: say("broken_of_pieces", **row), axis=1)
        table["broken"] = many.reindex(table.index).fillna(say("not_counted"))
    return [caution(doubts), Grid(table.rename_axis("batch").reset_index(), say("loss_each"), method=True)]


def _drops(trial: Trial, study: CrumbleStudy) -> Pieces:
    """Every drop, and what to mind."""
    drops, fit, doubts = trial.rows("drops"), study.fits.get(DROP), [say(DROP_SAFETY)]
    with house_style():
        figure, axes = new_figure(height=4.0)
        if isinstance(fit, DropFit):
            fit.plot(axes, survive=trial.settings.crumble.survive)
            if fit.separated:
                doubts.append(say("height_tells"))
            if fit.repeated:
                doubts.append(say("fell_more", many=say("n_pieces", n=fit.repeated)))
        else:
            plot_drops(drops, _labels(trial, drops), ax=axes)
    alt = say("drops_height", drops=len(drops), broke=int(drops["broke"].sum()))
    return [Picture("drop-sequence", figure, say("every_drop"), alt), caution(doubts)]


def _scores(trial: Trial, agreement: RaterAgreement | None) -> Pieces:
    """How far the raters agree, and the shares of the scores."""
    scores = trial.rows("crumble_scores")
    labels = _labels(trial, scores)
    seen = say("share_scores", below=say("below_how") if agreement else "")
    alt = say("stacked_bars", levels=listed(list(labels.cat.categories)))
    picture = Picture("score-bars", score_shares(scores, labels, agreement), seen, alt)
    return [Findings(_agreement(agreement), "plain"), picture] if agreement else [picture]


def _labels(trial: Trial, readings: pd.DataFrame) -> pd.Series:
    """What each batch that has readings is drawn with."""
    batches = trial.batches()
    return drawn_apart(batches[batches.index.isin(readings["run"])], trial.settings.terms())[0]


def _agreement(agreement: RaterAgreement) -> list[Finding]:
    """How far the raters agree, and who runs high or low; of two raters only how far they are apart."""
    low, high = agreement.conf_low, agreement.conf_high
    ends = say("alpha_from_to", low=low, high=high) if pd.notna(low) else ""
    told = {"how": say(AGREE[agreement.verdict]), "alpha": agreement.alpha, "same": percent(agreement.same)}
    row = {**vars(agreement), "estimate": agreement.alpha}
    found = [words.numbers_of("crumble.agreement", say("alpha_1_most", **told, ends=ends), row, "alpha")]
    leans = agreement.table.rename(columns={"difference": "estimate"}).to_dict("records")
    two = len(leans) == 2
    for lean in leans[:1] if two else leans:
        rater, others = lean["rater"], leans[1]["rater"] if two else say("other_raters")
        topic = "crumble.raters" if two else f"crumble.raters[{rater}]"
        found.append(words.numbers_of(topic, _lean(lean, rater, others), lean, "points"))
    return found


def _lean(lean: Mapping[Any, Any], rater: str, others: str) -> str:
    """How far one rater scores off the others."""
    reach = say("alike_every")
    if pd.notna(lean["conf_low"]):
        reach = say("from_to", low=words.signed(lean["conf_low"]), high=words.signed(lean["conf_high"]))
    size = say("points_above" if lean["estimate"] > 0 else "points_below", size=number(abs(lean["estimate"])))
    told = "cant_tell_whether" if lean["runs"] == "level" else "scores_on"
    return say(told, rater=rater, others=others, size=size, reach=reach)


def _index(index: pd.DataFrame) -> pd.DataFrame:
    """The stated index and what each part gives to it, one row a batch, the best first."""
    heads = {"loss_pct": "from tumble loss", "broken_pct": "from broken pieces", "score": "from score"}
    table = index.sort_values("index", kind="stable").drop(columns="beyond").map("{:.2f}".format)
    return table.rename(columns=heads).rename_axis("batch").reset_index()
