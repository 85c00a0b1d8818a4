"""The drying part of a report: when pieces are dry, by touch and by weight, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.measures import MEASURES
from fizzlab.models.air import rh_for_deficit
from fizzlab.models.curing import VPD, CuringFit, TouchStudy
from fizzlab.models.plotting import drawn_apart
from fizzlab.models.result import Interval
from fizzlab.models.terms import ALL, level_name
from fizzlab.models.touch import SeenOrder
from fizzlab.models.weighing import RESPONSE, WeighingStudy
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.figures import drying as drawn
from fizzlab.report.page import Finding, Findings, Grid, Notes, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, count, duration, listed, number, percent
from fizzlab.trial.folder import Trial

#: With fewer degrees of freedom than the first, a forecast for a new batch says nothing of use; with fewer
#: than the second, the report says that little is left to judge the scatter by.
FEW_DF, FEW_ENOUGH_TO_SAY = 1.5, 8.0

#: What the effect of the air is told for.
AIR_STEPS = {VPD: "In air of half the vapour-pressure deficit"}

#: A wait that is longer than so many times the typical batch's is no advice.
MOST_WAIT = 10

#: Said in every report: what can hurt.
SAFETY = (
    "Acid and pigment dust hurt eyes and lungs; alcohol burns; oil makes a tub slippery.",
    "Use only colours allowed on skin where you live. Local cosmetic rules and a qualified safety assessor "
    "decide what may be sold; this report does not.",
)


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
    trial, study, fit = done.trial, done.study("dry_h"), dried(done)
    if not isinstance(study, TouchStudy):
        return [] if done.effects else ["There are no touch checks, so this report has no dry times."]
    if fit is None:
        why = f"No dry times can be given. {done.reasons['dry_h'].why}"
        return [caution([words.spoken(why, trial.settings), *_seen(study)]), _curves(done, study)]
    shares, temp = sorted(trial.settings.drying.shares), room_temp(fit, trial)
    few = fit.forecast_df < FEW_DF  # else the table tells it of every combination
    told = ["These are too few batches to forecast when a new one will be dry."] * few
    pieces: Pieces = [
        Notes(said, "answer") if (said := [*told, *filter(None, [_in_damp_air(fit, trial)])]) else None,
        Findings(air_findings(fit), "plain", method=True) if fit.air else None,
        Findings(_forecast(fit, shares[-1]), "silent"),
        _curves(done, study),
        None if few else _combinations(fit, trial, shares),
    ]
    return [*pieces, *_damper(trial, fit, shares[-1], temp)] if fit.air_matters else pieces


def room_temp(fit: CuringFit, trial: Trial) -> float:
    """The temperature that is forecast for, else that of the middle batch; nan where it is not known."""
    point = trial.settings.drying.forecast_air
    if point is None and "temp_c" not in fit.batches:
        return float("nan")
    return float(round(float(fit.batches["temp_c"].median()))) if point is None else point.temp_c


def air_words(fit: CuringFit, trial: Trial) -> str:
    """The air of a forecast in words, or an empty text where the air is not in the model."""
    point = trial.settings.drying.forecast_air
    if not fit.air:
        return ""
    if point is not None:
        return f"at {point.temp_c:g} °C and {point.rh_pct:g} % humidity"
    temp = room_temp(fit, trial)
    rh = float(rh_for_deficit(float(fit.batches[VPD].median()), temp))
    return f"in the air of the middle batch (about {temp:g} °C and {rh:.0f} % humidity)"


def _wait(fit: CuringFit, new: Mapping[Any, Any], share: float) -> float:
    """Hours by which a share of the pieces is dry in 19 of 20 new batches."""
    return float(fit.predict(new, share=share, interval="prediction", conf_level=0.9)["conf_high"].iloc[0])


def waits(fit: CuringFit, new: Mapping[str, Any], share: float, trial: Trial) -> str:
    """How long to wait, as a sentence; nothing to go by where batches are few or differ too much."""
    where, hours = air_words(fit, trial), _wait(fit, new, share)
    if not hours < MOST_WAIT * float(fit.predict(new, share=share)["estimate"].iloc[0]):
        return "How long a new batch takes can't be told yet: too few batches, or they differ too much."
    wait = f"{capital(where)}, wait" if where else "Wait"
    return f"{wait} {duration(hours)}: 19 of 20 batches are ready by then."


def _forecast(fit: CuringFit, share: float) -> list[Finding]:
    """Two findings a combination: when a typical batch is dry, and when a new one is."""
    found, kinds = list[Finding](), dict[str, Interval](forecast="confidence", allow="prediction")
    for name, each in ways(fit).items():
        who = f" with {name}" if each else ""
        for topic, kind in kinds.items():
            row = fit.predict(each, share=share, interval=kind).to_dict("records")[0]
            said = f"{percent(share)} of a typical batch{who} is dry after {words.estimate(row, 'h')}."
            if topic == "allow":
                said = f"Wait {duration(_wait(fit, each, share))}{who}: 19 of 20 batches are ready by then."
            more = {"batches": fit.n_batches, "kind": kind}
            found.append(words.numbers_of(f"dry_time.{topic}[{name}]", said, row, "h", **more))
    return found


def air_findings(fit: CuringFit, topic: str = "dry_time", lead: str = "") -> list[Finding]:
    """What each term of the room's air does; `lead` begins the sentences."""
    found = []
    for effect in fit.air_effects:
        said = f"{lead}{AIR_STEPS[effect.factor]}: {words.told(effect, MEASURES['dry_h'])}."
        found.append(words.of_effect(effect, MEASURES["dry_h"], said, f"{topic}.{effect.factor}"))
    return found


