"""The drying part of a report: when pieces are dry, by touch and by weight, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.measures import MEASURES
from fizzlab.models.air import rh_for_deficit
from fizzlab.models.curing import VPD, CuringFit, TouchStudy
from fizzlab.models.plotting import drawn_apart
from fizzlab.models.result import Interval
from fizzlab.models.terms import level_name
from fizzlab.models.touch import SeenOrder
from fizzlab.models.weighing import RESPONSE, WeighingStudy
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.figures import drying as drawn
from fizzlab.report.page import Finding, Findings, Grid, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, count, duration, listed, number, percent
from fizzlab.trial.folder import Trial

#: With fewer degrees of freedom than the first, a forecast for a new batch says nothing of use; with fewer
#: than the second, the report says that little is left to judge the scatter by.
FEW_DF, FEW_ENOUGH_TO_SAY = 1.5, 8.0

#: What the effect of the air is told for.
AIR_STEPS = {VPD: "In air of half the vapour-pressure deficit"}

GUESS = " Such air was not tried: this is the formula's guess."

#: Said in every report: what can hurt.
SAFETY = (
    "Acid and pigment dust hurt eyes and lungs; alcohol burns; oil makes a tub slippery.",
    "Use only colours allowed on skin where you live. Local cosmetic rules and a qualified safety assessor "
    "decide what may be sold; this report does not.",
)


def dried(done: Analysis) -> CuringFit | None:
    """The fit of dry times."""
    fit = done.fits.get("dry_h")
    return fit if isinstance(fit, CuringFit) else None


@standing
def drying(done: Analysis) -> Pieces:
    """When pieces are dry: the forecast, the figures, every combination, humidity, the chart for the wall."""
    trial, study, fit = done.trial, done.study("dry_h"), dried(done)
    pieces: Pieces = ["## How soon pieces dry"]
    if not isinstance(study, TouchStudy):
        nothing = "There are no touch checks, so this report has no dry times."
        return [] if done.effects else [*pieces, nothing]
    if fit is None:
        why = f"No dry times can be given. {done.reasons['dry_h'].why}"
        return [*pieces, caution([words.spoken(why, trial.settings), *_seen(study)]), _curves(done, study)]
    shares, temp = sorted(trial.settings.drying.shares), room_temp(fit, trial)
    first, silent = _forecast(fit, study, shares[-1], air_words(fit, trial))
    alone = not fit.terms or fit.forecast_df < FEW_DF  # else the table tells it of every combination
    told, silent = ([first], silent) if alone else ([], [first, *silent])
    pieces += [Findings([*told, *air_findings(fit, temp)]), Findings(silent, "silent"), _curves(done, study)]
    if fit.forecast_df >= FEW_DF:
        pieces.append(_combinations(fit, trial, shares))
    return [*pieces, *_damper(trial, study, fit, shares[-1], temp)] if fit.air_matters else pieces


def room_temp(fit: CuringFit, trial: Trial) -> float:
    """The temperature that is forecast for, else that of the middle batch."""
    point = trial.settings.drying.forecast_air
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


def standard(fit: CuringFit, grouped_by: object = None) -> str:
    """What a forecast holds but for the factor it goes by, as it goes on after "pieces"."""
    named = [level_name(t, fit.typical[t.name]) for t in fit.terms if t != grouped_by]
    return f" with {listed(named)}" if named else ""


def _wait(fit: CuringFit, new: Mapping[Any, Any], share: float) -> float:
    """Hours by which a share of the pieces is dry in 19 of 20 new batches."""
    return float(fit.predict(new, share=share, interval="prediction", conf_level=0.9)["conf_high"].iloc[0])


def waits(fit: CuringFit, new: Mapping[str, Any], share: float, trial: Trial) -> str:
    """How long to wait, as a sentence."""
    where, hours = air_words(fit, trial), duration(_wait(fit, new, share))
    wait = f"{capital(where)}, wait" if where else "Wait"
    return f"{wait} {hours}: 19 of 20 batches are ready by then."


def _forecast(fit: CuringFit, study: TouchStudy, share: float, where: str) -> tuple[Finding, list[Finding]]:
    """The forecast in a sentence, and its numbers: two findings a level, the typical batch and a new one."""
    hours, waits, found = list[str](), list[str](), list[Finding]()
    for level, each in study.levels.items():
        who = f" with {level}" if each else ""
        kinds: dict[str, Interval] = {"forecast": "confidence", "allow": "prediction"}
        for topic, kind in kinds.items():
            row = fit.predict(each, share=share, interval=kind).to_dict("records")[0]
            said = f"{percent(share)} of a typical batch{who} is dry after {words.estimate(row, 'h')}."
            if topic == "forecast":
                hours.append(f"{duration(row['estimate'])}{who}")
            else:
                waits.append(f"{duration(_wait(fit, each, share))}{who}")
                said = f"Wait {waits[-1]}: 19 of 20 batches are ready by then."
            more = {"batches": fit.n_batches, "kind": kind}
            found.append(words.numbers_of(f"dry_time.{topic}[{level}]", said, row, "h", **more))
    held = standard(fit, study.grouped_by)
    of = f"a typical batch{held} is {percent(share)} dry after {listed(hours)}"
    said = f"{capital(f'{where}, {of}' if where else of)}. Wait {listed(waits)}: 19 of 20 batches are ready by then."
    if fit.forecast_df < FEW_DF:
        said = "These are too few batches to forecast when a new one will be dry."
    elif any(each.beyond_tried for each in found):
        said += GUESS
    return Finding("dry_time.forecast", said, batches=fit.n_batches), found


def air_findings(fit: CuringFit, temp_c: float, topic: str = "dry_time", lead: str = "") -> list[Finding]:
    """What each term of the room's air does; `lead` begins the sentences."""
    found = []
    for effect in fit.air_effects:
        said = f"{lead}{AIR_STEPS[effect.factor]}: {words.told(effect, MEASURES['dry_h'])}."
        if not lead and fit.air_matters:
            rh = rh_for_deficit(np.array(fit.tried(VPD)), temp_c)
            damp, dry = fit.predict({VPD: list(fit.tried(VPD))})["estimate"]
            if np.isfinite(rh).all():
                ends = f"{duration(dry)} at {rh[1]:.0f} % humidity, {duration(damp)} at {rh[0]:.0f} % ({temp_c:g} °C)"
                said = f"Damp air slows drying: half the pieces are dry after {ends}. {said}"
        found.append(words.of_effect(effect, MEASURES["dry_h"], said, f"{topic}.{effect.factor}"))
    return found


