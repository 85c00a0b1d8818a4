"""The fizz part of a report in sentences: plain words first, then the number with interval and unit."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.models.fizz.durations import LEAST_SPREAD_C, Effect
from fizzlab.models.fizz.reached import GasFits, GasReached
from fizzlab.models.fizz.shelf import HOME_STORAGE, LossRate
from fizzlab.models.fizz.study import Compared, FizzStudy, Reached, Stored
from fizzlab.models.terms import ALL, Category, Term, level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.effects import whole_day_note
from fizzlab.report.phrases.numbers import (
    capital,
    count,
    duration,
    interval,
    listed,
    number,
    percent,
    ratio,
    ratio_interval,
)

Label = Callable[[str], str]

GUESS = "the formula's guess"


@dataclass(frozen=True)
class Speech:
    """How one kind of time is spoken of: ``{way}`` is longer or shorter, ``{who}`` the pieces."""

    topic: str
    noun: str
    thing: str
    did: str
    typically: str
    cannot: str


LASTING = Speech(
    "fizz_time",
    "how long pieces fizz",
    "the fizz",
    "fizzed {way}",
    "{who} typically fizz for",
    "How long pieces fizz cannot be compared.",
)
HALF_OUT = Speech(
    "gas_half",
    "the time until half the gas is out",
    "the way to half the gas",
    "took {way} to give off half their gas",
    "{who} have typically given off half their gas after",
    "How soon the gas comes cannot be compared.",
)
COLOUR = Speech(
    "colour_time",
    "the time until colour shows",
    "the wait for colour",
    "took {way} to show colour",
    "{who} typically show their first colour after",
    "When colour shows cannot be compared.",
)


def seconds(value: float) -> str:
    """A time span of a fizz test.

    Examples
    --------
    >>> seconds(4.52), seconds(142.6), seconds(431), seconds(20000)
    ('4.5 s', '143 s', '7.2 min', '5.6 h')
    """
    if value < 10:
        return f"{number(value)} s"
    if value < 300:
        return f"{value:.0f} s"
    return f"{number(value / 60)} min" if value < 7200 else duration(value / 3600)


def spans(low: float, high: float, last: str = "to") -> str:
    """Two time spans, the unit once where it is the same.

    Examples
    --------
    >>> spans(131.2, 154.8), spans(240, 431)
    ('131 to 155 s', '240 s to 7.2 min')
    """
    first, second = seconds(low), seconds(high)
    unit = second.split()[-1]
    return f"{first.removesuffix(' ' + unit)} {last} {second}"


def typical_findings(compared: Compared, speech: Speech) -> list[Finding]:
    """How long it typically takes at the common water temperature, one finding a level."""
    return [_typical_finding(compared, speech, row) for row in compared.typical.to_dict("records")]


def effect_findings(compared: Compared, speech: Speech, label: Label) -> list[Finding]:
    """Each level against its control, each amount, and the water."""
    found = []
    for term in compared.fit.terms:
        if term.name in compared.whole_day:
            continue
        if isinstance(term, Category):
            found += [
                _level_finding(compared, speech, term, level)
                for level in term.levels
                if level != term.control
            ]
        else:
            found.append(_amount_finding(compared, speech, term, label))
    return found + _water_findings(compared, speech)


def _typical_finding(compared: Compared, speech: Speech, row: Mapping[Hashable, object]) -> Finding:
    fit, level = compared.fit, str(row["level"])
    value, low, high, next_low, next_high = (
        float(str(row[key])) for key in ("seconds", "low", "high", "next_low", "next_high")
    )
    who = "pieces" if level == ALL else f"pieces with {level}"
    sentence = (
        f"In water of {fit.at_water_c:g} °C, {speech.typically.format(who=who)} {seconds(value)} "
        f"({percent(fit.level)} interval {spans(low, high)}); one piece of a further batch will "
        f"take between {spans(next_low, next_high, 'and')}."
    )
    beyond = bool(row["beyond_tried"])
    if beyond:
        sentence += f" Such water was not tried: this is {GUESS}."
    return Finding(
        f"{speech.topic}.typical[{level}]",
        sentence,
        value,
        low,
        high,
        "s",
        fit.level,
        df=float(str(row["df"])),
        batches=fit.batches,
        beyond_tried=beyond,
    )


def nine_tenths(compared: Compared) -> Finding:
    """When nine tenths of the gas are out, all levels in one sentence; the interval is the first level's."""
    fit, rows = compared.fit, compared.typical.to_dict("records")
    times = [
        f"{seconds(row['seconds'])}{'' if row['level'] == ALL else ' with ' + str(row['level'])} "
        f"({spans(row['low'], row['high'])})"
        for row in rows
    ]
    first = rows[0]
    return Finding(
        "gas_nine_tenths.typical",
        f"Nine tenths are out after {listed(times)}, with {percent(fit.level)} intervals.",
        float(first["seconds"]),
        float(first["low"]),
        float(first["high"]),
        "s",
        fit.level,
        df=float(first["df"]),
        batches=fit.batches,
        beyond_tried=fit.beyond_tried,
    )


