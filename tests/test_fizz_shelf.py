"""Loss of fizz in storage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import binom, ttest_1samp

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.result import Effect
from fizzlab.models.shelf import fit_shelf_life


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


def humidity(shelf: pd.DataFrame) -> Effect:
    fit = fit_shelf_life(shelf)
    if fit.no_humidity is not None:
        raise fit.no_humidity
    return fit.effects[0]


@pytest.mark.slow
def test_coverage_with_a_dozen_and_with_four_batches() -> None:
    # the bounds hold the count of a 95 % interval in 99.8 % of such simulations
    rng = np.random.default_rng(71)
    for batches in (12, 4):
        held = 0
        for _ in range(100):
            rate = fit_shelf_life(stored(rng, batches)).table.iloc[0]
            held += rate["conf_low"] <= 0.02 <= rate["conf_high"]
        low, high = binom.interval(0.998, 100, 0.95)
        assert low <= held <= high


@pytest.mark.slow
def test_coverage_of_the_humidity_effect() -> None:
    rng = np.random.default_rng(72)
    for within in (True, False):
        held = 0
        for _ in range(60):
            shelf = stored(rng, 12, {35.0: 0.01, 75.0: 0.05}, each_batch_in_all=within)
            effect = humidity(shelf)
            assert effect.df == (11 if within else 10)
            held += effect.conf_low <= 0.01 <= effect.conf_high
        low, high = binom.interval(0.998, 60, 0.95)
        assert low <= held <= high


def test_storages_are_told_apart_by_humidity() -> None:
    shelf = stored(np.random.default_rng(3), 6, {34.0: 0.01, 36.0: 0.01, 75.0: 0.06})
    fit = fit_shelf_life(shelf)
    rates = fit.table
    assert rates["storage"].tolist() == ["35 % humidity", "75 % humidity"]
    assert rates["per_week"][0] < rates["per_week"][1]
    assert rates["weeks"][0] > rates["weeks"][1]
    left = fit.predict({"weeks": [0.0, 4.0, 20.0]})
    assert left["estimate"][0] == 1.0
    assert left["estimate"][4] == pytest.approx(np.exp(-4 * rates["per_week"][1]))
    assert left["extrapolated"].tolist() == [False, False, True] * 2
    assert len(fit.plot().lines) == 1 + 3 * len(rates)


def test_humidity_within_batches_is_a_paired_t_test() -> None:
    shelf = stored(np.random.default_rng(4), 5, {40.0: 0.01, 70.0: 0.04}, weeks=(1, 3, 6))
    effect = humidity(shelf)
    slopes = []
    for _, rows in shelf.groupby("run"):
        k = [-np.polyfit(r["weeks"], np.log(r["gas_g"]), 1)[0] for _, r in rows.groupby("rh_pct")]
        slopes.append((k[1] - k[0]) / 3)
    test = ttest_1samp(slopes, 0)
    assert effect.estimate == pytest.approx(np.mean(slopes))
    assert effect.p_value == pytest.approx(test.pvalue)
    ends = test.confidence_interval()
    assert (effect.conf_low, effect.conf_high) == pytest.approx((ends.low, ends.high))


def test_humidity_between_batches_is_ordinary_regression() -> None:
    shelf = stored(
        np.random.default_rng(5),
        9,
        {40.0: 0.01, 55.0: 0.02, 70.0: 0.04},
        weeks=(1, 3, 6),
        each_batch_in_all=False,
    )
    effect = humidity(shelf)
    k = shelf.groupby("run").apply(  # type: ignore[call-overload]
        lambda r: -np.polyfit(r["weeks"], np.log(r["gas_g"]), 1)[0], include_groups=False
    )
    table = pd.DataFrame({"k": k, "rh": shelf.groupby("run")["rh_pct"].mean()})
    other = smf.ols("k ~ rh", table).fit()
    assert effect.estimate == pytest.approx(10 * other.params["rh"])
    assert (effect.conf_low, effect.conf_high) == pytest.approx(tuple(10 * other.conf_int().loc["rh"]))
    assert effect.df == other.df_resid


def test_units_of_the_measure_do_not_matter() -> None:
    shelf = stored(np.random.default_rng(6), 5)
    grams = fit_shelf_life(shelf).table.iloc[0]
    in_shares = shelf.drop(columns="gas_g").assign(share_left=shelf["gas_g"] / 9)
    shares = fit_shelf_life(in_shares).table.iloc[0]
    assert shares["per_week"] == pytest.approx(grams["per_week"])


def test_no_loss_leaves_the_weeks_open() -> None:
    rate = fit_shelf_life(stored(np.random.default_rng(7), 6, {45.0: 0.0})).table.iloc[0]
    assert rate["conf_low"] < 0
    assert np.isinf(rate["weeks_high"])


def test_beyond_the_weeks_tried_is_said() -> None:
    shelf = stored(np.random.default_rng(8), 6, {45.0: 0.02})
    assert not fit_shelf_life(shelf, share=0.9).table["extrapolated"][0]
    assert fit_shelf_life(shelf, share=0.5).table["extrapolated"][0]


def test_a_loss_that_speeds_up_is_noticed() -> None:
    rng = np.random.default_rng(9)
    shelf = stored(rng, 12, {45.0: 0.0})
    shelf["gas_g"] *= np.exp(-0.01 * shelf["weeks"] ** 2)
    assert fit_shelf_life(shelf).table["bend_p"][0] < 0.001


class TestCannotAnswer:
    def test_two_batches(self) -> None:
        with pytest.raises(CannotAnswer, match="batches"):
            fit_shelf_life(stored(np.random.default_rng(1), 2))

    def test_dead_pieces(self) -> None:
        shelf = stored(np.random.default_rng(1), 4)
        shelf.loc[3, "gas_g"] = 0.0
        with pytest.raises(CannotAnswer, match="no fizz left"):
            fit_shelf_life(shelf)

    def test_only_fresh(self) -> None:
        with pytest.raises(CannotAnswer, match="different times"):
            fit_shelf_life(stored(np.random.default_rng(1), 4, weeks=(0,)))

    def test_one_humidity(self) -> None:
        with pytest.raises(CannotAnswer, match="same humidity"):
            humidity(stored(np.random.default_rng(1), 4))

    def test_humidity_not_noted(self) -> None:
        with pytest.raises(CannotAnswer, match="not noted"):
            humidity(stored(np.random.default_rng(1), 4).drop(columns="rh_pct"))


def test_wrong_calls() -> None:
    with pytest.raises(BadInput, match="no column weeks"):
        fit_shelf_life(pd.DataFrame({"run": ["A"], "gas_g": [8.0]}))
    with pytest.raises(ValueError, match="between 0 and 1"):
        fit_shelf_life(stored(np.random.default_rng(1), 4), share=1.0)
