"""The drying part of a report in sentences: plain words first, then the number with interval and unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from fizzlab.models import air
from fizzlab.models.cure.forecast import Needed
from fizzlab.models.cure.order import SeenOrder
from fizzlab.models.cure.study import DryingStudy
from fizzlab.models.cure.touch import Linear
from fizzlab.models.terms import Amount, Category, level_name
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import (
    capital,
    count,
    duration,
    listed,
    number,
    of_hundred,
    percent,
    ratio,
    ratio_interval,
)

Label = Callable[[str], str]

#: With fewer degrees of freedom than this, a forecast for a new batch says nothing of use.
FEW_DF = 2.5

#: With fewer degrees of freedom than this, the report says that little is left to judge the scatter by.
FEW_ENOUGH_TO_SAY = 8.0

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


def air_findings(study: DryingStudy) -> list[Finding]:
    """One finding for each term of the room's air."""
    return [_air_finding(study, term) for term in study.air]


def _after(lead: str, sentence: str) -> str:
    return f"{lead} {sentence[:1].lower()}{sentence[1:]}" if lead else sentence


def _span(low: float, high: float, study: DryingStudy) -> str:
    return ratio_interval(low, high, study.fit.level).strip("()")


def soonest(study: DryingStudy) -> Finding | None:
    """Which of three or more levels dried soonest, and before which of the others that is clear."""
    term = study.grouped_by
    if not isinstance(term, Category) or len(study.levels()) < 3:
        return None
    named = study.levels()
    logs = {
        level: 0.0 if each == study.typical else study.fit.between(each, study.typical).estimate
        for level, each in named.items()
    }
    best = min(logs, key=lambda level: logs[level])
    gaps = {level: study.fit.between(named[level], named[best]) for level in named if level != best}
    clear = [level for level, gap in gaps.items() if gap.low > 0]
    unclear = [level for level in gaps if level not in clear]
    before = f", clearly before {listed(clear)}" if clear else ""
    but = (
        f"{', but' if clear else ' in these batches, but'} not surely before {listed(unclear)}"
        if unclear
        else ""
    )
    sentence = f"{capital(best)} dried soonest{before}{but}."
    return Finding(f"dry_time.{term.name}.soonest", sentence, batches=study.fit.n_batches)


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
            f"{ratio(estimate)} times as long, and the readings fit anything in the {_span(low, high, study)}."
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
            f"as long, and the readings fit anything in the {_span(low, high, study)}."
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
            f"and the readings fit anything in the {_span(low, high, study)}."
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
        deficit, temp = _typical(study, "vpd_kpa"), round(float(study.batches["temp_c"].median()))
        rh = float(air.rh_for_deficit(deficit, temp))
        return f"in the air of the middle batch (about {temp} °C and {rh:.0f} % humidity)"
    return f"at {_typical(study, 'temp_c'):.0f} °C and {_typical(study, 'rh_pct'):.0f} % humidity"


def _typical(study: DryingStudy, name: str) -> float:
    return float(np.asarray(study.typical[name], float))


def forecast_findings(study: DryingStudy, forecast: pd.DataFrame) -> list[Finding]:
    """The forecasts' numbers, two findings a level: the typical batch, and what to allow for a new one."""
    found = []
    share = float(forecast["share"].max())
    for row in forecast[forecast["share"] == share].to_dict("records"):
        who = "" if study.grouped_by is None else f" with {row['level']}"
        beyond = " Such air was not tried: this is the formula's guess." if row["beyond_tried"] else ""
        base = Finding("", "", batches=study.fit.n_batches, beyond_tried=bool(row["beyond_tried"]), unit="h")
        found += [
            replace(
                base,
                topic=f"dry_time.forecast[{row['level']}]",
                sentence=f"A typical batch{who} has {percent(share)} of its pieces dry after {duration(row['hours'])} "
                f"({percent(study.fit.level)} interval {duration(row['typical_low'])} to "
                f"{duration(row['typical_high'])}).{beyond}",
                estimate=float(row["hours"]),
                low=float(row["typical_low"]),
                high=float(row["typical_high"]),
            ),
            replace(
                base,
                topic=f"dry_time.allow[{row['level']}]",
                sentence=f"To be sure of a new batch{who} ({percent(study.fit.level)} of them), allow "
                f"{duration(row['sure_by'])}.{beyond}",
                estimate=float(row["hours"]),
                low=float(row["new_low"]),
                high=float(row["new_high"]),
                kind="prediction",
            ),
        ]
    return found