def _way(value: float) -> str:
    return "longer" if value > 1 else "shorter"


def _ratio_finding(compared: Compared, topic: str, sentence: str, found: Effect) -> Finding:
    fit = compared.fit
    return Finding(
        topic,
        sentence,
        found.ratio,
        found.low,
        found.high,
        "ratio",
        fit.level,
        df=found.df,
        batches=fit.batches,
    )


def _level_finding(compared: Compared, speech: Speech, term: Category, level: str) -> Finding:
    name = f"{term.name}[{level}]"
    effect = next(each for each in compared.fit.effects if each.name == name)
    between = ratio_interval(effect.low, effect.high, compared.fit.level)
    if effect.low > 1 or effect.high < 1:
        sentence = (
            f"Pieces with {level} {speech.did.format(way=_way(effect.ratio))} than those with {term.control}: "
            f"{ratio(effect.ratio)} times as long {between}."
        )
    else:
        sentence = (
            f"No difference in {speech.noun} could be shown between {level} and {term.control}: "
            f"{ratio(effect.ratio)} times as long, but the readings fit anything in this interval {between}."
        )
    return _ratio_finding(compared, f"{speech.topic}.{name}", sentence, effect)


def _amount_finding(compared: Compared, speech: Speech, term: Term, label: Label) -> Finding:
    least, most = compared.tried[term.name]
    value, low, high, p, df = compared.change(term, least, most)
    effect = Effect(term.name, term.name, value, low, high, p, df)
    span = f"from {level_name(term, least)} to {level_name(term, most)}"
    between = ratio_interval(low, high, compared.fit.level)
    if low > 1 or high < 1:
        sentence = (
            f"More {label(term.name)}, {span}, made {speech.thing} {_way(value)}: {ratio(value)} times as long "
            f"{between}."
        )
    else:
        sentence = (
            f"No effect of the {label(term.name)} on {speech.noun} could be shown, {span}: {ratio(value)} times "
            f"as long, but the readings fit anything in this interval {between}."
        )
    return _ratio_finding(compared, f"{speech.topic}.{term.name}", sentence, effect)


def _water_findings(compared: Compared, speech: Speech) -> list[Finding]:
    fit, water = compared.fit, compared.fit.water
    if water is None:
        return []
    cold, warm = fit.at_water_c - 5, fit.at_water_c + 5
    between = ratio_interval(water.per_10c_low, water.per_10c_high, fit.level)
    step = f"from {cold:g} to {warm:g} °C"
    if water.per_10c_low > 1 or water.per_10c_high < 1:
        sentence = (
            f"Warmer water made {speech.thing} {_way(water.per_10c)}: 10 °C more, {step}, "
            f"{ratio(water.per_10c)} times as long {between}."
        )
    else:
        sentence = (
            f"An effect of the water's warmth on {speech.noun} could not be shown: 10 °C more, {step}, "
            f"{ratio(water.per_10c)} times as long, but the readings fit anything in this interval {between}."
        )
    beyond = cold < fit.tried_c[0] - 0.5 or warm > fit.tried_c[1] + 0.5
    if beyond:
        sentence += f" Only {fit.tried_c[0]:g} to {fit.tried_c[1]:g} °C were tried; past those it is {GUESS}."
    return [
        Finding(
            f"{speech.topic}.water",
            sentence,
            water.per_10c,
            water.per_10c_low,
            water.per_10c_high,
            "ratio",
            fit.level,
            df=water.df,
            batches=fit.batches,
            beyond_tried=beyond,
        )
    ]


