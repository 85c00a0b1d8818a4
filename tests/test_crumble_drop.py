"""Drop heights: recovery, coverage, refusals, and what an up-and-down sequence must not do to the spread."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.drops import DropFit, _Likelihood, fit_drop_height

SPREAD = 0.3
TAIL = np.exp(SPREAD * stats.norm.ppf(0.1))


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
        {"run": [f"R{i}" for i in range(batches)], "colour": ["dye", "lake"] * (batches // 2)}
    )
    between, within = SPREAD * np.sqrt(batch_share), SPREAD * np.sqrt(1 - batch_share)
    rows = []
    for run, colour in table.to_numpy():
        centre = np.log(60) + np.log(ratio) * (colour == "lake") + between * rng.normal()
        height = 60.0
        for piece in range(pieces):
            if not up_and_down:
                height = (30.0, 45.0, 60.0, 90.0)[piece % 4]
            broke = bool(np.log(height) > centre + within * rng.normal())
            rows.append((run, piece, height, broke))
            height = height / 1.25 if broke else height * 1.25
    return pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"]), table


def ends(fit: DropFit, share: float = 0.5, **at: object) -> list[float]:
    row = fit.predict(at or None, share=share).iloc[0]
    return [row["estimate"], row["conf_low"], row["conf_high"]]


@pytest.mark.slow
@pytest.mark.parametrize("up_and_down", [False, True])
def test_medians_tails_and_ratio_are_recovered(up_and_down: bool) -> None:
    # twelve workshops; each mean logarithm within a 99.9 % t interval of the truth (ten means are tested)
    rng = np.random.default_rng(4)
    found = []
    for _ in range(12):
        drops, batches = workshop(rng, up_and_down)
        fit = fit_drop_height(drops, "colour", runs=batches)
        dye, lake = ends(fit, colour="dye")[0], ends(fit, colour="lake")[0]
        found.append([dye, lake, ends(fit, 0.1, colour="dye")[0], fit.effects[0].estimate, fit.spread])
    logs = np.log(found)
    reach = stats.t.ppf(0.9995, 11) * logs.std(axis=0, ddof=1) / np.sqrt(12)
    assert (np.abs(logs.mean(axis=0) - np.log([60, 78, 60 * TAIL, 1.3, SPREAD])) < reach).all()
    assert (reach < 0.4).all()  # wider, and it could not fail


@pytest.mark.slow
def test_climbing_in_strong_batches_is_not_read_as_spread() -> None:
    # with half of the variance between batches, up and down; the fit that knows no batches is the contrast
    rng = np.random.default_rng(6)
    with_batches, without = [], []
    for _ in range(20):
        drops, batches = workshop(rng, True, batch_share=0.5, ratio=1.0)
        with_batches.append(fit_drop_height(drops, runs=batches).spread)
        alone = pd.DataFrame({"run": [str(i) for i in range(len(drops))]})
        without.append(fit_drop_height(drops.assign(run=alone["run"]), runs=alone).spread)
    error = np.std(with_batches) / np.sqrt(20)
    assert np.median(with_batches) == pytest.approx(SPREAD, abs=3 * error)
    assert np.median(without) > SPREAD + 3 * error


@pytest.mark.slow
def test_intervals_hold_the_truth_in_small_workshops() -> None:
    # 24 workshops of 12 batches with 8 drops, up and down and fixed by turns. At 95 % fewer than 20 of 24
    # would come once in 150 (binomial); benchmarks/crumble_coverage.py runs more.
    rng = np.random.default_rng(8)
    held = np.zeros(3)
    for trial in range(24):
        drops, batches = workshop(rng, up_and_down=trial % 2 == 1)
        fit = fit_drop_height(drops, "colour", runs=batches)
        _, low, high = ends(fit, colour="dye")
        _, least, most = ends(fit, 0.1, colour="dye")
        effect = fit.effects[0]
        held += [effect.conf_low <= 1.3 <= effect.conf_high, low <= 60 <= high, least <= 60 * TAIL <= most]
    assert (held >= 20).all()


def test_perfect_separation_has_a_finite_answer_and_interval() -> None:
    rows = [(f"R{i}", k, h, h > 50) for i in range(6) for k, h in enumerate((30.0, 40.0, 60.0, 70.0))]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    batches = pd.DataFrame({"run": [f"R{i}" for i in range(6)]})
    fit = fit_drop_height(drops, runs=batches)
    median, low, high = ends(fit)
    most, least, _ = ends(fit, 0.1)
    assert fit.separated
    assert 40 < median < 60
    assert 30 < low < high < 70
    assert 0 < least < most < median
    with pytest.raises(CannotAnswer, match="without a mistake"):
        fit_drop_height(drops, runs=batches, penalised=False)


def test_heights_scale_with_their_unit() -> None:
    drops, batches = workshop(np.random.default_rng(9))
    here = fit_drop_height(drops, "colour", runs=batches)
    there = fit_drop_height(drops.assign(height_cm=drops["height_cm"] / 2.54), "colour", runs=batches)
    for share in (0.5, 0.1):
        assert ends(here, share) == pytest.approx([2.54 * value for value in ends(there, share)], rel=1e-6)
    assert here.effects[0].estimate == pytest.approx(there.effects[0].estimate, rel=1e-6)
    assert ends(here, colour="lake")[0] / ends(here, colour="dye")[0] == pytest.approx(
        here.effects[0].estimate, rel=1e-9
    )


def test_order_of_rows_does_not_matter() -> None:
    drops, batches = workshop(np.random.default_rng(10))
    first = fit_drop_height(drops, "colour", runs=batches)
    shuffled = fit_drop_height(drops.sample(frac=1, random_state=1), "colour", runs=batches)
    assert shuffled.loglik == pytest.approx(first.loglik, abs=1e-8)
    assert shuffled.effects[0].conf_low == pytest.approx(first.effects[0].conf_low, rel=1e-5)


def test_an_end_behind_a_lower_maximum_is_found() -> None:
    """Skew batches and logistic pieces: a search that trusted one maximum called this end infinite."""
    rng = np.random.default_rng(27)
    rng.integers(0, 2), rng.integers(6, 16), rng.integers(3, 9)
    runs = pd.DataFrame({"run": [f"R{i:02d}" for i in range(12)], "colour": ["dye", "lake"] * 6})
    runs["oil_g"] = rng.choice([1.0, 2.0, 3.0], 12)
    rows, day = [], 0.2 * rng.standard_t(4)
    for run, colour in runs[["run", "colour"]].to_numpy():
        centre = np.log(35) + 0.2 * (colour == "lake") + 0.175 * (rng.gamma(4) / 2 - 2) + day
        for piece in range(4):
            height = float(rng.choice([20, 30, 40, 50, 60]))
            rows.append((run, piece, height, bool(np.log(height) > centre + 0.165 * rng.logistic())))
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = fit_drop_height(drops, "colour + oil_g", runs=runs)
    rest, allowed = np.array([0.0, 0.0, 1.0, 0.0]), stats.f.ppf(0.95, 1, fit.df)
    for end in fit.profile(rest)[1:]:
        assert np.isfinite(end)
        lost, _ = fit.fall(rest, 0.0, end, {}, True)  # every maximum looked for, with nothing known
        assert np.sqrt(lost) == pytest.approx(np.sqrt(allowed), abs=2e-3)


@pytest.mark.parametrize("seed", [19, 20, 22])
def test_an_end_is_where_the_highest_maximum_has_fallen_far_enough(seed: int) -> None:
    """The likelihood may have a maximum with and one without variance between batches: the higher counts."""
    drops, batches = workshop(np.random.default_rng(seed), batch_share=0.6, pieces=4)
    fit = fit_drop_height(drops, "colour", runs=batches)
    rest = np.array([0.0, 0.0, 1.0])
    allowed = stats.f.ppf(0.95, 1, fit.df)
    for end in fit.profile(rest)[1:]:
        weights = rest + end * np.eye(3)[1]
        column = fit.likelihood.matrix[:, 2] / weights[2]
        design = fit.likelihood.matrix[:, :2] - np.outer(column, weights[:2])
        starts = [
            replace(fit.best, free=np.zeros(2), bends=np.array([bend]), inverse=np.eye(3))
            for bend in (0.12, 0.7, 1.5, 3.5)
        ]
        highest = max(fit.likelihood.maximum(design, near=near, sure=False).value for near in starts)
        assert 2 * (fit.best.value - highest) == pytest.approx(allowed, abs=1e-4)


def test_an_amount_is_compared_from_the_least_to_the_most() -> None:
    rng = np.random.default_rng(12)
    oil = np.linspace(2, 8, 16)
    batches = pd.DataFrame({"run": [f"R{i}" for i in range(16)], "oil_g": oil})
    rows = [
        (f"R{i}", k, h, bool(np.log(h) > np.log(60) + 0.1 * (oil[i] - 5) + 0.2 * rng.normal()))
        for i in range(16)
        for k, h in enumerate((30.0, 45.0, 60.0, 90.0, 30.0, 45.0, 60.0, 90.0))
    ]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = fit_drop_height(drops, "oil_g", runs=batches)
    effect = fit.effects[0]
    assert (effect.level, effect.control, effect.df) == ("8", "2", 14)
    assert effect.conf_low < np.exp(0.6) < effect.conf_high
    assert effect.p_value < 0.05
    both = fit.predict({"oil_g": [2.0, 8.0]})["estimate"]
    assert both[1] / both[0] == pytest.approx(effect.estimate, rel=1e-9)
    assert fit.predict({"oil_g": [5.0, 9.0]})["extrapolated"].tolist() == [False, True]


def test_the_p_value_agrees_with_the_interval() -> None:
    drops, batches = workshop(np.random.default_rng(13))
    effect = fit_drop_height(drops, "colour", runs=batches).effects[0]
    at_its_end = fit_drop_height(drops, "colour", runs=batches, conf_level=1 - effect.p_value).effects[0]
    assert min(abs(np.log([at_its_end.conf_low, at_its_end.conf_high]))) == pytest.approx(0, abs=1e-5)


def test_pieces_dropped_again_and_heights_that_were_not_tried_are_marked() -> None:
    drops, batches = workshop(np.random.default_rng(13))
    assert not fit_drop_height(drops, runs=batches).predict()["extrapolated"][0]
    assert fit_drop_height(drops.assign(piece=drops["piece"] // 2), runs=batches).repeated == 48
    high = fit_drop_height(drops[drops["height_cm"] >= 60], runs=batches)
    assert high.predict(share=0.1)["extrapolated"][0]


@pytest.mark.slow
def test_what_was_set_by_the_day_is_judged_by_days() -> None:
    drops, batches = workshop(np.random.default_rng(13), pieces=4)
    plain = fit_drop_height(drops, "colour", runs=batches).effects[0]
    within = fit_drop_height(drops, "colour", runs=batches.assign(day=list("aabbccddeeff"))).effects[0]
    by_day = fit_drop_height(drops, "colour", runs=batches.assign(day=list("abababcdcdcd"))).effects[0]
    assert (plain.df, within.df, by_day.df) == (10, 5, 2)
    assert (within.judged_by, by_day.judged_by) == ("batches", "days")


def test_a_level_a_day_leaves_no_day_to_judge_by() -> None:
    drops, batches = workshop(np.random.default_rng(13), pieces=4)
    with pytest.raises(CannotAnswer, match="another day"):
        fit_drop_height(drops, "colour", runs=batches.assign(day=["1", "2"] * 6))


def test_days_alone_are_batches_of_that_many_drops() -> None:
    drops, batches = workshop(np.random.default_rng(16))
    matrix = np.column_stack([np.ones(96), np.log(drops["height_cm"] / 60)])
    day = drops["run"].map(dict(zip(batches["run"], "aaabbbcccddd", strict=True)))
    whole, nested = (
        _Likelihood.of_drops(matrix, drops["broke"].to_numpy(), *args)
        for args in ((day, False), (drops["run"], False, day))
    )
    alone = _Likelihood.of_drops(matrix, drops["broke"].to_numpy(), drops["run"], False)

    def at(likelihood: _Likelihood, *r: float) -> float:
        return likelihood.at(likelihood.matrix @ np.array([0.1, 3.0]), np.array(r))[0]

    for r in (0.0, 0.3, 0.5):
        assert at(nested, 0.0, r) == pytest.approx(at(whole, r), abs=1e-3)
        assert at(nested, r, 0.0) == pytest.approx(at(alone, r), abs=1e-3)


def test_the_shared_part_of_days_and_batches_is_what_drawing_at_random_gives() -> None:
    rng, r = np.random.default_rng(17), np.array([0.5, 0.4])
    heights, broke = np.array([-0.5, 0.0, 0.6, 0.2]), np.array([False, True, True, False])
    likelihood = _Likelihood.of_drops(
        np.column_stack([np.ones(4), heights]), broke, pd.Series(list("AABB")), False, pd.Series(list("aaaa"))
    )
    pieces = np.sqrt(1 - r @ r) * rng.normal(size=(400_000, 4))
    shared = r[0] * rng.normal(size=(400_000, 2))[:, [0, 0, 1, 1]] + r[1] * rng.normal(size=(400_000, 1))
    share = ((heights + shared + pieces > 0) == broke).all(axis=1).mean()
    error = np.sqrt(share * (1 - share) / 400_000)
    assert np.exp(likelihood.at(likelihood.matrix[:, 1], r)[0]) == pytest.approx(share, abs=4 * error)


DROPS, BATCHES = workshop(np.random.default_rng(14))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"broke": True}, "Every piece broke"),
        ({"broke": False}, "No piece broke"),
        ({"height_cm": 60.0}, "same height"),
        ({"broke": ~DROPS["broke"]}, "did not break more often"),
        (
            {
                "height_cm": np.where(
                    DROPS["run"].map(BATCHES.set_index("run")["colour"]) == "dye", 40.0, 60.0
                )
            },
            "cannot be told apart",
        ),
    ],
)
def test_refusals(change: dict[str, object], why: str) -> None:
    with pytest.raises(CannotAnswer, match=why):
        fit_drop_height(DROPS.assign(**change), "colour", runs=BATCHES)


def test_too_few_batches_and_levels_without_drops() -> None:
    with pytest.raises(CannotAnswer, match="leave no chance variation"):
        fit_drop_height(DROPS[DROPS["run"] == "R0"], runs=BATCHES)
    of_dye = fit_drop_height(DROPS[DROPS["run"].isin(["R0", "R2", "R4"])], "colour", runs=BATCHES)
    assert of_dye.effects == ()
    assert "Every batch had the same colour" in of_dye.notes[0]
    with pytest.raises(CannotAnswer, match="no forecast of one batch"):
        fit_drop_height(DROPS, runs=BATCHES).predict(interval="prediction")


def test_wrong_input_is_named() -> None:
    with pytest.raises(BadInput, match="height_cm"):
        fit_drop_height(DROPS.rename(columns={"height_cm": "height"}), runs=BATCHES)
    with pytest.raises(BadInput, match="color"):
        fit_drop_height(DROPS, "color", runs=BATCHES)
    with pytest.raises(ValueError, match="no batch 'R11'"):
        fit_drop_height(DROPS, runs=BATCHES[:11])
    with pytest.raises(ValueError, match="positive"):
        fit_drop_height(DROPS.assign(height_cm=DROPS["height_cm"] - 30), runs=BATCHES)
    with pytest.raises(ValueError, match="main effects"):
        fit_drop_height(DROPS, "colour * oil", runs=BATCHES.assign(oil=range(12)))


def test_few_drops_leave_an_open_end_rather_than_an_invented_one() -> None:
    rows = [("A", 1, 40.0, False), ("A", 2, 60.0, True), ("B", 1, 40.0, True), ("B", 2, 60.0, True),
            ("C", 1, 40.0, False), ("C", 2, 60.0, False)]  # fmt: skip
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = fit_drop_height(drops, runs=pd.DataFrame({"run": list("ABC")}))
    assert ends(fit, 0.1)[1] == 0
    assert ends(fit)[2] == np.inf


def test_every_piece_broke_above_one_height() -> None:
    rng = np.random.default_rng(21)
    rows = [
        (f"R{i}", k, h, bool(h > 45 or rng.random() < 0.5))
        for i in range(6)
        for k, h in enumerate((30.0, 45.0, 60.0))
    ]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    runs = pd.DataFrame({"run": [f"R{i}" for i in range(6)], "colour": ["dye", "lake"] * 3})
    for formula in ("", "colour"):
        fit = fit_drop_height(drops, formula, runs=runs)
        for share in (0.5, 0.1):
            height, low, high = ends(fit, share)
            assert low <= height <= high


def test_slopes_are_those_of_finite_differences() -> None:
    rng = np.random.default_rng(15)
    matrix = np.column_stack([np.ones(96), rng.normal(size=(96, 2))])
    days = DROPS["run"].map(dict(zip(BATCHES["run"], "cccaaabbbddd", strict=True)))
    broke = DROPS["broke"].to_numpy()
    for likelihood, r in (
        (_Likelihood.of_drops(matrix, broke, DROPS["run"], True), np.array([0.5])),
        (_Likelihood.of_drops(matrix, broke, DROPS["run"], True, days), np.array([0.5, 0.3])),
    ):
        eta, step = likelihood.matrix @ np.array([0.2, 0.9, -0.4]), 1e-6
        _, by_eta, by_r = likelihood.at(eta, r)
        ups = [likelihood.at(eta + step * np.eye(96)[i], r)[0] for i in (0, 40)]
        downs = [likelihood.at(eta - step * np.eye(96)[i], r)[0] for i in (0, 40)]
        assert by_eta[[0, 40]] == pytest.approx((np.array(ups) - downs) / (2 * step), abs=1e-6)
        near = [[likelihood.at(eta, r + sign * step * own)[0] for sign in (1, -1)] for own in np.eye(len(r))]
        assert by_r == pytest.approx([(up - down) / (2 * step) for up, down in near], abs=1e-6)


def test_a_figure_shows_every_drop_and_the_fitted_heights() -> None:
    fit = fit_drop_height(DROPS, "colour", runs=BATCHES)
    axes = fit.plot()
    dots = sum(len(each.get_offsets()) for each in axes.collections if hasattr(each, "get_sizes"))
    assert dots >= len(DROPS)
    lines = [float(path.vertices[0, 1]) for each in axes.collections for path in each.get_paths()]
    for colour in ("dye", "lake"):
        for share in (0.5, 0.1):
            assert min(abs(np.array(lines) - ends(fit, share, colour=colour)[0])) < 1e-9
    assert [text.get_text() for text in axes.get_legend().get_texts()][-1] == "90 % survive"
