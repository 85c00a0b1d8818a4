"""Drop heights: recovery, coverage, refusals, and what an up-and-down sequence must not do to the spread."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fizzlab.errors import CannotAnswer
from fizzlab.models.crumble import dixon_mood, drop_heights, is_up_and_down
from fizzlab.models.crumble.batchprobit import BatchProbitProblem
from fizzlab.models.terms import Amount, Category

COLOUR = Category("colour", ("dye", "lake"), "dye")
SPREAD = 0.3


def workshop(
    rng: np.random.Generator,
    up_and_down: bool = False,
    batch_share: float = 0.3,
    batches: int = 12,
    pieces: int = 8,
    ratio: float = 1.3,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pieces with a median breaking height of 60 cm, lake `ratio` times that."""
    table = pd.DataFrame(
        {"colour": ["dye", "lake"] * (batches // 2)}, index=[f"R{i}" for i in range(batches)]
    )
    between, within = SPREAD * np.sqrt(batch_share), SPREAD * np.sqrt(1 - batch_share)
    rows = []
    for run, colour in table["colour"].items():
        centre = np.log(60) + np.log(ratio) * (colour == "lake") + between * rng.normal()
        height = 60.0
        for piece in range(pieces):
            if not up_and_down:
                height = (30.0, 45.0, 60.0, 90.0)[piece % 4]
            broke = bool(np.log(height) > centre + within * rng.normal())
            rows.append((run, piece, height, broke))
            height = height / 1.25 if broke else height * 1.25
    return pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"]), table


@pytest.mark.parametrize("up_and_down", [False, True])
def test_medians_tails_and_ratio_are_recovered(up_and_down: bool) -> None:
    # twelve workshops; each mean logarithm within a 99.9 % t interval of the truth (ten means are tested)
    rng = np.random.default_rng(4)
    found = []
    for _ in range(12):
        drops, batches = workshop(rng, up_and_down)
        fit = drop_heights(drops, batches, [COLOUR])
        dye, lake = fit.heights[1:]
        found.append([dye.median_cm, lake.median_cm, dye.survive_cm, fit.effects[0].estimate, fit.spread])
    tail = np.exp(SPREAD * stats.norm.ppf(0.1))
    logs = np.log(found)
    reach = stats.t.ppf(0.9995, 11) * logs.std(axis=0, ddof=1) / np.sqrt(12)
    assert (np.abs(logs.mean(axis=0) - np.log([60, 78, 60 * tail, 1.3, SPREAD])) < reach).all()
    assert (reach < 0.4).all()  # wider, and it could not fail


def test_climbing_in_strong_batches_is_not_read_as_spread() -> None:
    # with half of the variance between batches, up and down; the fit that knows no batches is the contrast
    rng = np.random.default_rng(6)
    with_batches, without = [], []
    for _ in range(20):
        drops, batches = workshop(rng, True, batch_share=0.5, ratio=1.0)
        fit = drop_heights(drops, batches)
        with_batches.append(fit.spread)
        x = np.log(drops["height_cm"].to_numpy())
        matrix = np.column_stack([np.ones(len(x)), (x - x.mean()) / x.std()])
        alone = BatchProbitProblem.make(matrix, drops["broke"].to_numpy(bool), np.arange(len(x)), True).fit()
        without.append(x.std() / alone.coefficients[1])
    error = np.std(with_batches) / np.sqrt(20)
    assert np.median(with_batches) == pytest.approx(SPREAD, abs=3 * error)
    assert np.median(without) > SPREAD + 3 * error


def test_intervals_hold_the_truth_in_small_workshops() -> None:
    # 24 workshops of 12 batches with 8 drops, up and down and fixed by turns. At 95 % fewer than 20 of 24
    # would come once in 150 (binomial); benchmarks/crumble_coverage.py runs more.
    rng = np.random.default_rng(8)
    tail = np.exp(SPREAD * stats.norm.ppf(0.1))
    held = np.zeros(3)
    for trial in range(24):
        drops, batches = workshop(rng, up_and_down=trial % 2 == 1)
        fit = drop_heights(drops, batches, [COLOUR])
        dye, effect = fit.heights[1], fit.effects[0]
        held += [
            effect.low <= 1.3 <= effect.high,
            dye.median_low <= 60 <= dye.median_high,
            dye.survive_low <= 60 * tail <= dye.survive_high,
        ]
    assert (held >= 20).all()


def test_perfect_separation_has_a_finite_answer_and_interval() -> None:
    rows = [(f"R{i}", k, h, h > 50) for i in range(6) for k, h in enumerate((30.0, 40.0, 60.0, 70.0))]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    batches = pd.DataFrame(index=[f"R{i}" for i in range(6)])
    fit = drop_heights(drops, batches)
    whole = fit.heights[0]
    assert fit.separated
    assert 40 < whole.median_cm < 60
    assert 30 < whole.median_low < whole.median_high < 70
    assert 0 < whole.survive_low < whole.survive_cm < whole.median_cm
    with pytest.raises(CannotAnswer, match="without a mistake"):
        drop_heights(drops, batches, method="likelihood")


def test_height_in_centimetres_and_in_logarithms_scale_as_they_should() -> None:
    drops, batches = workshop(np.random.default_rng(9))
    inches = drops.assign(height_cm=drops["height_cm"] / 2.54)
    for scale in ("log", "linear"):
        here = drop_heights(drops, batches, [COLOUR], scale=scale)  # type: ignore[arg-type]
        there = drop_heights(inches, batches, [COLOUR], scale=scale)  # type: ignore[arg-type]
        for a, b in zip(here.heights, there.heights, strict=True):
            assert a.median_cm == pytest.approx(2.54 * b.median_cm, rel=1e-4)
            assert a.survive_low == pytest.approx(2.54 * b.survive_low, rel=1e-3)
    assert here.effects[0].kind == "difference"
    assert here.effects[0].estimate == pytest.approx(
        here.heights[2].median_cm - here.heights[1].median_cm, rel=1e-3
    )


def test_order_of_rows_and_names_of_batches_do_not_matter() -> None:
    drops, batches = workshop(np.random.default_rng(10))
    first = drop_heights(drops, batches, [COLOUR])
    shuffled = drop_heights(drops.sample(frac=1, random_state=1), batches, [COLOUR])
    assert shuffled.objective == pytest.approx(first.objective, abs=1e-6)
    assert shuffled.effects[0].low == pytest.approx(first.effects[0].low, rel=1e-3)


def test_an_amount_shifts_the_height_by_a_ratio_a_unit() -> None:
    rng = np.random.default_rng(12)
    oil = np.linspace(2, 8, 16)
    batches = pd.DataFrame({"oil_g": oil}, index=[f"R{i}" for i in range(16)])
    rows = [
        (f"R{i}", k, h, bool(np.log(h) > np.log(60) + 0.1 * (oil[i] - 5) + 0.2 * rng.normal()))
        for i in range(16)
        for k, h in enumerate((30.0, 45.0, 60.0, 90.0, 30.0, 45.0, 60.0, 90.0))
    ]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = drop_heights(drops, batches, [Amount("oil_g", "g")])
    effect = fit.effects[0]
    assert effect.name == "oil_g"
    assert effect.low < np.exp(0.1) < effect.high
    assert effect.p < 0.05
    assert fit.df == 14
    assert fit.joint_tests[0].p == pytest.approx(effect.p, abs=1e-4)


def test_pieces_dropped_again_and_estimates_beyond_the_heights_are_marked() -> None:
    drops, batches = workshop(np.random.default_rng(13))
    assert not drop_heights(drops, batches).heights[0].beyond_tried
    again = drop_heights(drops.assign(piece=drops["piece"] // 2), batches)
    assert again.repeated_pieces == 48
    high = drops[drops["height_cm"] >= 60]
    assert drop_heights(high, batches).heights[0].beyond_tried


DROPS, BATCHES = workshop(np.random.default_rng(14))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"broke": True}, "Every piece broke"),
        ({"broke": False}, "No piece broke"),
        ({"height_cm": 60.0}, "same height"),
        ({"broke": ~DROPS["broke"]}, "did not break more often"),
        (
            {"height_cm": np.where(DROPS["run"].map(BATCHES["colour"]) == "dye", 40.0, 60.0)},
            "cannot be told apart",
        ),
    ],
)
def test_refusals(change: dict[str, object], why: str) -> None:
    with pytest.raises(CannotAnswer, match=why):
        drop_heights(DROPS.assign(**change), BATCHES, [COLOUR])


