"""What an analysis of a trial does and refuses, as seen from outside."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from fizzlab.errors import CannotAnswer
from fizzlab.models.effects import (
    adjusted_means,
    against_control,
    all_pairs,
    analyse,
    analyse_mixture,
    curvature,
    fit_many,
    lack_of_fit,
    odd_batches,
    power_advice,
    predict,
    prepare,
    same_within,
    surface,
    unreplicated,
)
from fizzlab.models.effects.structure import Days
from fizzlab.models.terms import Amount, Category

ROOM = Category("room", ("plain", "dry"), "plain")
COLOUR = Category("colour", ("dye", "mica", "lake"), "dye")
OIL = Amount("oil", "g")


def trial(seed: int = 1, days: int = 4) -> pd.DataFrame:
    """Dry times of a split plot: a dry room halves them, lake takes 1.4 times as long as dye."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(1, days + 1):
        room = ("plain", "dry")[day % 2]
        shift = 0.15 * rng.normal()
        for colour, _ in product(COLOUR.levels, range(2)):
            log_hours = 1.6 + shift + 0.1 * rng.normal()
            log_hours += -0.7 * (room == "dry") + np.log(1.4) * (colour == "lake")
            rows.append({"day": day, "room": room, "colour": colour, "hours": float(np.exp(log_hours))})
    table = pd.DataFrame(rows)
    table["run"] = [f"R{i:02d}" for i in range(1, len(table) + 1)]
    return table


# --- structure -------------------------------------------------------------------------------


def test_a_room_factor_is_judged_by_days() -> None:
    found = analyse(trial(), "hours", [ROOM, COLOUR], model="interactions", log=True)
    assert found.structure.kind == "split plot"
    assert found.tests["judged_by"].to_dict() == {
        "room": "days",
        "colour": "batches",
        "room:colour": "batches",
    }
    assert found.tests.loc["room", "df_den"] == pytest.approx(2)
    assert found.tests.loc["colour", "df_den"] == pytest.approx(16)
    assert any("2 spare days" in warning for warning in found.warnings)
    text = str(found)
    assert "judged by how much days differ" in text
    assert "colour: lake against dye" in text


def test_a_room_factor_taken_for_batches_is_too_sure() -> None:
    table = trial()
    by_days = analyse(table, "hours", [ROOM], log=True).effects.iloc[0]
    as_batches = analyse(table, "hours", [ROOM], log=True, days="ignore").effects.iloc[0]
    assert by_days["df"] < 3 < as_batches["df"]
    assert by_days["high"] - by_days["low"] > 2 * (as_batches["high"] - as_batches["low"])


def test_batch_factors_are_compared_within_days() -> None:
    found = analyse(trial(), "hours", [COLOUR], log=True)
    assert found.structure.kind == "blocked"
    random = analyse(trial(), "hours", [COLOUR], log=True, days="random")
    columns = ["estimate", "se", "df", "low", "high"]
    assert np.allclose(found.effects[columns], random.effects[columns])


def test_incomplete_days_keep_what_days_know() -> None:
    """Where comparisons within days would lose more than half of a factor, days vary at random instead."""
    table = trial(days=6)
    mostly = ((table["day"] % 2 == 1) & (table["run"].str[-1] != "1")) | (table["run"].str[-1] == "8")
    table["binder"] = np.where(mostly, "gum", "none")
    found = analyse(table, "hours", [Category("binder", ("none", "gum"), "none")], log=True)
    assert found.structure.kind == "random days"


def test_two_days_cannot_judge_a_room() -> None:
    with pytest.raises(CannotAnswer, match="another day"):
        analyse(trial(days=2), "hours", [ROOM, COLOUR])


def test_groups_without_days_and_days_of_one_batch() -> None:
    table = trial()
    groups = table.rename(columns={"day": "whole_plot"})
    by_group = analyse(groups, "hours", [ROOM, COLOUR], log=True)
    by_day = analyse(table, "hours", [ROOM, COLOUR], log=True)
    assert by_group.tests["judged_by"].tolist() == ["groups of a day", "batches"]
    assert np.allclose(by_group.tests["p"], by_day.tests["p"])
    alone = analyse(table.assign(day=range(24)), "hours", [COLOUR], log=True)
    assert alone.structure.kind == "ordinary"


