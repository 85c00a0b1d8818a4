"""How good a test is itself: the trial whose plan has the same batches read again and again."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.language import listed, say
from fizzlab.measures import Measure
from fizzlab.models.plotting import house_style, new_figure
from fizzlab.models.repeatability import GAIN, LIMIT, Repeatability, repeatability
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis
from fizzlab.report.page import Finding, Findings, Grid, Picture
from fizzlab.report.parts.general import Pieces, caution, standing
from fizzlab.report.phrases import capital, percent

#: The spreads that the table shows, with what they are of.
SPREADS = {
    "repeatability": "repeats_one",
    "between items": "pieces_batch",
    "between operators": "of_people",
    "between samples": "batches_made",
}

#: At most so many measures in the verdict, and so many steps of one more reading are priced.
MEASURES, STEPS = 4, 4


def of_repeats(done: Analysis) -> bool:
    """Does the plan have the same batches read again and again?"""
    plan = done.settings.plan
    return plan is not None and plan.again


@lru_cache(maxsize=2)
def tested(done: Analysis) -> tuple[Mapping[str, Repeatability], list[str]]:
    """Every measure with several readings a batch, those asked about first; and why others have no answer."""
    settings, found, reasons = done.settings, dict[str, Repeatability](), list[str]()
    for name in sorted(settings.measures(), key=lambda name: name not in settings.about):
        study, measure = done.study(name), settings.measure(name)
        if study is None or name not in study.readings:
            continue
        readings = _with_readers(done, measure, study.readings[name])
        log = measure.scale == "ratio" and bool((readings["upper"] > 0).all())
        try:
            found[name] = repeatability(readings, ("lower", "upper"), log=log, response=measure.titled)
        except CannotAnswer as reason:
            reasons.append(f"{capital(measure.label)}: {reason}")
    return found, reasons


def _with_readers(done: Analysis, measure: Measure, readings: pd.DataFrame) -> pd.DataFrame:
    """The readings with who took them; a piece that several read in turn is theirs together."""
    table, keys = done.trial.rows(measure.table), ["run", "piece"]
    if "rater" in readings or not {*keys, "rater"} <= set(table):
        return readings
    who = table.groupby(keys, sort=False)["rater"].agg(lambda each: listed(sorted(set(each))))
    return readings.merge(who.reset_index(), on=keys, how="left")


def enough(done: Analysis) -> list[str]:
    """The answer, a measure a line: how many readings a batch to plan, and how near two of them lie."""
    found, reasons = tested(done)
    if not found:
        return [say("cant_tell_reason", told=next(iter(reasons), say("nothing_read")))]
    said = [_told(each, done.settings.measure(name)) for name, each in found.items()]
    return [*said[:MEASURES], say("so_near_lie")]


def _told(each: Repeatability, measure: Measure) -> str:
    row = each.of_component("within samples") or {}
    ends = {key: LIMIT * row[at] for key, at in (("estimate", "sd"), ("conf_low",) * 2, ("conf_high",) * 2)}
    low, high = each.repeats_low, each.repeats_high
    plan = say("plan_batch", readings=say("n_readings", n=each.repeats))
    plan += f" ({words.from_to(str(low), str(high))})" if low < high else ""
    if each.of_component("between samples") is None:
        plan = say("more_batches")
    near = words.estimate(ends, words.unit_of(measure))
    return say("two_lie_within", label=capital(measure.label), plan=plan, near=near)


def next_repeats(done: Analysis) -> list[str]:
    """What to do with the answer."""
    open_ = [name for name, each in tested(done)[0].items() if each.repeats_high > each.repeats_low + 1]
    names = listed([done.settings.measure(name).label for name in open_])
    return [say("read_more", names=names), say("test_again")] if open_ else [say("test_again")]


def every_reading(done: Analysis) -> Pieces:
    """The picture: every reading of the first measure, by batch."""
    for each in tested(done)[0].values():
        with house_style():
            figure, axes = new_figure(height=3.0)
            each.plot(axes)
        title = say("every_reading", response=capital(each.response))
        return [title, Picture("front", figure, say("mark_reading"), f"{each.heading}.")]
    return []


@standing
def good_test(done: Analysis) -> Pieces:
    """Spread within and between, and what one more reading is worth; nothing in other trials."""
    if not of_repeats(done):
        return []
    (found, reasons), settings = tested(done), done.settings
    told, rows, worth = list[Finding](), dict[str, dict[str, str]](), dict[str, list[str]]()
    for name, each in found.items():
        label, cells = capital(settings.measure(name).label), _findings(name, each, settings.measure(name))
        rows[label] = {head: size for head, (size, _) in cells.items()}
        worth[label] = [percent(gain) for gain in each.worth["gain"][:STEPS]]
        told += [finding for _, finding in cells.values()]
    spread = pd.DataFrame(rows, index=[say(of) for of in SPREADS.values()]).dropna(how="all").fillna("–").T
    heads = [words.from_to(str(step), str(step + 1)) for step in range(1, STEPS + 1)]
    price, rule = pd.DataFrame(worth, index=heads).T, say("plan_one_more", gain=percent(GAIN))
    tables = {say("how_far_readings"): spread, say("what_one_more"): price}
    grids = [Grid(table.reset_index(names="measure"), caption) for caption, table in tables.items()]
    notes = [note for each in found.values() for note in each.notes]
    shown = [*grids, rule, Findings(told, kind="silent")] if found else []
    return [say("how_good_test"), *shown, caution([*notes, *reasons])]


def _findings(name: str, each: Repeatability, measure: Measure) -> dict[str, tuple[str, Finding]]:
    """Every spread in words and with its numbers, by what it is of."""
    found, unit = dict[str, tuple[str, Finding]](), words.unit_of(measure)
    for component, head in ((name, say(of)) for name, of in SPREADS.items()):
        row = each.of_component(component)
        if row is not None:
            sd = words.amount(row["sd"], unit) if row["sd"] > 0 else say("none_seen")
            size = f"{sd} ({words.inside(row, unit)})"
            said = f"{capital(measure.label)}, {head}: {size}"
            topic, more = f"repeatability.{name}[{head}]", {"batches": each.n_batches, "df": row["df"]}
            found[head] = size, words.numbers_of(topic, said, row | {"estimate": row["sd"]}, unit, **more)
    return found
