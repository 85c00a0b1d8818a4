"""The crumbling part of a report in sentences: plain words first, then the number with interval and unit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite

import pandas as pd

from fizzlab.crumble import (
    BrokenFit,
    CrumbleStudy,
    DropFit,
    DropStudy,
    Effect,
    Heights,
    Known,
    ScoreFit,
    ScoreStudy,
    TumbleFit,
    TumbleStudy,
)
from fizzlab.cure import level_name
from fizzlab.findings import Finding
from fizzlab.problems import CannotAnswer
from fizzlab.terms import Amount, Category, Term
from fizzlab.wording.numbers import count, interval, listed, number, percent, ratio, ratio_interval

Label = Callable[[str], str]


@dataclass(frozen=True)
class Measure:
    """How one measure of crumbling is spoken of.

    Parameters
    ----------
    topic : str
        Begins the findings' names.
    what : str
        After "No difference in ...".
    unit : str
    more, less : str
        What pieces did where the number is greater than 1, and less.
    times : str
        After the number: "1.5 times as much".
    """

    topic: str
    what: str
    unit: str
    more: str
    less: str
    times: str


LOSS = Measure("crumble.loss", "tumble loss", "ratio of losses", "lost more", "lost less", "times as much")
LOSS_ODDS = Measure(
    "crumble.loss", "tumble loss", "odds ratio", "lost more", "lost less", "times the odds of a crumb leaving"
)
BROKEN = Measure(
    "crumble.broken",
    "how often pieces break in the tumble",
    "odds ratio",
    "broke more often",
    "broke less often",
    "times the odds",
)
HEIGHT = Measure(
    "crumble.drop",
    "breaking height",
    "ratio of heights",
    "broke from higher up",
    "broke from lower down",
    "times as high",
)
SCORE = Measure(
    "crumble.score",
    "scores",
    "odds ratio",
    "scored worse",
    "scored better",
    "times the odds of a worse score",
)


@dataclass(frozen=True)
class Comparison:
    """One level against its control, or the most of an amount against the least.

    Parameters
    ----------
    measure : Measure
    term : Category or Amount
    level, control : str
        The two that are compared, as they are shown.
    low, high, estimate : float
    finding : Finding
    """

    measure: Measure
    term: Term
    level: str
    control: str
    estimate: float
    low: float
    high: float
    finding: Finding

    @property
    def shown(self) -> bool:
        """Does the interval leave 1 (or 0 cm) out?"""
        null = 0.0 if self.finding.unit == "cm" else 1.0
        return self.low > null or self.high < null


def comparisons(study: CrumbleStudy, label: Label) -> list[Comparison]:
    """Every comparison of levels and amounts that could be made, with its finding."""
    found: list[Comparison] = []
    if isinstance(study.tumbles, TumbleStudy):
        known, fit = study.tumbles.known, study.tumbles.fit
        if isinstance(fit, TumbleFit):
            measure = LOSS if fit.scale == "log" else LOSS_ODDS
            found += _compare(measure, known, fit.effects, fit.level, label)
        if isinstance(study.tumbles.broken, BrokenFit):
            broken = study.tumbles.broken
            found += _compare(BROKEN, known, broken.effects, broken.level, label)
    if study.drops is not None and isinstance(study.drops.fit, DropFit):
        drop = study.drops.fit
        found += _compare(HEIGHT, study.drops.known, drop.effects, drop.level, label)
    if study.scores is not None and isinstance(study.scores.fit, ScoreFit):
        scored = study.scores.fit
        found += _compare(SCORE, study.scores.known, scored.effects, scored.level, label)
    return found


def _compare(
    measure: Measure, known: Known, effects: Sequence[Effect], level: float, label: Label
) -> list[Comparison]:
    by_name = {effect.name: effect for effect in effects}
    found = []
    for term in known.terms:
        if isinstance(term, Category):
            for name in term.levels:
                effect = by_name.get(f"{term.name}[{name}]")
                if name != term.control and effect is not None:
                    found.append(_one(measure, known, term, effect, name, term.control, 1.0, level, label))
        elif term.columns()[0] in by_name:
            least, most = known.span(term)
            ends = level_name(term, most), level_name(term, least)
            effect = by_name[term.columns()[0]]
            found.append(_one(measure, known, term, effect, *ends, most - least, level, label))
    return found


def _one(
    measure: Measure,
    known: Known,
    term: Term,
    effect: Effect,
    name: str,
    control: str,
    span: float,
    level: float,
    label: Label,
) -> Comparison:
    """A comparison over `span` units of the effect: a power of a ratio, a multiple of a difference."""
    apart = effect.kind == "difference"
    values = (effect.estimate, effect.low, effect.high)
    estimate, low, high = (value * span if apart else value**span for value in values)
    null = 0.0 if apart else 1.0
    size = (
        f"{number(abs(estimate))} cm {'higher' if estimate > 0 else 'lower'} {_cm_interval(low, high, level)}"
        if apart
        else f"{ratio(estimate)} {measure.times} {_ratios(low, high, level)}"
    )
    if low > null or high < null:
        way = measure.more if estimate > null else measure.less
        who = (
            f"Pieces with {name} {way} than those with {control}"
            if isinstance(term, Category)
            else f"With more {label(term.name)}, from {control} to {name}, pieces {way}"
        )
        sentence = f"{who}: {size}."
    else:
        between = (
            f"between {name} and {control}"
            if isinstance(term, Category)
            else f"from {control} to {name} of {label(term.name)}"
        )
        sentence = (
            f"No difference in {measure.what} could be shown {between}: {size.split(' (')[0]}, but anything in "
            f"between fits the readings ({size.split(' (', 1)[1]}."
        )
    column = f"{term.name}[{name}]" if isinstance(term, Category) else term.name
    finding = Finding(
        f"{measure.topic}.{column}",
        sentence,
        estimate,
        _finite(low),
        _finite(high),
        "cm" if apart else measure.unit,
        level,
        df=effect.df,
        batches=len(known.batches),
    )
    return Comparison(measure, term, name, control, estimate, low, high, finding)


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None


def _ratios(low: float, high: float, level: float) -> str:
    """An interval of a ratio; an end that the readings leave open is said to be."""
    if isfinite(high) and low > 0:
        return ratio_interval(low, high, level)
    if isfinite(high):
        return f"({percent(level)} interval up to {ratio(high)}, with no lower end)"
    if low > 0:
        return f"({percent(level)} interval from {ratio(low)} up, with no upper end)"
    return f"({percent(level)} interval without ends)"


def _cm_interval(low: float, high: float, level: float) -> str:
    return f"({percent(level)} interval {_spot(low)} to {_spot(high)} cm)"


def _spot(value: float) -> str:
    return number(value) if isfinite(value) else "no end"


def answer_findings(found: Sequence[Comparison], label: Label) -> list[Finding]:
    """What was shown in one sentence, and what could not be shown in another; at most two."""
    said = []
    shown = [each for each in found if each.shown]
    if shown:
        sentence = f"Crumbling: {_grouped(shown, label, True)}."
        said.append(Finding("crumble.answer.shown", sentence, batches=_most_batches(shown)))
    unclear = [each for each in found if not each.shown]
    if unclear:
        lead = "Crumbling: no" if not shown else "No"
        sentence = f"{lead} difference could be shown {_grouped(unclear, label, False)}."
        said.append(Finding("crumble.answer.open", sentence, batches=_most_batches(unclear)))
    return said


def _most_batches(found: Sequence[Comparison]) -> int:
    return max(each.finding.batches for each in found)


def _grouped(found: Sequence[Comparison], label: Label, shown: bool) -> str:
    """Comparisons of the same two levels told together."""
    groups: dict[tuple[str, str, str], list[Comparison]] = {}
    for each in found:
        groups.setdefault((each.term.name, each.level, each.control), []).append(each)
    parts = []
    for (_, level, control), same in groups.items():
        term = same[0].term
        if shown:
            told = [
                f"{each.measure.more if each.estimate > (0 if each.finding.unit == 'cm' else 1) else each.measure.less}"
                f" ({_short(each)})"
                for each in same
            ]
            who = (
                f"pieces with {level} {listed(told)} than those with {control}"
                if isinstance(term, Category)
                else f"with more {label(term.name)}, from {control} to {level}, pieces {listed(told)}"
            )
            parts.append(who)
        else:
            between = (
                f"between {level} and {control}"
                if isinstance(term, Category)
                else f"from {control} to {level} of {label(term.name)}"
            )
            parts.append(f"{between} in {listed([each.measure.what for each in same])}")
    return "; ".join(parts)


def _short(each: Comparison) -> str:
    if each.finding.unit == "cm":
        return f"{number(each.estimate)} cm"
    return f"{ratio(each.estimate)} {each.measure.times}"


def loss_findings(study: TumbleStudy) -> list[Finding]:
    """The loss at each level."""
    return [
        Finding(
            f"crumble.loss.level[{each.level or 'all'}]",
            f"Pieces{_with(each.level)} lose {number(each.loss_pct)} % of their mass in the tumble "
            f"{interval(each.low, each.high, '%')}.",
            each.loss_pct,
            each.low,
            each.high,
            "%",
            batches=each.batches,
        )
        for each in study.levels
    ]


def broken_findings(study: TumbleStudy) -> list[Finding]:
    """The share of broken pieces at each level."""
    found = []
    for level, share in study.shares.items():
        name = "" if len(study.known.levels) < 2 else level
        sentence = (
            f"{share.count} of {count(share.total, 'tumbled piece')}{_with(name)} broke: {percent(share.share)} "
            f"({percent(share.level)} interval {percent(share.wilson_low)} to {percent(share.wilson_high)}, "
            f"pieces of a batch counted as going together)."
        )
        found.append(
            Finding(
                f"crumble.broken.level[{name or 'all'}]",
                sentence,
                100 * share.share,
                100 * share.wilson_low,
                100 * share.wilson_high,
                "%",
                share.level,
                batches=share.batches,
            )
        )
    return found


def height_findings(study: DropStudy) -> list[Finding]:
    """The median breaking height, and the height that most pieces survive, at each level."""
    if not isinstance(study.fit, DropFit):
        return []
    found = []
    survive, level = study.fit.survive, study.fit.level
    for each in study.levels:
        beyond = (
            " One of these heights was not tried: it is the formula's guess." if each.beyond_tried else ""
        )
        sentence = (
            f"Half of the pieces{_with(each.level)} break in a fall from {number(each.median_cm)} cm "
            f"{_heights(each.median_low, each.median_high, level)}; {percent(survive)} survive one from "
            f"{number(each.survive_cm)} cm {_heights(each.survive_low, each.survive_high, level)}.{beyond}"
        )
        found.append(
            Finding(
                f"crumble.drop.median[{each.level or 'all'}]",
                sentence,
                each.median_cm,
                _finite(each.median_low),
                _finite(each.median_high),
                "cm",
                level,
                df=study.fit.df,
                batches=each.batches,
                beyond_tried=each.beyond_tried,
            )
        )
    return found


def _heights(low: float, high: float, level: float) -> str:
    if isfinite(high) and low > 0:
        return interval(low, high, "cm", level)
    if isfinite(high):
        return f"({percent(level)} interval up to {number(high)} cm; how low, the drops do not say)"
    if low > 0:
        return f"({percent(level)} interval from {number(low)} cm; how high, the drops do not say)"
    return "(how sure that is, the drops do not say)"


def score_findings(study: ScoreStudy) -> list[Finding]:
    """The score to be expected at each level, and how often each score comes up."""
    found = []
    for mean in study.means:
        chances = [each for each in study.chances if each.level == mean.level]
        shares = listed([f"{each.score} for {percent(each.chance)}" for each in chances])
        sentence = (
            f"Pieces{_with(mean.level)} are expected to score {_score(mean.mean)} on average (95 % interval "
            f"{_score(mean.low)} to {_score(mean.high)}; 0 holds whole, 4 falls to powder): {shares}."
        )
        found.append(
            Finding(
                f"crumble.score.level[{mean.level or 'all'}]",
                sentence,
                mean.mean,
                mean.low,
                mean.high,
                "points",
                batches=len(study.known.batches),
            )
        )
    return found


def _score(value: float) -> str:
    return f"{value:.1f}"


def _with(level: str) -> str:
    return f" with {level}" if level else ""


_AGREE = {
    "agree": "The raters mean the same by a score, well enough to rely on it",
    "roughly agree": "The raters mean roughly the same by a score: enough for a first conclusion, not for a fine one",
    "do not agree": "The raters do not mean the same by a score, so the scores here prove little",
    "cannot tell": "Whether the raters mean the same by a score cannot be told yet, so conclude from the scores with care",
}


def agreement_findings(study: ScoreStudy) -> list[Finding]:
    """Whether the raters agree, who runs high or low, and whom to go through the scale with."""
    agreement = study.agreement
    if agreement is None or isinstance(agreement, CannotAnswer):
        return []
    between = (
        f" {ratio_interval(agreement.low, agreement.high, agreement.level)}"
        if isfinite(agreement.low) and isfinite(agreement.high)
        else ""
    )
    sentence = (
        f"{_AGREE[agreement.verdict]}: {agreement.name} {ratio(agreement.estimate)}{between}, where 1 is perfect and 0 "
        f"is chance. Two raters gave a piece the same score in {percent(agreement.same)} of cases, and were at most "
        f"one apart in {percent(agreement.within_one)}."
    )
    found = [
        Finding(
            "crumble.agreement",
            sentence,
            agreement.estimate,
            _finite(agreement.low),
            _finite(agreement.high),
            "alpha",
            agreement.level,
            df=agreement.df,
            batches=agreement.batches,
        )
    ]
    return found + lean_findings(study)


def lean_findings(study: ScoreStudy) -> list[Finding]:
    """Who runs high or low; of two raters only how far they are apart."""
    leans = study.leans
    if len(leans) == 2:
        high, low = leans
        apart = f"{_score(abs(high.difference))} points {_points(high.low, high.high)}"
        sentence = (
            f"{high.rater} scores higher than {low.rater} on the same pieces, by {apart}; the scores alone cannot say "
            "which of the two is right."
            if high.runs == "high"
            else f"No lean of {high.rater} or {low.rater} could be shown: {apart} apart, but anything in between fits."
        )
        return [
            _lean("crumble.raters", sentence, high.difference, high.low, high.high, high.df, high.batches)
        ]
    found = []
    for each in leans:
        size = (
            f"{_score(abs(each.difference))} points {'above' if each.difference > 0 else 'below'} the others"
        )
        sentence = (
            f"No lean of {each.rater} could be shown: {size} on the same pieces {_points(each.low, each.high)}."
            if each.runs == "level"
            else f"{each.rater} runs {each.runs}: {size} on the same pieces {_points(each.low, each.high)}."
        )
        topic = f"crumble.raters[{each.rater}]"
        found.append(_lean(topic, sentence, each.difference, each.low, each.high, each.df, each.batches))
    return found


def _lean(
    topic: str, sentence: str, estimate: float, low: float, high: float, df: int, batches: int
) -> Finding:
    return Finding(
        topic, sentence, estimate, _finite(low), _finite(high), "points", df=float(df), batches=batches
    )


def _points(low: float, high: float) -> str:
    if not (isfinite(low) and isfinite(high)):
        return "(alike in every batch)"
    return f"(95 % interval {low:+.1f} to {high:+.1f})".replace("-", "−")


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
    said = list(study.known.notes)
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
    said = list(study.known.notes)
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
        rows.append(
            {
                "batch": str(run),
                "level": str(row["level"]),
                "tumbles": str(row["tumbles"]),
                "loss": f"{number(row['loss_pct'])} %"
                if not row["below_step"]
                else "less than the scale shows",
            }
        )
    table = pd.DataFrame(rows)
    return table if len(study.known.levels) > 1 else table.drop(columns="level")


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
            f"compared on the {'logarithm' if fit.scale == 'log' else 'log odds'} of that by least squares, with "
            f"{fit.df} degrees of freedom. Broken pieces are compared by logistic regression with Firth's penalty; the "
            "interval of a share is Wilson's, with the batch as the unit."
        )
    if study.drops is not None and isinstance(study.drops.fit, DropFit):
        drop = study.drops.fit
        said.append(
            f"{count(drop.drops, 'drop')} of {count(drop.batches, 'batch', 'batches')}, {drop.broke} broken: broken or "
            f"whole was regressed on the {'logarithm of the ' if drop.scale == 'log' else ''}height and the factors "
            "(probit with a random effect of the batch"
            f"{', with Jeffreys’ penalty' if drop.method == 'jeffreys' else ''}), which takes fixed heights and "
            f"up-and-down sequences alike. {percent(drop.batch_share)} of the variance of breaking heights lies between "
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


def _terms(study: CrumbleStudy) -> list[Term]:
    parts = [part for part in (study.tumbles, study.drops, study.scores) if part is not None]
    return [term for part in parts if not isinstance(part, CannotAnswer) for term in part.known.terms]


def level_heights(levels: Sequence[Heights]) -> str:
    """The estimates of a figure of drops, for who cannot see it."""
    return listed([f"{each.level or 'all batches'} {number(each.median_cm)} cm" for each in levels])
