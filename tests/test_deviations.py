"""Lots and deviations: what trial.toml may say of them, and what the tables show by themselves."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from planned_trials import HEAD, KINDS
from sound_trial import RUNS, TOML, TOUCH

from fizzlab.bench.planfiles import write_plan
from fizzlab.errors import BadInput
from fizzlab.records import enter_plan, read_ledger
from fizzlab.report.analysis import analyse
from fizzlab.report.deviations import deviations, touched
from fizzlab.report.parts.front import foot
from fizzlab.trial.folder import load
from fizzlab.trial.placing import changing

MakeTrial = Callable[..., Path]


def _said(folder: Path) -> list[tuple[str, str, str]]:
    return [(found.run, found.what, found.why) for found in deviations(load(folder))]


def test_a_trial_that_went_as_planned_has_none(make_trial: MakeTrial) -> None:
    assert _said(make_trial()) == []


def test_order_days_and_sprays_show_in_runs(make_trial: MakeTrial) -> None:
    runs = (
        "run,day,made_at,sprays,colour,binder_g\n"
        "A,2026-01-05,2026-01-05T11:00,0,pearl,0.6\n"
        "B,2026-01-05,2026-01-05T10:00,2,dye,1.2\n"
        "C,second,2026-01-06T09:00,1,pearl,1.2\n"
        "D,second,2026-01-07T10:00,,dye,0.6\n"
    )
    folder = make_trial(runs__csv=runs.replace("A,2026-01-05", "A,2026-01-04"))
    assert _said(folder) == [
        ("B", "made at 2026-01-05 10:00, before batch A, which stands above it in runs", ""),
        ("A", "made on 2026-01-05, not on its day 2026-01-04", ""),
        ("", "the batches of day second were made on several dates (2026-01-06, 2026-01-07)", ""),
        ("B", "2 extra sprays of alcohol", ""),
        ("C", "1 extra spray of alcohol", ""),
    ]


def test_left_out_rows_and_absent_readings_show(make_trial: MakeTrial) -> None:
    touch = TOUCH.replace("note", "leave_out").replace("A,1,2,no,", "A,1,2,no,slipped").replace("B,1", "A,2")
    runs = RUNS.replace("note", "leave_out").replace("D,2,2026-01-06T10:00,dye,0.6,", "D,2,,dye,0.6,dropped")
    runs = runs.replace('"a wet, grey day"', "")
    assert _said(make_trial(touch_checks__csv=touch, runs__csv=runs)) == [
        ("D", "left out", "dropped"),
        ("A", "1 row of touch_checks left out", "slipped"),
        ("B", "no reading in any table", ""),
    ]


WRITTEN = """
[lots]
citric_acid = ["L2391", "L2402"]
"baking soda" = "B77"

