"""Pooling a season: what it recovers, what it admits, and what it refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.curing import fit_curing_time
from fizzlab.models.effects import fit_response
from fizzlab.models.pooling import TrialLine, line_of, pool, pool_effects, pool_trials, possible
from fizzlab.models.terms import Category


def lines(
    rng: np.random.Generator, trials: int, tau: tuple[float, float] = (0.15, 0.1)
) -> tuple[list[TrialLine], np.ndarray]:
    truth = np.array([2.4, -0.65])
    own = np.diag([0.004, 0.02])
    found = []
    for i in range(trials):
        here = truth + np.array(tau) * rng.standard_normal(2)
        at = float(np.exp(rng.normal(-0.4, 0.3)))
        mean = np.array([here[0] + here[1] * np.log(at / 0.67), here[1]])
        seen = rng.multivariate_normal(mean, own)
        found.append(TrialLine(f"T{i}", seen[0], seen[1], at, own, (at / 1.5, at * 1.5), 0.2, 6))
    return found, truth


def test_many_trials_recover_the_line_and_how_much_trials_differ() -> None:
    found, truth = lines(np.random.default_rng(1), 40)
    season = pool_trials(found, at=0.67)
    z = (season.coefficients["estimate"].to_numpy() - truth) / season.coefficients["se"].to_numpy()
    assert np.abs(z).max() < 4
    assert season.coefficients["tau"].to_numpy() == pytest.approx([0.15, 0.1], abs=0.06)
    assert season.between.tau_low > 0.05
    assert 0.3 < season.between.i2 < 1


def test_a_new_trial_is_less_sure_than_the_pooled_line_and_a_piece_less_than_that() -> None:
    found, _ = lines(np.random.default_rng(2), 6)
    season, air = pool_trials(found), {"vpd_kpa": [0.3, 0.6, 0.9]}
    pooled, new = season.predict(air), season.predict(air, interval="prediction")
    piece = [[season.dry_by(vpd, chance) for vpd in air["vpd_kpa"]] for chance in (0.025, 0.975)]
    assert (piece[0] < new["conf_low"]).all()
    assert (new["conf_low"] < pooled["conf_low"]).all()
    assert (pooled["conf_high"] < new["conf_high"]).all()
    assert (new["conf_high"] < piece[1]).all()
    assert pooled["estimate"].is_monotonic_decreasing
    assert season.chance_dry(0.6, season.dry_by(0.6, 0.8)) == pytest.approx(0.8)
    with pytest.raises(ValueError, match="dry_by"):
        season.predict(air, share=0.9)


def test_beyond_the_air_that_was_met_is_marked() -> None:
    found, _ = lines(np.random.default_rng(3), 5)
    season = pool_trials(found)
    low, high = season.tried
    marks = season.predict({"vpd_kpa": [low, high, high * 1.2, low / 1.2]})["extrapolated"]
    assert marks.tolist() == [False, False, True, True]


@pytest.mark.slow
def test_intervals_hold() -> None:
    """50 seasons of six trials: pooled level, pooled slope, a new trial's level; four standard errors.

    The heavier run is benchmarks/season_coverage.py.
    """
    rng = np.random.default_rng(4)
    held = []
    for _ in range(50):
        found, truth = lines(rng, 6, tau=(0.2, 0.2))
        season = pool_trials(found, at=0.67)
        table, line = season.coefficients, season.predict(interval="prediction")
        new = truth[0] + 0.2 * rng.standard_normal()
        held.append(
            [
                table.loc["level", "conf_low"] <= truth[0] <= table.loc["level", "conf_high"],
                table.loc["slope", "conf_low"] <= truth[1] <= table.loc["slope", "conf_high"],
                line["conf_low"][0] <= np.exp(new) <= line["conf_high"][0],
            ]
        )
    seen = np.mean(held, axis=0)
    assert (seen > 0.95 - 4 * np.sqrt(0.95 * 0.05 / 50)).all()


@settings(max_examples=5, deadline=None)
@given(st.floats(0.2, 3.0), st.floats(-2, 2))
def test_the_unit_of_time_and_the_place_of_telling_do_not_matter(scale: float, shift: float) -> None:
    found, _ = lines(np.random.default_rng(5), 5, tau=(0.2, 0.0))
    moved = [
        TrialLine(t.name, t.level + shift, t.slope, t.at, t.covariance, t.tried, t.spread, t.n_batches)
        for t in found
    ]
    one, two = pool_trials(found, at=0.6), pool_trials(moved, at=0.6)
    assert two.coefficients.loc["level", "estimate"] == pytest.approx(
        float(one.coefficients.loc["level", "estimate"]) + shift,
        abs=1e-6,  # type: ignore[arg-type]
    )
    assert two.coefficients.loc["slope", "se"] == pytest.approx(one.coefficients.loc["slope", "se"], rel=1e-4)


def test_one_air_trials_help_the_level_there() -> None:
    found, _ = lines(np.random.default_rng(6), 4, tau=(0.1, 0.0))
    alone = pool_trials(found, at=0.6)
    more = [
        TrialLine(f"one{i}", 2.45, None, 0.6, np.array([[0.004]]), (0.55, 0.65), 0.2, 6) for i in range(6)
    ]
    joined = pool_trials([*found, *more], at=0.6)
    assert joined.coefficients.loc["level", "se"] < alone.coefficients.loc["level", "se"]
    assert joined.coefficients.loc["level", "df"] == 9
    assert joined.coefficients.loc["slope", "df"] == 3
    assert sum(line.slope is None for line in joined.lines) == 6


def test_few_slopes_are_taken_as_common_and_it_is_said() -> None:
    found, _ = lines(np.random.default_rng(7), 2)
    one = TrialLine("one", 2.4, None, 0.6, np.array([[0.004]]), (0.55, 0.65), 0.2, 6)
    season = pool_trials([*found, one])
    assert np.isnan(season.coefficients.loc["slope", "tau"])  # type: ignore[arg-type]
    assert any("same in every trial" in note for note in season.notes)


def test_refusals() -> None:
    found, _ = lines(np.random.default_rng(8), 2)
    with pytest.raises(CannotAnswer, match="2 trials"):
        pool_trials(found)
    with pytest.raises(CannotAnswer, match="1 trial,"):
        pool([1.0], [0.1])
    flat = [TrialLine(n, 2.4, None, 0.6, np.array([[0.01]]), (0.5, 0.7), 0.2, 6) for n in "ABC"]
    with pytest.raises(CannotAnswer, match="more than one air"):
        pool_trials(flat)
    with pytest.raises(ValueError, match="name of its own"):
        pool_trials([*flat, flat[0]])


def test_a_new_trial_mixture_against_brute_force() -> None:
    """The mixture over tau by quadrature agrees with drawing tau, the mean and the new trial."""
    rng = np.random.default_rng(10)
    y, v = np.array([2.3, 2.5, 2.2, 2.7, 2.4]), np.array([0.01, 0.02, 0.008, 0.015, 0.02])
    one, eye = np.ones((5, 1)), np.eye(5)
    mixture = possible(y, one, np.diag(v), [eye], [float(np.median(v))])
    low, high = (
        mixture.quantile(*mixture.normal(np.ones((1, 1)), mixture.variance.sum(axis=1)), share)
        for share in (0.05, 0.95)
    )
    # importance sampling: tau from the prior, 1 / (tau^2 + v) of tau^2, cut far out
    own = float(np.median(v))
    tau2 = own * (np.exp(rng.uniform(0, 12, 200_000)) - 1)
    w = 1 / (v + tau2[:, None])
    total = w.sum(axis=1)
    mean = (w * y).sum(axis=1) / total
    log = 0.5 * np.log(w).sum(axis=1) - 0.5 * np.log(total) - 0.5 * (w * (y - mean[:, None]) ** 2).sum(axis=1)
    weight = np.exp(log - log.max())
    pick = rng.choice(len(tau2), 200_000, p=weight / weight.sum())
    new = mean[pick] + np.sqrt(1 / total[pick] + tau2[pick]) * rng.standard_normal(200_000)
    assert [low[0], high[0]] == pytest.approx(np.quantile(new, [0.05, 0.95]).tolist(), abs=0.01)


def test_with_great_differences_a_new_trial_is_the_t_interval() -> None:
    levels = [1.0, 3.0, 4.5, 2.0, 6.0, 3.3]
    own = np.diag([1e-4, 1e-4])
    lines = [TrialLine(str(i), a, -0.5, 0.6, own, (0.4, 0.9), 0.2, 6) for i, a in enumerate(levels)]
    row = pool_trials(lines, at=0.6).predict(interval="prediction").iloc[0]
    reach = stats.t.ppf(0.975, 5) * np.std(levels, ddof=1) * np.sqrt(1 + 1 / 6)
    assert np.log([row["conf_low"], row["conf_high"]]) == pytest.approx(
        [np.mean(levels) - reach, np.mean(levels) + reach], rel=0.02
    )


def looks(rng: np.random.Generator, level: float, slope: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    runs = [f"R{i}" for i in range(9)]
    air = np.tile([0.4, 0.65, 1.0], 3) * np.exp(rng.normal(0, 0.05, 9))
    rows = []
    for run, vpd, extra in zip(runs, air, np.repeat([0.0, 0.3, 0.0], 3), strict=True):
        batch = level + slope * np.log(vpd / 0.65) + extra + rng.normal(0, 0.08)
        for piece in range(4):
            hours = np.exp(batch + rng.normal(0, 0.1))
            rows.append((run, piece, np.floor(hours), np.floor(hours) + 1))
    batches = pd.DataFrame({"vpd_kpa": air, "colour": np.repeat(["none", "lake", "none"], 3)}, index=runs)
    return pd.DataFrame(rows, columns=["run", "piece", "lower", "upper"]), batches


COLOUR = Category("colour", ("none", "lake"), "none")


def test_fits_of_trials_pool_to_the_truth() -> None:
    rng = np.random.default_rng(12)
    fits = {}
    for i in range(5):
        brackets, batches = looks(rng, 2.5 + rng.normal(0, 0.15), -0.7)
        fits[f"T{i}"] = fit_curing_time(brackets, [COLOUR], runs=batches.rename_axis("run"))
    # one seed, so bounds that only one season in a thousand misses
    season = pool_trials(fits, at=0.65, conf_level=0.999)
    for name, truth in (("level", 2.5), ("slope", -0.7)):
        row = season.coefficients.loc[name]
        assert row["conf_low"] < truth < row["conf_high"]
    assert season.spread == pytest.approx(np.hypot(0.08, 0.1), rel=0.4)
    effect = season.effects[0]
    assert effect.estimate == pytest.approx(2 ** -season.coefficients["estimate"]["slope"])
    assert season.table["term"].tolist() == ["vpd_kpa"]


def test_a_line_is_what_the_fit_says() -> None:
    brackets, batches = looks(np.random.default_rng(13), 2.5, -0.7)
    fit = fit_curing_time(brackets, [COLOUR], runs=batches.rename_axis("run"))
    line = line_of("T", fit)
    standard = {**fit.typical, "vpd_kpa": line.at}
    row = fit.predict(standard).iloc[0]
    assert line.level == pytest.approx(np.log(row["estimate"]))
    reach = stats.t.ppf(0.975, fit.df_of(fit.weights(standard))[0]) * np.sqrt(line.covariance[0, 0])
    assert line.level + reach == pytest.approx(np.log(row["conf_high"]))
    assert line.slope == pytest.approx(float(fit.coefficients["coef"]["log vpd_kpa"]))
    assert line.covariance[1, 1] == pytest.approx(float(fit.coefficients["se"]["log vpd_kpa"]) ** 2)


def test_a_trial_of_one_air_tells_its_level_there() -> None:
    brackets, batches = looks(np.random.default_rng(13), 2.5, -0.7)
    steady = batches.assign(vpd_kpa=0.6).rename_axis("run")
    line = line_of("T", fit_curing_time(brackets, [COLOUR], runs=steady))
    assert (line.slope, line.at) == (None, pytest.approx(0.6))
    with pytest.raises(ValueError, match="must know the vpd_kpa"):
        line_of("T", fit_curing_time(brackets, [COLOUR], runs=steady.drop(columns="vpd_kpa")))


def repeated_trials(rng: np.random.Generator, trials: int, tau: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Trials of 8 batches, gamma about a ratio of 1.3 that differs between trials by t with 4 df."""
    truths = np.log(1.3) + tau * rng.standard_t(4, trials) / np.sqrt(2)
    rows = [
        (f"T{i}", f"R{k}", ["dye", "lake"][k % 2], np.exp(truth * (k % 2)) * rng.gamma(30.0) / 30)
        for i, truth in enumerate(truths)
        for k in range(8)
    ]
    return pd.DataFrame(rows, columns=["trial", "run", "colour", "fizz_s"]), truths


