"""Drying curves and dry times from weighings: behaviour, closed forms, reference libraries, simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.curing import CuringFit, fit_curing_time
from fizzlab.models.curves import fit_curve, profile_interval
from fizzlab.models.terms import Amount, Category, model_matrix
from fizzlab.models.weighing import PAGE, WeighingStudy, fit_drying_curve, study_weighings, time_to_share

Array = NDArray[np.float64]
HOURS = np.array([0.0, 1, 2, 3.5, 5, 7, 10, 23])


def masses(
    hours: Array = HOURS,
    *,
    end: float = 84.0,
    moisture: float = 2.2,
    rate: float = 0.4,
    shape: float = 0.9,
    noise: float = 0.0,
    seed: int = 0,
) -> Array:
    exact = PAGE(hours, [end, moisture, rate, shape])
    return exact + np.random.default_rng(seed).normal(0, noise, hours.shape) if noise else exact


def piece(hours: Array, mass_g: Array) -> pd.DataFrame:
    return pd.DataFrame({"hours": hours, "mass_g": mass_g})


# --- one piece ------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [0.7, 1.0, 1.4])
def test_times_of_an_exact_curve_are_the_closed_forms(shape: float) -> None:
    hours = np.append(HOURS, 48)
    fit = fit_curve(PAGE, hours, masses(hours, shape=shape))
    assert fit.values == pytest.approx([84, 2.2, 0.4, shape], rel=1e-6)
    hours = time_to_share(fit, 0.1)["hours"]
    assert hours == pytest.approx((-np.log(0.1)) ** (1 / shape) / 0.4, rel=1e-6)
    assert (fit.at(hours) - fit["end_g"]) / fit["moisture_g"] == pytest.approx(0.1)


@given(tare=st.floats(0, 500), seed=st.integers(0, 50))
@settings(max_examples=15, deadline=None)
def test_the_dish_does_not_matter(tare: float, seed: int) -> None:
    m = masses(noise=0.01, seed=seed)
    plain, with_dish = (fit_drying_curve(piece(HOURS, each), resolution_g=0.01) for each in (m, m + tare))
    assert with_dish["end_g"] - tare == pytest.approx(plain["end_g"], abs=1e-4)
    assert with_dish["rate_per_h"] == pytest.approx(plain["rate_per_h"], rel=1e-4)


def test_interval_of_the_time_to_37_per_cent_is_that_of_the_rate() -> None:
    """At a share of exp(-1) the time is one over the rate, whatever the shape."""
    fit = fit_drying_curve(piece(HOURS, masses(noise=0.01)), resolution_g=0.01)
    time, rate = (
        time_to_share(fit, float(np.exp(-1))),
        profile_interval(fit, lambda p: p[fit.model.names.index("rate_per_h")]),
    )
    assert time["conf_low"] == pytest.approx(1 / rate["conf_high"], rel=1e-5)
    assert time["conf_high"] == pytest.approx(1 / rate["conf_low"], rel=1e-5)
    assert not time["extrapolated"]
    assert time_to_share(fit, 1e-9)["extrapolated"]


# --- refusals -------------------------------------------------------------------------------


def test_too_few_weighings() -> None:
    with pytest.raises(CannotAnswer, match="5 weighings at different hours are too few"):
        fit_drying_curve(piece(HOURS[:5], masses()[:5]))
    fit_drying_curve(piece(HOURS[:6], masses(noise=0.005)[:6]), resolution_g=0.01)


def test_a_mass_that_does_not_fall() -> None:
    with pytest.raises(CannotAnswer, match="did not fall"):
        fit_drying_curve(piece(HOURS, 84 + 0.1 * HOURS), resolution_g=0.01)
    with pytest.raises(CannotAnswer, match="did not fall"):
        fit_drying_curve(piece(HOURS, np.array([84.1, 84.1, 84.0, 84.1, 84.1, 84.0, 84.1, 84.0])))


@pytest.mark.slow
def test_scatter_without_drying() -> None:
    rng = np.random.default_rng(0)
    why = []
    for _ in range(20):
        with pytest.raises(CannotAnswer) as refusal:
            fit_drying_curve(piece(HOURS, np.round(84 + rng.normal(0, 0.5, len(HOURS)), 2)))
        why.append(refusal.value.why)
    assert sum("no drying shows" in each for each in why) > 3
    assert sum("did not fall" in each for each in why) > 3


def test_a_piece_that_had_not_levelled_off() -> None:
    early = np.array([0, 0.5, 1, 1.5, 2, 2.5, 3.0])
    m = np.round(masses(early, rate=0.05, shape=1.0, noise=0.01), 2)
    fit = fit_drying_curve(piece(early, m), resolution_g=0.01)
    assert "still to go" in fit.notes[0]
    with pytest.raises(CannotAnswer, match="had not levelled off") as refusal:
        time_to_share(fit, 0.1)
    assert "Weigh it again after" in refusal.value.would_help


def test_misuse_is_an_error() -> None:
    fit = fit_curve(PAGE, HOURS, masses(shape=1.0))
    for share in (0, 1, -0.1, 5):
        with pytest.raises(ValueError, match="between 0 and 1"):
            time_to_share(fit, share)
    with pytest.raises(ValueError, match="none missing"):
        fit_drying_curve(piece(HOURS, np.append(masses()[:-1], np.nan)))
    with pytest.raises(BadInput, match="no column mass_g"):
        fit_drying_curve(pd.DataFrame({"hours": HOURS}))


# --- pieces, batches ------------------------------------------------------------------------


def trial(
    ratio: float = 1.4, seed: int = 0, days: int = 5, per_day: int = 2
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Weighings of two pieces a batch; `lake` dries `ratio` times as long as `dye`."""
    rng = np.random.default_rng(seed)
    rows, batches = [], []
    for day in range(days):
        of_day = rng.normal(0, 0.15)
        for place, colour in zip(range(per_day), rng.permutation(["dye", "lake"]), strict=True):
            run = f"B{day}{place}"
            batches.append({"run": run, "day": day, "colour": colour})
            own = of_day + rng.normal(0, 0.08)
            for piece in ("W1", "W2"):
                rate = 0.4 / (ratio if colour == "lake" else 1) * np.exp(-own - rng.normal(0, 0.05))
                m = masses(HOURS, end=rng.normal(84, 1), rate=rate, noise=0.008, seed=int(rng.integers(1e9)))
                rows += [
                    {"run": run, "piece": piece, "hours": t, "mass_g": g}
                    for t, g in zip(HOURS, m, strict=True)
                ]
    weighings = pd.DataFrame(rows)
    weighings["mass_g"] = weighings["mass_g"].round(2)
    return weighings, pd.DataFrame(batches).set_index("run")