def part(share: float) -> str:
    """A share as a person would say it.

    Examples
    --------
    >>> part(0.196), part(0.34), part(0.07), part(0.52)
    ('about a fifth', 'about a third', '7 %', 'about half')
    """
    name, nearest = min(_PARTS.items(), key=lambda each: abs(each[1] - share))
    return f"about {name}" if abs(nearest - share) <= 0.08 * nearest else percent(share)


_PARTS = {
    "a tenth": 0.1,
    "an eighth": 0.125,
    "a sixth": 1 / 6,
    "a fifth": 0.2,
    "a quarter": 0.25,
    "a third": 1 / 3,
    "two fifths": 0.4,
    "half": 0.5,
    "three fifths": 0.6,
    "two thirds": 2 / 3,
    "three quarters": 0.75,
}


def _spent(reached: GasReached) -> str:
    """The short form: how much was spent before the bath, with its interval."""
    between = f"({percent(reached.level)} interval {_percents(reached.spent_low, reached.spent_high)})"
    if reached.spent_low > 0:
        words = part(reached.spent)
        said = words if words == percent(reached.spent) else f"{words} ({percent(reached.spent)})"
        return f"{capital(said)} of the fizz was spent before the bath or never reacted {between}"
    if reached.spent_high < 0:
        return f"More gas came than the recipe could give: {percent(-reached.spent)} more {between}"
    return (
        f"No loss of fizz before the bath could be shown: {percent(reached.spent)}, but the readings fit anything "
        f"in this interval {between}"
    )


def _percents(low: float, high: float) -> str:
    return f"{low * 100:.0f} to {high * 100:.0f} %"


def reached_findings(reached: Sequence[GasReached]) -> list[Finding]:
    """The gas that came against the gas that the recipe could give, all batches together."""
    found = []
    for each in reached[:1]:
        sentence = (
            f"{_spent(each)}. The scale lost {number(each.gas_g)} g of gas a piece "
            f"{interval(each.gas_low, each.gas_high, 'g', each.level)}; the recipe could give "
            f"{number(each.theory_g)} g, of which the cup can hold {number(each.dissolved_g)} g dissolved. If none "
            f"of it stayed dissolved, {percent(1 - each.share_if_none_stays)} was spent."
        )
        if each.spent_high < 0:
            sentence += " Look at theory_g and water_ml in trial.toml, and for water lost from the cup."
        found.append(
            Finding(
                "gas_reached.spent",
                sentence,
                each.spent,
                each.spent_low,
                each.spent_high,
                "share",
                each.level,
                df=each.df,
                batches=each.batches,
            )
        )
    return found


def shelf_findings(stored: Stored) -> list[Finding]:
    """How fast fizz goes in each storage, and what humidity does to it."""
    found = [_loss_finding(rate) for rate in stored.rates]
    effect = stored.humidity
    if not isinstance(effect, CannotAnswer):
        between = f"({percent(effect.level)} interval {_points(effect.low)} to {_points(effect.high)} percentage points)"
        sentence = (
            f"Damper storage took more of the fizz: 10 % more humidity, {_points(effect.per_10_pct)} percentage "
            f"points more a week {between}."
            if effect.low > 0
            else f"Drier storage took more of the fizz: 10 % more humidity, {_points(-effect.per_10_pct)} percentage "
            f"points less a week {between}."
            if effect.high < 0
            else f"No effect of the storage's humidity could be shown: 10 % more humidity, "
            f"{_points(effect.per_10_pct)} percentage points more a week, but the readings fit anything in this interval "
            f"{between}."
        )
        found.append(
            Finding(
                "shelf.humidity",
                sentence,
                effect.per_10_pct,
                effect.low,
                effect.high,
                "1/week",
                effect.level,
                df=effect.df,
                batches=effect.batches,
            )
        )
    return found


def _points(per_week: float) -> str:
    return number(per_week * 100) if abs(per_week) >= 5e-5 else "0"


