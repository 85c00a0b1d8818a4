"""Loss of fizz in storage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import binom, ttest_1samp

from fizzlab.errors import CannotAnswer
from fizzlab.models.fizz import humidity_effect, loss_rates


def stored(
    rng: np.random.Generator,
    batches: int = 12,
    rates: dict[float, float] | None = None,
    weeks: tuple[int, ...] = (0, 2, 4, 8),
    each_batch_in_all: bool = True,
) -> pd.DataFrame:
    """Grams of gas of stored pieces: batches differ by 20 % in their loss, pieces by 3 % in their gas."""
    rows = []
    by_rh = rates or {45.0: 0.02}
    for i in range(batches):
        fresh, own = rng.normal(9, 0.5), rng.normal(0, 0.004)
        places = by_rh.items() if each_batch_in_all else [list(by_rh.items())[i % len(by_rh)]]
        for rh, k in places:
            for week in weeks:
                gas = fresh * np.exp(-(k + own) * week + rng.normal(0, 0.03))
                rows.append((f"B{i}", week, rh, gas))
    return pd.DataFrame(rows, columns=["run", "weeks", "rh_pct", "gas_g"])


def test_coverage_with_a_dozen_and_with_four_batches() -> None:
    # the bounds hold the count of a 95 % interval in 99.8 % of such simulations
    rng = np.random.default_rng(71)
    for batches in (12, 4):
        held = 0
        for _ in range(100):
            rate = loss_rates(stored(rng, batches), "gas_g")[0]
            held += rate.low <= 0.02 <= rate.high
        low, high = binom.interval(0.998, 100, 0.95)
        assert low <= held <= high


def test_coverage_of_the_humidity_effect() -> None:
    rng = np.random.default_rng(72)
    for within in (True, False):
        held = 0
        for _ in range(60):
            shelf = stored(rng, 12, {35.0: 0.01, 75.0: 0.05}, each_batch_in_all=within)
            effect = humidity_effect(shelf, "gas_g")
            assert effect.within is within
            held += effect.low <= 0.01 <= effect.high
        low, high = binom.interval(0.998, 60, 0.95)
        assert low <= held <= high


def test_storages_are_told_apart_by_humidity() -> None:
    shelf = stored(np.random.default_rng(3), 6, {34.0: 0.01, 36.0: 0.01, 75.0: 0.06})
    rates = loss_rates(shelf, "gas_g")
    assert [rate.storage for rate in rates] == ["35 % humidity", "75 % humidity"]
    assert rates[0].per_week < rates[1].per_week
    assert rates[0].weeks_to_share > rates[1].weeks_to_share
    assert "not a stability study" in rates[0].warning


def test_humidity_within_batches_is_a_paired_t_test() -> None:
    shelf = stored(np.random.default_rng(4), 5, {40.0: 0.01, 70.0: 0.04}, weeks=(1, 3, 6))
    effect = humidity_effect(shelf, "gas_g")
    slopes = []
    for _, rows in shelf.groupby("run"):
        k = [-np.polyfit(r["weeks"], np.log(r["gas_g"]), 1)[0] for _, r in rows.groupby("rh_pct")]
        slopes.append((k[1] - k[0]) / 3)
    test = ttest_1samp(slopes, 0)
    assert effect.per_10_pct == pytest.approx(np.mean(slopes))
    assert effect.p == pytest.approx(test.pvalue)
    ends = test.confidence_interval()
    assert (effect.low, effect.high) == pytest.approx((ends.low, ends.high))


def test_humidity_between_batches_is_ordinary_regression() -> None:
    shelf = stored(
        np.random.default_rng(5),
        8,
        {40.0: 0.01, 55.0: 0.02, 70.0: 0.04},
        weeks=(1, 3, 6),
        each_batch_in_all=False,
    )
    effect = humidity_effect(shelf, "gas_g")
    k = shelf.groupby("run").apply(
        lambda r: -np.polyfit(r["weeks"], np.log(r["gas_g"]), 1)[0], include_groups=False
    )
    table = pd.DataFrame({"k": k, "rh": shelf.groupby("run")["rh_pct"].mean()})
    other = smf.ols("k ~ rh", table).fit()
    assert effect.per_10_pct == pytest.approx(10 * other.params["rh"])
    assert (effect.low, effect.high) == pytest.approx(tuple(10 * other.conf_int().loc["rh"]))
    assert effect.df == other.df_resid


def test_units_of_the_measure_do_not_matter() -> None:
    shelf = stored(np.random.default_rng(6), 5)
    grams = loss_rates(shelf, "gas_g")[0]
    shares = loss_rates(shelf.assign(share_left=shelf["gas_g"] / 9), "share_left")[0]
    assert shares.per_week == pytest.approx(grams.per_week)


def test_no_loss_leaves_the_weeks_open() -> None:
    rng = np.random.default_rng(7)
    rate = loss_rates(stored(rng, 6, {45.0: 0.0}), "gas_g")[0]
    assert rate.low < 0
    assert np.isinf(rate.weeks_high)


def test_beyond_the_weeks_tried_is_said() -> None:
    rng = np.random.default_rng(8)
    shelf = stored(rng, 6, {45.0: 0.02})
    assert not loss_rates(shelf, "gas_g", share=0.9)[0].beyond_tried
    assert loss_rates(shelf, "gas_g", share=0.5)[0].beyond_tried


def test_a_loss_that_speeds_up_is_noticed() -> None:
    rng = np.random.default_rng(9)
    shelf = stored(rng, 12, {45.0: 0.0})
    shelf["gas_g"] *= np.exp(-0.01 * shelf["weeks"] ** 2)
    assert loss_rates(shelf, "gas_g")[0].bend_p < 0.001


class TestCannotAnswer:
    def test_two_batches(self) -> None:
        with pytest.raises(CannotAnswer, match="batches"):
            loss_rates(stored(np.random.default_rng(1), 2), "gas_g")

    def test_dead_pieces(self) -> None:
        shelf = stored(np.random.default_rng(1), 4)
        shelf.loc[3, "gas_g"] = 0.0
        with pytest.raises(CannotAnswer, match="no fizz left"):
            loss_rates(shelf, "gas_g")

    def test_only_fresh(self) -> None:
        with pytest.raises(CannotAnswer, match="different times"):
            loss_rates(stored(np.random.default_rng(1), 4, weeks=(0,)), "gas_g")

    def test_one_humidity(self) -> None:
        with pytest.raises(CannotAnswer, match="same humidity"):
            humidity_effect(stored(np.random.default_rng(1), 4), "gas_g")

    def test_humidity_not_noted(self) -> None:
        with pytest.raises(CannotAnswer, match="not noted"):
            humidity_effect(stored(np.random.default_rng(1), 4).drop(columns="rh_pct"), "gas_g")


def test_wrong_share() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        loss_rates(stored(np.random.default_rng(1), 4), "gas_g", share=1.0)
