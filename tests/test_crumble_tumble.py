"""Tumble loss, broken pieces and the stated index."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import (
    Part,
    batch_losses,
    broken_by_level,
    broken_effects,
    broken_share,
    crumble_index,
    loss_pct,
    reading_step,
    tumble_effects,
)
from fizzlab.models.terms import Amount, Category, Term

COLOUR = Category("colour", ("dye", "lake", "pearl"), "dye")


def workshop(batches: int = 12) -> pd.DataFrame:
    colours = (["dye", "lake", "pearl"] * batches)[:batches]
    return pd.DataFrame(
        {"colour": colours, "oil_g": np.linspace(4, 9, batches)[::-1]},
        index=[f"R{i}" for i in range(batches)],
    )


def tumbled(losses: dict[str, float], before: float = 200.0, step: float = 0.01) -> pd.DataFrame:
    rows = [(run, before, step * round(before * (1 - share) / step)) for run, share in losses.items()]
    return pd.DataFrame(rows, columns=["run", "before_g", "after_g"])


@given(before=st.floats(1, 5000), share=st.floats(0, 1))
def test_loss_is_between_nothing_and_everything(before: float, share: float) -> None:
    assert -1e-9 <= loss_pct(before, before * (1 - share)) <= 100 + 1e-9


@pytest.mark.parametrize(("before", "after"), [(0.0, 0.0), (-1.0, 0.5), (10.0, -0.1)])
def test_masses_that_cannot_be(before: float, after: float) -> None:
    with pytest.raises(ValueError, match="mass"):
        loss_pct(before, after)


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
    assert reading_step(pd.Series(readings)) == step


def test_tumbles_of_a_batch_are_averaged_not_counted_as_batches() -> None:
    batches = workshop()
    rng = np.random.default_rng(1)
    share = {run: 0.02 * np.exp(0.3 * rng.normal()) for run in batches.index}
    once = tumble_effects(tumbled(share), batches, [COLOUR])
    twice = tumble_effects(pd.concat([tumbled(share)] * 2), batches, [COLOUR])
    assert twice.effects == once.effects
    assert (once.tumbles, twice.tumbles) == (12, 24)
    assert [effect.df for effect in twice.effects] == pytest.approx([9, 9])


def test_what_was_set_for_a_whole_day_is_judged_by_days() -> None:
    days = [day for day in "123456" for _ in range(3)]
    batches = pd.DataFrame(
        {
            "day": days,
            "binder": ["gum" if int(day) % 2 else "none" for day in days],
            "colour": list("abc") * 6,
        },
        index=[f"R{i}" for i in range(18)],
    )
    rng = np.random.default_rng(3)
    of_day = dict(zip("123456", rng.normal(0, 0.5, 6), strict=True))
    share = {run: 0.02 * np.exp(of_day[day] + 0.1 * rng.normal()) for run, day in batches["day"].items()}
    terms = [Category("binder", ("none", "gum"), "none"), Category("colour", ("a", "b", "c"), "a")]
    fit = tumble_effects(tumbled(share), batches, terms)
    by_name = {effect.name: effect for effect in fit.effects}
    assert by_name["binder[gum]"].df == pytest.approx(4, abs=0.1)
    assert by_name["colour[b]"].df == pytest.approx(10, abs=0.1)
    blind = tumble_effects(tumbled(share), batches.drop(columns="day"), terms)
    narrow = next(effect for effect in blind.effects if effect.name == "binder[gum]")
    assert by_name["binder[gum]"].high / by_name["binder[gum]"].low > 1.5 * narrow.high / narrow.low


def test_it_is_least_squares_on_the_log_of_the_batch_mean() -> None:
    batches = workshop()
    rng = np.random.default_rng(2)
    readings = tumbled({run: 0.03 * np.exp(0.3 * rng.normal()) for run in batches.index})
    terms: list[Term] = [COLOUR, Amount("oil_g", "g")]
    fit = tumble_effects(readings, batches, terms)
    matrix = sm.add_constant(
        np.column_stack([batches["colour"] == "lake", batches["colour"] == "pearl", batches["oil_g"]]).astype(
            float
        )
    )
    check = sm.OLS(np.log(batch_losses(readings)["loss_pct"] / 100), matrix).fit()
    np.testing.assert_allclose([e.estimate for e in fit.effects], np.exp(check.params[1:]), rtol=1e-10)
    np.testing.assert_allclose(
        [(e.low, e.high) for e in fit.effects], np.exp(check.conf_int().to_numpy()[1:]), rtol=1e-9
    )
    joint = check.f_test(np.eye(4)[1:3])
    assert (fit.joint_tests[0].f, fit.joint_tests[0].p) == pytest.approx((joint.fvalue, joint.pvalue))
    lake = check.get_prediction([[1, 1, 0, batches["oil_g"].mean()]]).summary_frame()
    level = fit.levels[2]
    assert (level.level, level.batches) == ("lake", 4)
    assert level.loss_pct == pytest.approx(100 * np.exp(lake["mean"][0]))
    assert level.low == pytest.approx(100 * np.exp(lake["mean_ci_lower"][0]))


def test_logit_scale_gives_odds_of_the_lost_share() -> None:
    batches = workshop()
    rng = np.random.default_rng(3)
    lost = {
        run: 1 / (1 + np.exp(1.0 - (colour == "lake") + 0.2 * rng.normal()))
        for run, colour in batches["colour"].items()
    }
    fit = tumble_effects(tumbled(lost), batches, [COLOUR], scale="logit")
    assert fit.effects[0].kind == "odds ratio"
    assert fit.effects[0].low < np.exp(1) < fit.effects[0].high
    assert all(0 < level.low < level.high < 100 for level in fit.levels)


def test_a_loss_under_the_step_is_named_and_bracketed() -> None:
    batches = workshop()
    share = {run: 0.02 + 0.002 * i for i, run in enumerate(batches.index)}
    share["R1"] = 0.0
    fit = tumble_effects(tumbled(share, step=0.1), batches, [COLOUR])
    assert fit.below_step == ("R1",)
    lake = (fit.if_less[0].estimate, fit.effects[0].estimate, fit.if_more[0].estimate)
    assert lake[0] < lake[1] < lake[2]
    # R1 is one of four lake batches: half a step against an eighth moves their mean log by log(4) / 4
    assert np.log(lake[1] / lake[0]) == pytest.approx(np.log(4) / 4)


def test_too_many_losses_under_the_step() -> None:
    batches = workshop()
    share = dict.fromkeys(batches.index, 0.0002) | {
        run: 0.02 + 0.01 * i for i, run in enumerate(batches.index[:6])
    }
    with pytest.raises(CannotAnswer, match="less than the scale can show"):
        tumble_effects(tumbled(share, step=1.0), batches, [COLOUR], step_g=1.0)


def test_heavier_after_tumbling() -> None:
    readings = pd.DataFrame({"run": ["R0"], "before_g": [200.0], "after_g": [203.0]})
    with pytest.raises(CannotAnswer, match="weighed more"):
        batch_losses(readings, step_g=1.0)
    # one step up is the scale's rounding, not a mistake
    assert batch_losses(readings.assign(after_g=201.0), step_g=1.0)["below_step"].all()


def test_refusals_of_the_comparison() -> None:
    batches = workshop()
    share = {run: 0.02 + 0.001 * i for i, run in enumerate(batches.index)}
    with pytest.raises(CannotAnswer, match="No batch with colour pearl"):
        tumble_effects(tumbled({run: share[run] for run in ("R0", "R1", "R3", "R4")}), batches, [COLOUR])
    with pytest.raises(CannotAnswer, match="leave no chance variation"):
        tumble_effects(tumbled({run: share[run] for run in ("R0", "R1", "R2")}), batches, [COLOUR])
    with pytest.raises(CannotAnswer, match="cannot be told apart"):
        tumble_effects(
            tumbled(share),
            batches.assign(twin=batches["colour"]),
            [COLOUR, Category("twin", COLOUR.levels, "dye")],
        )
    with pytest.raises(CannotAnswer, match="exactly the same"):
        tumble_effects(tumbled(dict.fromkeys(batches.index, 0.02)), batches, [COLOUR])
    with pytest.raises(CannotAnswer, match="fell apart"):
        tumble_effects(tumbled(share | {"R0": 1.0}), batches, [COLOUR], scale="logit")
    with pytest.raises(ValueError, match="no such batch"):
        tumble_effects(tumbled(share | {"R99": 0.1}), batches, [COLOUR])


@given(pieces=st.integers(1, 60), data=st.data())
def test_share_lies_within_both_intervals(pieces: int, data: st.DataObject) -> None:
    broken = data.draw(st.integers(0, pieces))
    share = broken_share(broken, pieces)
    assert 0 <= share.exact_low <= share.share <= share.exact_high <= 1
    assert -1e-12 <= share.wilson_low <= share.share + 1e-12
    assert share.share - 1e-12 <= share.wilson_high <= 1


def test_batches_that_break_together_widen_the_interval() -> None:
    batches = workshop(6)
    even = pd.DataFrame({"run": batches.index, "pieces": 10, "broken": [5, 5, 5, 5, 5, 5]})
    torn = even.assign(broken=[0, 0, 0, 10, 10, 10])
    calm, wild = (
        broken_by_level(even, batches, "colour")["lake"],
        broken_by_level(torn, batches, "colour")["lake"],
    )
    assert calm.design_effect == 1
    assert wild.design_effect == pytest.approx(10 * 6 / 3)  # chi-square 60 on 3 degrees of freedom
    assert wild.share == calm.share == 0.5
    assert wild.wilson_high - wild.wilson_low > calm.wilson_high - calm.wilson_low


def test_a_level_that_never_breaks_still_has_an_odds_ratio() -> None:
    batches = workshop(12)
    counts = [3 if colour == "lake" else 0 for colour in batches["colour"]]
    counts[1] = 5
    fit = broken_effects(
        pd.DataFrame({"run": batches.index, "pieces": 10, "broken": counts}), batches, [COLOUR]
    )
    lake, pearl = fit.effects
    assert 1 < lake.low < lake.estimate < np.inf
    assert pearl.low < 1 < pearl.high
    assert fit.joint_tests[0].p < 0.05
    with pytest.raises(CannotAnswer, match="No piece broke"):
        broken_effects(pd.DataFrame({"run": batches.index, "pieces": 10, "broken": 0}), batches, [COLOUR])
    with pytest.raises(CannotAnswer, match="how many pieces broke"):
        broken_by_level(
            pd.DataFrame({"run": batches.index, "pieces": 10, "broken": np.nan}), batches, "colour"
        )
    with pytest.raises(ValueError, match="between 0"):
        broken_by_level(pd.DataFrame({"run": batches.index, "pieces": 10, "broken": 11}), batches, "colour")


def test_loss_ratio_is_covered_and_not_biased() -> None:
    # 300 workshops of 12 batches, 2 tumbles each, a 0.1 g scale: coverage within 3 binomial errors of 95 %
    rng = np.random.default_rng(11)
    batches = workshop().assign(colour=["dye", "lake"] * 6)
    term = Category("colour", ("dye", "lake"), "dye")
    truth, held, estimates = np.log(1.5), 0, []
    for _ in range(300):
        share = 0.02 * np.exp(truth * (batches["colour"] == "lake") + 0.3 * rng.normal(size=12))
        readings = pd.concat([tumbled(dict(share), before, 0.1) for before in (180.0, 220.0)])
        effect = tumble_effects(readings, batches, [term]).effects[0]
        held += effect.low <= 1.5 <= effect.high
        estimates.append(np.log(effect.estimate))
    assert held / 300 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 300))
    assert np.mean(estimates) == pytest.approx(truth, abs=3 * np.std(estimates) / np.sqrt(300))


READINGS = pd.DataFrame({"loss_pct": [1.0, 6.0], "median_cm": [80.0, 50.0]}, index=["A", "B"])
LOSS, HEIGHT = Part("loss_pct", 0.25, 0, 5), Part("median_cm", 0.75, 100, 20)


def test_index_is_the_stated_weighted_mean() -> None:
    table = crumble_index(READINGS, [LOSS, HEIGHT])
    assert table.loc["A", "index"] == pytest.approx(0.25 * 0.2 + 0.75 * 0.25)
    assert table["beyond"].tolist() == [False, True]
    assert table.loc["B", "loss_pct"] == pytest.approx(0.25 * 1.2)  # past the worst: not cut off


@pytest.mark.parametrize(
    ("readings", "parts", "why"),
    [
        (READINGS, [], "needs parts"),
        (READINGS, [LOSS, LOSS], "needs parts"),
        (READINGS, [LOSS, Part("median_cm", 0.5, 100, 20)], "add up to 0.75"),
        (READINGS[["loss_pct"]], [LOSS, HEIGHT], "do not match at median_cm"),
        (READINGS.assign(score=1), [LOSS, HEIGHT], "do not match at score"),
        (READINGS.replace(80.0, np.nan), [LOSS, HEIGHT], "Batch A lacks"),
    ],
)
def test_index_refuses_what_is_not_stated(readings: pd.DataFrame, parts: list[Part], why: str) -> None:
    with pytest.raises(CannotAnswer, match=why):
        crumble_index(readings, parts)


@pytest.mark.parametrize(("weight", "best", "worst"), [(0, 0, 1), (-0.5, 0, 1), (1, 2, 2), (1, np.nan, 1)])
def test_parts_that_make_no_sense(weight: float, best: float, worst: float) -> None:
    with pytest.raises(ValueError, match="loss_pct"):
        Part("loss_pct", weight, best, worst)
