"""The drying part of a report: when pieces are dry, by touch and by weight, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.language import listed, say, wording
from fizzlab.measures import MEASURES, worded
from fizzlab.models.air import rh_for_deficit
from fizzlab.models.curing import VPD, CuringFit, TouchStudy
from fizzlab.models.plotting import drawn_apart
from fizzlab.models.result import Interval
from fizzlab.models.terms import ALL, level_name
from fizzlab.models.touch import SeenOrder
from fizzlab.models.weighing import RESPONSE, WeighingStudy
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.figures import dry_curves, drying_curves
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, duration, number, percent

#: With fewer degrees of freedom than the first, a forecast for a new batch says nothing of use; with fewer
#: than the second, the report says that little is left to judge the scatter by.
FEW_DF, FEW_ENOUGH_TO_SAY = 1.5, 8.0

#: What the effect of the air is told for.
AIR_STEPS = {VPD: "air_half_vapour"}

#: A wait that is longer than so many times the typical batch's is no advice.
MOST_WAIT = 10

#: Said in every report: what can hurt.
SAFETY = ("acid_pigment", "use_only_colours")


def dried(done: Analysis) -> CuringFit | None:
    """The fit of dry times, with joint effects where they were shown."""
    fit = done.forecasting("dry_h")
    return fit if isinstance(fit, CuringFit) else None


def ways(fit: CuringFit) -> dict[str, dict[str, Any]]:
    """Every combination that was made, by how it is called: "gum and dye"."""
    if not fit.terms:
        return {ALL: {}}
    rows = [{str(name): value for name, value in row.items()} for row in fit.made().to_dict("records")]
    return {listed([level_name(t, row[t.name]) for t in fit.terms]): row for row in rows}


@standing
def drying(done: Analysis) -> Pieces:
    """When pieces are dry: the forecast, the figures, every combination, humidity, the chart for the wall."""
    study, fit = done.study("dry_h"), dried(done)
    if not isinstance(study, TouchStudy):
        return [] if done.effects else [say("there_no_touch")]
    if fit is None:
        why = say("no_dry_times", why=done.reasons["dry_h"].why)
        return [caution([words.spoken(why, done.settings), *_seen(study)]), _curves(done, study)]
    few = fit.forecast_df < FEW_DF  # else the table tells it of every combination
    said = [*([say("these_too")] if few else []), *_in_damp_air(fit, done)]
    pieces: Pieces = [
        Notes(said, "answer") if said else None,
        Findings(air_findings(fit), "plain", method=True) if fit.air else None,
        Findings(_forecast(fit, done.share), "silent"),
        _curves(done, study),
        None if few else _combinations(fit, done),
    ]
    return [*pieces, *_damper(fit, done)] if fit.air_matters else pieces


def room_temp(fit: CuringFit, done: Analysis) -> float:
    """The temperature that is forecast for, else that of the middle batch; nan where it is not known."""
    point = done.settings.drying.forecast_air
    if point is None and "temp_c" not in fit.batches:
        return float("nan")
    return float(round(float(fit.batches["temp_c"].median()))) if point is None else point.temp_c


def air_words(fit: CuringFit, done: Analysis) -> str:
    """The air of a forecast in words, or an empty text where the air is not in the model."""
    point = done.settings.drying.forecast_air
    if not fit.air:
        return ""
    if point is not None:
        return say("c_humidity", temp_c=point.temp_c, rh_pct=point.rh_pct)
    temp = room_temp(fit, done)
    return say("air_middle", temp=temp, rh=float(rh_for_deficit(float(fit.batches[VPD].median()), temp)))


def in_air(fit: CuringFit, done: Analysis) -> str:
    """The same within a sentence, where there is something to say."""
    return f" {where}" if (where := air_words(fit, done)) else ""


def _wait(fit: CuringFit, new: Mapping[Any, Any], share: float) -> float:
    """Hours by which a share of the pieces is dry in 19 of 20 new batches."""
    return float(fit.predict(new, share=share, interval="prediction", conf_level=0.9)["conf_high"].iloc[0])


def waits(fit: CuringFit, new: Mapping[str, Any], done: Analysis, name: str = "") -> str:
    """How long to wait with what is called so; nothing to go by where batches are few or differ too much."""
    where, hours = air_words(fit, done), _wait(fit, new, done.share)
    asked = done.settings.responses.get("dry_h")
    if not hours < MOST_WAIT * float(fit.predict(new, share=done.share)["estimate"].iloc[0]):
        return say("how_long_new")
    most = None if asked is None else asked.at_most
    past = say("past_your", most=duration(most)) if most is not None and hours > most else ""
    told = {"hours": duration(hours), "who": say("with_way", name=name) if name else "", "past": past}
    return say("wait_in_air" if where else "wait", where=capital(where), **told)


def damp_waits(fit: CuringFit, done: Analysis, each: Mapping[str, Any], name: str) -> str:
    """How long to wait in the driest and in the dampest air that was tried, and in that of the forecast."""
    temp, tried = room_temp(fit, done), sorted({*fit.tried(VPD), float(fit.typical[VPD])}, reverse=True)
    humid = np.asarray(rh_for_deficit(np.array(tried), temp))
    hours = [_wait(fit, {VPD: vpd, **each}, done.share) for vpd in tried]
    typical = fit.predict(pd.DataFrame({VPD: tried}).assign(**each), share=done.share)["estimate"]
    if not (np.isfinite(humid).all() and (np.array(hours) < MOST_WAIT * typical).all()):
        return waits(fit, each, done, name)
    told = [say("wait_at", hours=duration(h), rh=float(rh)) for h, rh in zip(hours, humid, strict=True)]
    return say("waits_by_air", told=listed(told), where=", ".join(filter(None, (f"{temp:g} °C", name))))


def _forecast(fit: CuringFit, share: float) -> list[Finding]:
    """Two findings a combination: when a typical batch is dry, and when a new one is."""
    found, kinds = list[Finding](), dict[str, Interval](forecast="confidence", allow="prediction")
    for name, each in ways(fit).items():
        who = say("with_way", name=name) if each else ""
        for topic, kind in kinds.items():
            row = fit.predict(each, share=share, interval=kind).to_dict("records")[0]
            if topic == "allow":
                said = say("wait_with", wait=duration(_wait(fit, each, share)), who=who)
            else:
                typical = words.estimate(row, "h")
                said = say("typical_batch_dry", share=percent(share), who=who, estimate=typical)
            more = {"batches": fit.n_batches, "kind": kind}
            found.append(words.numbers_of(f"dry_time.{topic}[{name}]", said, row, "h", **more))
    return found


def air_findings(fit: CuringFit, topic: str = "dry_time", lead: str = "") -> list[Finding]:
    """What each term of the room's air does; `lead` begins the sentences."""
    found, dry = [], worded(MEASURES["dry_h"])
    for effect in fit.air_effects:
        said = f"{lead}{say(AIR_STEPS[effect.factor])}: {words.told(effect, dry)}."
        found.append(words.of_effect(effect, dry, said, f"{topic}.{effect.factor}"))
    return found