def test_pieces_of_a_batch_are_not_repeats() -> None:
    table = trial(days=4)
    rng = np.random.default_rng(3)
    pieces = table.loc[table.index.repeat(3)].reset_index(drop=True)
    pieces["hours"] *= np.exp(0.05 * rng.normal(size=len(pieces)))
    by_piece = analyse(pieces, "hours", [ROOM, COLOUR], log=True)
    assert by_piece.structure.groups == ("day", "run")
    assert by_piece.batches == 24
    logs = pieces.assign(hours=np.log(pieces["hours"])).groupby("run", sort=False)["hours"].mean()
    averaged = table.assign(hours=np.exp(logs.to_numpy()))
    by_batch = analyse(averaged, "hours", [ROOM, COLOUR], log=True)
    columns = ["estimate", "se", "df", "p"]
    assert np.allclose(by_piece.effects[columns], by_batch.effects[columns], rtol=1e-5)


@settings(max_examples=15, deadline=None)
@given(
    factor=st.floats(0.01, 100),
    seed=st.integers(0, 1000),
    days=st.sampled_from(["auto", "random"]),
    lost=st.integers(0, 5),
)
def test_ratios_do_not_depend_on_units_or_order(factor: float, seed: int, days: Days, lost: int) -> None:
    rng = np.random.default_rng(seed)
    table = trial(seed).drop(index=rng.permutation(24)[:lost])
    one = analyse(table, "hours", [ROOM, COLOUR], log=True, days=days)
    shuffled = table.assign(hours=table["hours"] * factor).sample(frac=1, random_state=seed)
    other = analyse(shuffled, "hours", [ROOM, COLOUR], log=True, days=days)
    columns = ["ratio", "ratio_low", "ratio_high", "p"]
    assert np.allclose(one.effects[columns], other.effects[columns], rtol=1e-5, atol=1e-12)


def test_another_control_turns_the_ratio_over() -> None:
    table = trial()
    one = analyse(table, "hours", [ROOM, COLOUR], log=True).effects.loc["colour: lake against dye"]
    turned = Category("colour", COLOUR.levels, "lake")
    other = analyse(table, "hours", [ROOM, turned], log=True).effects.loc["colour: dye against lake"]
    assert other["ratio"] == pytest.approx(1 / one["ratio"])
    assert other["ratio_low"] == pytest.approx(1 / one["ratio_high"])


def test_components_are_the_maximum_of_the_restricted_likelihood() -> None:
    """Unbalanced, nested: an independent search over the textbook formula finds the same top."""
    rng = np.random.default_rng(12)
    day = np.array([0] * 7 + [1] * 5 + [2] * 6 + [3] * 4 + [4] * 6)
    plot = np.array([0] * 4 + [1] * 3 + [2] * 2 + [3] * 3 + [4] * 3 + [5] * 3 + [6] * 2 + [7] * 2 + [8] * 6)
    plot[-3:] = 9
    x = np.column_stack([np.ones(28), rng.normal(size=28)])
    y = rng.normal(size=28) + rng.normal(size=10)[plot] + 1.5 * rng.normal(size=5)[day]
    found = fit_many(prepare(x, [day, plot]), y)
    same = [np.equal.outer(g, g).astype(float) for g in (day, plot)]

    def minus(logs: np.ndarray) -> float:
        v = np.exp(logs)
        big = v[0] * same[0] + v[1] * same[1] + v[2] * np.eye(28)
        inverse = np.linalg.inv(big)
        info = x.T @ inverse @ x
        rest = y - x @ np.linalg.solve(info, x.T @ inverse @ y)
        return float(0.5 * (np.linalg.slogdet(big)[1] + np.linalg.slogdet(info)[1] + rest @ inverse @ rest))

    top = minimize(
        minus, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 9000}
    )
    assert found.components[0] == pytest.approx(np.exp(top.x), rel=1e-4)


# --- refusals --------------------------------------------------------------------------------


def test_lost_batches_are_named() -> None:
    table = trial()
    table.loc[[2, 11], "hours"] = np.nan
    found = analyse(table, "hours", [ROOM, COLOUR])
    assert found.lost == ("R03", "R12")
    assert found.batches == 22
    assert any("R03, R12" in warning for warning in found.warnings)