def needed_findings(study: DryingStudy, needed: Mapping[str, Needed], temp_c: float) -> list[Finding]:
    """How dry the room must be for pieces to be ready after a night, one finding a level."""
    found = []
    for level, need in needed.items():
        who = "" if study.grouped_by is None else f" with {level}"
        span = f"{need.within_hours:g} h"
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
    if not np.isfinite(rh):
        return f"a deficit of at least {number(vpd_kpa)} kPa, which a room at {temp_c:g} °C cannot have"
    if vpd_kpa <= need.looked_at[0] * 1.001:
        return f"nothing drier than {rh:.0f} % humidity at {temp_c:g} °C (damper air was not looked at)"
    return f"at most {rh:.0f} % humidity at {temp_c:g} °C (a deficit of at least {number(vpd_kpa)} kPa)"


def next_steps(study: DryingStudy, effects: list[Finding], label: Label) -> list[str]:
    """What to make or measure next, in the order of use."""
    steps = []
    air_topics = {f"dry_time.{term.name}" for term in study.air}
    factors = [effect for effect in effects if effect.low is not None and effect.topic not in air_topics]
    not_shown = [effect for effect in factors if (effect.low or 0) <= 1 <= (effect.high or 1)]
    if not_shown:
        widest = max(not_shown, key=lambda effect: np.log(effect.high or 1) - np.log(effect.low or 1))
        steps.append(
            f"What is not shown yet of dry times ({listed([_topic(effect, label) for effect in not_shown])}) needs "
            f"{_more(study, widest, label)} would narrow the widest interval from {ratio(widest.low or 1)} to "
            f"{ratio(widest.high or 1)} to about {_narrowed(widest)}."
        )
    if len(not_shown) < len(factors):
        steps.append(
            "Before you change the recipe for good, make two or three batches of each way once more."
        )
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
        if high / low < 2 or not study.air_matters:
            steps.append(
                f"To learn what humidity does, make batches on damper and on drier days: so far the air's deficit lay "
                f"between {number(low)} and {number(high)} kPa."
            )
    if not steps:
        steps.append("Keep the record, and hang the dry-time chart beside the moulds.")
    return steps


def _topic(effect: Finding, label: Label) -> str:
    name, _, level = effect.topic.removeprefix("dry_time.").rstrip("]").partition("[")
    return level or label(name)


def _more(study: DryingStudy, widest: Finding, label: Label) -> str:
    """What the widest interval needs more of: of batches, or of days where days judge it."""
    name = _factor(widest)
    if "day" not in study.batches or name not in study.batches:
        return "more batches: twice as many"
    days = study.batches.groupby("day")[name]
    if days.ngroups == len(study.batches) or days.nunique().max() > 1:
        return "more batches: twice as many"
    return f"more days, since {label(name)} was the same for all batches of a day: twice as many days"


def _factor(effect: Finding) -> str:
    return effect.topic.removeprefix("dry_time.").partition("[")[0]


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