def damp(fit: CuringFit, trial: Trial, each: Mapping[str, Any], held: str) -> str:
    """What damp air does to one recipe, in hours at the ends of what was tried."""
    temp, tried = room_temp(fit, trial), list(fit.tried(VPD))
    humid, dry = rh_for_deficit(np.array(tried), temp)
    share = max(trial.settings.drying.shares)  # as the picture has it
    rows = fit.predict(pd.DataFrame({VPD: tried}).assign(**each), share=share)
    ends = [duration(hours) for hours in rows["estimate"]]
    where = ", ".join(filter(None, (f"{temp:g} °C", held)))
    told = f"{ends[1]} at {dry:.0f} % humidity, {ends[0]} at {humid:.0f} % ({where})"
    return f"Damp air slows drying: {told}." if np.isfinite(humid) else ""


def _in_damp_air(fit: CuringFit, trial: Trial) -> str:
    """How damp it may be for a night of drying, where no factor was changed; else a table tells it."""
    if fit.terms or not fit.air_matters:
        return ""
    night, (least, most) = trial.settings.drying.night_hours, fit.tried(VPD)
    sure = fit.air_needed(night, max(trial.settings.drying.shares), {})[1]
    rh = float(rh_for_deficit(sure, room_temp(fit, trial))) if least <= sure <= most else np.nan
    said = f"A night of {duration(night)} is enough for 19 of 20 batches up to {rh:.0f} % humidity."
    return said if np.isfinite(rh) else ""


def _combinations(fit: CuringFit, trial: Trial, shares: Sequence[float]) -> Grid:
    """Forecasts for every combination that was made."""
    made, label = list(ways(fit).values()), trial.settings.label
    cells = {label(t.name): [level_name(t, each[t.name]) for each in made] for t in fit.terms}
    rows = fit.predict(pd.DataFrame(made), share=shares[-1])
    cells[f"{percent(shares[-1])} dry"] = [duration(hours) for hours in rows["estimate"]]
    cells["95 % interval"] = [words.inside(row) for row in rows.to_dict("records")]
    cells["wait"] = [duration(_wait(fit, each, shares[-1])) for each in made]
    if rows["extrapolated"].any():
        cells[""] = ["not tried" if beyond else "" for beyond in rows["extrapolated"]]
    told = f"Hours until dry {air_words(fit, trial)}; wait: 19 of 20 batches are {percent(shares[-1])} dry by then"
    return Grid(pd.DataFrame(cells), told)


def _damper(trial: Trial, fit: CuringFit, share: float, temp: float) -> Pieces:
    """How damp the room may be for pieces to be ready after a night, and the chart for the wall."""
    night, made, (least, most) = trial.settings.drying.night_hours, ways(fit), fit.tried(VPD)
    found, cells = list[Finding](), list[tuple[str, ...]]()
    slowest = max(made, key=lambda name: float(fit.predict(made[name])["estimate"].iloc[0]))
    who, held = (f" with {slowest}", ", the slowest way made") if fit.terms else ("", "")
    chart = drawn.over_air(fit, share, made[slowest])

    def dampest(vpd_kpa: float) -> str:
        rh = float(rh_for_deficit(vpd_kpa, temp)) if np.isfinite(vpd_kpa) else np.nan
        tried = "" if least <= vpd_kpa <= most else ", not tried"
        more = " or more" if vpd_kpa <= least / 2 * 1.001 else ""
        return f"{rh:.0f} %{more}{tried}" if np.isfinite(rh) else "none near what was tried"

    for level, each in made.items():
        typical, sure = fit.air_needed(night, share, each)
        cells.append((level, dampest(typical), dampest(sure)))
        said = f"Dampest air for {percent(share)} to dry in {night:g} h, {level}: {cells[-1][1]}."
        row = {"estimate": typical, "conf_low": np.nan, "conf_high": sure}
        row["extrapolated"] = not all(least <= end <= most for end in (typical, sure) if np.isfinite(end))
        more = {"kind": "prediction", "batches": fit.n_batches}
        if np.isfinite(typical):
            found.append(words.numbers_of(f"dry_time.needed[{level}]", said, row, "kPa", **more))
    of = f"{percent(share)} of the pieces"
    return [
        "### As the room gets damper",
        Findings(found, "silent"),
        Grid(
            pd.DataFrame(cells, columns=["with", "a typical batch", "19 of 20 batches"]),
            f"The dampest air at {temp:g} °C in which {of} are dry within {night:g} h",
            method=True,
        ),
        Picture(
            "dry-time-chart",
            drawn.dry_chart(chart, share, night, who),
            f"Hours until {of} of a typical batch{who}{held}, are dry. Hatched: not tried."
            if held
            else f"Hours until {of} of a typical batch are dry. Hatched: not tried.",
            f"Chart of hours until {of} are dry over room temperature and humidity.",
        ),
    ]


