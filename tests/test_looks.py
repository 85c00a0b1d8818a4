"""A trial that is looked at again as batches are added."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from kept_trial import keep_record

from fizzlab.models.effects import fit_response
from fizzlab.models.sequential import constant_level, planned_level
from fizzlab.models.terms import Category
from fizzlab.report import analysis
from fizzlab.report.analysis import looks_of
from fizzlab.trial.folder import load

DEMO = Path(__file__).parents[1] / "data" / "demo" / "colour-ways"
COLOUR = Category("colour", ("pearl", "dye"), "pearl")
LOOKS = (12, 18, 24, 30, 36)


def test_a_report_with_more_batches_than_one_before_is_another_look(tmp_path: Path) -> None:
    folder = tmp_path / "quay"
    for batches in (2, 3, 3, 9):
        keep_record(folder, batches=batches)
    trial = load(folder)
    now = len(trial.rows("runs"))
    assert looks_of(trial) == (2, 3, now)


@pytest.mark.slow
def test_more_looks_need_more_confidence_and_one_look_none() -> None:
    levels = [constant_level(LOOKS[:looks]) for looks in range(1, 6)]
    assert levels[0] == 0.95
    assert levels == sorted(levels)
    assert levels[-1] < 1 - 0.05 / 5  # less than if the looks had nothing to do with each other


@pytest.mark.slow
def test_every_fit_is_made_at_the_level_of_the_newest_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = shutil.copytree(DEMO, tmp_path / "ways")
    toml = (folder / "trial.toml").read_text(encoding="utf-8")
    monkeypatch.setattr(analysis, "looks_of", lambda trial: (9, len(trial.rows("runs"))))
    fits = analysis.analyse(load(folder)).fits
    assert {fit.conf_level for fit in fits.values()} == {constant_level((9, 15))}
    plan = '\n[plan]\nkind = "compare"\ndays = 5\nbatches_per_day = 3\nlooks = [9, 15]\n'
    (folder / "trial.toml").write_text(toml + plan, encoding="utf-8")
    fits = analysis.analyse(load(folder)).fits
    assert {fit.conf_level for fit in fits.values()} == {planned_level((9, 15), 15)}


def test_a_very_early_look_has_a_level_that_a_table_can_give() -> None:
    assert 0.9999 < planned_level([2], 36) < 1


def test_a_look_beyond_the_planned_ones_is_judged_as_if_none_had_been() -> None:
    assert planned_level([12, 24, 30], 24) == constant_level([12, 24, 30])


@pytest.mark.slow
def test_later_looks_add_no_more_false_alarms_than_the_first_one_already_cost() -> None:
    rng, trials = np.random.default_rng(711), 400
    level = [constant_level(LOOKS[:look]) for look in range(1, 6)]
    planned = [planned_level(LOOKS[:look], LOOKS[-1]) for look in range(1, 6)]
    alarms = {"as if each were the only one": 0, "held together": 0, "planned": 0}
    for _ in range(trials):
        colour = np.array(["pearl", "dye"])[np.arange(36) % 2]
        table = pd.DataFrame({"run": [f"R{i}" for i in range(36)], "colour": colour})
        table["hours"] = rng.gamma(8.0, size=36)  # of another shape than the fit, which is of logarithms
        seen = set[str]()
        for look, batches in enumerate(LOOKS):
            p = fit_response(table[:batches], "hours", [COLOUR]).effects[0].p_value
            seen |= {"as if each were the only one"} if p < 0.05 else set()
            seen |= {"held together"} if p < 1 - level[look] else set()
            seen |= {"planned"} if p < 1 - planned[look] else set()
        for how in seen:
            alarms[how] += 1
    rate = {how: count / trials for how, count in alarms.items()}
    error = np.sqrt(0.05 * 0.95 / trials)
    assert rate["as if each were the only one"] > 0.05 + 3 * error
    # the first look was taken at 95 %, before anybody knew of the others: 8.4 % in all for known variances
    assert rate["held together"] < 0.084 + 2 * np.sqrt(0.084 * 0.916 / trials)
    assert rate["planned"] < 0.05 + 2 * error