def test_what_cannot_be_told_apart_is_named() -> None:
    table = trial()
    table["binder"] = np.where(table["colour"] == "lake", "gum", "none")
    binder = Category("binder", ("none", "gum"), "none")
    with pytest.raises(CannotAnswer, match="binder from colour"):
        analyse(table, "hours", [COLOUR, binder])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.assign(hours=np.nan), "No batch has a value"),
        (lambda t: t.assign(hours=0.0), "zero or less"),
        (lambda t: t.assign(hours=4.0), "exactly the same"),
        (lambda t: t[t["colour"] != "dye"], "compared with"),
        (lambda t: t[t["colour"] == "dye"], "same colour"),
        (lambda t: t.groupby("colour").head(1), "nothing is left"),
    ],
)
def test_refusals(change: object, message: str) -> None:
    table = change(trial())  # type: ignore[operator]
    with pytest.raises(CannotAnswer, match=message):
        analyse(table, "hours", [COLOUR], log=True, days="ignore")


def test_programming_errors_are_not_answers() -> None:
    with pytest.raises(ValueError, match="unknown factor"):
        analyse(trial(), "hours", [COLOUR], model=["colour", "oil"])
    with pytest.raises(ValueError, match="no bend"):
        analyse(trial(), "hours", [COLOUR], model=["colour", "colour^2"])
    with pytest.raises(ValueError, match="no factor"):
        adjusted_means(analyse(trial(), "hours", [COLOUR]), "oil")


def test_a_level_never_made_is_left_out() -> None:
    table = trial()
    found = analyse(table[table["colour"] != "mica"], "hours", [ROOM, COLOUR])
    assert adjusted_means(found, "colour")["colour"].tolist() == ["dye", "lake"]


# --- comparisons and sameness ----------------------------------------------------------------


def test_joint_intervals_are_wider_and_ordered() -> None:
    found = analyse(trial(), "hours", [ROOM, COLOUR], log=True)
    single = found.effects.loc["colour: lake against dye"]
    dunnett = against_control(found, "colour").table.loc["lake against dye"]
    tukey = all_pairs(found, "colour").table.loc["lake against dye"]
    assert single["low"] > dunnett["low"] > tukey["low"]
    assert single["p"] < dunnett["p"] < tukey["p"]
    assert dunnett["ratio"] == pytest.approx(1.4, abs=0.25)
    assert "Dunnett" in str(against_control(found, "colour"))


def test_no_difference_found_is_not_sameness() -> None:
    table = trial().groupby(["day", "colour"]).head(1)
    rng = np.random.default_rng(4)
    table = table.assign(hours=np.exp(1.5 + 0.4 * rng.normal(size=len(table))))
    found = analyse(table, "hours", [COLOUR], log=True)
    result = same_within(found, "colour", "mica", margin=1.1)
    assert result.p_difference > 0.05
    assert not result.same
    assert result.verdict == "not settled"
    assert "Neither sameness" in str(result)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), margin=st.floats(1.02, 2.0), log=st.booleans())
def test_sameness_is_the_interval_within_the_margin(seed: int, margin: float, log: bool) -> None:
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"supplier": ["old", "new"] * 5, "loss": 10 + rng.normal(size=10)})
    found = analyse(table, "loss", [Category("supplier", ("old", "new"), "old")], log=log)
    result = same_within(found, "supplier", "new", margin=margin)
    inside = 1 / margin < result.low and result.high < margin
    assert result.same == inside
    assert result.low < result.ratio < result.high


def test_sameness_by_days_is_the_interval_within_the_margin_too() -> None:
    """On the plain scale, in a split plot with lost batches, with and without a negative component."""
    rng = np.random.default_rng(31)
    verdicts, negative = set(), 0
    for between in [0.0, 0.4] * 7:
        table = trial().drop(columns="hours").drop(index=[1, 8, 15])
        day = pd.factorize(table["day"])[0]
        table["hours"] = 6 + 0.3 * rng.normal(size=len(table)) + between * rng.normal(size=day.max() + 1)[day]
        found = analyse(table, "hours", [ROOM, COLOUR], days="random")
        negative += int(found.fits.components[0, 0] < 0)
        for factor, new in (("room", "dry"), ("colour", "lake")):
            for margin in (1.05, 1.15):
                result = same_within(found, factor, new, margin=margin)
                assert result.same == (1 / margin < result.low and result.high < margin)
                assert result.low < result.ratio < result.high
                verdicts.add(result.verdict)
    assert {"same within the margin", "not settled"} <= verdicts
    assert 2 < negative < 12


