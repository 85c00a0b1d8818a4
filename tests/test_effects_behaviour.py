"""What an analysis of a trial does and refuses, as seen from outside."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.comparisons import compare
from fizzlab.models.days import Days, on_every_day
from fizzlab.models.effects import fit_response
from fizzlab.models.result import Effect
from fizzlab.models.strata import contrast, f_test, fit_many, prepare
from fizzlab.models.surfaces import bend, best, fit_mixture
from fizzlab.models.terms import Amount, Category

ROOM = Category("room", ("plain", "dry"), "plain")
COLOUR = Category("colour", ("dye", "mica", "lake"), "dye")
OIL, BINDER = Amount("oil", "g"), Amount("binder", "g")
NUMBERS = ["estimate", "conf_low", "conf_high", "df", "p_value"]


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
    found = fit_response(trial(), "hours", [ROOM, COLOUR], model="interactions", log=True)
    assert found.structure.kind == "split plot"
    assert found.tests["judged_by"].to_dict() == {
        "room": "days",
        "colour": "batches",
        "room:colour": "batches",
    }
    assert found.tests.loc["room", "df_den"] == pytest.approx(2)
    assert found.tests.loc["colour", "df_den"] == pytest.approx(16)
    assert any("2 spare days" in warning for warning in found.notes)
    assert "judged by how much days differ" in found.structure.reason
    assert ["lake", "dye"] in found.table[["level", "control"]].values.tolist()


def width(effect: Effect) -> float:
    return float(np.log(effect.conf_high / effect.conf_low))


def test_a_room_factor_taken_for_batches_is_too_sure() -> None:
    by_days = fit_response(trial(), "hours", [ROOM], log=True).effects[0]
    as_batches = fit_response(trial(), "hours", [ROOM], log=True, days="ignore").effects[0]
    assert by_days.df < 3 < as_batches.df
    assert width(by_days) > 2 * width(as_batches)


def test_batch_factors_are_compared_within_days() -> None:
    found = fit_response(trial(), "hours", [COLOUR], log=True)
    assert found.structure.kind == "blocked"
    random = fit_response(trial(), "hours", [COLOUR], log=True, days="random")
    assert np.allclose(found.table[NUMBERS], random.table[NUMBERS])


def test_incomplete_days_keep_what_days_know() -> None:
    """Where comparisons within days would lose more than half of a factor, days vary at random instead."""
    table = trial(days=6)
    mostly = ((table["day"] % 2 == 1) & (table["run"].str[-1] != "1")) | (table["run"].str[-1] == "8")
    table["binder"] = np.where(mostly, "gum", "none")
    found = fit_response(table, "hours", [Category("binder", ("none", "gum"), "none")], log=True)
    assert found.structure.kind == "random days"


def test_two_days_cannot_judge_a_room() -> None:
    with pytest.raises(CannotAnswer, match="another day"):
        fit_response(trial(days=2), "hours", [ROOM, COLOUR], log=False)


def test_days_of_one_batch_tell_nothing_of_days() -> None:
    alone = fit_response(trial().assign(day=range(24)), "hours", [COLOUR], log=True)
    assert alone.structure.kind == "ordinary"


def test_pieces_of_a_batch_are_averaged() -> None:
    table = trial(days=4)
    rng = np.random.default_rng(3)
    pieces = table.loc[table.index.repeat(3)].reset_index(drop=True)
    pieces["hours"] *= np.exp(0.05 * rng.normal(size=len(pieces)))
    by_piece = fit_response(pieces, "hours", [ROOM, COLOUR], log=True)
    assert by_piece.n_batches == 24
    logs = pieces.assign(hours=np.log(pieces["hours"])).groupby("run", sort=False)["hours"].mean()
    averaged = table.assign(hours=np.exp(logs.to_numpy()))
    by_batch = fit_response(averaged, "hours", [ROOM, COLOUR], log=True)
    assert np.allclose(by_piece.table[NUMBERS], by_batch.table[NUMBERS])


def test_a_formula_and_categoricals_do_without_terms() -> None:
    table = trial()
    table["colour"] = pd.Categorical(table["colour"], COLOUR.levels)
    table["room"] = pd.Categorical(table["room"], ROOM.levels)
    by_formula = fit_response(table.set_index("run"), "hours", "room * colour", log=True)
    given_terms = fit_response(trial(), "hours", [ROOM, COLOUR], model="interactions", log=True)
    pd.testing.assert_frame_equal(by_formula.table, given_terms.table)
    with pytest.raises(BadInput, match=r"it has no column color\. Did you mean colour\?"):
        fit_response(table, "hours", "color")
    with pytest.raises(BadInput, match="no column minutes"):
        fit_response(table, "minutes", "colour")


def test_forecasts_average_over_what_they_leave_out_and_count_a_new_day() -> None:
    fit = fit_response(trial(days=6), "hours", "colour + room", log=True)
    combinations = fit.predict(fit.made())
    typical = fit.predict({"colour": ["dye", "lake"]})
    for row in typical.to_dict("records"):
        mine = combinations.loc[combinations["colour"] == row["colour"], "estimate"]
        assert row["estimate"] == pytest.approx(np.exp(np.log(mine).mean()))
    new = fit.predict({"colour": ["dye", "lake"]}, interval="prediction")
    assert (new["conf_low"] < typical["conf_low"]).all()
    assert (new["conf_high"] > typical["conf_high"]).all()
    blocked = fit_response(trial(days=6), "hours", [COLOUR], log=True)
    assert blocked.structure.fixed
    assert blocked.for_new_days.structure.random
    with pytest.raises(ValueError, match="no factor binder"):
        fit.predict({"binder": "gum"})


def test_pictures_show_batches_as_if_alike() -> None:
    fit = fit_response(trial(), "hours", [ROOM, COLOUR], log=True)
    assert fit.plot().get_xlabel() == "hours: ratio"
    points = np.log(fit.points("room"))
    means = points.groupby(fit.batches["room"]).mean()
    assert np.exp(means["dry"] - means["plain"]) == pytest.approx(fit.of("room")[0].estimate)


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
    one = fit_response(table, "hours", [ROOM, COLOUR], log=True, days=days)
    shuffled = table.assign(hours=table["hours"] * factor).sample(frac=1, random_state=seed)
    other = fit_response(shuffled, "hours", [ROOM, COLOUR], log=True, days=days)
    assert np.allclose(one.table[NUMBERS], other.table[NUMBERS], rtol=1e-5, atol=1e-12)


def test_another_control_turns_the_ratio_over() -> None:
    one = fit_response(trial(), "hours", [ROOM, COLOUR], log=True).of("colour")[-1]
    turned = Category("colour", COLOUR.levels, "lake")
    other = fit_response(trial(), "hours", [ROOM, turned], log=True).of("colour")[0]
    assert (one.level, other.level) == ("lake", "dye")
    assert other.estimate == pytest.approx(1 / one.estimate)
    assert other.conf_low == pytest.approx(1 / one.conf_high)


def test_components_are_the_maximum_of_the_restricted_likelihood() -> None:
    """Unbalanced: an independent search over the textbook formula finds the same maximum."""
    rng = np.random.default_rng(12)
    day = np.repeat(np.arange(6), [7, 5, 6, 4, 3, 3])
    x = np.column_stack([np.ones(28), rng.normal(size=28)])
    y = rng.normal(size=28) + 1.5 * rng.normal(size=6)[day]
    found = fit_many(prepare(x, day), y)
    same = np.equal.outer(day, day).astype(float)

    def minus(logs: np.ndarray) -> float:
        v = np.exp(logs)
        big = v[0] * same + v[1] * np.eye(28)
        inverse = np.linalg.inv(big)
        info = x.T @ inverse @ x
        rest = y - x @ np.linalg.solve(info, x.T @ inverse @ y)
        return float(0.5 * (np.linalg.slogdet(big)[1] + np.linalg.slogdet(info)[1] + rest @ inverse @ rest))

    top = minimize(minus, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    assert found.components[0] == pytest.approx(np.exp(top.x), rel=1e-4)


def test_no_factor_is_judged_by_more_than_its_own_days_or_batches() -> None:
    """Lost batches, days that do not differ: 2 spare days stay 2, and batches do not become more."""
    rng = np.random.default_rng(41)
    seen = set()
    for lost in (0, 1, 3, 6):
        table = trial().drop(index=rng.permutation(24)[:lost])
        fit = fit_response(table, "hours", [ROOM, COLOUR], log=True, days="random")
        fits = fit_many(fit.strata, rng.normal(size=(300, len(table))))
        days, batches = fit.strata.df
        assert (days, batches) == (2, len(table) - 4 - 2)
        none = fits.components[:, 0] <= 0
        for term, _, _, weights in fit.basis.steps():
            df = contrast(fits, weights)[2]
            assert (df <= (days if term.name == "room" else days + batches) + 1e-9).all()
            if term.name == "colour":
                assert (df[none] <= batches + 1e-9).all()
        for name, rows in fit.basis.hypotheses():
            df = f_test(fits, rows)[2]
            assert (df[none] <= (days if name == "room" else batches) + 1e-9).all()
        seen |= set(none)
    assert seen == {True, False}


# --- refusals --------------------------------------------------------------------------------


def test_lost_batches_are_named() -> None:
    table = trial()
    table.loc[[2, 11], "hours"] = np.nan
    found = fit_response(table, "hours", [ROOM, COLOUR], log=False)
    assert found.lost == ("R03", "R12")
    assert found.n_batches == 22
    assert any("R03, R12" in warning for warning in found.notes)


def test_what_cannot_be_told_apart_is_named() -> None:
    table = trial()
    table["binder"] = np.where(table["colour"] == "lake", "gum", "none")
    binder = Category("binder", ("none", "gum"), "none")
    with pytest.raises(CannotAnswer, match="binder from colour"):
        fit_response(table, "hours", [COLOUR, binder], log=False)


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
        fit_response(table, "hours", [COLOUR], log=True, days="ignore")


def test_programming_errors_are_not_answers() -> None:
    with pytest.raises(ValueError, match="unknown factor"):
        fit_response(trial(), "hours", [COLOUR], model=["colour", "oil"], log=False)
    with pytest.raises(ValueError, match="no bend"):
        fit_response(trial(), "hours", [COLOUR], model=["colour", "colour^2"], log=False)
    with pytest.raises(ValueError, match="no factor"):
        compare(fit_response(trial(), "hours", [COLOUR], log=False), "oil")


def test_a_level_never_made_is_left_out() -> None:
    table = trial()
    found = fit_response(table[table["colour"] != "mica"], "hours", [ROOM, COLOUR], log=False)
    assert [effect.level for effect in found.of("colour")] == ["lake"]


# --- comparisons and sameness ----------------------------------------------------------------


def test_joint_intervals_are_wider_and_ordered() -> None:
    found = fit_response(trial(), "hours", [ROOM, COLOUR], log=True)
    single = found.of("colour")[-1]
    pairs = compare(found, "colour", "pairs")
    dunnett = compare(found, "colour").set_index("level").loc["lake"]
    tukey = pairs[pairs["control"] == "dye"].set_index("level").loc["lake"]
    assert single.conf_low > dunnett["conf_low"] > tukey["conf_low"]
    assert single.p_value < dunnett["p_value"] < tukey["p_value"]
    assert dunnett["estimate"] == pytest.approx(1.4, abs=0.25)


def test_no_difference_found_is_not_sameness() -> None:
    table = trial().groupby(["day", "colour"]).head(1)
    rng = np.random.default_rng(4)
    table = table.assign(hours=np.exp(1.5 + 0.4 * rng.normal(size=len(table))))
    for effect in fit_response(table, "hours", [COLOUR], log=True, margin=1.1).effects:
        assert effect.p_value > 0.05
        assert not effect.shown
        assert not effect.same


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), margin=st.floats(1.02, 2.0), log=st.booleans())
def test_sameness_is_two_one_sided_tests(seed: int, margin: float, log: bool) -> None:
    """Each test by itself, on the difference of logarithms or on new - margin * old."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({"supplier": ["old", "new"] * 5, "loss": 10 + rng.normal(size=10)})
    terms = [Category("supplier", ("old", "new"), "old")]
    fit = fit_response(table, "loss", terms, log=log, margin=margin)
    (effect,) = fit.effects
    new, old = fit.weights(pd.DataFrame({"supplier": ["new", "old"]}))
    if log:
        one = fit.interval(new - old)
        apart = [one["estimate"] + np.log(margin), np.log(margin) - one["estimate"]]
        ts = [each / one["se"] for each in apart]
        assert effect.conf_level == 0.95
        reach = one["se"] * stats.t.isf(0.05, one["df"])
        ends = (np.exp(one["estimate"] - reach), np.exp(one["estimate"] + reach))
        assert ends == pytest.approx((effect.same_low, effect.same_high))
    else:
        ts = [fit.interval(row)["t"] for row in (new - old / margin, old * margin - new)]
    assert effect.same == (max(stats.t.sf(t, effect.df) for t in ts) < 0.05)