COLOUR = Category("colour", ("dye", "lake"), control="dye")


def studied(weighings: pd.DataFrame, batches: pd.DataFrame, **options: float) -> WeighingStudy:
    tables = {"runs": batches.reset_index(), "weighings": weighings, "room_log": pd.DataFrame()}
    return study_weighings(tables, [COLOUR], **options)


def test_weighings_to_an_effect() -> None:
    study = studied(*trial(days=4), remaining_share=0.1)
    pieces = study.pieces.set_index(["run", "piece"])
    hours = study.numbers["weighed_dry_h"]
    one = pieces.loc["B00", "hours"]
    assert hours["B00"] == pytest.approx(np.sqrt(one["W1"] * one["W2"]))
    fit = study.fits["weighed_dry_h"]
    (lake,) = fit.effects
    assert lake.conf_low < 1.4 < lake.conf_high
    assert lake.conf_high / lake.conf_low < 1.5
    assert [note for note in study.notes if "room log" not in note] == []
    assert fit.response == "weighed_dry_h"


def test_a_piece_without_an_answer_is_listed_with_the_reason() -> None:
    weighings, batches = trial(days=4)
    wet = (weighings["run"] == "B00") & (weighings["piece"] == "W1") & (weighings["hours"] > 3)
    gone = weighings["run"] == "B10"
    weighings.loc[gone, "mass_g"] = 84.0
    study = studied(weighings[~wet], batches)
    table = study.pieces.set_index(["run", "piece"])
    assert "too few" in table.loc[("B00", "W1"), "note"]
    assert np.isnan(table.loc[("B00", "W1"), "hours"])
    assert ("B10", "W2") not in study.curves
    assert any("Batch B00: 1 of its weighed pieces" in note for note in study.notes)
    assert study.fits["weighed_dry_h"].n_batches == 7


def test_no_piece_with_an_answer() -> None:
    weighings, batches = trial(days=2)
    with pytest.raises(CannotAnswer, match="None of the 8 weighed pieces"):
        studied(weighings[weighings["hours"] < 3], batches)


def test_too_few_batches_still_have_their_numbers() -> None:
    study = studied(*trial(days=1))
    assert study.numbers["weighed_dry_h"].notna().all()
    assert "too few" in str(study.reasons["weighed_dry_h"])