def test_sameness_needs_a_margin() -> None:
    with pytest.raises(ValueError, match="above 1"):
        same_within(analyse(trial(), "hours", [COLOUR]), "colour", "lake", margin=0.9)


# --- shape -----------------------------------------------------------------------------------


def composite(peak: tuple[float, float], noise: float = 0.05) -> pd.DataFrame:
    rng = np.random.default_rng(2)
    points = [*product((4.0, 8.0), (1.0, 3.0)), (4, 2), (8, 2), (6, 1), (6, 3), *[(6.0, 2.0)] * 3]
    table = pd.DataFrame(points, columns=["oil", "binder"], dtype=float)
    x, z = (table["oil"] - peak[0]) / 2, table["binder"] - peak[1]
    return table.assign(strength=10 - x**2 - z**2 - 0.3 * x * z + noise * rng.normal(size=len(table)))


def test_a_peak_within_what_was_tried() -> None:
    found = analyse(composite((6.4, 2.2)), "strength", [OIL, Amount("binder", "g")], model="quadratic")
    top = surface(found)
    assert (top.kind, top.inside, top.sure) == ("maximum", True, True)
    assert top.point["oil"] == pytest.approx(6.4, abs=0.2)
    assert top.mean == pytest.approx(10, abs=0.15)


def test_a_peak_beyond_what_was_tried_is_marked() -> None:
    found = analyse(composite((10, 2)), "strength", [OIL, Amount("binder", "g")], model="quadratic")
    top = surface(found)
    assert not top.inside
    assert "beyond what was tried" in str(top)
    forecast = predict(found, pd.DataFrame({"oil": [6.0, 10.0], "binder": [2.0, 2.0]}))
    assert forecast["beyond_tried"].tolist() == [False, True]


def test_a_surface_by_colour() -> None:
    one, two = composite((6.4, 2.2)), composite((5.6, 1.8))
    table = pd.concat([one.assign(colour="dye"), two.assign(colour="lake")], ignore_index=True)
    factors = [OIL, Amount("binder", "g"), Category("colour", ("dye", "lake"), "dye")]
    found = analyse(table, "strength", factors, model="quadratic")
    assert surface(found, {"colour": "dye"}).point["oil"] == pytest.approx(6.4, abs=0.2)
    assert surface(found, {"colour": "lake"}).point["oil"] == pytest.approx(5.6, abs=0.2)


def test_bends_need_a_middle_and_fit_needs_repeats() -> None:
    corners = composite((6.4, 2.2)).iloc[:4]
    doubled = pd.concat([corners, corners + 0.01], ignore_index=True).round({"oil": 0, "binder": 0})
    found = analyse(doubled, "strength", [OIL, Amount("binder", "g")])
    with pytest.raises(CannotAnswer, match="middle"):
        curvature(found)
    unrepeated = composite((6.4, 2.2)).iloc[:8]
    with pytest.raises(CannotAnswer, match="repeated"):
        lack_of_fit(analyse(unrepeated, "strength", [OIL, Amount("binder", "g")]))


def test_the_middle_lies_off_the_corners() -> None:
    table = composite((6, 2), noise=0.02)
    middle = (table["oil"] == 6) & (table["binder"] == 2)
    corner = (table["oil"] != 6) & (table["binder"] != 2)
    bend = curvature(analyse(table[middle | corner], "strength", [OIL, Amount("binder", "g")]))
    assert bend.estimate == pytest.approx(2.0, abs=0.1)
    assert bend.p < 0.01
    assert "do not interpolate" in str(bend)


# --- mixtures and plans without repeats ------------------------------------------------------


def test_a_mixture_is_only_shares() -> None:
    rng = np.random.default_rng(3)
    shares = np.array([[a, b, 1 - a - b] for a in (0.2, 0.3, 0.4) for b in (0.3, 0.4, 0.5)] * 2)
    table = pd.DataFrame(100 * shares, columns=["acid", "soda", "starch"])
    truth = shares @ np.array([80.0, 60.0, 20.0])
    table["seconds"] = truth + rng.normal(size=len(table))
    parts = [Amount(name, "g") for name in ("acid", "soda", "starch")]
    found = analyse_mixture(table, "seconds", parts, blending="linear")
    assert found.coefficients["estimate"].tolist() == pytest.approx([80, 60, 20], abs=6)
    assert found.tests.loc["linear blending", "p"] < 1e-6
    more_starch = found.effects[found.effects["term"] == "starch"].iloc[0]
    assert more_starch["high"] < 0
    half = pd.DataFrame({"acid": [15.0, 90.0], "soda": [20.0, 5.0], "starch": [15.0, 5.0]})
    forecast = predict(found, half)
    assert forecast["beyond_tried"].tolist() == [False, True]
    assert forecast["mean"].iloc[0] == pytest.approx(0.3 * 80 + 0.4 * 60 + 0.3 * 20, abs=1)
    with pytest.raises(ValueError, match="mixture"):
        adjusted_means(found, "acid")


