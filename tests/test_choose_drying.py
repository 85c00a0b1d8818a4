"""Dry times between two looks, and sure numbers, among the responses to choose by."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fizzlab.design.adding import next_batches
from fizzlab.errors import CannotAnswer
from fizzlab.models.choose import Choice, Limit, Wish, between, choose, simulate
from fizzlab.models.curing import CuringFit, fit_curing_time
from fizzlab.models.effects import fit_response
from fizzlab.models.result import FitResult, Forecast, exact
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
) -> CuringFit:
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
    return fit_curing_time(ends, terms, runs=table, air="none")


class Cost(FitResult):
    """What each colour costs: worked out, not measured."""

    def forecast(self, settings: pd.DataFrame, share: float = 0.5) -> Forecast:
        return exact(settings["colour"].map({"none": 0.10, "mica": 0.15, "lake": 0.30}).to_numpy(float))


def by_colour(fit: FitResult, limit: Limit) -> pd.DataFrame:
    """Each colour with the typical value of the one response and the chances."""
    choice = choose([fit], limits=[limit], draws=20_000)
    return (
        choice.table.join(choice.responses[fit.response].drop(columns="meets"))
        .set_index("colour")
        .sort_index()
    )


def test_known_times_are_judged_as_by_the_fit_of_their_logarithms() -> None:
    """Two programs for one likelihood: least squares, and the regression of (exact) brackets."""
    table = workshop(1).assign(dry_h=lambda t: np.exp(t["logs"]))
    straight = fit_response(table, "dry_h", [COLOUR], log=True, days="ignore")
    through = dried(table, [COLOUR])
    one, two = (by_colour(fit, Limit("dry_h", at_most=9)) for fit in (straight, through))
    for name in ("estimate", "conf_low", "conf_high"):
        assert two[name].to_numpy() == pytest.approx(one[name].to_numpy(), rel=0.01)
    for name in ("meets", "meets_low", "meets_high", "best_chance"):
        assert two[name].to_numpy() == pytest.approx(one[name].to_numpy(), abs=0.02)
    settings = pd.DataFrame({"colour": ["mica"]})
    bounds = [fit.forecast(settings).mean(3, 3, 0.95)[:3, 0] for fit in (straight, through)]
    assert np.exp(bounds[1]) == pytest.approx(np.exp(bounds[0]), rel=0.01)


def test_known_times_on_days_that_differ() -> None:
    table = workshop(2, batches=24, days=8, day_sd=0.25).assign(dry_h=lambda t: np.exp(t["logs"]))
    straight = fit_response(table, "dry_h", [COLOUR], log=True, days="random")
    one, two = (by_colour(fit, Limit("dry_h", at_most=9)) for fit in (straight, dried(table, [COLOUR])))
    assert two["estimate"].to_numpy() == pytest.approx(one["estimate"].to_numpy(), rel=0.01)
    assert two["meets"].to_numpy() == pytest.approx(one["meets"].to_numpy(), abs=0.03)


def test_responses_of_a_batch_hang_together_through_the_brackets_too() -> None:
    """Loss follows what made each batch slow; the brackets of four pieces still show it."""
    table = workshop(3, batches=24, days=24, sd=0.25)
    off = table["logs"] - np.log(6) - table["colour"].map(STEP)
    table["loss"] = np.exp(1 + off + np.random.default_rng(4).normal(0, 0.03, len(table)))
    dry, loss = dried(table, [COLOUR], pieces=4, sigma=0.1), fit_response(table, "loss", [COLOUR], log=True)
    settings = pd.DataFrame({"colour": ["none", "lake"]})
    drawn = simulate({"dry_h": dry.forecast(settings, 0.9), "loss": loss.forecast(settings)})
    for of in (drawn.batch, drawn.typical):  # the doubt about a setting comes from the same batches too
        assert np.corrcoef(of["dry_h"][:, 0], of["loss"][:, 0])[0, 1] > 0.6


def test_a_greater_share_of_pieces_is_dry_later_and_less_often_in_time() -> None:
    fit = dried(workshop(5), [COLOUR], pieces=5, sigma=0.2)
    half, most = (choose([fit], limits=[Limit("dry_h", at_most=9)], share=share) for share in (0.5, 0.95))
    for one, two in zip(by(half), by(most), strict=True):
        assert two["estimate"] > 1.2 * one["estimate"]
        assert two["meets"] <= one["meets"]
    assert most.shares == {"dry_h": 0.95}


def by(choice: Choice) -> list[pd.Series]:
    """The one response of each setting, in the order of the colours' names."""
    table = choice.responses["dry_h"].set_index(choice.table["colour"]).sort_index()
    return [row for _, row in table.iterrows()]


