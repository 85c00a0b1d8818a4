"""Choosing among recipes: limits, wishes, chances, confirmation and the next runs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from fizzlab.design.adding import next_batches
from fizzlab.design.factors import Range
from fizzlab.errors import CannotAnswer
from fizzlab.models.choose import Draws, Limit, Wish, between, choose, overall, simulate
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.surfaces import fit_mixture
from fizzlab.models.terms import Amount, Category

COLOUR = Category("colour", ("none", "mica", "lake"), "none")
OIL = Amount("oil", "g")


def trial(seed: int = 1, days: int = 4, day_sd: float = 0.0, link: float = 0.6) -> pd.DataFrame:
    """Twelve batches, three colours on four days; lake dries slowest and crumbles least."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"run": [f"R{i:02d}" for i in range(12)], "day": np.arange(12) * days // 12})
    table["colour"] = list(COLOUR.levels) * 4
    table["oil"] = [4.0, 6, 8, 8, 4, 6, 6, 8, 4, 4, 6, 8]
    error = rng.multivariate_normal([0, 0], 0.1**2 * np.array([[1, link], [link, 1]]), 12)
    step = table["colour"].map({"none": 0.0, "mica": 0.2, "lake": 0.4}).to_numpy(float)
    day = day_sd * rng.standard_normal(days)[table["day"]]
    table["hours"] = np.exp(2.5 + step + day + error[:, 0])
    table["loss"] = np.exp(1.0 - 2 * step + error[:, 1])
    return table


def analyses(table: pd.DataFrame, **more: object) -> list[ResponseFit]:
    return [fit_response(table, name, [COLOUR], log=True, **more) for name in ("hours", "loss")]  # type: ignore[arg-type]


def drawn(fits: list[ResponseFit], settings: pd.DataFrame, **more: int) -> Draws:
    return simulate({fit.response: fit.forecast(settings) for fit in fits}, **more)


def test_wishes_at_their_ends_and_between() -> None:
    near = Wish("seconds", "near", best=120, worst=(60, 240), shape=2.0)
    assert near.granted([50, 60, 90, 120, 210, 240, 300]) == pytest.approx([0, 0, 0.25, 1, 0.0625, 0, 0])
    assert Wish("loss", "less", best=1, worst=5).granted([0.0, 3, 9]).tolist() == [1, 0.5, 0]
    assert Wish("gas", "more", best=5, worst=1).granted([0.0, 3, 9]).tolist() == [0, 0.5, 1]


@given(
    st.lists(st.floats(0, 50), min_size=2, max_size=8),
    st.floats(0.2, 5),
    st.floats(0.2, 5),
    st.floats(0.1, 9),
)
def test_overall_lies_between_the_wishes_and_heeds_only_their_relative_weights(
    values: list[float], shape: float, weight: float, scale: float
) -> None:
    y = np.array(values)
    wishes = [Wish("a", "less", 5, 40, shape), Wish("b", "near", 20, (0, 50), weight=weight)]
    both = {"a": y, "b": y[::-1]}
    parts = np.stack([w.granted(both[w.response]) for w in wishes])
    whole = overall(wishes, both)
    assert (whole <= parts.max(axis=0) + 1e-12).all()
    assert (whole >= parts.min(axis=0) - 1e-12).all()
    assert (whole[parts.min(axis=0) == 0] == 0).all()
    again = [Wish(w.response, w.want, w.best, w.worst, w.shape, w.weight * scale) for w in wishes]
    assert overall(again, both) == pytest.approx(whole)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Limit("hours"),
        lambda: Limit("hours", 5, 4),
        lambda: Wish("hours", "less", best=5, worst=4),
        lambda: Wish("hours", "more", best=5, worst=6),
        lambda: Wish("hours", "near", best=5, worst=4),
        lambda: Wish("hours", "less", best=5, worst=(4, 6)),
        lambda: Wish("hours", "near", best=5, worst=(6, 7)),
        lambda: Wish("hours", "less", best=5, worst=6, weight=0),
        lambda: Wish("hours", "fewer", best=5, worst=6),  # type: ignore[arg-type]
    ],
)
def test_senseless_limits_and_wishes(make: object) -> None:
    with pytest.raises(ValueError, match=r"."):
        make()  # type: ignore[operator]


def test_score_is_the_predictive_t_when_one_response_rests_on_one_spread() -> None:
    table = trial()
    one = fit_response(table, "hours", [COLOUR], log=True, days="ignore")
    choice = choose([one], limits=[Limit("hours", 10, 16)], draws=20_000)
    for _, row in choice.table.iterrows():
        told = one.interval(one.weights(pd.DataFrame([row[["colour"]]]))[0])
        wide = np.sqrt(told["se"] ** 2 + one.fits.components[0, -1])
        low, high = (np.log(end) - told["estimate"] for end in (10, 16))
        chance = stats.t.cdf(high / wide, told["df"]) - stats.t.cdf(low / wide, told["df"])
        error = np.sqrt(chance * (1 - chance) / 20_000)
        assert row["score"] == pytest.approx(chance, abs=4 * error + 1e-9)
        sd = np.sqrt(one.fits.components[0, -1])
        best = stats.norm.cdf(high / sd) - stats.norm.cdf(low / sd)  # by the best estimates
        assert row["meets"] == pytest.approx(best, abs=1e-9)