def _seen(study: TouchStudy) -> list[str]:
    """The plain count of what the looks showed, where nothing can be fitted."""
    said = []
    for level, part in study.brackets.groupby("level", sort=False):
        dry = part[np.isfinite(part["upper"])]
        name = "" if study.grouped_by is None else f"{level}: "
        ends = f", between {words.between(dry['lower'].min(), dry['upper'].max(), 'h')}" if len(dry) else ""
        said.append(f"{name}{len(dry)} of {count(len(part), 'piece')} became dry{ends}.")
    return said + [_order(each) for each in study.order]


def _order(seen: SeenOrder) -> str:
    """Which of two ways became dry later, day by day, by the looks alone."""
    days, told = count(seen.later + seen.earlier + seen.open, "day"), seen.later + seen.earlier
    if told == 0:
        return f"The looks of {days} do not tell whether {seen.level} dried later than {seen.control}."
    many, way = max((seen.later, "later"), (seen.earlier, "sooner"))
    rest = f", the other way on {told - many}" if told > many else ""
    said = f"{capital(seen.level)} became dry {way} than {seen.control} on {many} of {days}{rest}; "
    said += f"chance alone would do so in {words.of_hundred(seen.p_value)} trials."
    if seen.least > 0 and np.isfinite(seen.most):
        said += f" It took {seen.least:.2f} to {seen.most:.2f} times as long here, as far as the looks tell."
    return said


def _curves(done: Analysis, study: TouchStudy) -> Picture:
    """The bracket of every piece, and the share dry over time."""
    fit, term = dried(done), study.grouped_by
    brackets, named = study.brackets, study.levels
    if fit is not None and len(fit.terms) > 1:
        runs, made = drawn_apart(fit.batches, fit.terms)
        brackets = brackets.assign(level=brackets["run"].map(runs.astype(str)))
        named = {str(name): dict(zip(map(str, made), row, strict=True)) for name, row in made.iterrows()}
    label = "" if term is None or named is not study.levels else done.trial.settings.label(term.name)
    figure = drawn.dry_curves(brackets, fit, named, label)
    never = "; an arrowhead was never seen dry" if np.isinf(brackets["upper"]).any() else ""
    looks = f"every piece from its last wet look to its first dry one{never}"
    if fit is None:
        alt = f"The brackets of {count(len(study.brackets), 'piece')}: {' '.join(_seen(study))}"
        return Picture("dry-brackets", figure, f"Lines: {looks}.", alt)
    told = f"Above, the share of pieces that is dry {air_words(fit, done.trial)}".rstrip()
    told += ", the other factors averaged" if len(fit.terms) > 1 else ""
    alt = (
        f"The share of dry pieces rising over the hours, for {listed(list(named))}, and each piece's bracket."
    )
    return Picture("dry-curves", figure, f"{told}. Below, {looks}.", alt)


