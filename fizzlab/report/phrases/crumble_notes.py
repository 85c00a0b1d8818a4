"""What goes with the crumble findings: what to do next, doubts, tables with text cells, and the method."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import (
    CrumbleStudy,
    DropFit,
    DropStudy,
    ScoreFit,
    ScoreStudy,
    TumbleFit,
    TumbleStudy,
)
from fizzlab.models.terms import Amount, Term
from fizzlab.report.phrases.effects import whole_day_note
from fizzlab.report.phrases.numbers import count, listed, number, percent

Label = Callable[[str], str]


def next_steps(study: CrumbleStudy) -> list[str]:
    """What to do about the raters and the tests before the next batches."""
    steps = []
    if study.scores is not None:
        if len(study.scores.raters) == 1:
            steps.append(
                f"Only {study.scores.raters[0]} scored. Let a second person score the same pieces, without seeing "
                "the first scores: until then nobody knows what a score is worth."
            )
        if study.scores.retrain:
            steps.append(
                f"Go through the scale with {listed(list(study.scores.retrain))}, with a piece of every score from 0 "
                "to 4 on the table, and score a few pieces together before the next batches."
            )
        if isinstance(study.scores.agreement, CannotAnswer):
            steps.append(study.scores.agreement.would_help)
    for reason in _reasons(study):
        steps.append(reason.would_help)
    return list(dict.fromkeys(steps))


def _reasons(study: CrumbleStudy) -> list[CannotAnswer]:
    found: list[object] = [study.tumbles, study.index]
    if isinstance(study.tumbles, TumbleStudy):
        found += [study.tumbles.fit, study.tumbles.broken]
    found += [part.fit for part in (study.drops, study.scores) if part is not None]
    return [each for each in found if isinstance(each, CannotAnswer)]


def tumble_doubts(study: TumbleStudy) -> list[str]:
    """What to mind about the tumbles."""
    said = list(study.known.notes)
    if isinstance(study.fit, CannotAnswer):
        said.append(f"The tumble losses cannot be compared. {study.fit}")
    elif study.fit.below_step:
        held = [str(run) for run in study.fit.below_step]
        said.append(
            f"{'Batch' if len(held) == 1 else 'Batches'} {listed(held)} lost less than half a step of the scale "
            f"({number(study.fit.step_g, 1)} g); half a step stands in for it. {_step_matters(study.fit)}"
        )
    if isinstance(study.broken, CannotAnswer):
        said.append(f"How often levels break cannot be compared. {study.broken}")
    if study.broken is not None:
        said += [whole_day_note(name) for name in study.known.whole_day]
    return said


def _step_matters(fit: TumbleFit) -> str:
    """Does what stands in for an unseen loss decide anything?"""
    verdicts = {
        tuple((effect.low > 1) - (effect.high < 1) for effect in effects)
        for effects in (fit.effects, fit.if_less, fit.if_more)
    }
    if len(verdicts) == 1:
        return "With an eighth of a step, or a whole one, the verdicts stay as they are."
    return "The verdicts hang on that: a scale with a finer step, or a longer tumble, is needed."


def drop_doubts(study: DropStudy) -> list[str]:
    """What to mind about the drops."""
    said = [*study.known.notes, *(whole_day_note(name) for name in study.known.whole_day)]
    if isinstance(study.fit, CannotAnswer):
        return [*said, f"No breaking height can be given. {study.fit}"]
    if study.fit.separated:
        said.append(
            "Height tells broken from whole without a mistake, so how fast breaking sets in rests on the method's "
            "penalty; smaller steps between heights would show it."
        )
    if study.fit.repeated_pieces:
        many = study.fit.repeated_pieces
        said.append(
            f"{count(many, 'piece')} {'was' if many == 1 else 'were'} dropped more than once; an earlier fall may have "
            "weakened them."
        )
    return said


def score_doubts(study: ScoreStudy) -> list[str]:
    """What to mind about the scores."""
    said = [*study.known.notes, *(whole_day_note(name) for name in study.known.whole_day)]
    if isinstance(study.fit, CannotAnswer):
        said.append(f"The scores cannot be compared. {study.fit}")
    else:
        for test in study.fit.proportionality:
            if test.term != "rater" and test.p < 0.05:
                said.append(
                    f"{test.term.replace('_', ' ')} does not shift all scores alike (p {test.p:.3f}), so one odds ratio "
                    "does not tell the whole; go by the bars of each score."
                )
    if study.agreement is None:
        said.append(f"Only {study.raters[0]} scored, so it is not known whether another would score alike.")
    elif isinstance(study.agreement, CannotAnswer):
        said.append(f"Whether the raters agree cannot be told. {study.agreement}")
    return said


def loss_table(study: TumbleStudy) -> pd.DataFrame:
    """Losses and broken pieces, one row a batch, with text cells."""
    rows = []
    for run, row in study.losses.iterrows():
        cells = {"batch": str(run)}
        if len(study.known.levels) > 1:
            cells["level"] = str(row["level"])
        cells["loss"] = (
            "less than the scale shows" if row["below_step"] else f"{number(float(row['loss_pct']))} %"
        )
        cells["mean of"] = count(int(row["tumbles"]), "tumble")
        if study.shares:
            counted = row["pieces"] == row["pieces"]
            cells["broken"] = f"{int(row['broken'])} of {int(row['pieces'])}" if counted else "not counted"
        rows.append(cells)
    return pd.DataFrame(rows)


def height_table(study: DropStudy) -> pd.DataFrame:
    """Breaking heights by level, with text cells."""
    survive = percent(study.fit.survive) if isinstance(study.fit, DropFit) else ""
    return pd.DataFrame(
        [
            {
                "level": each.level or "all batches",
                "drops": str(each.drops),
                "broke": str(each.broke),
                "half break from": f"{number(each.median_cm)} cm",
                "95 % interval": _ends(each.median_low, each.median_high),
                f"{survive} survive from": f"{number(each.survive_cm)} cm",
                "95 % interval of that": _ends(each.survive_low, each.survive_high),
            }
            for each in study.levels
        ]
    )


def _ends(low: float, high: float) -> str:
    if not isfinite(high):
        return f"{number(low)} cm or more" if low > 0 else "not known"
    return f"{number(low)} to {number(high)} cm" if low > 0 else f"up to {number(high)} cm"


def chance_table(study: ScoreStudy) -> pd.DataFrame:
    """The chance of each score by level, with text cells."""
    rows = []
    for mean in study.means:
        row = {"level": mean.level or "all batches"}
        for each in study.chances:
            if each.level == mean.level:
                row[f"score {each.score}"] = (
                    f"{percent(each.chance)} ({percent(each.low)} to {percent(each.high)})"
                    if each.seen
                    else "never given"
                )
        rows.append(row)
    return pd.DataFrame(rows)


_PARTS = {"loss_pct": "tumble loss", "broken_pct": "broken pieces", "score": "score"}


def index_table(index: pd.DataFrame) -> pd.DataFrame:
    """The stated index and what each part gives to it, one row a batch, the best first."""
    ordered = index.sort_values("index", kind="stable")
    table = pd.DataFrame({"batch": [str(run) for run in ordered.index]})
    if ordered["level"].nunique() > 1:
        table["level"] = list(ordered["level"])
    for name, words in _PARTS.items():
        if name in ordered:
            table[f"from {words}"] = [f"{value:.2f}" for value in ordered[name]]
    table["index"] = [f"{value:.2f}" for value in ordered["index"]]
    if ordered["beyond"].any():
        table["past best or worst"] = ["yes" if beyond else "" for beyond in ordered["beyond"]]
    return table


def methods(study: CrumbleStudy, label: Label) -> str:
    """How it was worked out, as a paragraph of Markdown."""
    said = []
    if isinstance(study.tumbles, TumbleStudy) and isinstance(study.tumbles.fit, TumbleFit):
        fit = study.tumbles.fit
        said.append(
            f"{count(fit.tumbles, 'tumble')} of {count(fit.batches, 'batch', 'batches')}: the loss is what is missing "
            f"after the tumble in per cent of the mass before (the formula of the pharmacopoeias' test of tablets, whose "
            f"drum, load and limit a home tumbler does not share). Tumbles of a batch are averaged, and the batches "
            f"compared on the {'logarithm' if fit.scale == 'log' else 'log odds'} of that. {fit.analysis.structure.reason} "
            "Broken pieces are compared by logistic regression with Firth's penalty; the "
            "interval of a share is Wilson's, with the batch as the unit."
        )
    if study.drops is not None and isinstance(study.drops.fit, DropFit):
        drop = study.drops.fit
        said.append(
            f"{count(drop.drops, 'drop')} of {count(drop.batches, 'batch', 'batches')}, {drop.broke} broken: broken or "
            f"whole was regressed on the {'logarithm of the ' if drop.scale == 'log' else ''}height and the factors "
            "(probit with a random effect of the batch"
            f"{', with Jeffreys’ penalty' if drop.method == 'jeffreys' else ''}), which takes fixed heights and "
            f"up-and-down sequences alike. {_little(drop.batch_share)} of the variance of breaking heights lies between "
            "batches. Intervals follow the profile of the likelihood."
        )
    if study.scores is not None and isinstance(study.scores.fit, ScoreFit):
        scored = study.scores.fit
        said.append(
            f"{count(scored.scores, 'score')} of {count(scored.pieces, 'piece')} by {count(scored.raters, 'rater')}: "
            "proportional odds, with the rater as a factor and intervals that count batches, not pieces. Agreement is "
            "Krippendorff's alpha for ordered scores, its interval by leaving out one batch at a time; a rater's lean is "
            "the difference to the mean of the others on the same piece, averaged within batches."
        )
    amounts = [term.name for term in _terms(study) if isinstance(term, Amount)]
    if amounts and isinstance(study.grouped_by, Amount):
        said.append(
            f"The effect of {label(amounts[0])} is a straight line through all batches; what is said of one amount comes "
            "from a fit that leaves every amount to itself."
        )
    return " ".join(said)


def _little(share: float) -> str:
    return percent(share) if share >= 0.005 else "Next to nothing"


def _terms(study: CrumbleStudy) -> list[Term]:
    parts = [part for part in (study.tumbles, study.drops, study.scores) if part is not None]
    return [term for part in parts if not isinstance(part, CannotAnswer) for term in part.known.terms]
