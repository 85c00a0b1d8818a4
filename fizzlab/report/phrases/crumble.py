"""The crumbling part of a report in sentences: plain words first, then the number with interval and unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import (
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
from fizzlab.models.terms import Category, Term, grouping, level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import count, interval, listed, number, percent, ratio, ratio_interval

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


#: Of more comparisons than this, the answer does not name each that showed nothing.
MOST_PAIRS = 3

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
class Pair:
    """What is compared: two levels, or `span` units of an amount.

    Parameters
    ----------
    term : Category or Amount
    level, control : str
        As they are shown.
    span : float
    told : mapping of str to str
        The number of each level in words, where it is known.
    label : str
        The plain words for the factor.
    """

    term: Term
    level: str
    control: str
    span: float
    told: Mapping[str, str]
    label: str

    @property
    def numbers(self) -> str:
        """The two numbers, or an empty text."""
        if self.level in self.told and self.control in self.told:
            return f"{self.told[self.level]} against {self.told[self.control]}"
        return ""

    @property
    def between(self) -> str:
        """The two in words."""
        if isinstance(self.term, Category):
            return f"between {self.level} and {self.control}"
        return f"from {self.control} to {self.level} of {self.label}"


@dataclass(frozen=True)
class Comparison:
    """One level against its control, or the most of an amount against the least.

    Parameters
    ----------
    measure : Measure
    pair : Pair
    estimate : float
    shown : bool
        Does the interval leave out "no difference"?
    greater : bool
        Is the estimate above that?
    finding : Finding
    """

    measure: Measure
    pair: Pair
    estimate: float
    shown: bool
    greater: bool
    finding: Finding


def comparisons(study: CrumbleStudy, label: Label) -> list[Comparison]:
    """Every comparison of levels and amounts that could be made, with its finding."""
    found: list[Comparison] = []
    if isinstance(study.tumbles, TumbleStudy):
        known, fit, broken = study.tumbles.known, study.tumbles.fit, study.tumbles.broken
        if isinstance(fit, TumbleFit):
            measure = LOSS if fit.scale == "log" else LOSS_ODDS
            told = {each.level: f"{number(each.loss_pct)} %" for each in study.tumbles.levels}
            found += _compare(measure, known, fit.effects, fit.level, told, label)
        if isinstance(broken, BrokenFit):
            told = {level: percent(share.share) for level, share in study.tumbles.shares.items()}
            found += _compare(BROKEN, known, broken.effects, broken.level, told, label)
    if study.drops is not None and isinstance(study.drops.fit, DropFit):
        drop = study.drops.fit
        told = {each.level: f"{number(each.median_cm)} cm" for each in study.drops.levels}
        found += _compare(HEIGHT, study.drops.known, drop.effects, drop.level, told, label)
    if study.scores is not None and isinstance(study.scores.fit, ScoreFit):
        scored = study.scores.fit
        told = {each.level: f"{_score(each.mean)} points" for each in study.scores.means}
        found += _compare(SCORE, study.scores.known, scored.effects, scored.level, told, label)
    return found


def _compare(
    measure: Measure,
    known: Known,
    effects: Sequence[Effect],
    level: float,
    told: Mapping[str, str],
    label: Label,
) -> list[Comparison]:
    """`told` has the number of each level that is drawn apart, in words."""
    by_name = {effect.name: effect for effect in effects}
    drawn = grouping(known.terms)
    found = []
    for term in known.terms:
        if term.name in known.whole_day and measure.topic != LOSS.topic:
            continue  # only losses are compared by days
        words = told if term == drawn else {}
        if isinstance(term, Category):
            for name in term.levels:
                effect = by_name.get(f"{term.name}[{name}]")
                if name != term.control and effect is not None:
                    pair = Pair(term, name, term.control, 1.0, words, label(term.name))
                    found.append(_one(measure, pair, effect, level, len(known.batches)))
        elif term.columns()[0] in by_name:
            least, most = known.span(term)
            ends = level_name(term, most), level_name(term, least)
            pair = Pair(term, *ends, most - least, words, label(term.name))
            found.append(_one(measure, pair, by_name[term.columns()[0]], level, len(known.batches)))
    return found


def _one(measure: Measure, pair: Pair, effect: Effect, level: float, batches: int) -> Comparison:
    """A comparison over `span` units of the effect: a power of a ratio, a multiple of a difference."""
    apart, span, term = effect.kind == "difference", pair.span, pair.term
    values = (effect.estimate, effect.low, effect.high)
    estimate, low, high = (value * span if apart else value**span for value in values)
    null = 0.0 if apart else 1.0
    if apart:
        size = f"{number(abs(estimate))} cm {'higher' if estimate > 0 else 'lower'}"
        ends = _cm_interval(low, high, level)
    else:
        size, ends = f"{ratio(estimate)} {measure.times}", _ratios(low, high, level)
    if pair.numbers:
        size = f"{pair.numbers}, {size}"
    if low > null or high < null:
        way = measure.more if estimate > null else measure.less
        who = (
            f"Pieces with {pair.level} {way} than those with {pair.control}"
            if isinstance(term, Category)
            else f"With more {pair.label}, from {pair.control} to {pair.level}, pieces {way}"
        )
        sentence = f"{who}: {size} {ends}."
    else:
        sentence = (
            f"No difference in {measure.what} could be shown {pair.between}: {size}, but the readings fit anything "
            f"in this interval {ends}."
        )
    column = f"{term.name}[{pair.level}]" if isinstance(term, Category) else term.name
    finding = Finding(
        f"{measure.topic}.{column}",
        sentence,
        estimate,
        _finite(low),
        _finite(high),
        "cm" if apart else measure.unit,
        level,
        df=effect.df,
        batches=batches,
    )
    return Comparison(measure, pair, estimate, low > null or high < null, estimate > null, finding)


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


def answer_findings(found: Sequence[Comparison]) -> list[Finding]:
    """What was shown in one sentence, and what could not be shown in another; at most two."""
    said = []
    shown = [each for each in found if each.shown]
    if shown:
        said.append(_answer("crumble.answer.shown", f"Crumbling: {_told_together(shown)}.", shown))
    unclear = [each for each in found if not each.shown]
    if unclear and len({each.pair.between for each in unclear}) > MOST_PAIRS:
        lead = "No other" if shown else "Crumbling: no"
        whats = listed(list(dict.fromkeys(each.measure.what for each in unclear)), "or")
        sentence = f"{lead} difference in {whats} could be shown; each is told below, with its interval."
        said.append(_answer("crumble.answer.open", sentence, unclear))
    elif unclear:
        lead = "No" if shown else "Crumbling: no"
        sentence = f"{lead} difference could be shown {_open_together(unclear)}."
        said.append(_answer("crumble.answer.open", sentence, unclear))
    return said


def _answer(topic: str, sentence: str, found: Sequence[Comparison]) -> Finding:
    return Finding(topic, sentence, batches=max(each.finding.batches for each in found))


def _told_together(found: Sequence[Comparison]) -> str:
    """What was shown, the comparisons of the same two levels together."""
    groups: dict[str, list[Comparison]] = {}
    for each in found:
        groups.setdefault(each.pair.between, []).append(each)
    parts = []
    for same in groups.values():
        pair = same[0].pair
        ways = [
            f"{each.measure.more if each.greater else each.measure.less} ({_short(each)})" for each in same
        ]
        parts.append(
            f"pieces with {pair.level} {listed(ways)} than those with {pair.control}"
            if isinstance(pair.term, Category)
            else f"with more {pair.label}, from {pair.control} to {pair.level}, pieces {listed(ways)}"
        )
    return "; ".join(parts)


def _open_together(found: Sequence[Comparison]) -> str:
    """What could not be shown, the levels with the same measures open together."""
    measures: dict[str, list[str]] = {}
    for each in found:
        measures.setdefault(each.pair.between, []).append(each.measure.what)
    groups: dict[str, list[str]] = {}
    for between, whats in measures.items():
        groups.setdefault(listed(whats, "or"), []).append(between)
    return "; nor ".join(f"in {whats} {listed(pairs, 'or')}" for whats, pairs in groups.items())


def _short(each: Comparison) -> str:
    if each.pair.numbers:
        return each.pair.numbers
    if each.finding.unit == "cm":
        return f"{number(abs(each.estimate))} cm"
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


def agreement_title(study: ScoreStudy) -> str:
    """How far the raters agree, in a few words for a figure."""
    agreement = study.agreement
    if agreement is None or isinstance(agreement, CannotAnswer):
        return ""
    ends = (
        f" ({ratio(agreement.low)} to {ratio(agreement.high)})"
        if isfinite(agreement.low) and isfinite(agreement.high)
        else ""
    )
    return f"Raters' agreement {ratio(agreement.estimate)}{ends}, of 1 at most"


def lean_findings(study: ScoreStudy) -> list[Finding]:
    """Who runs high or low; of two raters only how far they are apart."""
    leans = study.leans
    if len(leans) == 2:
        high, low = leans
        apart = f"{_lean_size(high.difference)} points {_points(high.low, high.high)}"
        sentence = (
            f"{high.rater} scores higher than {low.rater} on the same pieces, by {apart}; the scores alone cannot say "
            "which of the two is right."
            if high.runs == "high"
            else f"No lean of {high.rater} or {low.rater} could be shown: {apart} apart, and the readings fit anything in that interval."
        )
        return [
            _lean("crumble.raters", sentence, high.difference, high.low, high.high, high.df, high.batches)
        ]
    found = []
    for each in leans:
        size = (
            f"{_lean_size(each.difference)} points {'above' if each.difference > 0 else 'below'} the others"
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
    return f"(95 % interval {_signed(low)} to {_signed(high)})"


def _signed(value: float) -> str:
    return ("−" if value < 0 else "+") + _lean_size(value)


def _lean_size(value: float) -> str:
    """Points without a sign, to as many places as show on which side of none they lie."""
    size = abs(value)
    return f"{size:.1f}" if size >= 0.05 or size == 0 else number(size, 1)


def level_heights(levels: Sequence[Heights]) -> str:
    """The estimates of a figure of drops, for who cannot see it."""
    return listed([f"{each.level or 'all batches'} {number(each.median_cm)} cm" for each in levels])