def test_the_trade_off_and_the_best() -> None:
    limits = [Limit("hours", at_most=24), Limit("loss", at_most=2.2)]
    wishes = [Wish("hours", "less", 10, 30), Wish("loss", "less", 0.5, 4)]
    choice = choose(analyses(trial()), limits=limits, wishes=wishes)
    assert choice.best["colour"] in ("mica", "lake")
    assert choice.table["score"].is_monotonic_decreasing
    assert (choice.table["score"] <= choice.table["granted"]).all()
    assert choice.table["best_chance"].sum() == pytest.approx(1.0, abs=1e-9)
    assert choice.table["meets_low"].le(choice.table["meets"]).all()
    assert choice.table["meets"].le(choice.table["meets_high"]).all()
    for each in choice.responses.values():
        assert (choice.table["meets"] <= each["meets"] + 1e-3).all()  # of both, by 16 points
        assert (each["conf_low"] < each["estimate"]).all()
    assert set(choice.contenders()["colour"]) <= {"none", "mica", "lake"} - {choice.best["colour"]}
    assert choice.best["colour"] in str(choice)
    assert choice._repr_html_().count("<tr") == 4
    assert len(choice.plot().get_yticklabels()) == 3
    assert [label.get_text() for label in choice.plot().get_xticklabels()] == ["meets", "hours", "loss"]


def test_limits_and_wishes_may_be_mappings() -> None:
    both = analyses(trial())
    one = choose(both, limits=[Limit("hours", at_most=24)], wishes=[Wish("loss", "less", 0.5, 4)])
    two = choose(
        {fit.response: fit for fit in both},
        limits={"hours": {"at_most": 24}},
        wishes={"loss": {"want": "less", "best": 0.5, "worst": 4}},
    )
    pd.testing.assert_frame_equal(one.table, two.table)


def test_a_setting_beaten_in_everything_is_not_considered() -> None:
    table = trial()
    table["loss"] = table["loss"].to_numpy() * np.exp(
        table["colour"].map({"none": 0.0, "mica": 0.0, "lake": 2.0}).to_numpy(float)
    )
    choice = choose(analyses(table), limits=[Limit("hours", at_most=24), Limit("loss", at_most=3)])
    considered = (choice.table["best_chance"] >= 0.05).set_axis(choice.table["colour"])
    assert not considered["lake"]
    assert considered[choice.best["colour"]]
    assert set(choice.contenders()["colour"]) == set(considered.index[considered]) - {choice.best["colour"]}


def test_the_same_seed_gives_the_same_numbers() -> None:
    limits = [Limit("hours", at_most=20)]
    one, two, other = (choose(analyses(trial()), limits=limits, seed=seed).table for seed in (1, 1, 2))
    pd.testing.assert_frame_equal(one, two)
    assert not one["score"].equals(other["score"])


def test_responses_that_hang_together_change_the_chance_to_meet_both() -> None:
    """With errors that go together, both limits are met more often than chance would multiply to."""
    table = trial(link=0.95)
    base = analyses(table)
    middle = [float(np.exp(a.fits.beta[0, 0])) for a in base]
    setting = pd.DataFrame({"colour": ["mica"]})
    limits = [Limit("hours", at_most=middle[0]), Limit("loss", at_most=middle[1])]
    choice = choose(base, setting, limits=limits)
    alone = [each["meets"][0] for each in choice.responses.values()]
    assert alone == pytest.approx([0.5, 0.5], abs=0.1)  # the limits are about the estimates
    link = drawn(base, setting).linked[0, 1]
    both = stats.multivariate_normal.cdf(stats.norm.ppf(alone), cov=[[1, link], [link, 1]])
    assert choice.table["meets"][0] == pytest.approx(both, abs=0.003)  # by 16 points
    batch = drawn(base, setting).batch
    assert np.corrcoef(batch["hours"][:, 0], batch["loss"][:, 0])[0, 1] > 0.7


def test_few_days_leave_even_absurd_times_possible_and_still_a_chance() -> None:
    """Colours set by the day on four days: t with two degrees of freedom, whose draws are no dry times."""
    table = trial(seed=3, day_sd=0.3)
    table["colour"] = np.array(["none", "mica"])[table["day"] % 2]
    fit = fit_response(table, "hours", [Category("colour", ("none", "mica"), "none")], log=True)
    choice = choose([fit], limits=[Limit("hours", at_most=20)], draws=20_000)
    assert choice.table[["meets_low", "meets", "meets_high"]].notna().all(axis=None)
    assert (np.abs(drawn([fit], choice.table[["colour"]], draws=20_000).typical["hours"]) > 5).any()