def cautions(study: DryingStudy, label: Label) -> list[str]:
    """What limits these numbers, besides the doubts of the input."""
    said = list(study.notes)
    if study.least_df < FEW_ENOUGH_TO_SAY:
        said.append(_few(study, label))
    gain = float(study.shapes["delta_aic"].get(study.fit.distribution, 0.0)) if len(study.shapes) else 0.0
    if gain > 2:
        best = str(study.shapes.index[0])
        said.append(
            f'Another shape of the curve fits clearly better: try distribution = "{best}" under [drying] in '
            "trial.toml, and see whether the answer stays."
        )
    far = study.fit.residuals[study.fit.residuals["residual"].abs() > 2.8]
    for row in far.to_dict("records"):
        way = "later" if row["residual"] > 0 else "sooner"
        said.append(
            f"Piece {row['piece']} of batch {row['run']} dried far {way} than the rest of its batch; look at its checks."
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


def _few(study: DryingStudy, label: Label) -> str:
    """Which numbers rest on little, where the others rest on more."""
    effects = study.fit.estimates.iloc[1:]
    few = effects[effects["df"] < FEW_ENOUGH_TO_SAY]
    batches = count(study.fit.n_batches, "batch", "batches")
    if not study.fit.day_effect or len(few) == len(effects) or few.empty:
        return (
            f"{batches} leave, in effect, only {study.least_df:.0f} to judge the scatter of dry times by, so the "
            "intervals are wide, and one odd batch weighs much."
        )
    named = listed([f"“{_in_words(str(change), study, label)}”" for change in few["ratio_for"]])
    return (
        f"Of the {batches}, in effect only {study.least_df:.0f} are left to judge dry time by for {named}, which "
        "changed mostly from day to day: the interval is wide, and one odd day weighs much."
    )


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
        f"criterion ({_shape_list(study)}); "
        + ("less than 2 is no reason to change." if chosen <= 2 else "that is a reason to try it.")
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


def effect_table(study: DryingStudy, label: Label) -> pd.DataFrame:
    """The coefficients as ratios of dry times, with text cells; two levels compared where neither is the control."""
    rows = []
    for column, row in study.fit.estimates.iterrows():
        if column == "intercept":
            continue
        rows.append(
            {
                "change": _in_words(str(row["ratio_for"]), study, label),
                "times as long": ratio(row["ratio"]),
                "95 % interval": f"{ratio(row['ratio_low'])} to {ratio(row['ratio_high'])}",
                "degrees of freedom": f"{row['df']:.1f}",
                "p": "less than 0.001" if row["p"] < 0.001 else f"{row['p']:.3f}",
            }
        )
    for term in study.fit.terms:
        if isinstance(term, Category):
            rows += _other_pairs(study, term)
    return pd.DataFrame(rows)


def _other_pairs(study: DryingStudy, term: Category) -> list[dict[str, str]]:
    others = [level for level in term.levels if level != term.control]
    rows = []
    for place, second in enumerate(others):
        for first in others[place + 1 :]:
            gap = study.fit.between({**study.typical, term.name: first}, {**study.typical, term.name: second})
            estimate, low, high = gap.ratio
            rows.append(
                {
                    "change": f"{first} against {second}",
                    "times as long": ratio(estimate),
                    "95 % interval": f"{ratio(low)} to {ratio(high)}",
                    "degrees of freedom": f"{gap.df:.1f}",
                    "p": "less than 0.001" if gap.p < 0.001 else f"{gap.p:.3f}",
                }
            )
    return rows


def _in_words(change: str, study: DryingStudy, label: Label) -> str:
    for name, words in _AIR_WORDS.items():
        change = change.replace(name, words)
    for term in study.fit.terms:
        change = change.replace(term.name, label(term.name))
    return change


_AIR_WORDS = {
    "vpd_kpa": "vapour-pressure deficit",
    "rh_pct greater by 1 %": "1 point more relative humidity",
    "temp_c greater by 1 °C": "1 °C warmer",
}


def forecast_summary(study: DryingStudy, forecast: pd.DataFrame, where: str) -> Finding:
    """The forecasts in one sentence, for the top of the report; the numbers stand in `forecast_findings`."""
    topic, batches = "dry_time.forecast", study.fit.n_batches
    if study.least_df < FEW_DF:
        return Finding(
            topic, "These are too few batches to forecast when a new one will be dry.", batches=batches
        )
    share = float(forecast["share"].max())
    rows = forecast[forecast["share"] == share].to_dict("records")
    alone = study.grouped_by is None
    named = [
        f"{duration(row['hours'])}{'' if alone else ' with ' + row['level']} "
        f"({duration(row['typical_low'])} to {duration(row['typical_high'])})"
        for row in rows
    ]
    sure = [f"{duration(row['sure_by'])}{'' if alone else ' with ' + row['level']}" for row in rows]
    begin = f"{where}, {percent(share)}" if where else percent(share)
    sentence = (
        f"{capital(begin)} of the pieces of a typical batch are dry after {listed(named)}. To be sure of "
        f"a new batch ({percent(study.fit.level)} of them), allow {listed(sure)}."
    )
    if any(row["beyond_tried"] for row in rows):
        sentence += " Such air was not tried: this is the formula's guess."
    return Finding(topic, sentence, batches=batches)


def humidity_table(study: DryingStudy, forecast: pd.DataFrame) -> pd.DataFrame:
    """Forecasts over humidity, with text cells."""
    return pd.DataFrame(
        {
            "humidity": [f"{rh:g} %" for rh in forecast["rh_pct"]],
            "to be sure, allow": [duration(hours) for hours in forecast["sure_by"]],
            "typical batch": [duration(hours) for hours in forecast["hours"]],
            f"{percent(study.fit.level)} interval of that": _spans(forecast, "typical_low", "typical_high"),
            "": ["not tried" if beyond else "" for beyond in forecast["beyond_tried"]],
        }
    )


def forecast_table(study: DryingStudy, forecast: pd.DataFrame, label: Label) -> pd.DataFrame:
    """The forecasts with text cells."""
    table = pd.DataFrame(
        {
            "share dry": [percent(share) for share in forecast["share"]],
            "to be sure, allow": [duration(hours) for hours in forecast["sure_by"]],
            "typical batch": [duration(hours) for hours in forecast["hours"]],
            "95 % interval of that": _spans(forecast, "typical_low", "typical_high"),
            "95 % interval for a new batch": _spans(forecast, "new_low", "new_high"),
        }
    )
    if study.grouped_by is not None:
        table.insert(0, label(study.grouped_by.name), list(forecast["level"]))
    if forecast["beyond_tried"].any():
        table["beyond what was tried"] = ["yes" if beyond else "" for beyond in forecast["beyond_tried"]]
    return table


def _spans(table: pd.DataFrame, low: str, high: str) -> list[str]:
    return [f"{duration(a)} to {duration(b)}" for a, b in zip(table[low], table[high], strict=True)]


def batch_table(study: DryingStudy, label: Label) -> pd.DataFrame:
    """One row a batch: day, factors, air and brackets, with text cells."""
    rows = []
    factors = [term for term in study.fit.terms if term not in study.air]
    for run, pieces in study.brackets.groupby("run", sort=False):
        batch = study.batches.loc[run]
        never = int(np.isinf(pieces["upper"]).sum())
        seen = pieces["upper"][np.isfinite(pieces["upper"])]
        row = {"batch": str(run), "day": str(batch["day"])}
        row |= {label(term.name): level_name(term, batch[term.name]) for term in factors}
        if "vpd_kpa" in study.batches:
            row["room, °C"] = f"{batch['temp_c']:.1f}"
            row["humidity, %"] = f"{batch['rh_pct']:.0f}"
            row["deficit, kPa"] = number(float(study.batches["vpd_kpa"][str(run)]))
        row["pieces"] = str(len(pieces))
        row["last wet look"] = _from_to(pieces["lower"])
        row["first dry look"] = _from_to(seen) if len(seen) else "never"
        row["never seen dry"] = str(never) if never else ""
        rows.append(row)
    return pd.DataFrame(rows)


def _from_to(hours: pd.Series) -> str:
    first, last = duration(float(hours.min())), duration(float(hours.max()))
    return first if first == last else f"{first} to {last}"


def order_words(seen: SeenOrder) -> str:
    """Which of two ways became dry later, day by day, by the looks alone."""
    days = seen.later + seen.earlier + seen.open
    if seen.later + seen.earlier == 0:
        return f"Whether {seen.level} dried later than {seen.control} the looks do not tell on any of {count(days, 'day')}."
    way, many, other = ("later", seen.later, seen.earlier)
    if seen.earlier > seen.later:
        way, many, other = ("sooner", seen.earlier, seen.later)
    rest = [f"the other way on {other}"] if other else []
    rest += [f"not to be told on {seen.open}"] if seen.open else []
    told = f", {listed(rest)}" if rest else ""
    bounds = (
        f" In these batches it took {ratio(seen.least)} to {ratio(seen.most)} times as long, as far as the looks tell; what chance "
        "adds to that is not known."
        if seen.least > 0 and np.isfinite(seen.most)
        else ""
    )
    return (
        f"{capital(seen.level)} became dry {way} than {seen.control} on {many} of {count(days, 'day')}{told}; chance alone "
        f"would make days so one-sided in {of_hundred(seen.p)} trials.{bounds}"
    )
