"""Tumble loss, broken pieces and the stated index."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.crumble import batch_losses, broken_shares, crumble_index, fit_tumble_loss, step_decides
from fizzlab.models.curves import scale_step
from fizzlab.models.effects import fit_response

COLOURS = ["dye", "lake", "pearl"]


def workshop(batches: int = 12) -> pd.DataFrame:
    colours = (COLOURS * batches)[:batches]
    return pd.DataFrame(
        {
            "run": [f"R{i}" for i in range(batches)],
            "colour": colours,
            "oil_g": np.linspace(4, 9, batches)[::-1],
        }
    )


def tumbled(losses: dict[str, float], before: float = 200.0, step: float = 0.01) -> pd.DataFrame:
    rows = [(run, before, step * round(before * (1 - share) / step)) for run, share in losses.items()]
    return pd.DataFrame(rows, columns=["run", "before_g", "after_g"])


@given(before=st.floats(1, 5000), share=st.floats(0, 1))
def test_loss_is_between_nothing_and_everything(before: float, share: float) -> None:
    tumbles = pd.DataFrame({"run": ["A"], "before_g": [before], "after_g": [before * (1 - share)]})
    assert -1e-9 <= batch_losses(tumbles)["loss_pct"]["A"] <= 100 + 1e-9


@pytest.mark.parametrize(("before", "after"), [(0.0, 0.0), (-1.0, 0.5), (10.0, -0.1)])
def test_masses_that_cannot_be(before: float, after: float) -> None:
    with pytest.raises(ValueError, match="mass"):
        batch_losses(pd.DataFrame({"run": ["A"], "before_g": [before], "after_g": [after]}))


@pytest.mark.parametrize(
    ("readings", "step"),
    [
        ([250, 248, 251], 1.0),
        ([250.0, 248.2], 0.2),
        ([250.1, 248.0], 0.1),
        ([25.31, 24.9], 0.01),
        ([250, 245], 5.0),
    ],
)
def test_step_of_the_scale_is_read_off(readings: list[float], step: float) -> None:
    assert scale_step(pd.Series(readings)) == step


def test_tumbles_of_a_batch_are_averaged_not_counted_as_batches() -> None:
    runs = workshop()
    rng = np.random.default_rng(1)
    share = {run: 0.02 * np.exp(0.3 * rng.normal()) for run in runs["run"]}
    once = fit_tumble_loss(tumbled(share), "colour", runs=runs)
    twice = fit_tumble_loss(pd.concat([tumbled(share)] * 2), "colour", runs=runs)
    pd.testing.assert_frame_equal(twice.table, once.table)
    assert once.table["df"].tolist() == pytest.approx([9, 9])


def test_what_was_set_for_a_whole_day_is_judged_by_days() -> None:
    days = [day for day in "123456" for _ in range(3)]
    runs = pd.DataFrame(
        {
            "run": [f"R{i}" for i in range(18)],
            "day": days,
            "binder": ["gum" if int(day) % 2 else "none" for day in days],
            "colour": list("abc") * 6,
        }
    )
    rng = np.random.default_rng(3)
    of_day = dict(zip("123456", rng.normal(0, 0.5, 6), strict=True))
    share = {run: 0.02 * np.exp(of_day[day] + 0.1 * rng.normal()) for run, day in runs[["run", "day"]].values}
    fit = fit_tumble_loss(tumbled(share), "binder + colour", runs=runs)
    assert fit.of("binder")[0].df == pytest.approx(4, abs=0.1)
    assert fit.of("colour")[0].df == pytest.approx(10, abs=0.1)


def test_it_is_least_squares_on_the_log_of_the_batch_mean() -> None:
    runs = workshop()
    rng = np.random.default_rng(2)
    readings = tumbled({run: 0.03 * np.exp(0.3 * rng.normal()) for run in runs["run"]})
    fit = fit_tumble_loss(readings, "colour + oil_g", runs=runs)
    matrix = sm.add_constant(
        np.column_stack([runs["colour"] == "lake", runs["colour"] == "pearl", runs["oil_g"]]).astype(float)
    )
    check = sm.OLS(np.log(batch_losses(readings)["loss_pct"]).to_numpy(), matrix).fit()
    span = np.array([1, 1, np.ptp(runs["oil_g"])])
    np.testing.assert_allclose(fit.table["estimate"], np.exp(span * check.params[1:]), rtol=1e-9)
    np.testing.assert_allclose(
        fit.table[["conf_low", "conf_high"]], np.exp(span[:, None] * check.conf_int()[1:]), rtol=1e-9
    )


def test_a_loss_under_the_step_is_named_and_may_decide() -> None:
    runs = workshop()
    share = {run: 0.02 + 0.002 * i for i, run in enumerate(runs["run"])}
    share["R1"] = 0.0
    readings = tumbled(share, step=0.1)
    losses = batch_losses(readings, 0.1)
    fit = fit_tumble_loss(readings, "colour", runs=runs, scale_step_g=0.1)
    assert losses.index[losses["below_step"]].tolist() == ["R1"]
    assert "R1" in fit.notes[-1]
    # R1 is one of four lake batches, and half a step of 0.1 g is a fortieth of a per cent
    others = np.log([100 * share[run] for run in ("R4", "R7", "R10")])
    lake = np.exp((others.sum() + np.log(0.025)) / 4)
    assert fit.predict({"colour": "lake"})["estimate"][0] == pytest.approx(lake, rel=1e-3)
    assert not step_decides(fit, losses)
    # three lake batches lost a little less than the others: with an eighth of a step R1 drowns that in chance
    small = {run: (0.003 if i % 3 == 1 else 0.004) + 0.00005 * (i % 4) for i, run in enumerate(share)}
    readings = tumbled(small | {"R1": 0.0})
    fit = fit_tumble_loss(readings, "colour", runs=runs, scale_step_g=1.0)
    assert step_decides(fit, batch_losses(readings, 1.0))


def test_too_many_losses_under_the_step() -> None:
    runs = workshop()
    share = dict.fromkeys(runs["run"], 0.0002) | {
        run: 0.02 + 0.01 * i for i, run in enumerate(runs["run"][:6])
    }
    with pytest.raises(CannotAnswer, match="less than the scale can show"):
        fit_tumble_loss(tumbled(share, step=1.0), "colour", runs=runs, scale_step_g=1.0)


def test_heavier_after_tumbling() -> None:
    readings = pd.DataFrame({"run": ["R0"], "before_g": [200.0], "after_g": [203.0]})
    with pytest.raises(CannotAnswer, match="weighed more"):
        batch_losses(readings, scale_step_g=1.0)
    # one step up is the scale's rounding, not a mistake
    assert batch_losses(readings.assign(after_g=201.0), scale_step_g=1.0)["below_step"].all()


def test_refusals_of_the_comparison() -> None:
    runs = workshop()
    share = {run: 0.02 + 0.001 * i for i, run in enumerate(runs["run"])}
    with pytest.raises(CannotAnswer):
        fit_tumble_loss(tumbled({run: share[run] for run in ("R0", "R1", "R2")}), "colour", runs=runs)
    with pytest.raises(CannotAnswer):
        fit_tumble_loss(tumbled(dict.fromkeys(runs["run"], 0.02)), "colour", runs=runs)
    with pytest.raises(ValueError, match="no batch 'R99'"):
        fit_tumble_loss(tumbled(share | {"R99": 0.1}), "colour", runs=runs)
    with pytest.raises(BadInput, match="after_g"):
        fit_tumble_loss(tumbled(share).drop(columns="after_g"), "colour", runs=runs)


@pytest.mark.slow
def test_loss_ratio_is_covered_and_not_biased() -> None:
    # 300 workshops of 12 batches, 2 tumbles each, a 0.1 g scale: coverage within 3 binomial errors of 95 %
    rng = np.random.default_rng(11)
    runs = workshop().assign(colour=["dye", "lake"] * 6)
    truth, held, estimates = np.log(1.5), 0, []
    for _ in range(300):
        share = 0.02 * np.exp(truth * (runs["colour"] == "lake") + 0.3 * rng.normal(size=12))
        lost = dict(zip(runs["run"], share, strict=True))
        readings = pd.concat([tumbled(lost, before, 0.1) for before in (180.0, 220.0)])
        effect = fit_tumble_loss(readings, "colour", runs=runs).effects[0]
        held += effect.conf_low <= 1.5 <= effect.conf_high
        estimates.append(np.log(effect.estimate))
    assert held / 300 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 300))
    assert np.mean(estimates) == pytest.approx(truth, abs=3 * np.std(estimates) / np.sqrt(300))


def shares(broken: list[float]) -> pd.DataFrame:
    runs = workshop(6).set_index("run").assign(broken_pct=10 * np.array(broken))
    reach = None
    with suppress(CannotAnswer):
        rows = fit_response(runs, "broken_pct", "colour", log=False).predict({"colour": COLOURS})
        reach = ((rows["conf_high"] - rows["conf_low"]) / 2).set_axis(COLOURS)
    counts = pd.DataFrame({"pieces": 10.0, "broken": broken}, index=runs.index)
    return broken_shares(counts, runs["colour"], reach)


def test_batches_that_break_together_widen_the_interval() -> None:
    calm, wild = shares([5, 5, 5, 5, 5, 5]).loc["lake"], shares([0, 0, 0, 10, 10, 10]).loc["lake"]
    assert wild["estimate"] == calm["estimate"] == 50
    # batches of 0 or 100 %: sd 70.7 on 3 degrees of freedom, so that the mean of two reaches t x 50 points
    square = (stats.t.ppf(0.975, 3) * 0.5) ** 2
    assert wild["conf_low"] == pytest.approx(100 * (0.5 - 0.5 * np.sqrt(square / (0.25 + square))))
    assert wild["conf_high"] - wild["conf_low"] > calm["conf_high"] - calm["conf_low"]


def test_a_level_that_never_breaks_still_has_an_interval() -> None:
    none = shares([0, 3, 2, 0, 4, 1]).loc["dye"]
    assert (none["estimate"], none["conf_low"]) == (0, 0)
    assert 0 < none["conf_high"] < 100


@dataclass
class Part:
    weight: float
    best: float
    worst: float


def test_index_is_the_stated_weighted_mean() -> None:
    numbers = {"tumble_loss_pct": pd.Series({"A": 1.0, "B": 6.0}), "score": pd.Series({"A": 1.0, "B": 3.0})}
    parts = {"loss_pct": Part(0.25, 0, 5), "score": Part(0.75, 0, 4)}
    table = crumble_index(numbers, parts)
    assert table["index"]["A"] == pytest.approx(0.25 * 0.2 + 0.75 * 0.25)
    assert table["beyond"].tolist() == [False, True]
    assert table["loss_pct"]["B"] == pytest.approx(0.25 * 1.2)  # past the worst: not cut off
    with pytest.raises(CannotAnswer, match="Batch B lacks"):
        crumble_index(numbers | {"score": pd.Series({"A": 1.0})}, parts)
    with pytest.raises(CannotAnswer, match="needs score"):
        crumble_index({"tumble_loss_pct": numbers["tumble_loss_pct"]}, parts)