def test_bounds_past_a_limit_confirm_nothing() -> None:
    """Of one limit a mean at the bound breaks it; a share of pieces is asked of the mean's own share."""
    fits = analyses(trial())
    ends = choose(fits, limits=[Limit("hours", at_most=1)], draws=200).confirm(3, setting={"colour": "mica"})
    low, high = ends.loc["hours", ["conf_low", "conf_high"]]
    for limit, confirms in (
        (Limit("hours", at_most=high * 1.01), True),
        (Limit("hours", at_most=high * 0.99), False),
        (Limit("hours", low * 0.99, high * 1.01), True),
        (Limit("hours", low * 1.01, high * 1.01), False),
    ):
        told = choose(fits, limits=[limit], draws=200).confirm(3, setting={"colour": "mica"})["confirms"]
        assert told.to_dict() == {"hours": confirms, "loss": True}


def test_a_new_day_counts() -> None:
    """Days were taken out to compare colours, but a batch to come has a day of its own."""
    setting = pd.DataFrame({"colour": ["mica"]})
    calm, wild = trial(seed=3), trial(seed=3, day_sd=0.5)
    assert analyses(wild)[0].structure.fixed
    spread = [drawn(analyses(t), setting).batch["hours"][:, 0].std() for t in (calm, wild)]
    assert spread[1] > 2 * spread[0]
    wide = [np.ptp(analyses(t)[0].forecast(setting).mean(3, 3, 0.95)[1:3, 0]) for t in (calm, wild)]
    assert wide[1] > wide[0]


def test_one_day_is_said() -> None:
    table = trial().assign(day=1)
    choice = choose(analyses(table), limits=[Limit("hours", at_most=20)])
    assert any("one day" in note for note in choice.notes)


def test_lost_readings_do_not_stop_it() -> None:
    table = trial()
    table.loc[[0, 5], "hours"] = np.nan
    table.loc[[7], "loss"] = np.nan
    choice = choose(analyses(table), limits=[Limit("hours", at_most=20), Limit("loss", at_most=2)])
    assert choice.table["meets"].between(0, 1).all()


def test_grid_and_what_was_tried() -> None:
    table = trial()
    found = [fit_response(table, name, [COLOUR, OIL], log=True) for name in ("hours", "loss")]
    limits = [Limit("hours", at_most=20)]
    assert len(choose(found, limits=limits).table) == len(table[["colour", "oil"]].drop_duplicates())
    assert set(between({fit.response: fit for fit in found}, steps=3)["oil"]) == {4.0, 6.0, 8.0}
    outside = pd.DataFrame({"colour": ["none", "none"], "oil": [6.0, 12.0]})
    choice = choose(found, outside, limits=[Limit("hours", at_most=20)])
    assert choice.table.set_index("oil")["extrapolated"].to_dict() == {6.0: False, 12.0: True}
    assert choice.best["oil"] == 6.0
    far = choose(found, outside.iloc[[1]], limits=[Limit("hours", at_most=20)])
    with pytest.raises(CannotAnswer, match="within what was tried"):
        _ = far.best


def test_mixtures_are_judged_where_they_were_tried() -> None:
    mixes = pd.DataFrame(
        {"acid": [1, 1, 2, 2, 1.5, 1.5], "soda": [2, 2, 1, 1, 1.5, 1.5], "s": [80, 84, 50, 52, 70, 66]}
    )
    found = fit_mixture(mixes, "s", [Amount("acid"), Amount("soda")], blending="linear", log=False)
    choice = choose([found], limits=[Limit("s", at_least=60)])
    assert choice.best["soda"] == 2


def test_more_confirmation_batches_help_until_the_trial_itself_is_the_limit() -> None:
    both = analyses(trial())
    choice = choose(both, limits=[Limit("hours", at_most=24)])
    told = [choice.confirm(n, setting={"colour": "lake"}).loc["hours"] for n in range(1, 9)]
    width = np.array([row["conf_high"] / row["conf_low"] for row in told])
    assert (np.diff(width) < 0).all()
    own = both[0].interval(both[0].weights(pd.DataFrame({"colour": ["lake"]}))[0])
    assert width[-1] > np.exp(2 * stats.t.ppf(0.9875, 9) * own["se"])