def next_steps(done: Analysis) -> list[str]:
    """What to make or measure next, in the order of use."""
    fit, label = dried(done), done.trial.settings.label
    if fit is None:
        lines = ["Touch the pieces of the next batches at set hours, and write down which are dry."]
        if "dry_h" in done.reasons:
            lines = [words.spoken(done.reasons["dry_h"].would_help, done.trial.settings)]
        return lines
    steps = []
    open_ = [effect for effect in fit.effects if not (effect.shown or effect.same)]
    if open_:
        widest = max(open_, key=lambda effect: effect.conf_high / effect.conf_low)
        value, ends = widest.estimate, (widest.conf_low, widest.conf_high)
        low, high = (words.directed(value * (e / value) ** 0.5**0.5, widest, MEASURES["dry_h"]) for e in ends)
        what = f"Twice as many {widest.judged_by} would narrow “{words.against(widest, label)}”"
        steps.append(f"{what} to about {low} to {high}.")
    inside = fit.brackets[np.isfinite(fit.brackets["upper"]) & (fit.brackets["lower"] > 0)]
    spread = np.sqrt(np.nansum([fit.sigma**2, fit.tau**2]))
    if len(inside) and np.log(inside["upper"] / inside["lower"]).median() > 2.5 * spread:
        low, high = (duration(inside[end].quantile(at)) for end, at in (("lower", 0.25), ("upper", 0.75)))
        steps.append(f"Look more often between {low} and {high}, when most pieces became dry.")
    if fit.censoring["right"]:
        steps.append(f"Look once more where pieces were never seen dry ({fit.censoring['right']} of them).")
    if fit.air and (fit.tried(VPD)[1] / fit.tried(VPD)[0] < 2 or not fit.air_matters):
        steps.append("To learn what humidity does, make batches on damper and on drier days.")
    keep = ["Keep the record, and hang the chart that “fizzlab chart” prints beside the moulds."]
    return steps or keep


def cautions(done: Analysis) -> list[str]:
    """What limits the answer."""
    trial, fit, said = done.trial, dried(done), list[str]()
    if fit is not None:
        said += fit.notes
        said += list(fit.diagnose()["says"])
    return [*(words.spoken(line, trial.settings) for line in said), *_few(done, fit)]


def _few(done: Analysis, fit: CuringFit | None) -> Iterator[str]:
    """Which factors, and whether the air, rest on little: each by its own days or batches."""
    found: dict[str, dict[str, None]] = {"days": {}, "batches": {}}
    for effect in (*done.effects, *(fit.air_effects if fit else ())):
        name = "the room's air" if effect.factor in AIR_STEPS else done.trial.settings.label(effect.factor)
        if effect.df < FEW_ENOUGH_TO_SAY:
            found[effect.judged_by][name] = None
    for judge, few in found.items():
        if few:
            made = done.batches["day"].nunique() if judge == "days" else len(done.batches)
            yield f"{made} {judge} say little about {listed(list(few))}."


@standing
def by_weight(done: Analysis) -> Pieces:
    """Dry times by weight: the range, the air's effect, the curves, the pieces."""
    study, trial = done.study(RESPONSE), done.trial
    if not isinstance(study, WeighingStudy):
        why = done.reasons.get(RESPONSE)
        return [] if why is None else ["### By weight", caution([str(why)])]
    fit, table = done.fits.get(RESPONSE), study.pieces
    least, middle, most = table["hours"].quantile([0, 0.5, 1]).tolist()
    between = words.between(least, most, "h")
    share = percent(trial.settings.drying.remaining_share)
    said = f"By weight, {count(table['hours'].count(), 'piece')} had {share} of their moisture left after {between}"
    topic, said = "weighed_dry_time.range", f"{said} (middle {duration(middle)})."
    found, air = [Finding(topic, said, middle, least, most, "h", kind="range")], None
    if isinstance(fit, CuringFit) and fit.air:
        air = Findings(air_findings(fit, "weighed_dry_time", "By weight: "), "plain", method=True)
    labels = drawn_apart(trial.batches(), done.terms)[0]
    table = table.assign(level=table["run"].map(labels).astype(str))
    label = " and ".join(trial.settings.label(term.name) for term in done.terms)
    rows = table.assign(estimate=table["hours"]).to_dict("records")
    noted = [f"Piece {r['piece']} of batch {r['run']}: {r['note']}" for r in rows if r["note"]]
    cells = table[["run", "piece"]].astype(str).rename(columns={"run": "batch"})
    if label:
        cells[label] = table["level"]
    cells["moisture"] = [f"{number(g)} g" if pd.notna(g) else "?" for g in table["moisture_g"]]
    cells["dry after"] = [words.estimate(r, "h") if pd.notna(r["hours"]) else "not known" for r in rows]
    return [
        "### By weight",
        Findings(found, "plain"),
        air,
        Picture(
            "drying-curves",
            drawn.drying_curves(
                table.set_index(["run", "piece"])["level"], study.curves, list(labels.cat.categories), label
            ),
            "Mass of each weighed piece as a share of its first weighing, with its fitted curve.",
            f"Falling curves of the mass of {len(study.curves)} pieces; they are dry by weight after {between}.",
        ),
        caution([*noted, *study.notes]),
        Grid(cells, "The weighed pieces, with 95 % intervals", method=True),
    ]
