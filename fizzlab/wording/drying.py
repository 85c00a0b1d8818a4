"""The drying part of a report in sentences: plain words first, then the number with interval and unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from fizzlab import air
from fizzlab.cure.forecast import Needed
from fizzlab.cure.study import DryingStudy, level_name
from fizzlab.cure.touch import Linear
from fizzlab.findings import Finding
from fizzlab.terms import Amount, Category
from fizzlab.wording.numbers import count, duration, listed, number, percent, ratio, ratio_interval

Label = Callable[[str], str]

_SHAPES = {"lognormal": "log-normal", "weibull": "Weibull", "loglogistic": "log-logistic"}


def effect_findings(
    study: DryingStudy, label: Label, topic: str = "dry_time", lead: str = ""
) -> list[Finding]:
    """One finding for each level against its control, each amount, and the air.

    `topic` begins the findings' names and `lead` their sentences, for dry times found in another way.
    """
    found: list[Finding] = []
    for term in study.fit.terms:
        if isinstance(term, Category):
            for level in term.levels:
                if level != term.control:
                    found.append(_level_finding(study, term, level))
        elif term in study.air:
            found.append(_air_finding(study, term))
        else:
            found.append(_amount_finding(study, term, label))
    return [
        replace(each, topic=each.topic.replace("dry_time", topic, 1), sentence=_after(lead, each.sentence))
        for each in found
    ]


def _after(lead: str, sentence: str) -> str:
    return f"{lead} {sentence[:1].lower()}{sentence[1:]}" if lead else sentence


def _ratio_finding(study: DryingStudy, topic: str, effect: Linear, sentence: str) -> Finding:
    estimate, low, high = effect.ratio
    return Finding(
        topic,
        sentence,
        estimate,
        low,
        high,
        "ratio",
        study.fit.level,
        df=effect.df,
        batches=study.fit.n_batches,
    )


def _level_finding(study: DryingStudy, term: Category, level: str) -> Finding:
    effect = study.fit.between(
        {**study.typical, term.name: level}, {**study.typical, term.name: term.control}
    )
    estimate, low, high = effect.ratio
    between = ratio_interval(low, high, study.fit.level)
    if low > 1 or high < 1:
        way = "longer" if estimate > 1 else "shorter"
        sentence = (
            f"Pieces with {level} took {way} to dry than those with {term.control}: "
            f"{ratio(estimate)} times as long {between}."
        )
    else:
        sentence = (
            f"No difference in dry time could be shown between {level} and {term.control}: "
            f"{ratio(estimate)} times as long, but anything in between fits the readings {between}."
        )
    return _ratio_finding(study, f"dry_time.{term.name}[{level}]", effect, sentence)


def _amount_finding(study: DryingStudy, term: Amount, label: Label) -> Finding:
    least, most = (float(end) for end in study.fit.tried[term.name])
    effect = study.fit.between({**study.typical, term.name: most}, {**study.typical, term.name: least})
    estimate, low, high = effect.ratio
    span = f"from {level_name(term, least)} to {level_name(term, most)}"
    between = ratio_interval(low, high, study.fit.level)
    if low > 1 or high < 1:
        way = "longer" if estimate > 1 else "shorter"
        sentence = (
            f"More {label(term.name)}, {span}, made drying {way}: {ratio(estimate)} times as long {between}."
        )
    else:
        sentence = (
            f"No effect of the {label(term.name)} on dry time could be shown, {span}: {ratio(estimate)} times "
            f"as long, but anything in between fits the readings {between}."
        )
    return _ratio_finding(study, f"dry_time.{term.name}", effect, sentence)


def _air_finding(study: DryingStudy, term: Amount) -> Finding:
    step, words = _AIR_STEPS[term.name]
    middle = float(study.batches[term.name].median())
    other = middle * step if term.log else middle + step
    effect = study.fit.between({**study.typical, term.name: other}, {**study.typical, term.name: middle})
    estimate, low, high = effect.ratio
    between = ratio_interval(low, high, study.fit.level)
    if low > 1 or high < 1:
        way = "longer" if estimate > 1 else "shorter"
        sentence = f"{words}, drying was {way}: {ratio(estimate)} times as long {between}."
    else:
        sentence = (
            f"An effect of the room's air could not be shown. {words}, drying was {ratio(estimate)} times as long, "
            f"but anything in between fits the readings {between}."
        )
    return _ratio_finding(study, f"dry_time.{term.name}", effect, sentence)


_AIR_STEPS = {
    "vpd_kpa": (0.5, "In air half as thirsty (half the vapour-pressure deficit)"),
    "rh_pct": (10.0, "With 10 points more relative humidity at the same temperature"),
    "temp_c": (-5.0, "In a room 5 °C colder at the same relative humidity"),
}


def air_words(study: DryingStudy, forecast_air: tuple[float, float] | None) -> str:
    """The air of a forecast in words, or an empty text where the air is not in the model."""
    if not study.air:
        return ""
    if forecast_air is not None:
        return f"at {forecast_air[0]:g} °C and {forecast_air[1]:g} % humidity"
    if study.has_vpd:
        return f"in air as thirsty as the middle batch had it ({number(_typical(study, 'vpd_kpa'))} kPa)"
    return f"at {_typical(study, 'temp_c'):.0f} °C and {_typical(study, 'rh_pct'):.0f} % humidity"


def _typical(study: DryingStudy, name: str) -> float:
    return float(np.asarray(study.typical[name], float))


def forecast_findings(study: DryingStudy, forecast: pd.DataFrame, where: str) -> list[Finding]:
    """One finding for each level: when the largest share of a new batch will be dry."""
    found = []
    share = float(forecast["share"].max())
    for row in forecast[forecast["share"] == share].to_dict("records"):
        who = "A new batch" if study.grouped_by is None else f"A new batch with {row['level']}"
        sentence = (
            f"{who}{', ' + where + ',' if where else ''} is expected to have {percent(share)} of its pieces dry "
            f"after {duration(row['hours'])} ({percent(study.fit.level)} interval for a new batch "
            f"{duration(row['new_low'])} to {duration(row['new_high'])}). To be sure (in "
            f"{percent(study.fit.level)} of new batches), allow {duration(row['sure_by'])}."
        )
        if row["beyond_tried"]:
            sentence += " Such air was not tried: this is the formula's guess."
        found.append(
            Finding(
                f"dry_time.forecast[{row['level']}]",
                sentence,
                float(row["hours"]),
                float(row["new_low"]),
                float(row["new_high"]),
                "h",
                study.fit.level,
                "prediction",
                batches=study.fit.n_batches,
                beyond_tried=bool(row["beyond_tried"]),
            )
        )
    return found


def needed_findings(study: DryingStudy, needed: Mapping[str, Needed], temp_c: float) -> list[Finding]:
    """How dry the room must be for pieces to be ready after a night, one finding a level."""
    found = []
    for level, need in needed.items():
        who = "" if study.grouped_by is None else f" with {level}"
        span = duration(need.within_hours)
        if need.typical is None:
            sentence = f"No air near what was tried would have {percent(need.share)} of the pieces{who} dry within {span}."
            found.append(Finding(f"dry_time.needed[{level}]", sentence, batches=study.fit.n_batches))
            continue
        sentence = (
            f"For {percent(need.share)} of the pieces{who} to be dry within {span}, a typical batch needs "
            f"{_room(need.typical, temp_c, need)}"
        )
        sentence += (
            f"; to be sure of it ({percent(need.level)} of new batches), {_room(need.sure, temp_c, need)}."
            if need.sure is not None
            else "; to be sure of it, thirstier air than any that can be named from these batches."
        )
        beyond = need.typical_beyond or need.sure_beyond
        if beyond:
            sentence += " Part of this lies beyond the air that was tried: it is the formula's guess."
        found.append(
            Finding(
                f"dry_time.needed[{level}]",
                sentence,
                need.typical,
                None,
                need.sure,
                "kPa",
                need.level,
                "prediction",
                batches=study.fit.n_batches,
                beyond_tried=beyond,
            )
        )
    return found


def _room(vpd_kpa: float, temp_c: float, need: Needed) -> str:
    """A vapour-pressure deficit as the humidity it means in a room."""
    rh = float(air.rh_for_deficit(vpd_kpa, temp_c))
    least = "or less " if vpd_kpa <= need.looked_at[0] * 1.001 else ""
    deficit = f"a deficit of {number(vpd_kpa)} kPa {least}".strip()
    if not np.isfinite(rh):
        return f"{deficit}, which a room at {temp_c:g} °C cannot have"
    return f"{deficit}, that is at most {rh:.0f} % humidity at {temp_c:g} °C"


def next_steps(study: DryingStudy, effects: list[Finding]) -> list[str]:
    """What to make or measure next, in the order of use."""
    steps = []
    open_effects = [
        effect
        for effect in effects
        if effect.low is not None and effect.high is not None and effect.low <= 1 <= effect.high
    ]
    clear = [effect for effect in effects if effect not in open_effects]
    if open_effects:
        widest = max(open_effects, key=lambda effect: np.log(effect.high or 1) - np.log(effect.low or 1))
        steps.append(
            f"What is not shown yet ({listed([_topic(effect) for effect in open_effects])}) needs more batches: "
            f"twice as many would narrow the widest interval from {ratio(widest.low or 1)} to "
            f"{ratio(widest.high or 1)} to about {_narrowed(widest)}."
        )
    if clear and study.grouped_by is not None:
        steps.append("Before you change the recipe for good, make two or three batches both ways once more.")
    looks = _coarse_looks(study)
    if looks:
        steps.append(looks)
    right = study.fit.censoring["right"]
    if right:
        steps.append(
            f"{count(right, 'piece')} {'was' if right == 1 else 'were'} never seen dry: look once more the next "
            "evening."
        )
    if study.has_vpd:
        low, high = study.batches["vpd_kpa"].min(), study.batches["vpd_kpa"].max()
        if high / low < 2:
            steps.append(
                f"The air hardly differed between batches ({number(low)} to {number(high)} kPa): batches on damper "
                "and drier days would tell more about humidity."
            )
    if not steps:
        steps.append("Keep the record, and hang the dry-time chart beside the moulds.")
    return steps


def _topic(effect: Finding) -> str:
    return effect.topic.removeprefix("dry_time.").replace("[", " ").replace("]", "").replace("_", " ")


def _narrowed(effect: Finding) -> str:
    middle = np.log(effect.estimate or 1)
    ends = [np.exp(middle + (np.log(end or 1) - middle) / np.sqrt(2)) for end in (effect.low, effect.high)]
    return f"{ratio(float(ends[0]))} to {ratio(float(ends[1]))}"


def _coarse_looks(study: DryingStudy) -> str:
    """Advice on the schedule where looks are far apart beside the spread of the pieces."""
    inside = study.brackets[np.isfinite(study.brackets["upper"]) & (study.brackets["lower"] > 0)]
    if inside.empty:
        return ""
    width = float(np.log(inside["upper"] / inside["lower"]).median())
    spread = float(np.sqrt(np.nansum([study.fit.sigma**2, study.fit.tau**2])))
    if width <= 2.5 * spread:
        return ""
    low, high = inside["lower"].quantile(0.25), inside["upper"].quantile(0.75)
    return (
        f"Look more often between {duration(float(low))} and {duration(float(high))}: most pieces became dry there, "
        "and the looks were far apart."
    )


def cautions(study: DryingStudy) -> list[str]:
    """What limits these numbers, besides the doubts of the input."""
    said = list(study.notes)
    left = study.fit.n_batches - len(study.fit.estimates)
    if left < 8:
        said.append(
            f"{count(study.fit.n_batches, 'batch', 'batches')} leave only {left} to judge the scatter by, so the "
            "intervals are wide, and one odd batch weighs much."
        )
    if "coverage" in study.batches:
        thin = study.batches.index[study.batches["coverage"] < 0.9]
        if len(thin):
            said.append(
                f"The room log has gaps in the drying of {'batch' if len(thin) == 1 else 'batches'} "
                f"{listed([str(run) for run in thin])}; the air used for {'it' if len(thin) == 1 else 'them'} is "
                "that of the logged hours."
            )
    return said


def methods(study: DryingStudy, label: Label) -> str:
    """How the dry times were worked out, as a paragraph of Markdown."""
    fit = study.fit
    kinds = {
        "left": "dry at the first look",
        "interval": "became dry between two looks",
        "right": "still wet at the last look",
        "exact": "timed exactly",
    }
    seen = [f"{fit.censoring[kind]} {words}" for kind, words in kinds.items() if fit.censoring[kind]]
    layers = "a random effect of the batch" + (" and of the day" if fit.day_effect else "")
    if not fit.batch_effect:
        layers = "no effect of the batch"
    terms = [label(term.name) for term in fit.terms if term not in study.air]
    terms += [
        "the vapour-pressure deficit (on the log scale)" if study.has_vpd else label(t.name)
        for t in study.air
    ]
    best = study.shapes.index[0]
    chosen = float(study.shapes["delta_aic"].get(fit.distribution, np.nan))
    other = (
        f"It also fits best of the three shapes tried ({_shape_list(study)})."
        if best == fit.distribution
        else f"Of the three shapes tried, the {_SHAPES[str(best)]} fits best, by {number(chosen)} in Akaike's "
        f"criterion ({_shape_list(study)}); less than 2 is no reason to change."
    )
    spread = [
        f"{word} {number(value) if value >= 0.005 else 'next to nothing'}"
        for word, value in (("pieces of a batch", fit.sigma), ("batches", fit.tau), ("days", fit.delta))
        if np.isfinite(value)
    ]
    return (
        f"{count(fit.n_pieces, 'piece')} of {count(fit.n_batches, 'batch', 'batches')} were touched: {listed(seen)}. "
        f"Each piece's dry time is known only as the bracket between two looks, and was analysed as such "
        f"(interval-censored regression of log dry time, {_SHAPES[fit.distribution]}), on "
        f"{listed(terms) or 'no factor'}, with {layers}, so that pieces of one batch do not count as repeats. "
        f"Intervals are t intervals with the degrees of freedom of batches"
        f"{' and days' if fit.day_effect else ''}. Standard deviations of log dry time: {listed(spread)}. {other}"
    )


def _shape_list(study: DryingStudy) -> str:
    known = study.shapes.dropna(subset="aic")
    return ", ".join(f"{_SHAPES[str(name)]} {aic:.1f}" for name, aic in known["aic"].items())


def effect_table(study: DryingStudy) -> pd.DataFrame:
    """The coefficients as ratios of dry times, with text cells."""
    rows = []
    for column, row in study.fit.estimates.iterrows():
        if column == "intercept":
            continue
        rows.append(
            {
                "change": _in_words(str(row["ratio_for"])),
                "times as long": ratio(row["ratio"]),
                "95 % interval": f"{ratio(row['ratio_low'])} to {ratio(row['ratio_high'])}",
                "degrees of freedom": f"{row['df']:.1f}",
                "p": "less than 0.001" if row["p"] < 0.001 else f"{row['p']:.3f}",
            }
        )
    return pd.DataFrame(rows)


def _in_words(change: str) -> str:
    for name, words in _AIR_WORDS.items():
        change = change.replace(name, words)
    return change.replace("_", " ")


_AIR_WORDS = {
    "vpd_kpa": "vapour-pressure deficit",
    "rh_pct greater by 1 %": "1 point more relative humidity",
    "temp_c greater by 1 °C": "1 °C warmer",
}


def forecast_summary(study: DryingStudy, forecast: pd.DataFrame, where: str) -> Finding:
    """All levels' forecasts in one sentence, for the top of the report; the numbers stand in `forecast_findings`."""
    share = float(forecast["share"].max())
    rows = forecast[forecast["share"] == share]
    named = [
        f"{duration(hours)} with {level}" for level, hours in zip(rows["level"], rows["hours"], strict=True)
    ]
    sure = [
        f"{duration(hours)} with {level}" for level, hours in zip(rows["level"], rows["sure_by"], strict=True)
    ]
    sentence = (
        f"{where[:1].upper()}{where[1:]}{', ' if where else ''}{percent(share)} of the pieces of a typical batch are "
        f"dry after {listed(named)}. To be sure of a new batch ({percent(study.fit.level)} of them), allow "
        f"{listed(sure)}."
    )
    if rows["beyond_tried"].any():
        sentence += " Such air was not tried: this is the formula's guess."
    sentence = sentence[:1].upper() + sentence[1:]
    return Finding("dry_time.forecast", sentence, batches=study.fit.n_batches)