def damp(fit: CuringFit, done: Analysis, each: Mapping[str, Any], held: str) -> str:
    """What damp air does to one recipe, in hours at the ends of what was tried."""
    temp, tried = room_temp(fit, done), list(fit.tried(VPD))
    humid, dry = rh_for_deficit(np.array(tried), temp)
    rows = fit.predict(pd.DataFrame({VPD: tried}).assign(**each), share=done.share)
    long, short = map(duration, rows["estimate"])
    where = ", ".join(filter(None, (f"{temp:g} °C", held)))
    told = {"short": short, "dry": dry, "long": long, "humid": humid, "where": where}
    return say("damp_air_slows", **told) if np.isfinite(humid) else ""


def _in_damp_air(fit: CuringFit, done: Analysis) -> list[str]:
    """How damp it may be for a night of drying, where no factor was changed; else a table tells it."""
    if fit.terms or not fit.air_matters:
        return []
    night, (least, most) = done.settings.drying.night_hours, fit.tried(VPD)
    sure = fit.air_needed(night, done.share, {})[1]
    rh = float(rh_for_deficit(sure, room_temp(fit, done))) if least <= sure <= most else np.nan
    return [say("night_enough", night=duration(night), rh=rh)] if np.isfinite(rh) else []


def _combinations(fit: CuringFit, done: Analysis) -> Grid:
    """Forecasts for every combination that was made."""
    made, label, share = list(ways(fit).values()), done.settings.label, percent(done.share)
    cells = {label(t.name): [level_name(t, each[t.name]) for each in made] for t in fit.terms}
    rows = fit.predict(pd.DataFrame(made), share=done.share)
    cells[say("head_share_dry", share=share)] = [duration(hours) for hours in rows["estimate"]]
    cells["95 % interval"] = [words.inside(row) for row in rows.to_dict("records")]
    cells["wait"] = [duration(_wait(fit, each, done.share)) for each in made]
    if rows["extrapolated"].any():
        cells[""] = [say("not_tried") if beyond else "" for beyond in rows["extrapolated"]]
    return Grid(pd.DataFrame(cells), say("caption_hours_until_dry", in_air=in_air(fit, done), share=share))


