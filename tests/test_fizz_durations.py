"""Durations by stopwatch and time to first colour: behaviour, recovery and coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from fizzlab.errors import CannotAnswer
from fizzlab.models.fizz import arrhenius_column, colour_seen, fit_durations, fit_release, typical_durations
from fizzlab.models.terms import Amount, Category

COLOUR = Category("colour", ("dye", "lake"), control="dye")


def trial(
    rng: np.random.Generator,
    batches: int = 12,
    pieces: int = 4,
    ratio: float = 1.3,
    ea: float = 40.0,
    watched_s: float = np.inf,
    waters: tuple[float, ...] = (34.0, 38.0, 42.0),
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """An invented trial: 120 s at 38 °C, 10 % between batches, 8 % between pieces."""
    runs = [f"B{i}" for i in range(batches)]
    table = pd.DataFrame({"colour": np.resize(["dye", "lake"], batches)}, index=runs)
    run = np.repeat(runs, pieces)
    water = np.resize(waters, batches * pieces)
    log_s = (
        np.log(120)
        + np.log(ratio) * (table.loc[run, "colour"] == "lake").to_numpy()
        + ea * arrhenius_column(water, 38.0)
        + np.repeat(rng.normal(0, 0.10, batches), pieces)
        + rng.normal(0, 0.08, batches * pieces)
    )
    seconds = np.exp(log_s)
    times = pd.DataFrame(
        {
            "run": run,
            "water_c": water,
            "seconds": np.minimum(seconds, watched_s),
            "done": seconds <= watched_s,
        }
    )
    return times, table


def test_recovers_the_truth_from_a_large_trial() -> None:
    times, batches = trial(np.random.default_rng(11), batches=200, pieces=6, watched_s=200)
    assert 0.03 < 1 - times["done"].mean() < 0.2
    fit = fit_durations(times, batches, [COLOUR])
    assert fit.water is not None
    assert fit.effects[0].ratio == pytest.approx(1.3, abs=0.06)  # 3.5 standard errors
    assert fit.water.ea_kj_mol == pytest.approx(40.0, abs=3.5)
    assert (fit.sd_batches, fit.sd_pieces) == pytest.approx((0.10, 0.08), abs=0.02)
    assert fit.unfinished == int((~times["done"]).sum())


def test_coverage_with_a_dozen_batches() -> None:
    # 80 trials of 12 batches with 3 pieces, about one piece in eight unfinished. The bounds hold the count
    # of a 95 % interval in 99.8 % of such simulations.
    rng = np.random.default_rng(20251)
    trials = 80
    held = np.zeros(3, dtype=int)
    for _ in range(trials):
        fit = fit_durations(*_args(trial(rng, pieces=3, watched_s=175)))
        assert fit.water is not None
        effect, typical = fit.effects[0], typical_durations(fit, "colour").iloc[0]
        held += [
            effect.low <= 1.3 <= effect.high,
            fit.water.ea_low <= 40.0 <= fit.water.ea_high,
            typical["low"] <= 120 <= typical["high"],
        ]
    low, high = binom.interval(0.998, trials, 0.95)
    assert ((held >= low) & (held <= high)).all(), held


def _args(made: tuple[pd.DataFrame, pd.DataFrame]) -> tuple[pd.DataFrame, pd.DataFrame, list[Category]]:
    return (*made, [COLOUR])


def test_a_factor_of_the_batch_is_judged_by_batches_and_water_by_pieces() -> None:
    times, batches = trial(np.random.default_rng(5), batches=12, pieces=3)
    fit = fit_durations(times, batches, [COLOUR])
    assert fit.water is not None
    assert fit.effects[0].df == pytest.approx(10, abs=0.1)
    assert fit.water.df == pytest.approx(36 - 12 - 1, abs=0.5)


def test_more_pieces_of_the_same_batches_do_not_make_the_factor_surer_without_end() -> None:
    rng = np.random.default_rng(8)
    widths = []
    for pieces in (2, 20):
        effect = fit_durations(*_args(trial(rng, pieces=pieces))).effects[0]
        widths.append(np.log(effect.high / effect.low))
    assert widths[1] > 0.4 * widths[0]


def test_unfinished_pieces_count_as_longer() -> None:
    times, batches = trial(np.random.default_rng(3), watched_s=150)
    honest = fit_durations(times, batches, [COLOUR])
    as_if_done = fit_durations(times.assign(done=True), batches, [COLOUR])
    assert honest.effects[0].ratio > as_if_done.effects[0].ratio


@settings(max_examples=15, deadline=None)
@given(factor=st.floats(0.1, 10), seed=st.integers(0, 50))
def test_another_clock_changes_seconds_only(factor: float, seed: int) -> None:
    times, batches = trial(np.random.default_rng(seed), batches=6)
    one = fit_durations(times, batches, [COLOUR])
    other = fit_durations(times.assign(seconds=times["seconds"] * factor), batches, [COLOUR])
    assert other.effects[0].ratio == pytest.approx(one.effects[0].ratio, rel=1e-4)
    typical = [typical_durations(fit)["seconds"].iloc[0] for fit in (one, other)]
    assert typical[1] == pytest.approx(factor * typical[0], rel=1e-4)


def test_common_temperature_moves_the_seconds_along_the_line() -> None:
    times, batches = trial(np.random.default_rng(2))
    at_38 = fit_durations(times, batches, [COLOUR])
    at_42 = fit_durations(times, batches, [COLOUR], at_water_c=42.0)
    line = typical_durations(at_38, "colour", water_c=[42.0])
    direct = typical_durations(at_42, "colour")
    columns = ["seconds", "low", "high"]
    assert line[columns].to_numpy() == pytest.approx(direct[columns].to_numpy(), rel=1e-4)
    assert at_38.effects[0].ratio == pytest.approx(at_42.effects[0].ratio, rel=1e-6)
    assert at_38.water is not None
    at = typical_durations(at_38, water_c=[33.0, 43.0])["seconds"]
    assert at[1] / at[0] == pytest.approx(at_38.water.per_10c, rel=1e-6)


def test_beyond_the_water_tried_is_said() -> None:
    times, batches = trial(np.random.default_rng(2), waters=(20.0, 25.0, 30.0))
    fit = fit_durations(times, batches, [COLOUR])
    assert fit.beyond_tried
    lines = typical_durations(fit, water_c=[25.0, 38.0])
    assert lines["beyond_tried"].tolist() == [False, True]
    assert not fit_durations(times, batches, [COLOUR], at_water_c=25.0).beyond_tried


def test_one_temperature_makes_no_slope() -> None:
    times, batches = trial(np.random.default_rng(2), waters=(37.5, 38.0, 38.5))
    fit = fit_durations(times, batches, [COLOUR])
    assert fit.water is None
    assert not fit.beyond_tried


def test_one_piece_a_batch() -> None:
    times, batches = trial(np.random.default_rng(4), pieces=1)
    fit = fit_durations(times, batches, [COLOUR])
    assert fit.sd_batches == 0
    assert fit.effects[0].df == pytest.approx(12 - 3)


def test_next_piece_is_less_sure_than_the_typical_one() -> None:
    line = typical_durations(fit_durations(*_args(trial(np.random.default_rng(6)))), "colour").iloc[0]
    assert line["next_low"] < line["low"] < line["seconds"] < line["high"] < line["next_high"]


def test_an_amount_is_a_ratio_per_unit() -> None:
    times, batches = trial(np.random.default_rng(7))
    batches["binder_g"] = np.resize([1.0, 2.0, 3.0, 2.0, 1.0], 12)
    fit = fit_durations(times, batches, [COLOUR, Amount("binder_g", "g")])
    assert [effect.name for effect in fit.effects] == ["colour[lake]", "binder_g"]
    assert fit.effects[1].low < 1 < fit.effects[1].high


class TestCannotAnswer:
    def test_nothing_finished(self) -> None:
        times, batches = trial(np.random.default_rng(1))
        with pytest.raises(CannotAnswer, match="watched to the end"):
            fit_durations(times.assign(done=False), batches, [COLOUR])

    def test_a_level_never_finished(self) -> None:
        times, batches = trial(np.random.default_rng(1))
        lake = times["run"].map(batches["colour"]) == "lake"
        with pytest.raises(CannotAnswer, match="how much longer"):
            fit_durations(times.assign(done=~lake), batches, [COLOUR])

    def test_a_level_without_a_batch(self) -> None:
        times, batches = trial(np.random.default_rng(1))
        pearl = Category("colour", ("dye", "lake", "pearl"), control="dye")
        with pytest.raises(CannotAnswer, match="pearl"):
            fit_durations(times, batches, [pearl])

    def test_too_few_batches(self) -> None:
        times, batches = trial(np.random.default_rng(1), batches=2)
        with pytest.raises(CannotAnswer, match="batches"):
            fit_durations(times, batches, [COLOUR])

    def test_colour_and_water_changed_together(self) -> None:
        times, batches = trial(np.random.default_rng(1))
        lake = times["run"].map(batches["colour"]) == "lake"
        with pytest.raises(CannotAnswer, match="changed together"):
            fit_durations(times.assign(water_c=np.where(lake, 42.0, 34.0)), batches, [COLOUR])

    def test_no_colour_at_all(self) -> None:
        times = pd.DataFrame({"run": ["A", "B"], "seconds": 60.0, "colour_s": [np.nan, np.nan]})
        with pytest.raises(CannotAnswer, match="showed colour"):
            colour_seen(times)


def test_wrong_calls() -> None:
    times, batches = trial(np.random.default_rng(1))
    with pytest.raises(ValueError, match="positive"):
        fit_durations(times.assign(seconds=0.0), batches)
    with pytest.raises(ValueError, match="no such batch"):
        fit_durations(times.assign(run="Z"), batches)
    with pytest.raises(ValueError, match="after the watching"):
        fit_release(times.assign(colour_s=times["seconds"] + 1), batches)
    with pytest.raises(ValueError, match="no factor"):
        typical_durations(fit_durations(times, batches), "colour")


def test_colour_at_once_is_within_the_first_second() -> None:
    times, batches = trial(np.random.default_rng(1))
    times["colour_s"] = np.resize([0.0, 2.0, 1.5, 3.0], len(times))
    fit = fit_release(times, batches)
    assert 0.5 < typical_durations(fit)["seconds"].iloc[0] < 3


def test_colour_unseen_pieces_leave_the_median_open() -> None:
    times = pd.DataFrame(
        {"run": list("ABCD"), "seconds": [30.0, 60, 60, 60], "colour_s": [None, 10.0, None, None]}
    )
    shown = colour_seen(times, pd.Series(["lake"] * 4))
    assert shown[0].group == "lake"
    assert np.isinf(shown[0].median_s)
    assert shown[0].unseen == 3


def test_release_of_colour_is_the_same_regression_as_the_end_of_the_fizz() -> None:
    times, batches = trial(np.random.default_rng(6), watched_s=150.0)
    release = times.assign(colour_s=times["seconds"].where(times["done"]))
    assert fit_release(release, batches).coefficients == pytest.approx(
        fit_durations(times, batches).coefficients
    )