@pytest.mark.slow
@pytest.mark.parametrize("days", [1, 4])
def test_confirmation_bounds_hold_as_often_as_they_say(days: int) -> None:
    """Trials of 12 batches, on one day or on days that differ; four standard errors of their number."""
    rng = np.random.default_rng(5)
    inside = []
    times = 100 if days == 1 else 60
    for seed in range(times):
        table = trial(seed=seed + 1000, days=days, day_sd=0.1 if days > 1 else 0.0)
        told = fit_response(table, "hours", [COLOUR], log=True).forecast(pd.DataFrame({"colour": ["mica"]}))
        low, high = np.exp(told.mean(3, 3, 0.95)[1:3, 0])
        new = 2.7 + rng.normal(0, 0.1, 3) + (rng.normal(0, 0.1, 3) if days > 1 else 0.0)
        inside.append(low <= np.exp(new.mean()) <= high)
    assert np.mean(inside) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / times))


@pytest.mark.slow
def test_the_interval_of_a_chance_of_four_responses_misses_on_either_side_alike() -> None:
    """150 trials of 12 batches; mere quantiles of the draws held 90 %, and nearly all misses were above."""
    rng, names, dye = np.random.default_rng(7), ["a", "b", "c", "d"], pd.DataFrame({"colour": ["dye"]})
    limits = [Limit(name, at_most=1.2) for name in names]
    true, ends = stats.norm.cdf(1.2) ** 4, []
    for _ in range(150):
        table = pd.DataFrame(rng.standard_normal((12, 4)), columns=names).assign(
            run=[f"R{i}" for i in range(12)], colour=["dye", "lake"] * 6
        )
        fits = [fit_response(table, name, "colour", log=False, days="ignore") for name in names]
        ends.append(choose(fits, dye, limits=limits, draws=500).table.loc[0, ["meets_low", "meets_high"]])
    low, high = np.array(ends, float).T
    above, below = np.mean(high < true), np.mean(low > true)
    print(f"above {above:.3f}, below {below:.3f}")
    assert above + below < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 150)
    assert abs(above - below) < 3 * np.sqrt(0.05 / 150)


@pytest.mark.slow
def test_chances_come_true() -> None:
    """Told chances, averaged over trials, are what happens; limits are drawn around the truth."""
    rng = np.random.default_rng(6)
    told, kept = [], []
    for seed in range(40):
        table = trial(seed=seed + 5000, days=1)
        limits = [Limit("hours", at_most=float(np.exp(2.7 + rng.normal(0, 0.15))))]
        limits.append(Limit("loss", at_most=float(np.exp(0.6 + rng.normal(0, 0.15)))))
        choice = choose(
            analyses(table), pd.DataFrame({"colour": ["mica"]}), limits=limits, draws=400, seed=seed
        )
        told.append(choice.table["meets"][0])
        error = rng.multivariate_normal([0, 0], 0.01 * np.array([[1, 0.6], [0.6, 1]]), 400)
        new = np.exp(np.array([2.7, 0.6]) + error)
        kept.append(np.mean(limits[0].met(new[:, 0]) & limits[1].met(new[:, 1])))
    difference = np.array(told) - np.array(kept)
    assert abs(difference.mean()) < 4 * difference.std() / np.sqrt(40)
    assert np.corrcoef(told, kept)[0, 1] > 0.8


def test_next_runs_leave_out_what_cannot_win() -> None:
    table = trial(seed=4)
    table["hours"] = table["hours"] * np.exp((table["colour"] == "lake") * 1.5)
    found = [fit_response(table, "hours", [COLOUR, OIL], log=True)]
    choice = choose(found, wishes=[Wish("hours", "less", 5, 100)])
    # none and mica are near each other, lake far off
    table["hours"] = table["hours"] * np.exp((table["colour"] == "mica") * -0.2)
    plan = next_batches(choice, [COLOUR, Range("oil", 4, 8, "g")], table, 4, 1, model=["colour", "oil"])
    assert len(plan.runs) == 4
    assert not (plan.runs["colour"] == "lake").any()
    assert any("lake" in warning for warning in plan.warnings)
    assert not set(plan.runs["run"]) & set(table["run"])


def test_mistakes_are_said() -> None:
    both = analyses(trial())
    with pytest.raises(ValueError, match="neither"):
        choose(both)
    with pytest.raises(ValueError, match="no fit of fizz"):
        choose(both, limits=[Limit("fizz", at_most=2)])
    with pytest.raises(ValueError, match="more than one limit"):
        choose(both, limits=[Limit("hours", at_most=2), Limit("hours", at_least=1)])
    limits = [Limit("hours", at_most=2)]
    with pytest.raises(ValueError, match="one fit"):
        choose([both[0], both[0]], limits=limits)
    with pytest.raises(ValueError, match="each day"):
        choose(both, limits=limits).confirm(2, days=3)
    renamed = trial().rename(columns={"colour": "score"})
    with pytest.raises(CannotAnswer, match="score"):
        choose([fit_response(renamed, "hours", "score")], limits=limits)