def _where(rate: LossRate) -> str:
    if rate.storage == "all":
        return "in storage"
    return f"at {rate.storage}" if "%" in rate.storage else "where no humidity was noted"


def _loss_finding(rate: LossRate) -> Finding:
    lost = [1 - float(np.exp(-k)) for k in (rate.per_week, rate.low, rate.high)]
    between = f"({percent(rate.level)} interval {_points(lost[1])} to {_points(lost[2])} %)"
    where = _where(rate)
    share = part(rate.share).removeprefix("about ") if rate.share != 0.9 else "nine tenths"
    if rate.low > 0:
        sentence = (
            f"Stored {where}, pieces lost {_points(lost[0])} % of their fizz a week {between}; {share} is left "
            f"after {_weeks(rate.weeks_to_share)} ({percent(rate.level)} interval {number(rate.weeks_low)} to "
            f"{number(rate.weeks_high)} weeks)."
        )
        if rate.beyond_tried:
            sentence += f" So long was not tried: this is {GUESS}."
    elif rate.high < 0:
        sentence = (
            f"Stored {where}, pieces seemed to gain fizz, {_points(-lost[0])} % a week {between}: look at how the "
            "fresh pieces were tried."
        )
    else:
        sentence = (
            f"A loss of fizz {where} could not be shown: {_points(lost[0])} % a week, but the readings fit anything "
            f"in this interval {between}; {share} may be left after {number(rate.weeks_low)} weeks or any longer time."
        )
    finite = np.isfinite([rate.weeks_to_share, rate.weeks_high])
    return Finding(
        f"shelf.weeks[{rate.storage}]",
        sentence,
        rate.weeks_to_share if finite[0] else None,
        rate.weeks_low if np.isfinite(rate.weeks_low) else None,
        rate.weeks_high if finite[1] else None,
        "weeks",
        rate.level,
        df=rate.df,
        batches=rate.batches,
        beyond_tried=rate.beyond_tried,
    )


def _weeks(value: float) -> str:
    return f"{number(value)} weeks" if np.isfinite(value) else "no time that can be named"


def summary(study: FizzStudy, label: Label) -> list[str]:
    """At most two sentences for the top of the report: the time first, then gas, colour or shelf."""
    said = []
    if isinstance(study.lasting, Compared):
        said.append(_times_in_short(study.lasting, LASTING, label))
    elif isinstance(study.half_out, Compared):
        said.append(_times_in_short(study.half_out, HALF_OUT, label))
    if isinstance(study.reached, Reached):
        said.append(f"{_spent(study.reached.groups[0])}.")
    if isinstance(study.colour, Compared):
        said.append(_times_in_short(study.colour, COLOUR, label))
    if isinstance(study.stored, Stored):
        said.append(_shelf_in_short(study.stored))
    return said[:2]


def _times_in_short(compared: Compared, speech: Speech, label: Label) -> str:
    fit = compared.fit
    rows = compared.typical.to_dict("records")
    guess = f" (not tried: {GUESS})" if fit.beyond_tried else ""
    start = f"In water of {fit.at_water_c:g} °C{guess}, {speech.typically.format(who='pieces')}"
    factor = compared.factor
    if factor is None:
        row = rows[0]
        said = f"{start} {seconds(row['seconds'])} ({percent(fit.level)} interval {spans(row['low'], row['high'])})"
        effects = [
            each for each in effect_findings(compared, speech, label) if not each.topic.endswith(".water")
        ]
        return (
            said + "".join(f"; {each.sentence[0].lower()}{each.sentence[1:-1]}" for each in effects[:1]) + "."
        )
    times = listed([f"{seconds(row['seconds'])} with {row['level']}" for row in rows])
    clear, unclear = [], []
    for level in factor.levels:
        if level == factor.control:
            continue
        effect = next(each for each in fit.effects if each.name == f"{factor.name}[{level}]")
        if effect.low > 1 or effect.high < 1:
            clear.append(
                f"{level} takes {ratio(effect.ratio)} times as long as {factor.control} "
                f"{ratio_interval(effect.low, effect.high, fit.level)}"
            )
        else:
            unclear.append(level)
    none = f"no difference to {factor.control} could be shown for {listed(unclear, 'or')}" if unclear else ""
    return f"{start} {times}: {listed([*clear, *([none] if none else [])])}."