@pytest.mark.slow
@pytest.mark.parametrize(("trials", "tau"), [(2, 0.0), (2, 0.2), (4, 0.0), (4, 0.2)])
def test_the_same_comparison_pooled_holds_its_truth(trials: int, tau: float) -> None:
    # 300 workshops: 95 % within 3.5 binomial errors from below; of two trials the truth is their own average
    rng, held = np.random.default_rng(21), 0
    for _ in range(300):
        table, truths = repeated_trials(rng, trials, tau)
        fits = {name: fit_response(rows, "fizz_s", "colour") for name, rows in table.groupby("trial")}
        pooled = pool_effects({str(name): fit.effects[0] for name, fit in fits.items()})
        weight = np.array([np.log(e.conf_high / e.conf_low) ** -2 for e in pooled.each.values()])
        truth = np.log(1.3) if trials > 2 else weight @ truths / weight.sum()
        held += pooled.effect.conf_low <= np.exp(truth) <= pooled.effect.conf_high
    print(f"{trials} trials, tau {tau}: {held / 300:.3f}")
    assert held / 300 > 0.95 - 3.5 * np.sqrt(0.95 * 0.05 / 300)


def few_readings(rng: np.random.Generator, tau: float, df: float) -> tuple[np.ndarray, np.ndarray]:
    """Three numbers that truly differ by tau, and their standard errors as a few batches show them."""
    sd = np.exp(rng.uniform(-0.35, 0.35, 3))
    return tau * rng.standard_normal(3) + sd * rng.standard_normal(3), sd * np.sqrt(rng.chisquare(df, 3) / df)