def _damper(fit: CuringFit, done: Analysis) -> Pieces:
    """How damp the room may be for pieces to be ready after a night."""
    night, (least, most) = done.settings.drying.night_hours, fit.tried(VPD)
    temp, share = room_temp(fit, done), percent(done.share)
    found, cells = list[Finding](), list[tuple[str, ...]]()

    def dampest(vpd_kpa: float) -> str:
        rh = float(rh_for_deficit(vpd_kpa, temp)) if np.isfinite(vpd_kpa) else np.nan
        tried = "" if least <= vpd_kpa <= most else say("and_not_tried")
        more = say("or_damper") if vpd_kpa <= least / 2 * 1.001 else ""
        return f"{rh:.0f} %{more}{tried}" if np.isfinite(rh) else say("none_near")

    for level, each in ways(fit).items():
        typical, sure = fit.air_needed(night, done.share, each)
        cells.append((level, dampest(typical), dampest(sure)))
        said = say("dampest_air", share=share, night=night, level=level, damp=dampest(typical))
        row = {"estimate": typical, "conf_low": np.nan, "conf_high": sure}
        row["extrapolated"] = not all(least <= end <= most for end in (typical, sure) if np.isfinite(end))
        more = {"kind": "prediction", "batches": fit.n_batches}
        if np.isfinite(typical):
            found.append(words.numbers_of(f"dry_time.needed[{level}]", said, row, "kPa", **more))
    told = say("dampest_air_c", temp=temp, of=say("share_of_pieces", share=share), night=night)
    table = pd.DataFrame(cells, columns=["with", "a typical batch", "19 of 20 batches"])
    return [Findings(found, "silent"), Grid(table, told, method=True)]


def _seen(study: TouchStudy) -> list[str]:
    """The plain count of what the looks showed, where nothing can be fitted."""
    said = []
    for level, part in study.brackets.groupby("level", sort=False):
        dry = part[np.isfinite(part["upper"])]
        name = "" if study.grouped_by is None else f"{level}: "
        ends = words.between(dry["lower"].min(), dry["upper"].max(), "h") if len(dry) else ""
        when, pieces = say("between", ends=ends) if ends else "", say("n_pieces", n=len(part))
        said.append(say("became_dry", name=name, dry=len(dry), pieces=pieces, when=when))
    return said + [_order(each) for each in study.order]


def _order(seen: SeenOrder) -> str:
    """Which of two ways became dry later, day by day, by the looks alone."""
    days, told = say("n_days", n=seen.later + seen.earlier + seen.open), seen.later + seen.earlier
    if told == 0:
        return say("looks_do_not", days=days, level=seen.level, control=seen.control)
    many, way = max((seen.later, "dried_later"), (seen.earlier, "dried_sooner"))
    rest, chance = say("other_way", n=told - many) if told > many else "", words.of_hundred(seen.p_value)
    both = {"level": capital(seen.level), "control": seen.control}
    said = say(way, **both, many=many, days=days, rest=rest, chance=chance)
    if seen.least > 0 and np.isfinite(seen.most):
        said += say("took_times", least=seen.least, most=seen.most)
    return said


def _curves(done: Analysis, study: TouchStudy) -> Picture:
    """The bracket of every piece, and the share dry over time."""
    fit, term = dried(done), study.grouped_by
    brackets, named = study.brackets, study.levels
    if fit is not None and len(fit.terms) > 1:
        runs, made = drawn_apart(fit.batches, fit.terms)
        brackets = brackets.assign(level=brackets["run"].map(runs.astype(str)))
        named = {str(name): dict(zip(map(str, made), row, strict=True)) for name, row in made.iterrows()}
    label = "" if term is None or named is not study.levels else done.settings.label(term.name)
    figure = dry_curves(brackets, fit, named, label)
    never = say("arrowhead_never") if np.isinf(brackets["upper"]).any() else ""
    looks = say("every_piece", never=never)
    if fit is None:
        alt = say("alt_brackets", pieces=say("n_pieces", n=len(study.brackets)), seen=" ".join(_seen(study)))
        return Picture("dry-brackets", figure, say("caption_lines", looks=looks), alt)
    averaged = say("other_factors") if len(fit.terms) > 1 else ""
    alt = say("share_dry", named=listed(list(named)))
    seen = say("above_share", in_air=in_air(fit, done), averaged=averaged, looks=looks)
    return Picture("dry-curves", figure, seen, alt)