def test_sameness_by_days_lies_within_the_margin_too() -> None:
    """On the plain scale, in a split plot with lost batches, with and without a negative component."""
    rng = np.random.default_rng(31)
    verdicts, negative = set(), 0
    for between in [0.0, 0.4] * 7:
        table = trial().drop(columns="hours").drop(index=[1, 8, 15])
        day = pd.factorize(table["day"])[0]
        table["hours"] = 6 + 0.3 * rng.normal(size=len(table)) + between * rng.normal(size=day.max() + 1)[day]
        for margin in (1.05, 1.15):
            fit = fit_response(table, "hours", [ROOM, COLOUR], days="random", log=False, margin=margin)
            negative += int(fit.fits.components[0, 0] < 0)
            for effect in fit.effects:
                new, old = fit.weights(pd.DataFrame({effect.factor: [effect.level, effect.control]}))
                tests = [fit.interval(row) for row in (new - old / margin, old * margin - new)]
                assert effect.same == (max(stats.t.sf(t["t"], t["df"]) for t in tests) < 0.05)
                assert effect.same_low < effect.same_high
                verdicts.add(effect.same)
    assert verdicts == {True, False}
    assert 4 < negative < 24


def test_sameness_needs_a_margin() -> None:
    with pytest.raises(ValueError, match="above 1"):
        fit_response(trial(), "hours", [COLOUR], margin=0.9)