@pytest.mark.slow
@pytest.mark.parametrize("tau", [0.0, 1.0])
def test_how_much_trials_differ_holds_where_their_errors_rest_on_few_batches(tau: float) -> None:
    """400 pools of three trials with 2 degrees of freedom each; 3.5 binomial errors. Taken as known: 86 %."""
    rng = np.random.default_rng(23)
    drawn = (few_readings(rng, tau, 2) for _ in range(400))
    found = [pool(y, se, dfs=[2, 2, 2]) for y, se in drawn]
    held = np.mean([[e.tau_low <= tau <= e.tau_high, e.conf_low <= 0 <= e.conf_high] for e in found], axis=0)
    print(f"tau {tau}: {held[0]:.3f}, mean {held[1]:.3f}")
    assert (held > 0.95 - 3.5 * np.sqrt(0.95 * 0.05 / 400)).all()


def test_comparisons_that_cannot_be_pooled() -> None:
    table, _ = repeated_trials(np.random.default_rng(22), 2, 0.0)
    effects = {
        str(name): fit_response(rows, "fizz_s", "colour").effects[0] for name, rows in table.groupby("trial")
    }
    both = pool_effects(effects)
    assert both.between is None
    assert both.effect.judged_by == "batches"
    assert both.effect.n_batches == 16
    with pytest.raises(CannotAnswer, match="Only one trial"):
        pool_effects({"T0": effects["T0"]})
    with pytest.raises(CannotAnswer, match="open"):
        pool_effects(effects | {"T1": replace(effects["T1"], conf_high=np.inf)})
