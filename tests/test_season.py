"""Pooling a season: what it recovers, what it admits, and what it refuses."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.cure import fit_dry_time
from fizzlab.models.cure.pooling import pool, possible_spreads
from fizzlab.models.cure.season import TrialLine, line_of, pool_lines
from fizzlab.models.terms import Amount, Category

VPD = Amount("vpd_kpa", "kPa", log=True)


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
    season = pool_lines(found, at=0.67)
    z = (season.table["estimate"].to_numpy() - truth) / season.table["se"].to_numpy()
    assert np.abs(z).max() < 4
    assert season.table["tau"].to_numpy() == pytest.approx([0.15, 0.1], abs=0.06)
    assert season.q_p < 0.001
    assert 0.3 < season.i2 < 1


def test_a_new_trial_is_less_sure_than_the_pooled_line_and_a_piece_less_than_that() -> None:
    found, _ = lines(np.random.default_rng(2), 6)
    chart = pool_lines(found).forecast([0.3, 0.6, 0.9])
    for name in ("", "new_"):
        wider = "new_" if name == "" else "piece_"
        assert (chart[f"{wider}low"] < chart[f"{name}low"]).all()
        assert (chart[f"{wider}high"] > chart[f"{name}high"]).all()
    assert chart["typical"].is_monotonic_decreasing


def test_beyond_the_air_that_was_met_is_marked() -> None:
    found, _ = lines(np.random.default_rng(3), 5)
    season = pool_lines(found)
    low, high = season.tried
    marks = season.forecast([low, high, high * 1.2, low / 1.2])["beyond_tried"]
    assert marks.tolist() == [False, False, True, True]


def test_intervals_hold() -> None:
    """50 seasons of six trials: pooled level, pooled slope, a new trial's level; four standard errors.

    The heavier run is benchmarks/season_coverage.py.
    """
    rng = np.random.default_rng(4)
    held = []
    for _ in range(50):
        found, truth = lines(rng, 6, tau=(0.2, 0.2))
        table = pool_lines(found, at=0.67).table
        new = truth[0] + 0.2 * rng.standard_normal()
        held.append(
            [
                table.loc["level", "low"] <= truth[0] <= table.loc["level", "high"],
                table.loc["slope", "low"] <= truth[1] <= table.loc["slope", "high"],
                table.loc["level", "new_low"] <= new <= table.loc["level", "new_high"],
            ]
        )
    seen = np.mean(held, axis=0)
    assert (seen > 0.95 - 4 * np.sqrt(0.95 * 0.05 / 50)).all()


@settings(max_examples=5, deadline=None)
@given(st.floats(0.2, 3.0), st.floats(-2, 2))
def test_the_unit_of_time_and_the_place_of_telling_do_not_matter(scale: float, shift: float) -> None:
    found, _ = lines(np.random.default_rng(5), 5, tau=(0.2, 0.0))
    moved = [
        TrialLine(t.name, t.level + shift, t.slope, t.at, t.covariance, t.tried, t.spread, t.batches)
        for t in found
    ]
    one, two = pool_lines(found, at=0.6), pool_lines(moved, at=0.6)
    assert two.table.loc["level", "estimate"] == pytest.approx(
        float(one.table.loc["level", "estimate"]) + shift,
        abs=1e-6,  # type: ignore[arg-type]
    )
    assert two.table.loc["slope", "se"] == pytest.approx(one.table.loc["slope", "se"], rel=1e-4)


def test_one_air_trials_help_the_level_there() -> None:
    found, _ = lines(np.random.default_rng(6), 4, tau=(0.1, 0.0))
    alone = pool_lines(found, at=0.6)
    more = [
        TrialLine(f"one{i}", 2.45, None, 0.6, np.array([[0.004]]), (0.55, 0.65), 0.2, 6) for i in range(6)
    ]
    joined = pool_lines([*found, *more], at=0.6)
    assert joined.table.loc["level", "se"] < alone.table.loc["level", "se"]
    assert joined.table.loc["level", "df"] == 9
    assert joined.table.loc["slope", "df"] == 3
    assert joined.trials["slope"].isna().sum() == 6


def test_few_slopes_are_taken_as_common_and_it_is_said() -> None:
    found, _ = lines(np.random.default_rng(7), 2)
    one = TrialLine("one", 2.4, None, 0.6, np.array([[0.004]]), (0.55, 0.65), 0.2, 6)
    season = pool_lines([*found, one])
    assert np.isnan(season.table.loc["slope", "tau"])  # type: ignore[arg-type]
    assert any("same in every trial" in note for note in season.notes)


def test_refusals() -> None:
    found, _ = lines(np.random.default_rng(8), 2)
    with pytest.raises(CannotAnswer, match="2 trials"):
        pool_lines(found)
    with pytest.raises(CannotAnswer, match="1 trial,"):
        pool([1.0], [0.1])
    flat = [TrialLine(n, 2.4, None, 0.6, np.array([[0.01]]), (0.5, 0.7), 0.2, 6) for n in "ABC"]
    with pytest.raises(CannotAnswer, match="more than one air"):
        pool_lines(flat)
    with pytest.raises(ValueError, match="name of its own"):
        pool_lines([*flat, flat[0]])
    with pytest.raises(ValueError, match="shape"):
        TrialLine("A", 2.4, -0.5, 0.6, np.array([[0.01]]), (0.5, 0.7), 0.2, 6)
    with pytest.raises(ValueError, match="positive definite"):
        TrialLine("A", 2.4, None, 0.6, np.array([[0.0]]), (0.5, 0.7), 0.2, 6)
    with pytest.raises(ValueError, match="positive"):
        pool([1.0, 2.0, 3.0], [0.1, 0.0, 0.2])


def test_an_odd_trial_stands_out() -> None:
    found, _ = lines(np.random.default_rng(9), 8, tau=(0.02, 0.02))
    odd = found[3]
    found[3] = TrialLine("odd", odd.level + 1.0, odd.slope, odd.at, odd.covariance, odd.tried, 0.2, 6)
    trials = pool_lines(found).trials
    assert trials["odd"].abs().idxmax() == "odd"


def test_a_new_trial_mixture_against_brute_force() -> None:
    """The mixture over tau by quadrature agrees with drawing tau, the mean and the new trial."""
    rng = np.random.default_rng(10)
    y, v = np.array([2.3, 2.5, 2.2, 2.7, 2.4]), np.array([0.01, 0.02, 0.008, 0.015, 0.02])
    one, eye = np.ones((5, 1)), np.eye(5)
    low, high = possible_spreads(y, one, np.diag(v), [eye], [float(np.median(v))]).bounds(
        np.ones((1, 1)), 0.0, 0.9
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
    y, se = [1.0, 3.0, 4.5, 2.0, 6.0, 3.3], [0.01] * 6
    found, plain = pool(y, se), pool(y, se, correction="plain")
    assert [found.new_low, found.new_high] == pytest.approx([plain.new_low, plain.new_high], rel=0.01)
    spread = np.std(y, ddof=1)
    reach = stats.t.ppf(0.975, 5) * spread * np.sqrt(1 + 1 / 6)
    assert plain.new_high == pytest.approx(np.mean(y) + reach, rel=1e-3)


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


def test_fits_of_trials_pool_to_the_truth() -> None:
    rng = np.random.default_rng(12)
    colour = Category("colour", ("none", "lake"), "none")
    found = []
    for i in range(5):
        brackets, batches = looks(rng, 2.5 + rng.normal(0, 0.15), -0.7)
        fit = fit_dry_time(brackets, batches, [colour, VPD])
        found.append(line_of(fit, f"T{i}", {"colour": "none"}))
    # one seed, so bounds that only one season in a thousand misses
    season = pool_lines(found, at=0.65, level=0.999)
    for name, truth in (("level", 2.5), ("slope", -0.7)):
        row = season.table.loc[name]
        assert row["low"] < truth < row["high"]
    assert season.spread == pytest.approx(np.hypot(0.08, 0.1), rel=0.4)


def test_a_line_is_what_the_fit_says() -> None:
    brackets, batches = looks(np.random.default_rng(13), 2.5, -0.7)
    colour = Category("colour", ("none", "lake"), "none")
    fit = fit_dry_time(brackets, batches, [colour, VPD])
    line = line_of(fit, "T", {"colour": "lake"})
    width = len(fit.estimates)
    row = np.array([1.0, 1.0, np.log(line.at)])
    told = fit.linear(row)
    assert width == 3
    assert (line.level, np.sqrt(line.covariance[0, 0])) == pytest.approx((told.estimate, told.se))
    assert line.slope == pytest.approx(float(fit.coef[2]))
    none = fit_dry_time(brackets, batches, [colour])
    one = line_of(none, "T", {"colour": "none"}, tried=(0.4, 1.0))
    assert one.slope is None
    assert one.at == pytest.approx(np.sqrt(0.4))
    with pytest.raises(ValueError, match="vapour-pressure"):
        line_of(none, "T", {"colour": "none"})


@pytest.mark.parametrize("shape", ["weibull", "loglogistic"])
def test_other_shapes_tell_their_median(shape: str) -> None:
    brackets, batches = looks(np.random.default_rng(14), 2.5, -0.7)
    colour = Category("colour", ("none", "lake"), "none")
    log = line_of(fit_dry_time(brackets, batches, [colour, VPD]), "T", {"colour": "none"})
    other = line_of(fit_dry_time(brackets, batches, [colour, VPD], shape), "T", {"colour": "none"})  # type: ignore[arg-type]
    assert other.level == pytest.approx(log.level, abs=0.05)