# --- shape -----------------------------------------------------------------------------------


def composite(peak: tuple[float, float], noise: float = 0.05) -> pd.DataFrame:
    rng = np.random.default_rng(2)
    points = [*product((4.0, 8.0), (1.0, 3.0)), (4, 2), (8, 2), (6, 1), (6, 3), *[(6.0, 2.0)] * 3]
    table = pd.DataFrame(points, columns=["oil", "binder"], dtype=float)
    x, z = (table["oil"] - peak[0]) / 2, table["binder"] - peak[1]
    return table.assign(strength=10 - x**2 - z**2 - 0.3 * x * z + noise * rng.normal(size=len(table)))


def test_a_peak_within_what_was_tried() -> None:
    found = fit_response(composite((6.4, 2.2)), "strength", [OIL, BINDER], model="quadratic", log=False)
    top = best(found)
    assert (top.greatest, top.inside) == (True, True)
    assert top.point["oil"] == pytest.approx(6.4, abs=0.2)
    assert top.estimate == pytest.approx(10, abs=0.15)
    for name, middle in (("oil", 6.4), ("binder", 2.2)):
        low, high = top.ends[name]
        assert low < middle < high
        # at each end the slope along the amount is just what cannot be told from zero
        for end in (low, high):
            step = 0.01
            around = [{**top.point, name: end + way * step} for way in (1, -1)]
            up, down = found.weights(pd.DataFrame(around))
            assert found.interval(up - down)["p_value"] == pytest.approx(0.05, abs=1e-6)


