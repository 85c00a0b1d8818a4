"""What a plan can detect: touch checks and numbers, the smallest effect, when to look, and the words."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planned_trials import COLOUR, HEAD, toml
from scipy import integrate, stats

from fizzlab.bench.planning import TrialPlan, plan_power, plan_trial, read_plan
from fizzlab.design.detect import Power, power
from fizzlab.design.looks import best_looks, information_kept
from fizzlab.design.plans import plan
from fizzlab.design.trials import ASSUMED, Model, Spreads, Trials
from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.terms import Amount, Category
from fizzlab.trial.settings import read_settings

COLOURS = Category("colour", ("pearl", "dye"), "pearl")
LOOKS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 24.0)


def by_days(days: int, each: int) -> pd.DataFrame:
    colours = np.resize(["pearl", "dye"], days * each)
    return pd.DataFrame({"day": np.repeat(range(days), each), "colour": colours})


def asked(days: int = 4, each: int = 3, looks: tuple[float, ...] | None = LOOKS, **options: Any) -> Power:
    wish = {"ratio": 1.3, "typical_h": 6.0, "terms": [COLOURS], "trials": 250, "seed": 5}
    return power(by_days(days, each), looks_h=looks, **wish | options)


# --- the plan -----------------------------------------------------------------------------------------


def test_a_ratio_means_the_same_for_levels_and_amounts() -> None:
    runs = pd.DataFrame({"day": 1, "colour": ["pearl", "dye"] * 4, "gum_g": [0.6, 0.6, 1.8, 1.8] * 2})
    model = Model(runs, [COLOURS, Amount("gum_g", "g")])
    for comparison in model.comparisons:
        coefficients, *_ = np.linalg.lstsq(model.x, comparison.shift, rcond=None)
        np.testing.assert_allclose(model.x @ coefficients, comparison.shift, atol=1e-12)
        assert comparison.weights @ coefficients == pytest.approx(1.0)
        assert np.ptp(comparison.shift) == pytest.approx(1.0)
    assert (model.comparisons[1].level, model.comparisons[1].control) == ("1.8 g", "0.6 g")


def test_what_cannot_be_judged_is_refused() -> None:
    shares = pd.DataFrame({"day": 1, "oil": [2.0, 4, 6, 8, 5, 5], "water": [8.0, 6, 4, 2, 5, 5]})
    with pytest.raises(CannotAnswer, match="tied to each other"):
        power(shares)
    with pytest.raises(CannotAnswer, match="too few"):
        power(pd.DataFrame({"colour": ["pearl", "dye", "dye"]}))


@pytest.mark.slow
def test_the_air_costs_a_factor_of_the_room_more_than_one_of_the_batch() -> None:
    air = Category("air", ("plain", "dried"), "plain")
    runs = by_days(6, 4).assign(air=np.repeat(["plain", "dried"] * 3, 4))
    without, beside = (
        power(runs, terms=[air, COLOURS], ratio=1.3, air=columns, trials=1200).table.set_index("term")
        for columns in (0, 1)
    )
    lost = without["chance"] - beside["chance"]
    assert lost["air"] > 0.03  # the same chance draws, so that even a small loss shows
    assert abs(lost["colour"]) < 0.02


# --- touch checks -------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_number_of_a_batch_is_its_mean_given_its_brackets() -> None:
    spreads = Spreads(0.12, 0.15, 0.1, "a check")
    model = Model(by_days(2, 3), [COLOURS])
    trials = Trials(model, spreads, pieces=3, looks_h=(4.0, 6.0, 8.0), typical_h=6.0, trials=20, seed=2)
    comparison, size = model.comparisons[0], 0.3
    bracket = trials.brackets(comparison, size)
    numbers = trials._numbers(bracket, comparison, size)
    ends = np.concatenate([[-np.inf], np.log([4.0, 6.0, 8.0]), [np.inf]])
    scatter = np.hypot(np.hypot(spreads.of_batch_mean(3), spreads.days), size / 2)
    middle = np.log(6.0) + size / 2
    for row in range(3):
        for batch in range(6):
            places = bracket[row, batch]

            def weight(mu: float, places: np.ndarray = places) -> float:
                share = stats.norm.cdf((ends[places + 1] - mu) / 0.12) - stats.norm.cdf(
                    (ends[places] - mu) / 0.12
                )
                return float(np.prod(share)) * stats.norm.pdf(mu, middle, scatter)

            low, high = middle - 4 * scatter, middle + 4 * scatter
            whole = integrate.quad(weight, low, high, limit=200)[0]
            mean = integrate.quad(lambda mu: mu * weight(mu), low, high, limit=200)[0] / whole
            assert numbers[row, batch] == pytest.approx(mean, abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize(("days", "each", "looks", "trials"), [(1, 12, LOOKS, 60), (4, 3, LOOKS, 20)])
def test_it_says_what_the_regression_of_the_report_would_say(
    days: int, each: int, looks: tuple[float, ...], trials: int
) -> None:
    """The same simulated readings, trial by trial."""
    from touch_regression import seen_by_regression

    model = Model(by_days(days, each), [COLOURS])
    made = Trials(model, ASSUMED, looks_h=looks, typical_h=6.0, trials=trials, seed=8)
    seen, answered = made.ask(model.comparisons[0], 0.26)
    theirs, theirs_answered = seen_by_regression(made, model.comparisons[0], 0.26)
    assert (answered == theirs_answered).mean() > 0.95
    assert (seen != theirs).mean() <= 0.06


def test_where_there_is_no_effect_few_trials_see_one() -> None:
    found = asked(ratio=1.0, trials=1000, seed=2).first
    # one side of a 95 % interval: 2.5 in 100 at most, beside the error of 1,000 trials
    assert found["chance"] * 1000 <= stats.binom.ppf(0.9999, 1000, 0.025)
    assert found["unanswered"] < 0.05


def test_more_of_anything_sees_more() -> None:
    usual = asked().first["chance"]
    assert asked(each=6).first["chance"] > usual + 0.1
    assert asked(ratio=1.5).first["chance"] > usual + 0.1
    assert asked(spreads=Spreads(0.12, 0.3, 0.15, "a wilder room")).first["chance"] < usual - 0.1
    assert asked(looks=(3.0, 12.0)).first["chance"] < usual - 0.1
    assert asked(pieces=1).first["chance"] < usual + 0.02
    assert asked(looks=None).first["chance"] > usual


def test_looks_that_come_too_late_answer_nothing() -> None:
    found = asked(looks=(24.0, 36.0), trials=50)
    assert (found.first["unanswered"], found.first["chance"]) == (1.0, 0.0)
    assert np.isnan(found.first["smallest"])
    assert any("In 100 of 100 the looks give no answer" in said for said in found.statements())


def test_pieces_that_all_fall_about_one_look_tell_no_scale() -> None:
    """Looks at 4, 8 and 24 h with drying about 8 h: only on which side of 8 h is known, never how far."""
    narrow = Spreads(0.05, 0.05, 0.0, "an even room")
    found = asked(1, 12, (4.0, 8.0, 24.0), spreads=narrow, typical_h=8.0, ratio=1.05, trials=60)
    assert found.first["unanswered"] == 1.0


# --- chances ------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_chances_and_another_others() -> None:
    one, again, other = (asked(trials=200, seed=seed).curve for seed in (1, 1, 2))
    pd.testing.assert_frame_equal(one, again)
    assert not one["chance"].equals(other["chance"])


def test_the_smallest_effect_is_seen_as_often_as_asked_in_other_trials() -> None:
    found = asked(seed=11).first
    assert found["smallest_low"] < found["smallest"] < found["smallest_high"]
    again = asked(ratio=found["smallest"], trials=1000, seed=12).first
    # both simulations err: 3.9 standard errors of their difference
    assert abs(again["chance"] - 0.8) < 3.9 * np.sqrt(0.16 * (1 / 250 + 1 / 1000))


def test_a_curve_rises_and_holds_its_error() -> None:
    found = asked(looks=None, trials=800)
    curve = found.curve
    assert curve["chance"].is_monotonic_increasing
    assert ((curve["conf_low"] <= curve["chance"]) & (curve["chance"] <= curve["conf_high"])).all()
    shorter = asked(looks=None, trials=800, ratio=1 / 1.3).first["chance"]
    assert shorter == pytest.approx(found.first["chance"], abs=0.06)
    axes = found.plot()
    assert axes.get_xlabel() == "true ratio of the response"
    np.testing.assert_allclose(axes.lines[0].get_ydata(), 100 * curve["chance"])


def test_differences_are_judged_as_ratios_are() -> None:
    """A log ratio is a difference of logarithms: the same numbers on another scale."""
    ratio = asked(looks=None).table.iloc[0]
    plain = asked(looks=None, difference=float(np.log(1.3))).table.iloc[0]
    assert plain["chance"] == ratio["chance"]
    assert plain["smallest"] == pytest.approx(np.log(ratio["smallest"]))


def test_a_plan_its_runs_and_a_number_of_batches_can_be_asked() -> None:
    made = plan("factorial", {"colour": ["pearl", "dye"], "gum_g": (1, 2)}, repeats=3, seed=2)
    table = power(made, trials=200).table
    assert set(table["term"]) == {"colour", "gum_g"}
    again = power(made.runs[["day", "colour", "gum_g"]], trials=200).table
    assert set(again["term"]) == {"colour", "gum_g"}
    found = power(16, ratio=1.3, trials=200)
    assert (found.n_batches, found.n_days) == (16, 1)
    assert "16 batches on 1 day" in str(found)
    assert "<table" in found._repr_html_()


@pytest.mark.parametrize("wrong", [(0.0, 0.0, 0.1), (0.1, -0.1, 0.1), (0.1, 0.1, float("nan"))])
def test_spreads_must_make_sense(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="spreads must be"):
        Spreads(*wrong, origin="a mistake")


# --- when to look -------------------------------------------------------------------------------------


def test_the_best_looks_are_the_best_of_all_choices() -> None:
    found = best_looks(3.0, 5.0, 2, 0.15, every_min=30)
    centres = np.exp(np.linspace(np.log(3), np.log(5), 81))
    allowed = np.arange(0.5, 10.0, 0.5)
    best = max(combinations(allowed, 2), key=lambda pair: information_kept(pair, centres, 0.15).mean())
    assert found == best


def test_kept_information_is_the_variance_of_the_slope() -> None:
    """Simulated: the slope of the log-likelihood of a bracket by the usual log dry time has variance I."""
    looks, usual, s = np.array([3.0, 4.0, 6.0, 8.0]), 5.0, 0.25
    log_t = np.log(usual) + s * np.random.default_rng(6).standard_normal(200_000)
    ends = np.concatenate([[-np.inf], np.log(looks), [np.inf]])
    place = np.searchsorted(np.log(looks), log_t)
    u, v = (ends[place] - np.log(usual)) / s, (ends[place + 1] - np.log(usual)) / s
    slope = (stats.norm.pdf(u) - stats.norm.pdf(v)) / (stats.norm.cdf(v) - stats.norm.cdf(u))
    error = (slope**2).std() / np.sqrt(len(slope))
    assert abs((slope**2).mean() - information_kept(looks, usual, s)[0]) < 3.9 * error


def test_fine_looks_lose_a_twelfth_of_their_squared_width() -> None:
    """Sheppard's correction: grouping in widths w adds w²/12 to the variance."""
    w = 0.4
    looks = np.exp(np.log(50) + 0.2 * w * np.arange(-30, 31))
    assert information_kept(looks, 50.0, 0.2)[0] == pytest.approx(1 / (1 + w**2 / 12), abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(
    looks=st.lists(st.floats(0.5, 40), min_size=1, max_size=8, unique=True),
    extra=st.floats(0.5, 40),
    usual=st.floats(1, 30),
    spread=st.floats(0.05, 0.8),
)
def test_another_look_never_loses(looks: list[float], extra: float, usual: float, spread: float) -> None:
    before = information_kept(sorted(looks), usual, spread)[0]
    after = information_kept(sorted({*looks, extra}), usual, spread)[0]
    assert -1e-12 <= before <= after + 1e-9
    assert after <= 1 + 1e-9


@pytest.mark.parametrize(
    "call",
    [
        lambda: best_looks(5, 2, 3, 0.2),
        lambda: best_looks(2, 5, 0, 0.2),
        lambda: best_looks(2, 5, 3, 0.0),
        lambda: information_kept([4.0, 4.0], 5.0, 0.2),
        lambda: asked(looks=(4.0, 2.0)),
        lambda: asked(pieces=0),
        lambda: asked(ratio=0.0),
        lambda: asked(target=1.0),
        lambda: asked(spreads=Spreads(0.0, 0.1, 0.1, "no spread of pieces")),
    ],
)
def test_senseless_wishes_are_errors(call: Any) -> None:
    with pytest.raises(ValueError, match=r"must|needs|above"):
        call()


# --- of a trial ---------------------------------------------------------------------------------------


def planned(tmp_path: Path, text: str) -> TrialPlan:
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    found, problems = read_settings(tmp_path)
    assert found is not None, problems
    return plan_trial(found)


COMPARE = HEAD + COLOUR + '[plan]\nkind = "compare"\ndays = 4\nbatches_per_day = 4\n'


def test_a_plan_says_what_it_would_see(tmp_path: Path) -> None:
    tables = 'tables = ["touch_checks", "tumbles", "fizz_times", "crumble_scores"]\n'
    found = plan_power(
        planned(tmp_path, COMPARE + tables + "checks_h = [2, 3, 4, 6, 8, 10, 14]\n"), trials=200
    )
    said = found.sentences
    assert said[0].startswith("With 16 batches on 4 days, ")
    assert "a difference of 25 % in dry time between" in said[0]
    assert "an assumption without a source" in " ".join(said)
    assert "usually dry after 5.3 h" in " ".join(said)
    # every response that is compared by ratios, each once; those of a number a batch with the same chances
    assert list(found.power) == ["dry_h", "tumble_loss_pct", "fizz_s", "colour_s"]
    assert (
        sum("Of tumble loss, fizz time and time until colour shows, 80 of 100" in each for each in said) == 1
    )


def test_a_measure_of_the_makers_own_is_judged_by_the_list(tmp_path: Path) -> None:
    own = '[responses.shine]\nlabel = "shine"\nunit = "points"\nscale = "ratio"\nper = "piece"\n'
    trial = planned(tmp_path, COMPARE + 'tables = ["shine"]\n' + own)
    assert list(plan_power(trial, trials=100).power) == ["shine"]


def test_spreads_from_a_record_are_named_as_such(tmp_path: Path) -> None:
    record = Spreads(0.08, 0.06, 0.05, "those found last winter", typical=5.0)
    trial = planned(tmp_path, COMPARE + "checks_h = [3, 3.5, 4, 4.5, 5, 5.5, 6, 7, 8, 10]\n")
    calmer, assumed = plan_power(trial, {"dry_h": record}, trials=100), plan_power(trial, trials=100)
    assert "These spreads are those found last winter." in calmer.sentences
    chance = {name: each.power["dry_h"].first["chance"] for name, each in (("a", assumed), ("c", calmer))}
    assert chance["c"] > chance["a"]


def test_a_difference_needs_a_spread_of_its_own(tmp_path: Path) -> None:
    trial = planned(tmp_path, COMPARE + 'tables = ["crumble_scores"]\n')
    assert "no spread is known" in plan_power(trial, trials=50).sentences[0]
    found = plan_power(trial, {"score": Spreads(0.5, 0.3, 0.1, "those of last winter")}, trials=100)
    assert found.power["score"].scale == "difference"


def test_looks_too_far_apart_are_said_and_better_ones_named(tmp_path: Path) -> None:
    said = " ".join(plan_power(planned(tmp_path, COMPARE + "checks_h = [2, 8, 24]\n"), trials=60).sentences)
    assert "too far apart" in said
    assert "h keep" in said


def test_what_is_not_worked_out_says_why(tmp_path: Path) -> None:
    mixture = plan_power(planned(tmp_path, toml("mixture")), trials=50)
    assert "tied to each other" in mixture.sentences[0]
    assert mixture.power == {}


def season(folder: Path, text: str) -> TrialPlan:
    """A trial planned from text."""
    (folder / "trial.toml").write_text('code = "s"\ntitle = "t"\nquestion = "q"\n' + text)
    return read_plan(folder)


@pytest.mark.slow
def test_a_season_is_judged_by_its_days(tmp_path: Path) -> None:
    """Of numbers of batches in a balanced season, what the air does is a t test on the means of days."""
    nine = '[plan]\nkind = "season"\ndays = 9\nbatches_per_day = 2\ntables = ["weighings", "room_log"]\n'
    planned = season(tmp_path, nine)
    spreads, trials = Spreads(0.1, 0.15, 0.12, "an example"), 4000
    found = power(planned.runs, ratio=1.6, terms=[], air=1, spreads=spreads, trials=trials).table.iloc[0]
    assert (found["level"], found["control"]) == ("the dampest day", "the driest")
    score = stats.norm.ppf((np.arange(9) + 0.625) / 9.25)
    error = np.sqrt((0.12**2 + (0.15**2 + 0.1**2 / 4) / 2) / (score**2).sum()) * np.ptp(score)
    chance = stats.nct.sf(stats.t.ppf(0.975, 7), 7, np.log(1.6) / error)
    assert found["chance"] == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / trials))
    said = plan_power(planned).sentences
    assert "between the dampest day and the driest." in said[0]


def test_a_season_without_the_air_or_with_a_factor_is_refused(tmp_path: Path) -> None:
    plan_ = '[plan]\nkind = "season"\nbatches_per_day = 2\n'
    for more, says in (
        (plan_ + "days = 3\n", "3 days are too few to tell what damp air does"),
        (plan_ + 'days = 9\ntables = ["touch_checks"]\n', "a season is judged by the air of its days"),
        (plan_ + 'days = 9\n[drying]\nair = "none"\n', "a season is judged by the air of its days"),
        ('[factors.a]\nlevels = ["b", "c"]\n' + plan_ + "days = 9\n", "makes every batch alike"),
        (plan_, "needs it"),
    ):
        with pytest.raises((BadInput, CannotAnswer), match=says):
            season(tmp_path, more)