def test_a_cost_is_sure_and_excludes_without_doubt() -> None:
    table = workshop(6)
    cost = Cost(response="cost", effects=(), batches=table, terms=(COLOUR,))
    fit = dried(table, [COLOUR])
    limits, wishes = [Limit("cost", at_most=0.15)], [Wish("dry_h", "less", 3, 20)]
    choice = choose([fit, cost], limits=limits, wishes=wishes)
    met = choice.responses["cost"].set_index(choice.table["colour"])
    assert met["meets"].to_dict() == {"none": 1.0, "mica": 1.0, "lake": 0.0}
    assert (met["conf_low"] == met["conf_high"]).all()
    assert choice.table.set_index("colour").loc["lake", "best_chance"] == 0
    assert not any("independent" in note for note in choice.notes)
    assert list(choice.confirm(3, setting={"colour": "none"}).index) == ["dry_h"]
    with pytest.raises(CannotAnswer, match="varies by chance"):
        choose([cost], limits=limits).confirm()


def test_amounts_are_stepped_within_what_was_tried() -> None:
    table = workshop(7).assign(oil=lambda t: 4.0 + 2 * (np.arange(len(t)) // 3 % 3))
    given, limits = {"dry_h": dried(table, [COLOUR, Amount("oil", "g")])}, [Limit("dry_h", at_most=9)]
    assert set(between(given, steps=5)["oil"]) == {4.0, 5.0, 6.0, 7.0, 8.0}
    assert len(choose(given, limits=limits).table) == 9
    far = pd.DataFrame({"colour": ["none", "none"], "oil": [6.0, 12.0]})
    found = choose(given, far, limits=limits).table.set_index("oil")
    assert found["extrapolated"].to_dict() == {6.0: False, 12.0: True}


@pytest.mark.slow
def test_chances_of_bracketed_times_come_true() -> None:
    """Nine in ten pieces dry by a limit near the truth: told chances against new batches, over 30 trials."""
    rng = np.random.default_rng(9)
    told, kept, inside = [], [], []
    z = 1.2815515655446004  # standard normal, 90 %
    settings = pd.DataFrame({"colour": ["mica"]})
    for seed in range(30):
        fit = dried(workshop(seed + 100, sd=0.15), [COLOUR], pieces=4, sigma=0.1, seed=seed)
        limit = float(np.exp(np.log(6) + 0.2 + z * 0.1 + rng.normal(0, 0.2)))
        asked = [Limit("dry_h", at_most=limit)]
        told.append(choose([fit], settings, limits=asked, share=0.9, draws=400).table["meets"][0])
        kept.append(np.mean(np.log(6) + 0.2 + z * 0.1 + rng.normal(0, 0.15, 500) <= np.log(limit)))
        low, high = fit.forecast(settings, 0.9).mean(3, 3, 0.95)[1:3, 0]
        new = np.log(6) + 0.2 + rng.normal(0, 0.15, 3) + rng.normal(0, 0.1, (4, 3)).mean(axis=0)
        inside.append(low <= new.mean() <= high)
    difference = np.array(told) - np.array(kept)
    assert abs(difference.mean()) < 4 * difference.std() / np.sqrt(len(told))
    assert np.corrcoef(told, kept)[0, 1] > 0.8
    assert np.mean(inside) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / len(inside)))


def test_next_batches_keep_what_is_set_for_a_whole_day() -> None:
    table = workshop(8, batches=18, days=6)
    table["binder"] = np.where(table["day"].astype(int) % 2, "gum", "emulsifier")
    table["loss"] = np.exp(table["logs"])
    found = fit_response(table, "loss", [BINDER, COLOUR], log=True)
    choice = choose({"loss": found}, wishes=[Wish("loss", "less", 3, 20)])
    plan = next_batches(choice, [BINDER, COLOUR], table, 6, 2, per_day=3, hard_to_change=["binder"])
    days = plan.runs.groupby("day")
    assert (days["binder"].nunique() == 1).all()
    assert (days.size() <= 3).all()
    assert plan.runs["day"].min() == 7
    assert not set(plan.runs["run"]) & set(table["run"])