def _shelf_in_short(stored: Stored) -> str:
    rates = stored.rates
    times = [
        f"{_weeks(rate.weeks_to_share)} {_where(rate)}" + (f" ({GUESS})" if rate.beyond_tried else "")
        for rate in rates
        if rate.low > 0
    ]
    unclear = [_where(rate) for rate in rates if rate.low <= 0]
    share = "nine tenths" if rates[0].share == 0.9 else part(rates[0].share).removeprefix("about ")
    parts = [f"{share} of the fizz is left after {listed(times)}"] if times else []
    parts += [f"a loss {listed(unclear)} could not be shown"] if unclear else []
    said = listed(parts)
    return f"{capital(said)}; home storage is not a stability study."


def doubts(study: FizzStudy) -> list[str]:
    """What could not be answered and why, and what to mind about single pieces."""
    said: list[str] = []
    for compared, speech in (
        (study.lasting, LASTING),
        (study.half_out, HALF_OUT),
        (study.colour, COLOUR),
    ):
        if isinstance(compared, CannotAnswer):
            said.append(f"{speech.cannot} {compared}")
        elif compared is not None:
            said += [note.replace("_", " ") for note in compared.notes]
            said += [whole_day_note(name) for name in compared.whole_day]
    if isinstance(study.lasting, Compared):
        said += _about_times(study.lasting)
    for part_, start in (
        (study.curves, "No fizz curve can be given."),
        (study.reached, "How much of the gas came cannot be told."),
        (study.stored, "How fast stored pieces lose their fizz cannot be told."),
    ):
        if isinstance(part_, CannotAnswer):
            said.append(f"{start} {part_}")
    if isinstance(study.curves, GasFits):
        said += _about_curves(study.curves)
        if study.reached is None:
            said.append(
                "What the recipe could give is not known: add theory_g to [fizz], or [recipe] with soda, acid and pieces, "
                "and the report says how much of the gas came."
            )
    if isinstance(study.stored, Stored):
        said += _about_shelf(study.stored)
    return list(dict.fromkeys(said))


def _about_times(lasting: Compared) -> list[str]:
    fit, said = lasting.fit, []
    if fit.water is None:
        said.append(
            f"Every basin had about the same temperature (within {LEAST_SPREAD_C:g} °C), so what warmer water does "
            "is not known and nothing is corrected for it."
        )
    if fit.beyond_tried:
        said.append(
            f"Water of {fit.at_water_c:g} °C was not tried, only {fit.tried_c[0]:g} to {fit.tried_c[1]:g} °C."
        )
    if fit.unfinished:
        verb = "was" if fit.unfinished == 1 else "were"
        said.append(
            f"{count(fit.unfinished, 'piece')} {verb} still fizzing when the watching ended; "
            f"{'it counts' if fit.unfinished == 1 else 'they count'} as “longer than that”."
        )
    return said


def _about_curves(curves: GasFits) -> list[str]:
    said = []
    for row in curves.not_fitted.to_dict("records"):
        said.append(
            f"Piece {row['piece']} of batch {row['run']} has no curve. {row['why']} {row['would_help']}"
        )
    for row, fit in zip(curves.pieces.to_dict("records"), curves.fits, strict=True):
        who = f"Piece {row['piece']} of batch {row['run']}"
        for jump in fit.jumps:
            grams = f"{number(abs(jump.change_g))} g"
            said.append(
                f"{who}: one reading at {seconds(jump.seconds)} was {grams} out of line; it is not used."
                if jump.kind == "touched"
                else f"{who}: {grams} went at once by {seconds(jump.seconds)}, a splash by the look of it; it is not "
                "counted as gas."
                if jump.kind == "splash"
                else f"{who}: {grams} came at once by {seconds(jump.seconds)}; it is taken off."
            )
    pieces = curves.pieces
    for flag, words in (
        (~pieces["plateau_seen"], "ended before nine tenths of the gas was out: its gas is partly a guess"),
        (pieces["coarse"], "gave little gas for this scale: which curve it follows is mostly rounding"),
        (pieces["drift_from"] == "none", "was not read long enough after the fizz to take off what dried up"),
    ):
        if flag.any():
            names = [f"{row['piece']} of {row['run']}" for row in pieces[flag].to_dict("records")]
            some = names if len(names) <= 4 else [*names[:3], f"{len(names) - 3} more"]
            said.append(f"The cup of piece {listed(some)} {words}.")
    return said


