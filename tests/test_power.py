"""What a plan can detect: touch checks and numbers, the smallest effect, when to look, and the words."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planned_trials import COLOUR, HEAD, toml
from scipy import integrate, stats

from fizzlab.bench.plan_power import plan_power
from fizzlab.bench.planning import Planned, plan_trial
from fizzlab.design.power import (
    ASSUMED,
    Spreads,
    Structure,
    TouchChecks,
    equal_ratio_looks,
    information_kept,
    number_simulation,
    schedule_looks,
    structure,
    touch_simulation,
)
from fizzlab.design.power.likelihoods import tabulate
from fizzlab.design.power.touchtrials import draw, look_places, touch_verdicts
from fizzlab.errors import CannotAnswer
from fizzlab.models.cure import fit_dry_time
from fizzlab.models.terms import Amount, Category
from fizzlab.report.figures.power import power_curve
from fizzlab.trial.settings import read_settings

COLOURS = Category("colour", ("pearl", "dye"), "pearl")
LOOKS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 24.0)


def by_days(days: int, each: int) -> Structure:
    runs = pd.DataFrame(
        {"day": np.repeat(range(days), each), "colour": np.resize(["pearl", "dye"], days * each)}
    )
    return structure(runs, [COLOURS])


def checks(looks: tuple[float, ...] = LOOKS, pieces: int = 4, missed: float = 0.0) -> TouchChecks:
    return TouchChecks(looks, pieces, 6.0, missed)


# --- the plan -----------------------------------------------------------------------------------------


def test_a_ratio_means_the_same_for_levels_and_amounts() -> None:
    runs = pd.DataFrame({"day": 1, "colour": ["pearl", "dye"] * 4, "gum_g": [0.6, 0.6, 1.8, 1.8] * 2})
    plan = structure(runs, [COLOURS, Amount("gum_g", "g")])
    for effect in plan.effects:
        assert effect.weights @ effect.coefficients == pytest.approx(1.0)
        on_plan = plan.x @ effect.coefficients
        assert on_plan.max() - on_plan.min() == pytest.approx(1.0)
        assert np.ptp(on_plan - effect.shift) == pytest.approx(0.0, abs=1e-12)
    assert plan.effect("gum_g[1.8 g]").second == "0.6 g"
    with pytest.raises(ValueError, match="no effect"):
        plan.effect("salt")


def test_what_cannot_be_judged_is_refused() -> None:
    shares = pd.DataFrame({"day": 1, "oil": [2.0, 4, 6, 8, 5, 5], "water": [8.0, 6, 4, 2, 5, 5]})
    with pytest.raises(CannotAnswer, match="tied to each other"):
        structure(shares, [Amount("oil", "g"), Amount("water", "g")])
    with pytest.raises(CannotAnswer, match="too few"):
        structure(pd.DataFrame({"day": 1, "colour": ["pearl", "dye", "dye"]}), [COLOURS])


def test_the_air_costs_a_factor_of_the_room_more_than_one_of_the_batch() -> None:
    runs = pd.DataFrame(
        {
            "day": np.repeat(range(6), 4),
            "air": np.repeat(["plain", "dried"] * 3, 4),
            "colour": ["pearl", "dye"] * 12,
        }
    )
    terms = [Category("air", ("plain", "dried"), "plain"), COLOURS]
    without, with_air = structure(runs, terms), structure(runs, terms, air=1)
    assert with_air.x.shape[1] == without.x.shape[1] + 1
    lost = []
    for name in ("air[dried]", "colour[dye]"):
        chances = [
            number_simulation(plan, ASSUMED, 4, trials=2000).chance(plan.effect(name), 1.3).chance
            for plan in (without, with_air)
        ]
        lost.append(chances[0] - chances[1])
    assert lost[0] > 0.03  # the same chance draws, so that even a small loss shows
    assert abs(lost[1]) < 0.02


# --- touch checks -------------------------------------------------------------------------------------


def test_tables_hold_the_likelihood_of_a_batch() -> None:
    ends = np.log([4.0, 6.0, 8.0])
    lower, upper = np.array([-np.inf, *ends]), np.array([*ends, np.inf])
    counts = np.array([[0.0, 2, 1, 0], [0, 0, 0, 3], [1, 0, 0, 0]])
    tables = tabulate(lower, upper, counts, sigma=0.12, tau=0.15, reach=0.8)

    def direct(row: np.ndarray, mu: float, sigma: float, tau: float) -> float:
        def density(b: float) -> float:
            chance = stats.norm.cdf((upper - mu - b) / sigma) - stats.norm.cdf((lower - mu - b) / sigma)
            return float(np.prod(chance**row)) * stats.norm.pdf(b / tau) / tau

        return float(np.log(integrate.quad(density, -6 * tau, 6 * tau, epsabs=1e-14, limit=200)[0]))

    for mu, sigma, tau in ((1.8, 0.12, 0.15), (1.95, 0.08, 0.05), (1.7, 0.2, 0.4)):
        value, slope, bend = tables.at(
            np.arange(3)[None, :], np.full((1, 3), mu), np.log([sigma]), np.array([tau])
        )
        exact = [direct(row, mu, sigma, tau) for row in counts]
        # between the tabulated sigmas the logarithm is a cubic, which errs most far out in a tail
        np.testing.assert_allclose(value[0], exact, rtol=6e-3)
        h = 0.01
        around = np.array([[direct(row, mu + k * h, sigma, tau) for row in counts] for k in (-1, 0, 1)])
        np.testing.assert_allclose(slope[0], (around[2] - around[0]) / (2 * h), rtol=0.02, atol=0.05)
        np.testing.assert_allclose(
            bend[0], (2 * around[1] - around[0] - around[2]) / h**2, rtol=0.05, atol=0.5
        )


@pytest.mark.parametrize(
    ("days", "each", "looks", "trials"),
    [(1, 12, LOOKS, 60), (4, 3, LOOKS, 15), (1, 12, (2.0, 4.0, 6.0, 8.0), 30)],
)
def test_the_quick_analysis_stands_in_for_the_full_one(
    days: int, each: int, looks: tuple[float, ...], trials: int
) -> None:
    """Trial by trial: estimates, standard errors, degrees of freedom, and what each trial says."""
    plan, spreads = by_days(days, each), ASSUMED
    drawn = draw(plan, checks(looks), trials, seed=8)
    both = [
        touch_verdicts(plan, plan.effects[0], 0.26, checks(looks), spreads, drawn, engine=engine)
        for engine in ("quick", "full")
    ]
    quick, full = both
    assert (quick.answered == full.answered).mean() > 0.95
    ok = quick.answered & full.answered
    np.testing.assert_allclose(quick.estimate[ok], full.estimate[ok], atol=0.02)
    ratio = quick.se[ok] / full.se[ok]
    assert 0.97 < np.median(ratio) < 1.03
    assert (np.abs(ratio - 1) < 0.1).mean() > 0.93
    assert np.median(np.abs(quick.df[ok] / full.df[ok] - 1)) < 0.01
    assert (quick.seen != full.seen).mean() <= 0.05


def test_where_there_is_no_effect_few_trials_see_one() -> None:
    plan = by_days(4, 3)
    found = touch_simulation(plan, checks(), ASSUMED, trials=1000, seed=2).chance(plan.effects[0], 1.0)
    # one side of a 95 % interval: 2.5 in 100 at most, beside the error of 1,000 trials
    assert found.chance * 1000 <= stats.binom.ppf(0.9999, 1000, 0.025)
    assert found.unanswered < 0.02


def test_more_of_anything_sees_more() -> None:
    def chance(plan: Structure, look: TouchChecks, spreads: Spreads = ASSUMED, ratio: float = 1.3) -> float:
        return touch_simulation(plan, look, spreads, trials=300, seed=5).chance(plan.effects[0], ratio).chance

    usual = chance(by_days(4, 3), checks())
    assert chance(by_days(4, 6), checks()) > usual + 0.1
    assert chance(by_days(4, 3), checks(), ratio=1.5) > usual + 0.1
    assert chance(by_days(4, 3), checks(), Spreads(0.12, 0.3, 0.15, "a wilder room")) < usual - 0.1
    assert chance(by_days(4, 3), checks((3.0, 12.0))) < usual - 0.1
    assert chance(by_days(4, 3), checks(pieces=1)) < usual + 0.02
    assert chance(by_days(4, 3), checks(missed=0.4)) < usual + 0.02


def test_looks_that_come_too_late_answer_nothing() -> None:
    plan = by_days(4, 3)
    found = touch_simulation(plan, checks((24.0, 36.0)), ASSUMED, trials=50).chance(plan.effects[0], 1.3)
    assert (found.unanswered, found.chance) == (1.0, 0.0)
    with pytest.raises(CannotAnswer, match="Not even 8 times as long with dye"):
        touch_simulation(plan, checks((24.0, 36.0)), ASSUMED, trials=20).smallest(plan.effects[0])


def test_pieces_that_all_fall_about_one_look_tell_no_scale() -> None:
    """Looks at 4, 8 and 24 h with drying about 8 h: only on which side of 8 h is known, never how far."""
    plan = by_days(1, 12)
    narrow = Spreads(0.05, 0.05, 0.0, "an even room")
    look = TouchChecks((4.0, 8.0, 24.0), 4, 8.0)
    assert touch_simulation(plan, look, narrow, trials=60).chance(plan.effects[0], 1.05).unanswered == 1.0


@settings(max_examples=25, deadline=None)
@given(missed=st.floats(0.0, 0.8), seed=st.integers(0, 10_000))
def test_a_missed_look_widens_a_bracket_and_never_moves_it(missed: float, seed: int) -> None:
    plan = by_days(2, 4)
    drawn = draw(plan, checks(missed=missed or 0.01), 20, seed)
    lower, upper = look_places(plan, plan.effects[0], 0.2, checks(missed=missed or 0.01), ASSUMED, drawn)
    all_seen = type(drawn)(drawn.days, drawn.batches, drawn.pieces, None)
    true_lower, true_upper = look_places(plan, plan.effects[0], 0.2, checks(), ASSUMED, all_seen)
    assert ((lower <= true_lower) & (upper >= true_upper) & (lower < upper)).all()
    assert drawn.looked is not None
    looked = drawn.looked
    trial, batch = np.indices(lower.shape[:2])
    for piece in range(lower.shape[2]):
        inside = (lower[..., piece] >= 1) & (lower[..., piece] <= len(LOOKS))
        assert looked[trial[inside], batch[inside], lower[..., piece][inside] - 1].all()


# --- chances ------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_chances_and_another_others() -> None:
    plan = by_days(4, 3)
    found = [
        touch_simulation(plan, checks(), ASSUMED, trials=60, seed=seed).verdicts(plan.effects[0], 0.22)
        for seed in (1, 1, 2)
    ]
    np.testing.assert_array_equal(found[0].estimate, found[1].estimate)
    assert np.nanmin(np.abs(found[0].estimate - found[2].estimate)) > 0


def test_the_smallest_effect_is_seen_as_often_as_asked_in_other_trials() -> None:
    plan = by_days(4, 3)
    found = touch_simulation(plan, checks(), ASSUMED, trials=400, seed=11).smallest(plan.effects[0])
    assert found.low < found.ratio < found.high
    again = touch_simulation(plan, checks(), ASSUMED, trials=1000, seed=12).chance(
        plan.effects[0], found.ratio
    )
    # both simulations err: 3.9 standard errors of their difference
    assert abs(again.chance - 0.8) < 3.9 * np.sqrt(0.16 * (1 / 400 + 1 / 1000))


def test_a_curve_rises_and_holds_its_error() -> None:
    plan = by_days(4, 3)
    curve = number_simulation(plan, ASSUMED, 4, trials=800).curve(plan.effects[0], [1.0, 1.1, 1.2, 1.3, 1.5])
    assert curve["chance"].is_monotonic_increasing
    assert ((curve["low"] <= curve["chance"]) & (curve["chance"] <= curve["high"])).all()
    shorter = number_simulation(plan, ASSUMED, 4, trials=800).chance(plan.effects[0], 1 / 1.3).chance
    assert shorter == pytest.approx(float(curve["chance"].iloc[3]), abs=0.06)
    figure = power_curve(curve, worth_knowing=1.25)
    assert figure.axes[0].get_xlabel() == "true ratio of dry times"
    with pytest.raises(ValueError, match="two sizes"):
        power_curve(curve[:1])


@pytest.mark.parametrize("wrong", [(0.0, 0.1, 0.1), (0.1, -0.1, 0.1), (0.1, 0.1, float("nan"))])
def test_spreads_must_make_sense(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="spreads must be"):
        Spreads(*wrong, origin="a mistake")


def test_spreads_come_from_an_earlier_fit() -> None:
    plan = by_days(4, 3)
    look = checks()
    drawn = draw(plan, look, 1, seed=3)
    lower, upper = look_places(plan, plan.effects[0], 0.2, look, ASSUMED, drawn)
    ends = np.array([0.0, *LOOKS, np.inf])
    pieces = pd.DataFrame(
        {
            "run": np.repeat([f"R{row}" for row in range(12)], 4),
            "piece": np.tile(range(4), 12),
            "lower": ends[lower.ravel()],
            "upper": ends[upper.ravel()],
        }
    )
    runs = pd.DataFrame(
        {"day": np.repeat(range(4), 3), "colour": np.resize(["pearl", "dye"], 12)},
        index=[f"R{row}" for row in range(12)],
    )
    fit = fit_dry_time(pieces, runs, [COLOURS])
    found = Spreads.of_fit(fit, "an earlier trial")
    assert (found.pieces, found.batches, found.days) == (fit.sigma, fit.tau, fit.delta)
    assert found.measured
    assert 4 < (found.typical_h or 0) < 9
    alike = fit_dry_time(pieces[pieces["piece"] == 0], runs, [COLOURS])
    with pytest.raises(CannotAnswer, match="how much pieces"):
        Spreads.of_fit(alike, "an earlier trial")


# --- when to look -------------------------------------------------------------------------------------


def test_the_best_looks_are_the_best_of_all_choices() -> None:
    found = schedule_looks(3.0, 5.0, 2, 0.15, every_min=30)
    centres = np.exp(np.linspace(np.log(3), np.log(5), 81))
    allowed = np.arange(0.5, 10.0, 0.5)
    best = max(combinations(allowed, 2), key=lambda pair: information_kept(pair, centres, 0.15).mean())
    assert found.looks_h == best


def test_kept_information_is_the_variance_of_the_slope() -> None:
    """Simulated: the slope of the log-likelihood of a bracket by the usual log dry time has variance I."""
    looks, usual, s = np.array([3.0, 4.0, 6.0, 8.0]), 5.0, 0.25
    rng = np.random.default_rng(6)
    log_t = np.log(usual) + s * rng.standard_normal(200_000)
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


def test_looks_far_apart_come_near_equal_ratios() -> None:
    """With narrow spreads beside the range, the best looks stand in nearly equal ratios."""
    found = np.array(schedule_looks(2.0, 14.0, 9, 0.1, every_min=5).looks_h)
    ratios = found[1:] / found[:-1]
    assert ratios.max() / ratios.min() < 1.15
    inside = np.array(equal_ratio_looks(2.0, 14.0, 9))
    np.testing.assert_allclose(inside[1:] / inside[:-1], (14 / 2) ** 0.1)


def test_nobody_is_asked_to_get_up_at_night() -> None:
    found = schedule_looks(2.0, 14.0, 6, 0.2, made_at=17.0, awake=(7.0, 22.5))
    clock = np.mod(17.0 + np.array(found.looks_h), 24)
    assert ((clock >= 7.0) & (clock <= 22.5)).all()
    assert found.kept < found.unrestricted
    assert all(float(hour * 4).is_integer() for hour in found.looks_h)
    with pytest.raises(CannotAnswer, match="moments are left"):
        schedule_looks(3.0, 4.0, 6, 0.1, made_at=22.0, awake=(7.0, 23.0), every_min=60)


@pytest.mark.parametrize(
    "call",
    [
        lambda: schedule_looks(5, 2, 3, 0.2),
        lambda: schedule_looks(2, 5, 0, 0.2),
        lambda: schedule_looks(2, 5, 3, 0.0),
        lambda: information_kept([4.0, 4.0], 5.0, 0.2),
        lambda: equal_ratio_looks(2, 2, 3),
        lambda: TouchChecks((4.0, 2.0), 4, 6.0),
        lambda: TouchChecks((2.0, 4.0), 0, 6.0),
    ],
)
def test_senseless_wishes_are_errors(call: object) -> None:
    with pytest.raises(ValueError, match=r"must|needed"):
        call()  # type: ignore[operator]


# --- the words ----------------------------------------------------------------------------------------


def planned(tmp_path: Path, text: str) -> Planned:
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    found, problems = read_settings(tmp_path)
    assert found is not None, problems
    return plan_trial(found)


COMPARE = HEAD + COLOUR + '[plan]\nkind = "compare"\ndays = 4\nbatches_per_day = 4\n'


def test_a_plan_says_what_it_would_see(tmp_path: Path) -> None:
    found = plan_power(planned(tmp_path, COMPARE + "checks_h = [2, 3, 4, 6, 8, 10, 14]\n"), trials=100)
    said = " ".join(found.sentences)
    assert "With 16 batches on 4 days you would see a dry time 1.25 times as long with" in said
    assert "seen in 80 of 100 is about 1." in said
    assert "an assumption without a source" in said
    assert "pieces usually dry after 5.3 h" in said
    assert found.table["ratio"].is_monotonic_increasing
    assert "of 100" in found.in_words()


def test_spreads_from_a_record_are_named_as_such(tmp_path: Path) -> None:
    record = Spreads(0.08, 0.06, 0.05, "those of the record of last winter", measured=True, typical_h=5.0)
    trial = planned(tmp_path, COMPARE + "checks_h = [3, 3.5, 4, 4.5, 5, 5.5, 6, 7, 8, 10]\n")
    calmer, assumed = plan_power(trial, record, trials=100), plan_power(trial, trials=100)
    assert (
        "The spreads are those of the record of last winter." in calmer.sentences[-1] + calmer.sentences[-2]
    )
    assert calmer.table["chance"].iloc[0] > assumed.table["chance"].iloc[0]


def test_looks_too_far_apart_are_said_and_better_ones_named(tmp_path: Path) -> None:
    found = plan_power(planned(tmp_path, COMPARE + "checks_h = [2, 8, 24]\n"), trials=60)
    said = " ".join(found.sentences)
    assert "too far apart" in said
    assert "as many looks at" in said


def test_a_loss_is_worded_as_a_loss_and_needs_no_looks(tmp_path: Path) -> None:
    found = plan_power(planned(tmp_path, COMPARE + 'tables = ["tumbles"]\n'), trials=200)
    assert "a tumble loss 1.25 times as great with" in found.sentences[0]
    assert "usually dry" not in " ".join(found.sentences)


def test_what_is_not_worked_out_says_why(tmp_path: Path) -> None:
    mixture = plan_power(planned(tmp_path, toml("mixture")), trials=50)
    assert mixture.sentences[0].startswith("How small a difference this plan would see is not worked out.")
    assert mixture.table.empty
    scores = plan_power(planned(tmp_path, COMPARE + 'tables = ["crumble_scores"]\n'), trials=50)
    assert "worked out for touch checks" in scores.sentences[0]