def forecast_table(study: DryingStudy, forecast: pd.DataFrame) -> pd.DataFrame:
    """The forecasts with text cells."""
    table = pd.DataFrame(
        {
            "share dry": [percent(share) for share in forecast["share"]],
            "typical batch": [duration(hours) for hours in forecast["hours"]],
            "95 % interval of that": _spans(forecast, "typical_low", "typical_high"),
            "95 % interval for a new batch": _spans(forecast, "new_low", "new_high"),
            "to be sure, allow": [duration(hours) for hours in forecast["sure_by"]],
        }
    )
    if study.grouped_by is not None:
        table.insert(0, study.grouped_by.name.replace("_", " "), list(forecast["level"]))
    if forecast["beyond_tried"].any():
        table["beyond what was tried"] = ["yes" if beyond else "" for beyond in forecast["beyond_tried"]]
    return table


def _spans(table: pd.DataFrame, low: str, high: str) -> list[str]:
    return [f"{duration(a)} to {duration(b)}" for a, b in zip(table[low], table[high], strict=True)]


def batch_table(study: DryingStudy) -> pd.DataFrame:
    """One row a batch: day, factors, air and brackets, with text cells."""
    rows = []
    factors = [term for term in study.fit.terms if term not in study.air]
    for run, pieces in study.brackets.groupby("run", sort=False):
        batch = study.batches.loc[run]
        never = int(np.isinf(pieces["upper"]).sum())
        seen = pieces["upper"][np.isfinite(pieces["upper"])]
        row = {"batch": str(run), "day": str(batch["day"])}
        row |= {term.name.replace("_", " "): level_name(term, batch[term.name]) for term in factors}
        if "vpd_kpa" in study.batches:
            row["room, °C"] = f"{batch['temp_c']:.1f}"
            row["humidity, %"] = f"{batch['rh_pct']:.0f}"
            row["deficit, kPa"] = number(float(study.batches["vpd_kpa"][str(run)]))
        row["pieces"] = str(len(pieces))
        row["last wet look"] = f"{duration(pieces['lower'].min())} to {duration(pieces['lower'].max())}"
        row["first dry look"] = f"{duration(seen.min())} to {duration(seen.max())}" if len(seen) else "never"
        row["never seen dry"] = str(never) if never else ""
        rows.append(row)
    return pd.DataFrame(rows)
