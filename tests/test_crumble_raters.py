"""Agreement of raters, who leans, and the comparison of scores by batch means."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.crumble import score_numbers
from fizzlab.models.effects import fit_response
from fizzlab.models.raters import krippendorff_alpha, rater_agreement
from fizzlab.models.result import Effect

CUTS = np.array([-1.5, 0.0, 1.2, 2.5])


def scored(
    rng: np.random.Generator,
    batches: int = 12,
    pieces: int = 4,
    leans: tuple[float, ...] = (-0.4, 0.4),
    rater_scale: float = 0.4,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    table = pd.DataFrame(
        {"run": [f"R{i}" for i in range(batches)], "colour": ["dye", "lake"] * (batches // 2)}
    )
    rows = []
    for run, colour in table.to_numpy():
        batch = 1.0 * (colour == "lake") + 0.5 * rng.normal()
        for piece in range(pieces):
            quality = batch + 0.7 * rng.logistic()
            for rater, lean in enumerate(leans):
                hidden = quality + lean + rater_scale * rng.logistic()
                rows.append((run, piece, f"rater {rater}", int((hidden > CUTS).sum())))
    return pd.DataFrame(rows, columns=["run", "piece", "rater", "score"]), table


def by_colour(scores: pd.DataFrame, runs: pd.DataFrame) -> Effect:
    numbers = runs["run"].map(score_numbers(scores))
    return fit_response(runs.assign(score=numbers), "score", "colour").effects[0]


def test_scores_are_compared_by_batch_means() -> None:
    scores, runs = scored(np.random.default_rng(1))
    means = scores.groupby(["run", "piece"])["score"].mean().groupby("run").mean()
    expected = means.groupby(runs.set_index("run")["colour"]).mean()
    effect = by_colour(scores, runs)
    assert effect.scale == "difference"
    assert effect.estimate == pytest.approx(expected["lake"] - expected["dye"])
    assert effect.df == 10
    again = pd.concat([scores, scores.assign(piece=scores["piece"] + 10)])
    assert by_colour(again, runs).conf_low == pytest.approx(effect.conf_low)


def test_wrong_tables_are_named() -> None:
    scores, _ = scored(np.random.default_rng(1))
    with pytest.raises(BadInput, match="rater"):
        rater_agreement(scores.drop(columns="rater"))
    with pytest.raises(ValueError, match="twice"):
        rater_agreement(pd.concat([scores, scores]))


def test_perfect_agreement_is_one_without_an_invented_interval() -> None:
    scores, _ = scored(np.random.default_rng(12), leans=(0.0, 0.0), rater_scale=0.0)
    found = rater_agreement(scores)
    assert found.alpha == pytest.approx(1)
    assert np.isnan(found.conf_low)
    assert (found.same, found.verdict, found.retrain) == (1.0, "agree", ())


def test_raters_who_throw_dice_do_not_agree() -> None:
    rng = np.random.default_rng(13)
    scores, _ = scored(rng, batches=24, pieces=6, leans=(0.0, 0.0, 0.0))
    found = rater_agreement(scores.assign(score=rng.integers(0, 5, len(scores))))
    assert found.conf_low < 0 < found.conf_high
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


@pytest.mark.slow
def test_agreement_is_covered() -> None:
    # 150 workshops of 12 batches: at 95 % fewer than 133 of 150 would come once in 1,800 (binomial)
    large, _ = scored(np.random.default_rng(0), batches=1500)
    wide = large.pivot(index=["run", "piece"], columns="rater", values="score")
    truth = krippendorff_alpha(wide.to_numpy(float))
    lean = float((wide["rater 0"] - wide["rater 1"]).mean())
    rng = np.random.default_rng(14)
    held = np.zeros(2)
    for _ in range(150):
        found = rater_agreement(scored(rng)[0])
        row = found.table.set_index("rater").loc["rater 0"]
        held += [found.conf_low <= truth <= found.conf_high, row["conf_low"] <= lean <= row["conf_high"]]
    assert (held >= 133).all()


def test_who_runs_high_is_named_and_would_be_missed_least() -> None:
    found = rater_agreement(scored(np.random.default_rng(15), leans=(0.0, 0.0, 2.5))[0])
    high = found.table.iloc[0]
    assert (high["rater"], high["runs"]) == ("rater 2", "high")
    assert high["conf_low"] > 0.5
    assert (found.table["runs"][1:] == "low").all()
    assert high["alpha_without"] > found.alpha + 0.1
    assert found.retrain[0] == "rater 2"


def test_two_raters_mirror_each_other_so_both_are_named() -> None:
    found = rater_agreement(scored(np.random.default_rng(16), leans=(-1.0, 1.0))[0])
    high, low = found.table.to_dict("records")
    assert (high["difference"], high["conf_low"]) == pytest.approx((-low["difference"], -low["conf_high"]))
    assert (high["runs"], low["runs"]) == ("high", "low")
    assert set(found.retrain) == {"rater 0", "rater 1"}


def test_raters_who_differ_alike_in_every_batch_have_no_interval() -> None:
    scores, _ = scored(np.random.default_rng(10), leans=(0.0,))
    found = rater_agreement(pd.concat([scores, scores.assign(rater="echo")]))
    assert found.table["conf_low"].isna().all()
    assert found.table["p_value"].tolist() == [1.0, 1.0]
    assert "nan" not in found.plot().get_xlabel()


def test_refusals_of_agreement() -> None:
    scores, _ = scored(np.random.default_rng(17), leans=(0.0, 0.0, 0.0))
    with pytest.raises(CannotAnswer, match="two raters"):
        rater_agreement(scores[scores["rater"] == "rater 0"])
    with pytest.raises(CannotAnswer, match="Every score was the same"):
        rater_agreement(scores.assign(score=1))
    one_batch = rater_agreement(scores[scores["run"] == "R0"])
    assert np.isnan(one_batch.conf_low)
    assert one_batch.table["p_value"].isna().all()


def test_a_result_shows_itself() -> None:
    found = rater_agreement(scored(np.random.default_rng(15), leans=(0.0, 0.0, 2.5))[0])
    assert "rater 2" in found._repr_html_()
    assert str(found).startswith("Krippendorff's alpha")
    axes = found.plot()
    assert [text.get_text() for text in axes.get_yticklabels()] == list(found.table["rater"])