def test_one_batch_cannot_judge_chance() -> None:
    one = DROPS[DROPS["run"] == "R0"]
    with pytest.raises(CannotAnswer, match="leave no chance variation"):
        drop_heights(one, BATCHES)


def test_programming_errors() -> None:
    with pytest.raises(ValueError, match="survive"):
        drop_heights(DROPS, BATCHES, survive=0.3)
    with pytest.raises(ValueError, match="positive"):
        drop_heights(DROPS.assign(height_cm=DROPS["height_cm"] - 30), BATCHES)


def test_few_drops_leave_an_open_end_rather_than_an_invented_one() -> None:
    rows = [("A", 1, 40.0, False), ("A", 2, 60.0, True), ("B", 1, 40.0, True), ("B", 2, 60.0, True),
            ("C", 1, 40.0, False), ("C", 2, 60.0, False)]  # fmt: skip
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    whole = drop_heights(drops, pd.DataFrame(index=list("ABC"))).heights[0]
    assert whole.survive_low == 0
    assert whole.median_high == np.inf


def sequence(start: int, outcomes: list[bool]) -> list[float]:
    heights = [float(start)]
    for broke in outcomes[:-1]:
        heights.append(heights[-1] + (-5.0 if broke else 5.0))
    return heights


@given(st.lists(st.booleans(), min_size=4, max_size=40).filter(lambda s: any(s) and not all(s)))
@settings(max_examples=60)
def test_classical_estimate_mirrors_and_shifts(outcomes: list[bool]) -> None:
    heights = sequence(500, outcomes)
    assert is_up_and_down(heights, outcomes)
    found = dixon_mood(heights, outcomes, step=5.0)
    shifted = dixon_mood([h + 7 for h in heights], outcomes, step=5.0)
    assert shifted.mean == pytest.approx(found.mean + 7)
    assert shifted.sd == pytest.approx(found.sd)
    if sum(outcomes) * 2 != len(outcomes):  # with a tie the breaks are counted either way
        mirrored = dixon_mood([-h for h in heights], [not o for o in outcomes], step=5.0)
        assert mirrored.mean == pytest.approx(-found.mean)