def test_a_peak_beyond_what_was_tried_is_at_the_edge() -> None:
    found = fit_response(composite((10, 2)), "strength", [OIL, BINDER], model="quadratic", log=False)
    top = best(found)
    assert (top.greatest, top.inside) == (True, False)
    assert top.point["oil"] == pytest.approx(8, abs=1e-4)
    assert top.point["binder"] == pytest.approx(2, abs=0.2)
    grid = pd.DataFrame(
        list(product(np.linspace(4, 8, 21), np.linspace(1, 3, 21))), columns=["oil", "binder"]
    )
    assert top.estimate >= found.predict(grid)["estimate"].max() - 1e-6
    forecast = found.predict({"oil": [6.0, 10.0], "binder": [2.0, 2.0]})
    assert forecast["extrapolated"].tolist() == [False, True]


def test_the_least_of_a_peak_lies_at_a_corner() -> None:
    found = fit_response(composite((6.4, 2.2)), "strength", [OIL, BINDER], model="quadratic", log=False)
    least = best(found, greatest=False)
    assert (least.greatest, least.inside) == (False, False)
    assert least.point == pytest.approx({"oil": 4, "binder": 1}, abs=1e-4)


def test_bends_need_a_middle() -> None:
    corners = composite((6.4, 2.2)).iloc[:4]
    doubled = pd.concat([corners, corners + 0.01], ignore_index=True).round({"oil": 0, "binder": 0})
    found = fit_response(doubled, "strength", [OIL, BINDER], log=False)
    with pytest.raises(CannotAnswer, match="middle"):
        bend(found)


