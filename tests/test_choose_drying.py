"""Dry times between two looks, and sure numbers, among the responses to choose by."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fizzlab.design.adding import next_runs
from fizzlab.models.choose import (
    DryTimes,
    Limit,
    Sure,
    Wish,
    confirm,
    grid_settings,
    judge_settings,
    simulate,
    tried_settings,
)
from fizzlab.models.cure.study import DryingStudy
from fizzlab.models.cure.touch import fit_dry_time
from fizzlab.models.effects import fit_response
from fizzlab.models.terms import Amount, Category, Term

COLOUR = Category("colour", ("none", "mica", "lake"), "none")
BINDER = Category("binder", ("emulsifier", "gum"), "emulsifier")
STEP = {"none": 0.0, "mica": 0.2, "lake": 0.5}
LOOKS = np.array([0.0, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 17, 20, 24, 30, 36])


def workshop(
    seed: int, batches: int = 15, sd: float = 0.15, day_sd: float = 0.0, days: int = 15
) -> pd.DataFrame:
    """Log dry time of the middle piece of each batch, with its colour and day."""
    rng = np.random.default_rng(seed)
    colour = np.array(COLOUR.levels)[np.arange(batches) % 3]
    day = np.arange(batches) * days // batches
    logs = np.log(6) + np.array([STEP[c] for c in colour]) + rng.normal(0, sd, batches)
    logs = logs + day_sd * rng.standard_normal(days)[day]
    return pd.DataFrame(
        {"run": [f"R{i:02d}" for i in range(batches)], "day": day.astype(str), "colour": colour, "logs": logs}
    )


def dried(
    table: pd.DataFrame, terms: list[Term], pieces: int = 1, sigma: float = 0.0, seed: int = 0
) -> DryingStudy:
    """Exact times of one piece a batch, or brackets of several."""
    if pieces == 1:
        hours = np.exp(table["logs"].to_numpy())
        ends = pd.DataFrame({"run": table["run"], "piece": 1, "lower": hours, "upper": hours})
    else:
        rng = np.random.default_rng(seed)
        times = np.exp(
            np.repeat(table["logs"].to_numpy(), pieces) + sigma * rng.standard_normal(pieces * len(table))
        )
        place = np.searchsorted(LOOKS, times)
        ends = pd.DataFrame(
            {
                "run": np.repeat(table["run"].to_numpy(), pieces),
                "piece": np.tile(np.arange(pieces), len(table)),
                "lower": LOOKS[place - 1],
                "upper": np.append(LOOKS, np.inf)[place],
            }
        )
    batches = table.set_index("run")
    fit = fit_dry_time(ends, batches, terms)
    typical = {
        t.name: t.control if isinstance(t, Category) else float(batches[t.name].median()) for t in terms
    }
    return DryingStudy(batches, ends, fit, pd.DataFrame(), terms[0], (), typical, ())


def test_known_times_are_judged_as_by_the_analysis_of_their_logarithms() -> None:
    """Two programs for one likelihood: least squares, and the regression of (exact) brackets."""
    table = workshop(1).assign(dry_h=lambda t: np.exp(t["logs"]))
    limits = [Limit("dry_h", at_most=9)]
    straight = fit_response(table, "dry_h", [COLOUR], log=True, days="ignore")
    through = DryTimes(dried(table, [COLOUR]), share=0.95)
    one, two = (
        judge_settings([each], limits=limits, draws=20_000).table.set_index("colour").sort_index()
        for each in (straight, through)
    )
    for name in ("dry_h", "dry_h_low", "dry_h_high"):
        assert two[name].to_numpy() == pytest.approx(one[name].to_numpy(), rel=2e-3)
    for name in ("meets_all", "meets_all_low", "meets_all_high", "best_chance"):
        assert two[name].to_numpy() == pytest.approx(one[name].to_numpy(), abs=0.02)
    bounds = [confirm([each], {"colour": "mica"}, 3).table.loc["dry_h"] for each in (straight, through)]
    for name in ("expected", "low", "high"):
        assert bounds[1][name] == pytest.approx(bounds[0][name], rel=0.01)


def test_known_times_on_days_that_differ() -> None:
    table = workshop(2, batches=24, days=8, day_sd=0.25).assign(dry_h=lambda t: np.exp(t["logs"]))
    straight = fit_response(table, "dry_h", [COLOUR], log=True, days="random")
    through = DryTimes(dried(table, [COLOUR]))
    one, two = (
        judge_settings([each], limits=[Limit("dry_h", at_most=9)], draws=20_000)
        .table.set_index("colour")
        .sort_index()
        for each in (straight, through)
    )
    assert two["dry_h"].to_numpy() == pytest.approx(one["dry_h"].to_numpy(), rel=0.01)
    assert two["meets_all"].to_numpy() == pytest.approx(one["meets_all"].to_numpy(), abs=0.03)


def test_responses_of_a_batch_hang_together_through_the_brackets_too() -> None:
    """Loss follows what made each batch slow; the brackets of four pieces still show it."""
    table = workshop(3, batches=24, days=24, sd=0.25)
    off = table["logs"] - np.log(6) - table["colour"].map(STEP)
    table["loss"] = np.exp(1 + off + np.random.default_rng(4).normal(0, 0.03, len(table)))
    drying = DryTimes(dried(table, [COLOUR], pieces=4, sigma=0.1), share=0.9)
    loss = fit_response(table, "loss", [COLOUR], log=True)
    drawn = simulate([drying, loss], pd.DataFrame({"colour": ["none", "lake"]}))
    assert drawn.correlation.loc["dry_h", "loss"] > 0.8
    logs = np.log(drawn.typical)
    linked = np.corrcoef(logs[:, 0, 0], logs[:, 0, 1])[0, 1]
    assert linked > 0.6  # the doubt about a setting comes from the same batches


def test_a_greater_share_of_pieces_is_dry_later_and_less_often_in_time() -> None:
    study = dried(workshop(5), [COLOUR], pieces=5, sigma=0.2)
    limits = [Limit("dry_h", at_most=9)]
    half, most = (
        judge_settings([DryTimes(study, share)], limits=limits).table.set_index("colour")
        for share in (0.5, 0.95)
    )
    assert (most["dry_h"] > 1.2 * half["dry_h"]).all()
    assert (most["meets_all"] <= half["meets_all"]).all()


def test_a_cost_is_sure_and_excludes_without_doubt() -> None:
    table = workshop(6)
    price = {"none": 0.10, "mica": 0.15, "lake": 0.30}
    cost = Sure("cost", (COLOUR,), lambda rows: [price[c] for c in rows["colour"]], table)
    choice = judge_settings(
        [DryTimes(dried(table, [COLOUR])), cost],
        limits=[Limit("cost", at_most=0.15)],
        wishes=[Wish("dry_h", "less", 3, 20)],
    )
    met = choice.table.set_index("colour")
    assert met["cost_meets"].to_dict() == {"none": 1.0, "mica": 1.0, "lake": 0.0}
    assert (met["cost_low"] == met["cost_high"]).all()
    assert met.loc["lake", "best_chance"] == 0
    assert not any("vary independently" in note for note in choice.notes)
    told = confirm([DryTimes(dried(table, [COLOUR])), cost], {"colour": "none"}, 3)
    assert list(told.table.index) == ["dry_h"]
    with pytest.raises(ValueError, match="varies by chance"):
        confirm([cost], {"colour": "none"}, 3)


def test_amounts_are_stepped_within_what_was_tried() -> None:
    table = workshop(7).assign(oil=lambda t: 4.0 + 2 * (np.arange(len(t)) // 3 % 3))
    given = [DryTimes(dried(table, [COLOUR, Amount("oil", "g")]))]
    assert set(grid_settings(given, steps=5)["oil"]) == {4.0, 5.0, 6.0, 7.0, 8.0}
    assert len(tried_settings(given)) == 9
    far = pd.DataFrame({"colour": ["none", "none"], "oil": [6.0, 12.0]})
    table_ = judge_settings(given, far, limits=[Limit("dry_h", at_most=9)]).table.set_index("oil")
    assert table_["beyond_tried"].to_dict() == {6.0: False, 12.0: True}


def test_chances_of_bracketed_times_come_true() -> None:
    """Nine in ten pieces dry by a limit near the truth: told chances against new batches, over 30 trials."""
    rng = np.random.default_rng(9)
    told, kept, inside = [], [], []
    z = 1.2815515655446004  # standard normal, 90 %
    for seed in range(30):
        study = dried(workshop(seed + 100, sd=0.15), [COLOUR], pieces=4, sigma=0.1, seed=seed)
        limit = float(np.exp(np.log(6) + 0.2 + z * 0.1 + rng.normal(0, 0.2)))
        given = [DryTimes(study, 0.9)]
        row = judge_settings(
            given, pd.DataFrame({"colour": ["mica"]}), limits=[Limit("dry_h", at_most=limit)], draws=400
        ).table.iloc[0]
        told.append(row["meets_all"])
        kept.append(np.mean(np.log(6) + 0.2 + z * 0.1 + rng.normal(0, 0.15, 500) <= np.log(limit)))
        bound = confirm(given, {"colour": "mica"}, 3).table.loc["dry_h"]
        new = np.log(6) + 0.2 + rng.normal(0, 0.15, 3) + rng.normal(0, 0.1, (4, 3)).mean(axis=0)
        inside.append(bound["low"] <= np.exp(new.mean()) <= bound["high"])
    difference = np.array(told) - np.array(kept)
    assert abs(difference.mean()) < 4 * difference.std() / np.sqrt(len(told))
    assert np.corrcoef(told, kept)[0, 1] > 0.8
    assert np.mean(inside) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / len(inside)))


def test_next_runs_keep_what_is_set_for_a_whole_day() -> None:
    table = workshop(8, batches=18, days=6)
    table["binder"] = np.where(table["day"].astype(int) % 2, "gum", "emulsifier")
    table["loss"] = np.exp(table["logs"])
    found = fit_response(table, "loss", [BINDER, COLOUR], log=True)
    choice = judge_settings([found], wishes=[Wish("loss", "less", 3, 20)])
    plan = next_runs(
        choice, [BINDER, COLOUR], table, 6, seed=2, per_day=3, hard_to_change=["binder"], keep=0.001
    )
    days = plan.runs.groupby("day")
    assert (days["binder"].nunique() == 1).all()
    assert (days.size() <= 3).all()
    assert plan.runs["day"].min() == 7
    assert not set(plan.runs["run"]) & set(table["run"])