def factorial(fraction: bool = False) -> pd.DataFrame:
    rng = np.random.default_rng(5)
    rows = [r for r in product((-1.0, 1.0), repeat=4) if not fraction or np.prod(r) > 0]
    table = pd.DataFrame(rows, columns=list("ABCD"))
    return table.assign(loss=20 + 4 * table["A"] - 3 * table["C"] + 0.5 * rng.normal(size=len(table)))


def test_large_effects_stand_out_without_repeats() -> None:
    found = unreplicated(factorial(), "loss", [Amount(name) for name in "ABCD"])
    assert set(found.standing_out) == {"A", "C"}
    assert found.table["size"].is_monotonic_increasing
    assert found.table["half_normal"].is_monotonic_increasing
    assert found.joint_margin > found.margin > found.pse


def test_a_fraction_names_what_cannot_be_told() -> None:
    found = unreplicated(factorial(fraction=True), "loss", [Amount(name) for name in "ABCD"])
    assert found.table.loc["A:B", "also_called"] == "C:D"


def test_plans_without_repeats_refuse() -> None:
    factors = [Amount(name) for name in "ABCD"]
    with pytest.raises(CannotAnswer, match="overlap"):
        unreplicated(factorial().iloc[1:], "loss", factors)
    with pytest.raises(CannotAnswer, match="two-level"):
        unreplicated(pd.concat([factorial(), factorial().iloc[:1] * 0]), "loss", factors)
    with pytest.raises(CannotAnswer, match="too few"):
        unreplicated(factorial().iloc[[0, 5, 10, 15]], "loss", [Amount("A"), Amount("B")])


# --- advice ----------------------------------------------------------------------------------


def noisy(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(1000 + seed)
    table = trial(seed, days=8)
    return table.assign(hours=table["hours"] * np.exp(0.6 * rng.normal(size=len(table))))


def test_times_ask_for_their_logarithm() -> None:
    """The truth is power 0: its interval holds it in 95 % of trials, and the plain scale is found out."""
    advices = [power_advice(analyse(noisy(seed), "hours", [ROOM, COLOUR])) for seed in range(40)]
    assert sum(advice.low <= 0 <= advice.high for advice in advices) >= 34  # below 34 of 40: chance 0.3 %
    assert sum(advice.change for advice in advices) >= 36
    asked = next(advice for advice in advices if advice.suggested == 0.0)
    assert "Analyse its logarithm instead" in str(asked)
    logged = power_advice(analyse(noisy(0), "hours", [ROOM, COLOUR], log=True))
    assert (logged.best, logged.low) == (advices[0].best, advices[0].low)
    assert logged.change == (not logged.low <= 0 <= logged.high)


@pytest.mark.parametrize("days", ["auto", "random"])
def test_an_odd_batch_is_named_and_kept(days: Days) -> None:
    table = trial()
    table.loc[7, "hours"] *= 3
    found = analyse(table, "hours", [COLOUR], log=True, days=days)
    odd = odd_batches(found)
    assert odd.suspicious == ("R08",)
    assert found.batches == 24
    kept_out = analyse(
        table.drop(index=7), "hours", [COLOUR], log=True, days="random" if days == "random" else "fixed"
    )
    assert np.allclose(odd.without["R08"]["ratio_without"], kept_out.effects["ratio"])
    assert "stays in" in str(odd)


def test_clean_trials_rarely_have_an_odd_batch() -> None:
    analyses = (analyse(trial(seed), "hours", [COLOUR], log=True) for seed in range(20))
    flagged = [bool(odd_batches(found).suspicious) for found in analyses]
    assert sum(flagged) <= 4  # 5 % of 20 is 1; more than 4 has a chance of 0.3 %
