"""Ordered scores and the agreement of raters."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.miscmodels.ordinal_model import OrderedModel

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import (
    agreement_alpha,
    agreement_fleiss,
    agreement_kappa,
    krippendorff_alpha,
    rater_bias,
    score_regression,
    whom_to_retrain,
)
from fizzlab.models.terms import Amount, Category

COLOUR = Category("colour", ("dye", "lake"), "dye")
CUTS = np.array([-1.5, 0.0, 1.2, 2.5])


def scored(
    rng: np.random.Generator,
    batches: int = 12,
    pieces: int = 4,
    leans: tuple[float, ...] = (-0.4, 0.4),
    effect: float = 1.0,
    batch_sd: float = 0.5,
    piece_scale: float = 0.7,
    rater_scale: float = 0.4,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    table = pd.DataFrame(
        {"colour": ["dye", "lake"] * (batches // 2)}, index=[f"R{i}" for i in range(batches)]
    )
    rows = []
    for run, colour in table["colour"].items():
        batch = effect * (colour == "lake") + batch_sd * rng.normal()
        for piece in range(pieces):
            quality = batch + piece_scale * rng.logistic()
            for rater, lean in enumerate(leans):
                hidden = quality + lean + rater_scale * rng.logistic()
                rows.append((run, piece, f"rater {rater}", int((hidden > CUTS).sum())))
    return pd.DataFrame(rows, columns=["run", "piece", "rater", "score"]), table


def test_estimates_are_those_of_statsmodels() -> None:
    # statsmodels 0.15, OrderedModel(distr="logit"): the same model, fitted by another route
    scores, batches = scored(np.random.default_rng(1))
    fit = score_regression(scores, batches, [COLOUR])
    columns = np.column_stack(
        [scores["run"].map(batches["colour"]) == "lake", np.where(scores["rater"] == "rater 0", 1.0, -1.0)]
    ).astype(float)
    check = OrderedModel(scores["score"].to_numpy(), columns, distr="logit").fit(
        method="bfgs", disp=False, gtol=1e-8
    )
    assert fit.loglik == pytest.approx(check.llf, abs=1e-7)
    assert [fit.coefficients["colour[lake]"], fit.coefficients["rater[rater 0]"]] == pytest.approx(
        check.params[:2], abs=1e-4
    )
    chance = OrderedModel(scores["score"].to_numpy(), columns, distr="logit").predict(
        check.params, [[1, 1], [1, -1]]
    )
    lake = [row.chance for row in fit.chances if row.level == "lake"]
    assert lake == pytest.approx(np.mean(chance, axis=0), abs=1e-4)


def test_chances_add_up_and_means_follow_from_them() -> None:
    scores, batches = scored(np.random.default_rng(2))
    fit = score_regression(scores, batches, [COLOUR])
    for mean in fit.means:
        own = [row for row in fit.chances if (row.term, row.level) == (mean.term, mean.level)]
        assert sum(row.chance for row in own) == pytest.approx(1)
        assert sum(row.chance * row.score for row in own) == pytest.approx(mean.mean)
        assert all(0 <= row.low <= row.chance <= row.high <= 1 for row in own)
        assert mean.low <= mean.mean <= mean.high
    odds = [effect.estimate for effect in fit.effects if effect.term == "rater"]
    assert np.prod(odds) == pytest.approx(1)  # leans sum to zero


def test_turning_the_scale_round_turns_the_odds() -> None:
    scores, batches = scored(np.random.default_rng(3))
    fit = score_regression(scores, batches, [COLOUR])
    turned = score_regression(scores.assign(score=4 - scores["score"]), batches, [COLOUR])
    assert turned.effects[0].estimate == pytest.approx(1 / fit.effects[0].estimate)
    assert turned.effects[0].low == pytest.approx(1 / fit.effects[0].high)
    assert turned.loglik == pytest.approx(fit.loglik)


def test_more_pieces_of_the_same_batches_do_not_buy_degrees_of_freedom() -> None:
    scores, batches = scored(np.random.default_rng(4), batch_sd=1.0)
    again = pd.concat([scores, scores.assign(piece=scores["piece"] + 10)])
    once, twice = score_regression(scores, batches, [COLOUR]), score_regression(again, batches, [COLOUR])
    assert once.df == twice.df == 10
    # copies of the same pieces tell nothing new, and the batch-robust interval is not fooled by them
    width = [np.log(fit.effects[0].high / fit.effects[0].low) for fit in (once, twice)]
    assert width[1] == pytest.approx(width[0], rel=0.1)


def test_a_score_that_nobody_gave_has_no_chance_and_no_interval() -> None:
    scores, batches = scored(np.random.default_rng(5))
    fit = score_regression(scores.assign(score=scores["score"].clip(upper=2)), batches, [COLOUR])
    unseen = [row for row in fit.chances if row.score >= 3]
    assert len(unseen) == 2 * len(fit.means)
    assert all(not row.seen and row.chance == 0 and np.isnan(row.low) for row in unseen)


def test_an_effect_on_one_threshold_only_is_found_not_to_be_proportional() -> None:
    rng = np.random.default_rng(6)
    batches = pd.DataFrame({"colour": ["dye", "lake"] * 20}, index=[f"R{i}" for i in range(40)])
    chance = {"dye": [0.2, 0.2, 0.2, 0.2, 0.2], "lake": [0.45, 0.03, 0.03, 0.04, 0.45]}
    rows = [
        (run, piece, "Ada", int(rng.choice(5, p=chance[colour])))
        for run, colour in batches["colour"].items()
        for piece in range(6)
    ]
    scores = pd.DataFrame(rows, columns=["run", "piece", "rater", "score"])
    found = score_regression(scores, batches, [COLOUR]).proportionality[0]
    assert found.df_num == 3
    assert found.p < 0.001


def test_proportionality_raises_few_false_alarms() -> None:
    # 150 proportional workshops of 12 batches: at 5 % more than 16 alarms would come once in 700
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(150):
        scores, batches = scored(rng, batch_sd=0.7)
        alarms += score_regression(scores, batches, [COLOUR]).proportionality[0].p < 0.05
    assert alarms <= 16


def test_odds_ratio_and_chances_are_covered() -> None:
    # 200 workshops of 12 batches, 4 pieces, 2 raters; the marginal model's truth comes from 1,500 batches.
    # At 95 % fewer than 180 of 200 would come once in 800 (binomial).
    truth = score_regression(*scored(np.random.default_rng(0), batches=1500), [COLOUR])
    rng = np.random.default_rng(8)
    held = np.zeros(4)
    for _ in range(200):
        fit = score_regression(*scored(rng), [COLOUR])
        pairs = [
            (truth.effects[0].estimate, fit.effects[0].low, fit.effects[0].high),
            (truth.effects[1].estimate, fit.effects[1].low, fit.effects[1].high),
            (truth.chances[5].chance, fit.chances[5].low, fit.chances[5].high),
            (truth.means[1].mean, fit.means[1].low, fit.means[1].high),
        ]
        held += [low <= value <= high for value, low, high in pairs]
    assert (held >= 180).all()


def test_an_amount_and_a_single_rater() -> None:
    rng = np.random.default_rng(9)
    batches = pd.DataFrame({"oil_g": np.linspace(2, 8, 14)}, index=[f"R{i}" for i in range(14)])
    rows = [
        (run, piece, "Ada", int((0.5 * (oil - 5) + rng.logistic() > CUTS).sum()))
        for run, oil in batches["oil_g"].items()
        for piece in range(8)
    ]
    fit = score_regression(
        pd.DataFrame(rows, columns=["run", "piece", "rater", "score"]), batches, [Amount("oil_g")]
    )
    assert [effect.name for effect in fit.effects] == ["oil_g"]
    assert fit.effects[0].low < np.exp(0.5) < fit.effects[0].high
    assert (fit.raters, fit.pieces, fit.df) == (1, 112, 12)


def test_raters_of_one_mind_do_not_stop_the_comparison() -> None:
    scores, batches = scored(np.random.default_rng(10), leans=(0.0,))
    both = pd.concat([scores, scores.assign(rater="echo")])
    fit = score_regression(both, batches, [COLOUR])
    alone = score_regression(scores, batches, [COLOUR])
    assert fit.effects[0].estimate == pytest.approx(alone.effects[0].estimate, rel=1e-6)
    assert np.isnan(fit.effects[1].low)
    assert np.isnan(fit.joint_tests[1].p)


def test_refusals() -> None:
    scores, batches = scored(np.random.default_rng(11))
    with pytest.raises(CannotAnswer, match="got the score 2"):
        score_regression(scores.assign(score=2), batches, [COLOUR])
    colour = scores["run"].map(batches["colour"])
    with pytest.raises(CannotAnswer, match="cannot be told from the batches"):
        score_regression(scores.assign(rater=colour), batches, [COLOUR])
    apart = scores.assign(score=np.where(colour == "lake", 3, scores["score"].clip(upper=2)))
    with pytest.raises(CannotAnswer, match="always scores apart"):
        score_regression(apart, batches, [COLOUR])
    with pytest.raises(ValueError, match="0 to 4"):
        score_regression(scores.assign(score=5), batches, [COLOUR])
    with pytest.raises(CannotAnswer, match="leave no chance variation"):
        score_regression(scores[scores["run"].isin(["R0", "R1"])], batches, [COLOUR])


def test_perfect_agreement_is_one_without_an_invented_interval() -> None:
    scores, _ = scored(np.random.default_rng(12), leans=(0.0, 0.0), rater_scale=0.0)
    for found in (agreement_alpha(scores), agreement_kappa(scores), agreement_fleiss(scores)):
        assert found.estimate == pytest.approx(1)
        assert np.isnan(found.low)
        assert (found.same, found.verdict) == (1.0, "agree")
    assert whom_to_retrain(agreement_alpha(scores), rater_bias(scores)) == ()


def test_raters_who_throw_dice_do_not_agree() -> None:
    rng = np.random.default_rng(13)
    scores, _ = scored(rng, batches=24, pieces=6, leans=(0.0, 0.0, 0.0))
    dice = scores.assign(score=rng.integers(0, 5, len(scores)))
    for found in (agreement_alpha(dice), agreement_fleiss(dice)):
        assert found.low < 0 < found.high
        assert found.verdict == "do not agree"


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_alpha_knows_no_order_of_raters_or_pieces_and_bears_gaps(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ratings = rng.integers(0, 5, (12, 3)).astype(float)
    ratings[rng.random(ratings.shape) < 0.2] = np.nan
    ratings[0] = [0, 4, 2]
    alpha = krippendorff_alpha(ratings)
    assert krippendorff_alpha(ratings[:, ::-1]) == pytest.approx(alpha)
    assert krippendorff_alpha(ratings[rng.permutation(12)]) == pytest.approx(alpha)
    assert krippendorff_alpha(4 - ratings) == pytest.approx(alpha)
    lone = np.vstack([ratings, [[3, np.nan, np.nan]]])  # a piece seen by one rater says nothing of agreement
    assert krippendorff_alpha(lone) == pytest.approx(alpha)


def test_agreement_is_covered() -> None:
    # 150 workshops of 12 batches: at 95 % fewer than 133 of 150 would come once in 1,800 (binomial)
    large, _ = scored(np.random.default_rng(0), batches=1500)
    truth = krippendorff_alpha(
        large.pivot(index=["run", "piece"], columns="rater", values="score").to_numpy()
    )
    lean = {bias.rater: bias.difference for bias in rater_bias(large)}["rater 0"]
    rng = np.random.default_rng(14)
    held = np.zeros(2)
    for _ in range(150):
        scores, _ = scored(rng)
        found = agreement_alpha(scores)
        bias = next(bias for bias in rater_bias(scores) if bias.rater == "rater 0")
        held += [found.low <= truth <= found.high, bias.low <= lean <= bias.high]
    assert (held >= 133).all()


def test_who_runs_high_is_named_and_would_be_missed_least() -> None:
    scores, _ = scored(np.random.default_rng(15), leans=(0.0, 0.0, 2.5))
    biases = rater_bias(scores)
    assert biases[0].rater == "rater 2"
    assert biases[0].runs == "high"
    assert biases[0].low > 0.5
    assert all(bias.runs == "low" for bias in biases[1:])
    agreement = agreement_alpha(scores)
    assert biases[0].alpha_without > agreement.estimate + 0.1
    assert whom_to_retrain(agreement, biases)[0] == "rater 2"


def test_two_raters_mirror_each_other_so_both_are_named() -> None:
    scores, _ = scored(np.random.default_rng(16), leans=(-1.0, 1.0))
    high, low = rater_bias(scores)
    assert (high.difference, high.low) == pytest.approx((-low.difference, -low.high))
    assert (high.runs, low.runs) == ("high", "low")
    assert set(whom_to_retrain(agreement_alpha(scores), (high, low))) == {"rater 0", "rater 1"}


def test_refusals_of_agreement() -> None:
    scores, _ = scored(np.random.default_rng(17), leans=(0.0, 0.0, 0.0))
    with pytest.raises(CannotAnswer, match="3 scored"):
        agreement_kappa(scores)
    one = scores[scores["rater"] == "rater 0"]
    for function in (agreement_alpha, agreement_kappa, agreement_fleiss, rater_bias):
        with pytest.raises(CannotAnswer, match="two raters"):
            function(one)
    two = scores[scores["rater"] != "rater 2"].assign(score=1)
    for function in (agreement_alpha, agreement_kappa, agreement_fleiss):
        with pytest.raises(CannotAnswer, match="Every score was the same"):
            function(two)
    gaps = scores[scores["rater"] != "rater " + (scores["piece"] % 3).astype(str)]
    with pytest.raises(CannotAnswer, match="every rater"):
        agreement_fleiss(gaps)
    with pytest.raises(ValueError, match="twice"):
        agreement_alpha(pd.concat([scores, scores]))
    with pytest.raises(CannotAnswer, match="several batches"):
        rater_bias(scores[scores["run"] == "R0"])