def test_classical_estimate_agrees_with_the_likelihood_on_a_long_sequence() -> None:
    rng = np.random.default_rng(15)
    height, heights, outcomes = 60.0, [], []
    for _ in range(400):
        heights.append(height)
        outcomes.append(bool(height > 60 + 8 * rng.normal()))
        height += -8.0 if outcomes[-1] else 8.0
    classical = dixon_mood(heights, outcomes)
    runs = [f"R{i % 40}" for i in range(400)]
    drops = pd.DataFrame({"run": runs, "piece": range(400), "height_cm": heights, "broke": outcomes})
    fit = drop_heights(
        drops, pd.DataFrame(index=[f"R{i}" for i in range(40)]), scale="linear", method="likelihood"
    )
    assert classical.mean == pytest.approx(fit.heights[0].median_cm, abs=1.0)
    assert classical.sd == pytest.approx(fit.spread, rel=0.15)


def test_classical_refusals() -> None:
    with pytest.raises(CannotAnswer, match="ended alike"):
        dixon_mood([30, 40, 50], [False, False, False])
    with pytest.raises(CannotAnswer, match="equal steps"):
        dixon_mood([30, 40, 55], [False, False, True])
    with pytest.raises(CannotAnswer, match="same height"):
        dixon_mood([30, 30], [False, True])
    with pytest.raises(ValueError, match="one length"):
        dixon_mood([30, 40], [True])


def test_rule_of_the_sequence() -> None:
    assert is_up_and_down([40, 50, 40], [False, True, True])
    assert is_up_and_down([40, 50, 62.5, 50], [False, False, True, True])  # equal ratios
    assert not is_up_and_down([40, 50, 60], [False, True, True])
    assert not is_up_and_down([40], [True])
