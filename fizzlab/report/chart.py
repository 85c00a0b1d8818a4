"""The chart for the wall: hours to wait by the room's humidity and temperature, for one recipe.

The words of the page stand in ``templates/chart.html``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import ceil, floor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer, cannot, refuse
from fizzlab.language import dated, listed, say, speaking
from fizzlab.models.air import rh_for_deficit, vapour_pressure_deficit
from fizzlab.models.curing import VPD, CuringFit
from fizzlab.models.terms import Category, level_name
from fizzlab.report import pdf as printing
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import rendered
from fizzlab.report.parts.choose import Voice, choosing
from fizzlab.report.parts.drying import FEW_DF, dried, waits
from fizzlab.report.phrases import percent, spoken
from fizzlab.trial.folder import load
from fizzlab.trial.placing import write_whole

#: The files of the chart in the trial's folder, but for their endings.
NAME = "wall-chart"

#: At most so many temperatures and humidities: more could not be read from two metres.
COLUMNS, ROWS = 6, 10

#: Beyond what was tried by more than this factor, in vapour-pressure deficit, nothing is guessed.
GUESSED = 2.0

#: The whole steps between one temperature, or humidity, and the next.
_DEGREES, _HUMIDITIES = (1, 2, 5, 10), (5, 10)


def write_chart(folder: Path, recipe: str = "", *, paper: printing.Paper | None = None) -> Iterator[Path]:
    """Write the chart of a trial, as a page and as a PDF beside its tables, and name each as it is there."""
    done = analyse(load(folder))
    html = folder / f"{NAME}.html"
    with speaking(done.settings.language):
        write_whole(html, wall_chart(done, recipe).encode())
    yield html
    printing.print_pdf(html, html.with_suffix(".pdf"), paper=paper or done.settings.paper)
    yield html.with_suffix(".pdf")


def wall_chart(done: Analysis, recipe: str = "") -> str:
    """The chart as one page; CannotAnswer where the trial cannot say how the wait depends on the air."""
    fit, settings = _fit(done), done.settings
    kept = _combination(done, fit, recipe)
    if not fit.air_matters:
        raise cannot("this_trial_does", wait=waits(fit, kept, done))
    table = wait_table(fit, kept, done.share).sort_values(["rh_pct", "temp_c"], ascending=[False, True])
    night = settings.drying.night_hours
    made = sorted(fit.batches["made_at"].dropna())
    return rendered(
        "chart.html",
        trial=settings,
        recipe=Voice(fit.terms, settings).name(kept) if kept else "",
        share=percent(done.share),
        night=f"{night:g}",
        temps=list(table["temp_c"].unique()),
        rows=[
            (rh, [_tile(*each, night) for each in zip(row["hours"], row["tried"], strict=True)])
            for rh, row in table.groupby("rh_pct", sort=False)
        ],
        batches=fit.n_batches,
        first=dated(made[0]),
        last=dated(made[-1]),
    )


def _fit(done: Analysis) -> CuringFit:
    fit = dried(done)
    if fit is None:
        reason = done.reasons.get("dry_h", cannot("there_no_touch_checks"))
        raise CannotAnswer(*(spoken(said, done.settings) for said in (reason.why, reason.would_help)))
    if not fit.air:
        raise cannot("rooms_air_not")
    if fit.forecast_df < FEW_DF:
        raise cannot("too_few_for_chart")
    return fit


def _combination(done: Analysis, fit: CuringFit, recipe: str) -> dict[str, Any]:
    """The combination that was named, else the one that the limits and wishes choose."""
    if not fit.terms:
        if recipe:
            raise refuse("no_factor", "--for")
        return {}
    settings, made = done.settings, fit.made()
    voice = Voice(fit.terms, settings)
    known = listed([f"“{voice.name(row, ', ')}”" for _, row in made.iterrows()], "or")
    if not recipe:
        chosen = choosing(done)
        if chosen is None:
            raise refuse("trial_toml", "chart", known=known)
        return dict(chosen.choice.best[[term.name for term in fit.terms]])
    wanted = {part.strip().casefold() for part in re.split(r"[,+]", recipe) if part.strip()}
    found = []
    for _, row in made.iterrows():
        names = set[str]()
        for term in fit.terms:
            level = level_name(term, row[term.name])
            bare = level if isinstance(term, Category) else f"{row[term.name]:g}"
            names |= {each.casefold() for each in (level, bare, f"{settings.label(term.name)} {level}")}
        if wanted <= names:
            found.append(dict(row))
    if len(found) == 1 and wanted:
        return found[0]
    raise refuse("fits_several" if found else "fits_none", "--for", recipe=recipe, known=known)


def wait_table(fit: CuringFit, new: dict[str, Any], share: float) -> pd.DataFrame:
    """Over round air, hours by which a share is dry in 19 of 20 batches; was such air tried?"""
    temps, (least, most) = fit.batches["temp_c"], fit.tried(VPD)
    degrees, half = _ticks(float(temps.min()), float(temps.max()), _DEGREES, COLUMNS)
    reach = rh_for_deficit(np.array([most, least]), float(temps.median()))
    humid, _ = _ticks(max(float(reach[0]), 30.0), min(float(reach[1]), 94.0), _HUMIDITIES, ROWS)
    temp, rh = (each.ravel() for each in np.meshgrid(degrees, [h for h in humid if h < 100], indexing="ij"))
    vpd = vapour_pressure_deficit(temp, rh)
    hours = fit.predict({VPD: vpd, **new}, share=share, interval="prediction", conf_level=0.9)["conf_high"]
    far = (vpd < least / GUESSED) | (vpd > most * GUESSED)
    tried = (vpd >= least) & (vpd <= most) & (temp >= temps.min() - half) & (temp <= temps.max() + half)
    return pd.DataFrame({"temp_c": temp, "rh_pct": rh, "hours": hours.where(~far), "tried": tried})


def _ticks(low: float, high: float, steps: tuple[int, ...], most: int) -> tuple[list[int], float]:
    """Round numbers from just below `low` to just above `high`, at most so many, and half their step."""
    for step in steps:
        ends = floor(low / step), ceil(high / step)
        if ends[1] - ends[0] < most or step == steps[-1]:
            break
    return [step * place for place in range(ends[0], ends[1] + 1)], step / 2


def _tile(hours: float, tried: bool, night_hours: float) -> dict[str, Any]:
    """What one tile says, rounded up: half hours below ten, days from two on."""
    if not np.isfinite(hours) or hours > 24 * 14:
        return {"said": "?", "told": say("not_tried_not"), "look": "long beyond"}
    half, whole, days = ceil(2 * hours - 1e-9) / 2, ceil(hours - 1e-9), ceil(hours / 24 - 1e-9)
    said, told = str(whole), say("whole_hours", whole=whole)
    if half < 10:
        said, told = f"{int(half) or ''}{'½' if half % 1 else ''}", say("half_hours", half=half)
    elif hours > 48:
        said, told = say("short_days", days=days), say("whole_days", days=days)
    look = "night" if hours <= night_hours else "day" if hours <= 24 else "long"
    guess = "" if tried else say("and_not_tried")
    return {"said": said, "told": told + guess, "look": look + " beyond" * (not tried)}