def test_the_middle_lies_off_the_corners() -> None:
    table = composite((6, 2), noise=0.02)
    middle = (table["oil"] == 6) & (table["binder"] == 2)
    corner = (table["oil"] != 6) & (table["binder"] != 2)
    found = bend(fit_response(table[middle | corner], "strength", [OIL, BINDER], log=False))
    assert found["estimate"] == pytest.approx(2.0, abs=0.1)
    assert found["p_value"] < 0.01


# --- mixtures --------------------------------------------------------------------------------


def test_a_mixture_is_only_shares() -> None:
    rng = np.random.default_rng(3)
    shares = np.array([[a, b, 1 - a - b] for a in (0.2, 0.3, 0.4) for b in (0.3, 0.4, 0.5)] * 2)
    table = pd.DataFrame(100 * shares, columns=["acid", "soda", "starch"])
    truth = shares @ np.array([80.0, 60.0, 20.0])
    table["seconds"] = truth + rng.normal(size=len(table))
    parts = [Amount(name, "g") for name in ("acid", "soda", "starch")]
    found = fit_mixture(table, "seconds", parts, blending="linear", log=False)
    assert found.coefficients["estimate"].tolist() == pytest.approx([80, 60, 20], abs=6)
    assert found.tests.loc["linear blending", "p_value"] < 1e-6
    assert found.of("starch")[0].conf_high < 0
    half = pd.DataFrame({"acid": [15.0, 90.0], "soda": [20.0, 5.0], "starch": [15.0, 5.0]})
    forecast = found.predict(half)
    assert forecast["extrapolated"].tolist() == [False, True]
    assert forecast["estimate"].iloc[0] == pytest.approx(0.3 * 80 + 0.4 * 60 + 0.3 * 20, abs=1)
    with pytest.raises(ValueError, match="mixture"):
        found.predict({"acid": 10.0})


# --- advice ----------------------------------------------------------------------------------


@pytest.mark.parametrize("days", ["auto", "random"])
def test_an_odd_batch_is_named_and_kept(days: Days) -> None:
    table = trial()
    table.loc[7, "hours"] *= 3
    found = fit_response(table, "hours", [COLOUR], log=True, days=days)
    row = found.diagnose().set_index("check").loc["batch R08"]
    assert found.n_batches == 24
    kept_out = fit_response(
        table.drop(index=7), "hours", [COLOUR], log=True, days="random" if days == "random" else "fixed"
    )
    assert np.allclose(found.without("R08").table["estimate"], kept_out.table["estimate"])
    assert f"lake {kept_out.of('colour')[-1].estimate:.3g} instead of" in row["says"]


def test_clean_trials_rarely_have_an_odd_batch() -> None:
    fits = (fit_response(trial(seed), "hours", [COLOUR], log=True) for seed in range(20))
    odd = [fit.odd()["p_joint"] < 0.05 for fit in fits]
    assert sum(each.any() for each in odd) <= 4  # 5 % of 20 is 1; more than 4 has a chance of 0.3 %


def test_each_caution_speaks_of_the_effects_that_rest_on_little() -> None:
    (note,) = fit_response(trial(), "hours", [ROOM, COLOUR], log=True).notes
    assert note == "Only 2 spare days to judge room by; more days help, more batches a day do not."


def test_what_every_day_had_in_full_did_not_change_from_day_to_day() -> None:
    """Nine of ten batches of a day with dye, then one of ten: uneven, and still compared within days."""
    colour = ["dye"] * 9 + ["lake"] + ["dye"] + ["lake"] * 9
    batches = pd.DataFrame(
        {"day": [1] * 10 + [2] * 10, "colour": colour, "room": ["dry"] * 10 + ["damp"] * 10}
    )
    assert on_every_day(batches, Category("colour", ("dye", "lake"), "dye"))
    assert not on_every_day(batches, Category("room", ("dry", "damp"), "dry"))