def _combinations(fit: CuringFit, trial: Trial, shares: Sequence[float]) -> Grid:
    """Forecasts for every combination that was made."""
    made, label = fit.made() if fit.terms else pd.DataFrame(index=[0]), trial.settings.label
    cells = {label(t.name): [level_name(t, value) for value in made[t.name]] for t in fit.terms}
    rows = fit.predict(made, share=shares[-1])
    cells[f"{percent(shares[-1])} dry"] = [duration(hours) for hours in rows["estimate"]]
    cells["95 % interval"] = [words.inside(row) for row in rows.to_dict("records")]
    cells["wait"] = [duration(_wait(fit, each, shares[-1])) for each in made.to_dict("records") or [{}]]
    if rows["extrapolated"].any():
        cells[""] = ["not tried" if beyond else "" for beyond in rows["extrapolated"]]
    told = f"Hours until dry {air_words(fit, trial)}; wait: 19 of 20 batches are {percent(shares[-1])} dry by then"
    return Grid(pd.DataFrame(cells), told)


def _damper(trial: Trial, study: TouchStudy, fit: CuringFit, share: float, temp: float) -> Pieces:
    """How damp the room may be for pieces to be ready after a night, and the chart for the wall."""
    night, who, (least, most) = trial.settings.drying.night_hours, standard(fit), fit.tried(VPD)
    found, cells, chart = list[Finding](), list[tuple[str, ...]](), drawn.over_air(fit, share)

    def dampest(vpd_kpa: float) -> str:
        rh = float(rh_for_deficit(vpd_kpa, temp)) if np.isfinite(vpd_kpa) else np.nan
        tried = "" if least <= vpd_kpa <= most else ", not tried"
        more = " or more" if vpd_kpa <= least / 2 * 1.001 else ""
        return f"{rh:.0f} %{more}{tried}" if np.isfinite(rh) else "none near what was tried"

    for level, each in study.levels.items():
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
        ),
        Picture(
            "dry-time-chart",
            drawn.dry_chart(chart, share, night, who),
            f"For the wall: hours until {of} of a typical batch{who} are dry. Hatched: not tried.",
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
    """Dry time over the air where no factor changed, else the bracket of every piece and the share dry over time."""
    fit, term = dried(done), study.grouped_by
    if fit is not None and fit.air and term is None:
        seen = "Upright lines: pieces; band: the typical batch; light: a new batch (95 %)."
        alt = "Hours until half the pieces are dry, falling as the air gets thirstier."
        figure = drawn.dry_time_by_air(study.brackets, fit)
        return Picture("dry-time-by-air", figure, f"Dry time against how thirsty the air was. {seen}", alt)
    label = "" if term is None else done.trial.settings.label(term.name)
    figure = drawn.dry_curves(study.brackets, fit, study.levels, label)
    looks = "every piece from its last wet look to its first dry one; an arrowhead was never seen dry"
    if fit is None:
        alt = f"The brackets of {count(len(study.brackets), 'piece')}: {' '.join(_seen(study))}"
        return Picture("dry-brackets", figure, f"Lines: {looks}.", alt)
    told = f"Above, the share of pieces that is dry {air_words(fit, done.trial)}".rstrip()
    alt = f"The share of dry pieces rising over the hours, for {listed(list(study.levels))}, and each piece's bracket."
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
    if any(effect.shown for effect in fit.effects):
        steps.append("Before you change the recipe for good, make two or three of each way once more.")
    inside = fit.brackets[np.isfinite(fit.brackets["upper"]) & (fit.brackets["lower"] > 0)]
    spread = np.sqrt(np.nansum([fit.sigma**2, fit.tau**2]))
    if len(inside) and np.log(inside["upper"] / inside["lower"]).median() > 2.5 * spread:
        low, high = (duration(inside[end].quantile(at)) for end, at in (("lower", 0.25), ("upper", 0.75)))
        steps.append(f"Look more often between {low} and {high}, when most pieces became dry.")
    if fit.censoring["right"]:
        steps.append(f"Look once more where pieces were never seen dry ({fit.censoring['right']} of them).")
    if fit.air and (fit.tried(VPD)[1] / fit.tried(VPD)[0] < 2 or not fit.air_matters):
        steps.append("To learn what humidity does, make batches on damper and on drier days.")
    keep = ["Keep the record, and hang the dry-time chart beside the moulds."]
    return steps or keep


def cautions(done: Analysis) -> list[str]:
    """What limits the answer."""
    trial, fit, said = done.trial, dried(done), list[str]()
    if fit is not None:
        effects = (*fit.effects, *fit.air_effects)
        few = [effect.factor for effect in effects if effect.df < FEW_ENOUGH_TO_SAY]
        said += fit.notes
        if few:
            names = ["the room's air" if name in AIR_STEPS else trial.settings.label(name) for name in few]
            units = count(fit.n_days, "day") if fit.n_days else count(fit.n_batches, "batch", "batches")
            said.append(f"{capital(units)} say little about {listed(list(dict.fromkeys(names)))}.")
        said += list(fit.diagnose()["says"])
    lines = [words.spoken(line, trial.settings) for line in said]
    if trial.doubts:
        lines.append(f"The readings raise {count(len(trial.doubts), 'doubt')}, listed below.")
    return lines


@standing
def by_weight(done: Analysis) -> Pieces:
    """Dry times by weight: the range, the air's effect, the curves, the pieces."""
    study, trial = done.study(RESPONSE), done.trial
    if not isinstance(study, WeighingStudy):
        why = done.reasons.get(RESPONSE)
        return [] if why is None else ["## Drying by weight", caution([str(why)])]
    fit, factor, table = done.fits.get(RESPONSE), study.grouped_by, study.pieces
    least, middle, most = table["hours"].quantile([0, 0.5, 1]).tolist()
    between = words.between(least, most, "h")
    share = percent(trial.settings.drying.remaining_share)
    said = f"By weight, {count(table['hours'].count(), 'piece')} had {share} of their moisture left after {between}"
    topic, said = "weighed_dry_time.range", f"{said} (middle {duration(middle)})."
    found = [Finding(topic, said, middle, least, most, "h", kind="range")]
    if isinstance(fit, CuringFit) and fit.air:
        found += air_findings(fit, room_temp(fit, trial), "weighed_dry_time", "By weight: ")
    labels = drawn_apart(trial.batches(), [] if factor is None else [factor])[0]
    table = table.assign(level=table["run"].map(labels).astype(str))
    label = "" if factor is None else trial.settings.label(factor.name)
    rows = table.assign(estimate=table["hours"]).to_dict("records")
    noted = [f"Piece {r['piece']} of batch {r['run']}: {r['note']}" for r in rows if r["note"]]
    cells = table[["run", "piece"]].astype(str).rename(columns={"run": "batch"})
    if label:
        cells[label] = table["level"]
    cells["moisture"] = [f"{number(g)} g" if pd.notna(g) else "?" for g in table["moisture_g"]]
    cells["dry after"] = [words.estimate(r, "h") if pd.notna(r["hours"]) else "not known" for r in rows]
    return [
        "## Drying by weight",
        Findings(found),
        Picture(
            "drying-curves",
            drawn.drying_curves(
                table.set_index(["run", "piece"])["level"], study.curves, list(labels.cat.categories), label
            ),
            "Mass of each weighed piece as a share of its first weighing, with its fitted curve.",
            f"Falling curves of the mass of {len(study.curves)} pieces; they are dry by weight after {between}.",
        ),
        caution([*noted, *study.notes]),
        Grid(cells, "The weighed pieces, with 95 % intervals"),
    ]