# --- batches, against reference libraries ---------------------------------------------------


def batch_table(seed: int, per_day: int) -> tuple[pd.DataFrame, pd.DataFrame, Array]:
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(12 // per_day), per_day)
    colour = np.tile(["dye", "lake", "pearl"], 4) if per_day == 1 else np.tile(["dye", "lake"], 6)
    vpd = np.exp(rng.normal(-0.5, 0.4, day.max() + 1))[day] * np.exp(rng.normal(0, 0.03, 12))
    y = 2 - 0.8 * np.log(vpd) + 0.3 * (colour == "lake") + rng.normal(0, 0.15, day.max() + 1)[day]
    y = y + rng.normal(0, 0.1, 12)
    batches = pd.DataFrame(
        {"day": day, "colour": colour, "vpd_kpa": vpd}, index=[f"B{i:02}" for i in range(12)]
    )
    return pd.DataFrame({"hours": np.exp(y)}, index=batches.index), batches, y


def regressed(times: pd.DataFrame, batches: pd.DataFrame, terms: list) -> CuringFit:
    exact = pd.DataFrame({"run": times.index, "piece": 1, "lower": times["hours"], "upper": times["hours"]})
    return fit_curing_time(exact, terms, runs=batches.rename_axis("run"))


def test_one_batch_a_day_is_ordinary_least_squares() -> None:
    times, batches, y = batch_table(1, per_day=1)
    colour = Category("colour", ("dye", "lake", "pearl"), control="dye")
    terms = [colour, Amount("vpd_kpa", "kPa", log=True)]
    fit = regressed(times, batches, terms)
    ols = sm.OLS(y, model_matrix(batches, terms)).fit()
    assert fit.coefficients["coef"].to_numpy() == pytest.approx(ols.params.to_numpy(), rel=1e-6)
    assert fit.coefficients["se"].to_numpy() == pytest.approx(ols.bse.to_numpy(), rel=1e-5)
    assert fit.coefficients["df"].to_numpy() == pytest.approx(12 - 4)
    assert fit.coefficients[["conf_low", "conf_high"]].to_numpy() == pytest.approx(
        ols.conf_int().to_numpy(), rel=1e-4
    )


# statsmodels doubts its own minimum for so few days; the estimates are what is compared
@pytest.mark.filterwarnings("ignore:The MLE may be on the boundary")
def test_days_with_several_batches_are_a_random_effect() -> None:
    times, batches, y = batch_table(3, per_day=2)
    terms = [COLOUR, Amount("vpd_kpa", "kPa", log=True)]
    fit = regressed(times, batches, terms)
    mixed = sm.MixedLM(y, model_matrix(batches, terms), groups=batches["day"]).fit(reml=True)
    assert fit.coefficients["coef"].to_numpy() == pytest.approx(mixed.fe_params.to_numpy(), rel=1e-3)
    assert fit.coefficients["se"].to_numpy() == pytest.approx(mixed.bse_fe.to_numpy(), rel=1e-2)
    # colour changes within days, air from day to day: six days less the intercept and the slope are 4
    assert fit.coefficients.loc["log vpd_kpa", "df"] == pytest.approx(4, abs=0.5)
    assert fit.coefficients.loc["colour[lake]", "df"] == pytest.approx(5, abs=0.5)


# --- simulation -----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("shape", [0.85, 1.0, 1.2])
def test_95_per_cent_intervals_hold_the_truth_that_often(shape: float) -> None:
    # 120 pieces weighed 8 times to 0.01 g; more than 3 standard errors (6 points) off 95 % would happen
    # in fewer than 1 of 100 such runs
    rng = np.random.default_rng(int(100 * shape))
    truth = (-np.log(0.1)) ** (1 / shape) / 0.4
    hit, logs = [], []
    for _ in range(120):
        t = HOURS + np.append(0, rng.uniform(-0.1, 0.2, len(HOURS) - 1))
        m = np.round(masses(t, shape=shape) + rng.normal(0, 0.01, t.shape), 2)
        time = time_to_share(fit_drying_curve(piece(t, m), resolution_g=0.01), 0.1)
        hit.append(time["conf_low"] <= truth <= time["conf_high"])
        logs.append(np.log(time["hours"] / truth))
    assert np.mean(hit) == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 120))
    assert abs(np.mean(logs)) < 4 * np.std(logs) / np.sqrt(120)