def _about_shelf(stored: Stored) -> list[str]:
    said = [HOME_STORAGE]
    for rate in stored.rates:
        if rate.bend_p < 0.05:
            said.append(
                f"The loss {_where(rate)} did not keep one pace (p {number(rate.bend_p)}), so the weeks are not to be "
                "trusted."
            )
    if isinstance(stored.humidity, CannotAnswer) and len(stored.rates) > 0:
        said.append(f"What humidity does in storage cannot be told. {stored.humidity}")
    return said


def reached_table(reached: Sequence[GasReached]) -> pd.DataFrame:
    """Gas that came against theory by level, with text cells."""
    return pd.DataFrame(
        [
            {
                "level": each.group,
                "batches": str(each.batches),
                "pieces": str(each.pieces),
                "gas weighed": f"{number(each.gas_g)} g",
                "could give": f"{number(each.theory_g)} g",
                "reached": percent(each.share),
                "95 % interval": _percents(each.share_low, each.share_high),
            }
            for each in reached
        ]
    )


def curve_table(study: FizzStudy) -> pd.DataFrame:
    """One row a fizz curve, with text cells."""
    if not isinstance(study.curves, GasFits):
        return pd.DataFrame()
    rows = []
    for row in study.curves.pieces.to_dict("records"):
        rows.append(
            {
                "batch": str(row["run"]),
                "piece": str(row["piece"]),
                "drawn as": study.levels[row["run"]],
                "water": f"{row['water_c']:.1f} °C",
                "gas": f"{number(row['gas_g'], 3)} g",
                "95 % interval": f"{number(row['gas_g_low'], 3)} to {number(row['gas_g_high'], 3)} g",
                "half out": seconds(row["t50_s"]),
                "nine tenths out": seconds(row["t90_s"]) + ("" if row["plateau_seen"] else " (guessed)"),
                "at first, g a minute": number(60 * row["start_g_s"]),
            }
        )
    return pd.DataFrame(rows)


def methods(study: FizzStudy, water_ml: float) -> str:
    """How the fizz numbers were worked out, as a paragraph of Markdown."""
    said = []
    if any(isinstance(each, Compared) for each in (study.lasting, study.half_out, study.colour)):
        said.append(
            "Times were analysed on the log scale with a random effect of the batch, so that pieces of one batch do not "
            "count as repeats; a piece that had not finished, or had shown no colour, counts as “longer than that”. "
            "Water temperature enters by Arrhenius' law, and everything is stated at "
            f"{study.at_water_c:g} °C. Intervals are t intervals with the degrees of freedom of batches."
        )
    if isinstance(study.curves, GasFits):
        said.append(_curve_methods(study.curves))
    if isinstance(study.reached, Reached):
        said.append(
            f"Gas reached is (gas weighed + gas that {water_ml:g} ml of water holds under pure gas, by Henry's law) / "
            "theory, averaged over batches."
        )
    if isinstance(study.stored, Stored):
        said.append(
            "In storage the same share of what is left is taken to go each week (first order); each batch has its own rate "
            "and the interval is that of the mean over batches."
        )
    return " ".join(said)


def _curve_methods(curves: GasFits) -> str:
    steps = sorted(set(curves.pieces["step_g"]))
    scale = f"The scale shows steps of {listed([f'{step:g}' for step in steps], 'or')} g, which is in the intervals. "
    others = ", ".join(
        f"{row['shape']} {row['delta']:.0f}" for row in curves.shapes[1:].dropna().to_dict("records")
    )
    chosen = (
        f"All pieces are stated by the {curves.common} curve, the best of those tried by AICc over all pieces "
        f"(worse by: {others}). "
        if curves.common and others
        else f"All pieces are stated by the {curves.common} curve. "
        if curves.common
        else "Each piece is stated by its own best curve. "
    )
    return (
        f"{chosen}{scale}A steady loss after the fizz (water drying up) and splashes are not counted as gas."
    )