[[deviations]]
run = "B"
what = "pressed an hour late"
why = "the mould was wet"
"""


def test_what_the_maker_writes_comes_first(make_trial: MakeTrial) -> None:
    trial = load(make_trial(trial__toml=TOML + WRITTEN))
    assert trial.settings.lots == {"citric_acid": ["L2391", "L2402"], "baking soda": ["B77"]}
    [found] = deviations(trial)
    assert (found.run, found.what, found.why) == ("B", "pressed an hour late", "the mould was wet")
    assert not found.seen


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        (
            WRITTEN.replace('run = "B"', 'run = "X1"'),
            "deviations (1).run: “X1” is not a batch that runs names.",
        ),
        (WRITTEN.replace("what =", "waht ="), "Did you mean what?"),
        (WRITTEN.replace('"B77"', "77"), "key lots.baking soda"),
    ],
)
def test_what_cannot_be_read_is_said(make_trial: MakeTrial, toml: str, says: str) -> None:
    with pytest.raises(BadInput) as raised:
        load(make_trial(trial__toml=TOML + toml))
    assert says in str(raised.value)


def test_what_differs_from_the_plan_that_was_kept(make_trial: MakeTrial) -> None:
    planned = [
        {"run": "B", "day": "1", "blind": "K", "colour": "dye", "binder_g": 1.2},
        {"run": "A", "day": "1", "blind": "L", "colour": "pearl", "binder_g": 0.6},
        {"run": "C", "day": "1", "blind": "M", "colour": "dye", "binder_g": 0.6},
        {"run": "E", "day": "2", "blind": "N", "colour": "dye", "binder_g": 0.6},
    ]
    folder = make_trial()
    with changing(folder) as room:
        enter_plan(
            folder / "records", room, trial="t", plan="factorial", runs=planned, title="t", by="", seed=1
        )
    found = deviations(load(folder))
    assert [(deviation.run, deviation.what) for deviation in found] == [
        ("E", "planned, but not in runs"),
        ("C", "colour pearl, planned dye"),
        ("C", "binder 1.2 g, planned 0.6 g"),
        ("D", "not in the plan"),
        ("", "the batches stand in runs in another order than planned"),
        ("C", "made on day 2, not with the others of planned day 1"),
    ]


def test_a_plan_made_by_the_kit_and_followed_shows_no_deviation(tmp_path: Path) -> None:
    (tmp_path / "trial.toml").write_text(HEAD + KINDS["central composite"])
    write_plan(tmp_path)
    plan = read_ledger(tmp_path / "records").plan()
    assert plan is not None
    assert len(plan.runs) == 14
    assert deviations(load(tmp_path)) == []
    book = openpyxl.load_workbook(tmp_path / "readings.xlsx")
    book["runs"].delete_rows(3)
    book.save(tmp_path / "readings.xlsx")
    assert [found.what for found in deviations(load(tmp_path))] == ["planned, but not in runs"]


SPRAYED = RUNS.replace('"a wet, grey day"', "").replace("note", "sprays")
CALLED = TOML + 'label = "alcohol"\n'
SPILT = '[[deviations]]\nrun = "C"\nwhat = "half of the Binder was spilt"\n'
ALCOHOL = """
[recipe]
[[recipe.ingredients]]
name = "soda"
kind = "baking soda"
amount = "200 g"
[[recipe.ingredients]]
name = "rubbing spirit"
kind = "isopropyl alcohol 91 %"
amount = "3 g"
[recipe.by_factor.binder_g]
sets = "rubbing spirit"
"""


@pytest.mark.parametrize(
    ("toml", "sprayed", "says"),
    [
        (TOML, "BC", ""),  # neither colour nor binder is alcohol
        (CALLED, "B", "alcohol in B"),
        (CALLED, "", ""),
        (TOML + ALCOHOL, "AC", "binder in A and C"),
        (TOML + SPILT, "", "binder in C"),
        (TOML + SPILT.replace("Binder", "rubbing spirit") + ALCOHOL, "C", "binder in C"),
        (TOML + SPILT.replace('run = "C"\n', ""), "", "binder"),
        (TOML + SPILT.replace("Binder", "bookbinder's tea"), "", ""),
    ],
)
def test_what_touches_a_factor_is_a_caution(
    toml: str, sprayed: str, says: str, make_trial: MakeTrial
) -> None:
    head, *rows = SPRAYED.splitlines()
    runs = "\n".join([head, *(f"{row}{2 if row[0] in sprayed else 0}" for row in rows), ""])
    told = touched(load(make_trial(trial__toml=toml, runs__csv=runs)))
    assert told == ([f"What is tried was not only as planned: {says}; the record says how."] if says else [])


def test_the_front_page_says_what_touches_a_factor(make_trial: MakeTrial) -> None:
    runs = "\n".join(row + ("2" if row.startswith("B") else "") for row in SPRAYED.splitlines()) + "\n"
    trial = load(make_trial(trial__toml=CALLED, runs__csv=runs))
    assert touched(trial)[0] in foot(analyse(trial)).cautions
