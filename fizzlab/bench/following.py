"""The trial that a report recommends: a folder beside it, or batches added to its own tables."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fizzlab import records
from fizzlab.bench.cards import make_cards
from fizzlab.bench.files import Files
from fizzlab.bench.planfiles import BENCH_SHEET, enter, readings_sheets, renew
from fizzlab.bench.planning import TrialPlan, dated, read_plan
from fizzlab.bench.sheet import bench_sheet
from fizzlab.bench.workbook import show
from fizzlab.design.adding import make_again
from fizzlab.design.factors import as_factor
from fizzlab.design.kinds import KINDS
from fizzlab.errors import refuse
from fizzlab.language import say
from fizzlab.trial.calendar import times
from fizzlab.trial.folder import RECORDS, WORKBOOK, Trial, load, refuse_records
from fizzlab.trial.journal import Change
from fizzlab.trial.opening import open_in
from fizzlab.trial.placing import changing
from fizzlab.trial.settings import FILE, PlanSettings

#: What a folder of its own is called behind the trial's name.
_CALLED = {"move": "moved", "confirm": "confirm", "again": "again"}


def follow(folder: Path, kind: str | None = None, to: Path | None = None) -> list[str]:
    """Do the first step that the newest record recommends, or that of a kind; say what was made and why.

    BadInput, and nothing written, where there is no such step, the record is stale, or a file is in the way.
    """
    refuse_records(folder)
    record, steps = _recommended(folder)
    step = next((each for each in steps if kind in (None, each["next"]["kind"])), None)
    if step is None:
        known = ", ".join(each["next"]["kind"] for each in steps) or say("nothing_to_set_up")
        raise refuse("not_recommended", str(folder), record=record, known=known)
    trial, wanted = load(folder), step["next"]
    why = say("why_followed", record=record, sentence=step["sentence"].partition(": fizzlab")[0])
    if wanted["kind"] == "add":
        with changing(folder) as making:
            _recommended(folder)  # nobody was quicker
            added = _add(load(folder), wanted["batches"], making)
        return [added, *(renew(folder)[1:] if trial.settings.plan and trial.settings.plan.start else []), why]
    called = _CALLED[wanted["kind"]]
    to = (to or folder.resolve().with_name(f"{folder.resolve().name}-{called}")).absolute()
    with changing(to) as making:
        if to.exists():
            raise refuse("name_another_to", str(to))
        (making / FILE).write_text(_settings(trial, wanted, to), encoding="utf-8")
        many = say("n_batches", n=len(read_plan(making).runs))  # `fizzlab plan` will not refuse it
    return [say("made_to_follow", to=to, batches=many), why]


def _recommended(folder: Path) -> tuple[str, list[dict[str, Any]]]:
    """The newest record, and its findings that recommend something; BadInput without one, or a stale one."""
    verified = records.verify(folder)
    for fault in [each for each in verified.faults if each.kind != "seal"][:1]:
        told = fault.sentence.partition(" (")[0].rstrip(".")
        raise refuse("report_stale", str(folder), fault=told, folder=folder)
    for entry in verified.ledger.reports()[-1:]:
        text = (folder / RECORDS / entry.record / "findings.json").read_text(encoding="utf-8")
        named = say("record_named", record=entry.record)
        return named, [each for each in json.loads(text) if each.get("next")]
    raise refuse("no_report_yet", str(folder), folder=folder)


def _settings(trial: Trial, step: dict[str, Any], to: Path) -> str:
    """The trial.toml of a trial that follows: as it was, but for what the step changes and what befell."""
    import tomlkit

    settings, own = trial.settings, trial.folder.resolve()
    text: Any = tomlkit.parse((trial.folder / FILE).read_text(encoding="utf-8-sig"))
    for gone in ("deviations", "lots", "confirms"):
        text.pop(gone, None)
    called = _CALLED[step["kind"]]
    text["code"], text["title"] = f"{settings.code[:31]}-{called}", f"{settings.title}, {called}"
    before = [(own / said).resolve() for said in (settings.earlier.trials if settings.earlier else ())]
    if step["kind"] == "confirm":
        text["confirms"] = {"trial": _way(own, to)}
    elif not {own, own.parent} & {*before}:
        before.append(own)
    if before:
        text["earlier"] = {"trials": [_way(path, to) for path in before]}
    runs, plan = trial.rows("runs"), text.get("plan", {})
    plan.pop("start", None)
    plan.setdefault("batches_per_day", int(runs.groupby("day").size().max()))
    plan.setdefault("tables", [name for name in trial.tables if name != "runs"])
    if step["kind"] == "move":
        factor, ends = text["factors"][step["factor"]], [step["amounts"][0], step["amounts"][-1]]
        if "kind" not in plan:
            plan["kind"] = "factorial" if len(settings.factors) > 1 else "compare"
        if plan["kind"] == "compare":
            plan.setdefault("days", int(runs["day"].nunique()))
        if "low" in factor:
            factor["low"], factor["high"] = ends
        if "amounts" in factor:
            factor["amounts"] = ends if KINDS[plan["kind"]].two_levels else step["amounts"]
    else:
        for key in {option for kind in KINDS.values() for option in kind.options} & {*plan}:
            del plan[key]
        plan |= {"kind": "once more", "repeats": step["repeats"], "combinations": step["combinations"]}
    text["plan"] = plan
    return tomlkit.dumps(text)


def _way(path: Path, to: Path) -> str:
    return os.path.relpath(path, to).replace(os.sep, "/")


def _add(trial: Trial, batches: list[dict[str, Any]], making: Path) -> str:
    """Add batches behind those made: rows to runs and to the workbook's sheets, a bench sheet, the ledger."""
    import openpyxl

    folder, settings, new = trial.folder, trial.settings, pd.DataFrame(batches)
    files = Files(folder, settings.tables())
    raw, made = files.read("runs").raw().cells, trial.rows("runs")
    new["run"], new["blind"], new["day"] = _named(raw, new["day"], settings.seed)
    every = pd.concat([made, new]).reindex(columns=["run", "day", "blind", *settings.factors])
    every = every.fillna({"blind": ""}).astype({"run": str, "day": str, "blind": str})
    wishes = settings.plan or PlanSettings(
        kind="once more", tables=[name for name in trial.tables if name != "runs"]
    )
    settings = settings.model_copy(update={"plan": wishes})
    cards = make_cards(settings, every)  # of all, so that the new are scaled as the others were
    cards = dated(replace(cards, cards=cards.cards[len(made) :]), times(settings, pd.concat([made, new])))
    factors = [as_factor(name, factor.model_dump()) for name, factor in settings.factors.items()]
    new_ones = [{name: each[name] for name in settings.factors} for each in batches]
    plan = make_again(factors, 0, combinations=new_ones, repeats=1)
    planned = TrialPlan(settings, plan, every.iloc[len(made) :], cards)
    rows = {
        each.name: each.rows for each in readings_sheets(planned) if files.path(each.name).name == WORKBOOK
    }
    rows["runs"] = new if "blind" in raw else new.drop(columns="blind")
    names = list(dict.fromkeys([*(files.path(name).name for name in rows), BENCH_SHEET]))
    for name in names:
        if open_in(folder / name) is not None:
            raise refuse("open_elsewhere", str(folder / name))
    earlier, many = records.read_ledger(folder / RECORDS).plan(), say("n_batches", n=len(new))
    for name in names:
        if (folder / name).exists():
            shutil.copy2(folder / name, making / name)
    copies = Files(making, files.specs)
    for table, some in rows.items():
        first = max(copies.read(table).rows, default=1) + 1
        cells = some.astype(object).map(_text).to_dict("records")
        changes = [
            Change(first + place, None, {str(k): v for k, v in row.items()})
            for place, row in enumerate(cells)
        ]
        copies.write(table, changes, {column.name: column.kind for column in files.specs[table].columns})
    if WORKBOOK in names:
        book = openpyxl.load_workbook(making / WORKBOOK)
        show(book)
        book.save(making / WORKBOOK)
    html = bench_sheet(settings, wishes, cards, [say("added_before", batches=many)])
    (making / BENCH_SHEET).write_text(html, encoding="utf-8")
    before = earlier.runs if earlier else every.iloc[: len(made)].to_dict("records")
    runs = [*before, *planned.runs.to_dict("records")]
    enter(folder, making, settings, f"{wishes.kind}, added to", runs)
    told = {"first": new["run"].iloc[0], "last": new["run"].iloc[-1], "files": ", ".join(names)}
    return say("added_to", batches=many, folder=folder, **told)


def _named(made: pd.DataFrame, day: pd.Series, seed: int) -> tuple[list[str], list[str], list[str]]:
    """Names, blind codes and days that go on where those of every row end, of rows left out too."""
    parts = filter(None, (re.fullmatch(r"(.*?)(\d+)", run.strip()) for run in made["run"]))
    head, last = max((part.groups() for part in parts), key=lambda part: int(part[1]), default=("R", "00"))
    runs = [f"{head}{int(last) + place:0{len(last)}d}" for place in range(1, len(day) + 1)]
    used = set(made["blind"].str.strip()) if "blind" in made else set()
    free = [str(code) for code in range(100, 1000) if str(code) not in used]
    codes = np.random.default_rng([seed, len(made)]).choice(free, len(day), replace=False).tolist()
    first = max([made["day"].nunique(), *(int(each) for each in made["day"].str.strip() if each.isdecimal())])
    return runs, codes, [str(first + int(each)) for each in day]


def _text(cell: Any) -> str:
    return "" if pd.isna(cell) else f"{cell:.10g}" if isinstance(cell, float) else str(cell)