def next_steps(done: Analysis) -> list[str]:
    """What to make or measure next, in the order of use."""
    fit, label = dried(done), done.settings.label
    if fit is None:
        why = done.reasons.get("dry_h")
        return [words.spoken(why.would_help, done.settings) if why else say("touch_pieces")]
    steps = []
    open_ = [effect for effect in fit.effects if not (effect.shown or effect.same)]
    if open_:
        widest = max(open_, key=lambda effect: effect.conf_high / effect.conf_low)
        value, ends = widest.estimate, (widest.conf_low, widest.conf_high)
        dry, told = worded(MEASURES["dry_h"]), {"judges": wording(widest.judged_by)}
        halved = [value * (e / value) ** 0.5**0.5 for e in ends]
        low, high = (words.directed(end, widest, dry) for end in halved)
        told["open"] = say("open_still") if halved[0] < 1 < halved[1] else ""
        steps.append(say("twice_many", **told, change=words.against(widest, label), low=low, high=high))
    inside = fit.brackets[np.isfinite(fit.brackets["upper"]) & (fit.brackets["lower"] > 0)]
    spread = np.sqrt(np.nansum([fit.sigma**2, fit.tau**2]))
    if len(inside) and np.log(inside["upper"] / inside["lower"]).median() > 2.5 * spread:
        low, high = (duration(inside[end].quantile(at)) for end, at in (("lower", 0.25), ("upper", 0.75)))
        steps.append(say("look_more", low=low, high=high))
    if fit.censoring["right"]:
        steps.append(say("look_longer", n=fit.censoring["right"]))
    if fit.air and (fit.tried(VPD)[1] / fit.tried(VPD)[0] < 2 or not fit.air_matters):
        steps.append(say("learn_what"))
    return steps


def cautions(done: Analysis, asked: Sequence[str]) -> list[str]:
    """What limits the answer about the responses asked about."""
    fit = dried(done)
    said = [*fit.notes, *fit.diagnose()["says"]] if fit is not None else []
    return [*(words.spoken(line, done.settings) for line in said), *_few(done, fit, asked)]


def _few(done: Analysis, fit: CuringFit | None, asked: Sequence[str]) -> Iterator[str]:
    """Of which factors, and whether of the air, too little is known to tell: by their own days or batches."""
    found: dict[str, dict[str, None]] = {"days": {}, "batches": {}}
    effects = [effect for effect in done.effects if effect.response in asked]
    for effect in (*effects, *(fit.air_effects if fit else ())):
        name = say("rooms_air") if effect.factor in AIR_STEPS else done.settings.label(effect.factor)
        if effect.df < FEW_ENOUGH_TO_SAY and not (effect.shown or effect.same):
            found[effect.judged_by][name] = None
    for judge, few in found.items():
        if few:
            made = done.batches["day"].nunique() if judge == "days" else len(done.batches)
            yield say("say_little", made=made, judges=wording(judge), few=listed(list(few)))


@standing
def by_weight(done: Analysis) -> Pieces:
    """Dry times by weight: the range, the air's effect, the curves, the pieces."""
    study, trial = done.study(RESPONSE), done.trial
    if not isinstance(study, WeighingStudy):
        why = done.reasons.get(RESPONSE)
        return [] if why is None else [say("title_by_weight"), caution([str(why)])]
    fit, table = done.fits.get(RESPONSE), study.pieces
    least, middle, most = table["hours"].quantile([0, 0.5, 1]).tolist()
    between = words.between(least, most, "h")
    share = percent(trial.settings.drying.remaining_share)
    pieces = say("n_pieces", n=int(table["hours"].count()))
    said = say("weight_had", pieces=pieces, share=share, between=between, middle=duration(middle))
    found = [Finding("weighed_dry_time.range", said, middle, least, most, "h", kind="range")]
    own = air_findings(fit, "weighed_dry_time", say("weight")) if isinstance(fit, CuringFit) else []
    labels = drawn_apart(trial.batches(), done.terms)[0]
    table = table.assign(level=table["run"].map(labels).astype(str))
    label = say("both").join(trial.settings.label(term.name) for term in done.terms)
    rows = table.assign(estimate=table["hours"]).to_dict("records")
    noted = [say("piece_batch", piece=r["piece"], run=r["run"], note=r["note"]) for r in rows if r["note"]]
    cells = table[["run", "piece"]].astype(str).rename(columns={"run": "batch"})
    if label:
        cells[label] = table["level"]
    cells["moisture"] = [f"{number(g)} g" if pd.notna(g) else "?" for g in table["moisture_g"]]
    cells["dry after"] = [words.estimate(r, "h") if pd.notna(r["hours"]) else say("not_known") for r in rows]
    level, order = table.set_index(["run", "piece"])["level"], list(labels.cat.categories)
    drawn, alt = drying_curves(level, study.curves, order, label), {"curves": len(study.curves)}
    return [
        say("title_by_weight"),
        Findings(found, "plain"),
        Findings(own, "plain", method=True) if own else None,
        Picture("drying-curves", drawn, say("mass_each"), say("falling_curves", **alt, between=between)),
        caution([*noted, *study.notes]),
        Grid(cells, say("weighed_pieces"), method=True),
    ]
