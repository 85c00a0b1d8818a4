"""Plans: what every one of them promises, what is refused, and how they behave."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plan_criteria import day_share, matrix_of
from scipy import stats

from fizzlab.design.adding import add_batches
from fizzlab.design.blocks import compare
from fizzlab.design.exchange import to_groups
from fizzlab.design.factorial import fraction_of, full_factorial
from fizzlab.design.factors import Range, as_factor, is_forbidden
from fizzlab.design.kinds import KINDS
from fizzlab.design.mixture import mixture_plan
from fizzlab.design.model import model_matrix, model_terms
from fizzlab.design.plans import Plan, plan
from fizzlab.errors import CannotAnswer
from fizzlab.measures import looked_up
from fizzlab.models.terms import Amount, Category

OIL = Range("oil", 4, 8, "g")
ALCOHOL = Range("alcohol", 2, 6, "g")
EMULSIFIER = Range("emulsifier", 1, 3, "g")
STARCH = Range("starch", 0, 10, "g")
COLOUR = Category("colour", ("none", "mica", "lake"), "none")
FIVE = Category("colour", ("none", "a", "b", "c", "d"), "none")
BINDER = Category("binder", ("clay", "gum"), "clay")
AIR = Category("air", ("plain", "dry"), "plain")
LIQUID = [Range("oil", 2, 8, "g"), Range("alcohol", 2, 8, "g"), Range("emulsifier", 0, 3, "g")]
FOUR = [OIL, ALCOHOL, EMULSIFIER, STARCH]


def made(kind: str, factors: Any, seed: int = 1, per_day: int | None = None, **options: Any) -> Plan:
    return plan(kind, factors, seed=seed, batches_per_day=per_day, **options)


EARLIER = full_factorial([OIL, ALCOHOL], 1, repeats=2, per_day=4).runs

CASES: dict[str, Callable[[int], Plan]] = {
    "full": lambda s: made("factorial", [OIL, ALCOHOL, BINDER], s, 6, repeats=2),
    "centre": lambda s: made("factorial", [OIL, ALCOHOL, EMULSIFIER], s, 6, centre_points=4),
    "three levels": lambda s: made("factorial", [OIL, COLOUR], s, 4, repeats=2),
    "factorial, one a day": lambda s: made("factorial", [OIL, BINDER], s, 1, repeats=3),
    "fraction": lambda s: made("fractional factorial", FOUR, s, 6, batches=8, centre_points=4),
    "composite": lambda s: made("central composite", [OIL, ALCOHOL], s, 7, reach="faces"),
    "mixture": lambda s: made("mixture", LIQUID, s, 5, total=12),
    "two shares": lambda s: made("mixture", LIQUID[:2], s, 4, total=10, repeats=2),
    "compare": lambda s: made("compare", [COLOUR], s, 4, days=4),
    "compare, one a day": lambda s: made("compare", [COLOUR], s, 1, days=12),
    "incomplete": lambda s: made("compare", [FIVE], s, 3, days=6),
    "added": lambda s: made("factorial", [OIL, ALCOHOL], s, 3, made=EARLIER, batches=6, model="quadratic"),
    "split": lambda s: made("split plot", [AIR, OIL, COLOUR], s, 7, days=6, hard_to_change=["air"]),
}


def test_every_kind_is_tried_here() -> None:
    kinds = {name: looked_up(kind.build) for name, kind in KINDS.items()}
    assert all(callable(build) for build in kinds.values())
    for kind in KINDS.values():
        assert set(kind.needs) <= {*kind.options, "batches_per_day"}


@pytest.mark.parametrize("case", CASES)
@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_what_every_plan_promises(case: str, seed: int) -> None:
    found = CASES[case](seed)
    runs = found.runs
    before, days = (len(EARLIER), 2) if case == "added" else (0, 0)
    assert runs["run"].tolist() == [f"R{before + i:02d}" for i in range(1, len(runs) + 1)]
    assert runs["day"].is_monotonic_increasing
    assert sorted(runs["day"].unique()) == list(range(days + 1, days + found.days + 1))
    assert runs["blind"].is_unique
    assert runs["blind"].between(100, 999).all()
    assert not runs.isna().any().any()
    for factor in found.factors:
        assert runs[factor.name].nunique() > 1
        if isinstance(factor, Category):
            assert set(runs[factor.name]) <= set(factor.levels)
        else:
            assert runs[factor.name].between(factor.low - 1e-9, factor.high + 1e-9).all()
    assert found.error_df["runs"] >= 1
    assert 0 <= found.repeat_df <= found.error_df["runs"]
    again = CASES[case](seed)
    pd.testing.assert_frame_equal(again.runs, runs)
    assert str(again) == str(found)
    assert found._repr_html_().count("<tr") == len(runs) + 1


def test_another_seed_gives_another_order_and_no_two_plans_share_codes() -> None:
    codes = set()
    for make in (each for case, each in CASES.items() if case != "incomplete"):
        one, two = make(1).runs, make(2).runs
        assert not one.equals(two)
        codes |= {tuple(each["blind"][:6]) for each in (one, two)}
    assert len(codes) == 2 * (len(CASES) - 1)


@pytest.mark.slow
def test_codes_tell_nothing_of_the_order() -> None:
    # rank correlation of code and order over 300 plans of 16: mean 0, standard error 1/sqrt(15 * 300) = 0.015
    order = np.arange(16)
    found = []
    for seed in range(300):
        codes = made("compare", [COLOUR], seed, 4, days=4).runs["blind"].to_numpy()
        found.append(np.corrcoef(order, np.argsort(np.argsort(codes)))[0, 1])
    assert abs(np.mean(found)) < 4 * 0.015


@pytest.mark.slow
def test_every_run_is_as_likely_to_be_first() -> None:
    # 200 plans of 8 runs on one day: each run first in 25 of them, standard deviation sqrt(200 * 7/64) = 4.7
    first = [full_factorial([OIL, ALCOHOL, BINDER], s, model="main").runs.iloc[0] for s in range(200)]
    counts = pd.Series([(row["oil"], row["alcohol"], row["binder"]) for row in first]).value_counts()
    assert len(counts) == 8
    assert (abs(counts - 25) < 5 * 4.7).all()


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 2**32), per_day=st.integers(3, 16))
def test_days_are_filled_by_capacity(seed: int, per_day: int) -> None:
    found = full_factorial([OIL, ALCOHOL, BINDER], seed, repeats=2, per_day=per_day, model="main")
    sizes = found.runs.groupby("day").size()
    assert sizes.max() <= per_day
    assert len(sizes) == -(-16 // per_day)
    assert sizes.max() - sizes.min() <= 1


# what is given


def test_factors_are_taken_as_they_come() -> None:
    assert as_factor("colour", ["mica", "lake"]) == Category("colour", ("mica", "lake"), "mica")
    assert as_factor("oil", (4, 8)) == Range("oil", 4, 8, smallest=4, largest=8)
    assert as_factor("oil", [8, 4, 6]) == Range("oil", 4, 8, amounts=(4, 6, 8))
    given = {"amounts": [0.6, 1.2], "low": 0.0, "high": 2.0, "unit": "g", "levels": None, "label": "gum"}
    assert as_factor("gum", given) == Range("gum", 0.6, 1.2, "g", (0.6, 1.2), 0.0, 2.0)
    assert as_factor("oil", [8, 4], compared=True) == Category("oil", ("8.0", "4.0"), "8.0")


def test_terms_for_the_analysis() -> None:
    assert made("factorial", [OIL, COLOUR], repeats=2).analysis_terms() == [Amount("oil", "g"), COLOUR]


def test_coded_columns_of_a_category_are_orthogonal() -> None:
    four = Category("colour", ("none", "a", "b", "c"), "none")
    table = pd.DataFrame({"colour": ["none", "a", "b", "c"]})
    matrix, owner = model_matrix(table, [four], ["colour"])
    assert np.allclose(matrix.T @ matrix, 4 * np.eye(4))
    assert owner == ["intercept", "colour", "colour", "colour"]


# days


@pytest.mark.parametrize("seed", range(4))
def test_complete_blocks_are_complete(seed: int) -> None:
    found = made("compare", [COLOUR], seed, 3, days=5, control_batches="equal")
    assert found.runs.groupby("day")["colour"].nunique().tolist() == [3] * 5
    assert found.error_df == {"runs": (5 - 1) * (3 - 1)}


def test_spare_places_go_round_the_levels() -> None:
    counts = made("compare", [FIVE], 1, 7, days=4, control_batches=2).runs["colour"].value_counts()
    assert counts["none"] == 8
    assert set(counts.drop("none")) == {5}


@pytest.mark.parametrize("rule", ["root", "equal"])
def test_where_two_rounds_fit_in_a_day_the_control_is_made_in_each(rule: str) -> None:
    found = made("compare", [BINDER], 1, 6, days=4, control_batches=rule)
    assert found.runs.groupby("day")["binder"].value_counts().eq(3).all()


@pytest.mark.parametrize("seed", range(2))
def test_orthogonal_blocks_are_found(seed: int) -> None:
    # 2^3 twice in four days of four, 2^4 in two and in four days, a half fraction twice in four days
    assert day_share(full_factorial([OIL, ALCOHOL, BINDER], seed, repeats=2, per_day=4)) == 1.0
    assert day_share(full_factorial(FOUR, seed, per_day=8, model="interactions")) == 1.0
    assert day_share(full_factorial(FOUR, seed, per_day=4, model="main")) == 1.0
    half = made("fractional factorial", FOUR, seed, 4, batches=8, repeats=2)
    assert day_share(half) == 1.0
    assert not any("differences between days" in sentence for sentence in half.warnings)


def test_a_joint_effect_hidden_by_the_days_is_named() -> None:
    # pairs of batches in which both factors change keep the main effects whole and give up the joint effect
    found = full_factorial([OIL, ALCOHOL], 1, repeats=3, per_day=2, model="main")
    assert day_share(found) == 1.0
    assert found.error_df == {"runs": 12 - 6 - 2}
    assert found.runs.groupby("day")[["oil", "alcohol"]].nunique().eq(2).all().all()
    said = "The joint effect of oil and alcohol cannot be told from the differences between days."
    assert said in found.warnings
    # asked for, it is kept apart from the days at the cost of the main effects
    kept = full_factorial([OIL, ALCOHOL], 1, repeats=3, per_day=2, model="interactions")
    assert said not in kept.warnings
    assert day_share(kept) < 1


def test_two_days_take_nothing_from_what_can_be_balanced() -> None:
    model = np.array([[a, b, a * b] for a in (-1, 1) for b in (-1, 1)] * 4, float)
    day = to_groups(model, [8, 8], np.random.default_rng(1))
    assert np.bincount(day).tolist() == [8, 8]
    assert np.abs(model[day == 0].sum(axis=0)).max() == 0


def test_whole_plots_are_constant_and_balanced() -> None:
    found = CASES["split"](4)
    by_day = found.runs.groupby("day")
    assert by_day["air"].nunique().eq(1).all()
    assert by_day.size().eq(6).all()
    assert (found.runs.groupby("air")[["oil", "colour"]].value_counts() == 3).all()
    assert by_day["air"].first().value_counts().tolist() == [3, 3]
    assert found.error_df["days"] == 4


@pytest.mark.slow
def test_the_room_is_set_in_random_order() -> None:
    # 100 plans: the first day is dry in half of them, standard deviation sqrt(25) = 5
    wish = {"days": 4, "hard_to_change": ["air"], "model": "main"}
    dry = sum(
        made("split plot", [AIR, BINDER], s, 2, **wish).runs.iloc[0]["air"] == "dry" for s in range(100)
    )
    assert abs(dry - 50) < 5 * 5


@pytest.mark.parametrize("case", ["compare, one a day", "factorial, one a day"])
def test_one_batch_a_day_is_judged_by_the_scatter_between_batches(case: str) -> None:
    found = CASES[case](5)
    assert found.days == len(found.runs)
    assert any("from day to day counts as scatter between batches" in said for said in found.statements())
    x = matrix_of(found)
    assert found.error_df["runs"] == len(x) - np.linalg.matrix_rank(x)


@pytest.mark.slow
def test_one_batch_a_day_falls_on_any_day() -> None:
    plans = [made("compare", [COLOUR], seed, 1, days=8).runs["colour"] for seed in range(400)]
    first = [runs.iloc[0] for runs in plans]
    none = int((plans[0] == "none").sum())
    for level in COLOUR.levels:
        expected = none / 8 if level == "none" else (8 - none) / 16
        assert abs(first.count(level) / 400 - expected) < 4 * np.sqrt(expected * (1 - expected) / 400)


@pytest.mark.parametrize(
    ("control", "times"),
    [("root", 5), ("equal", 4), (2, 6)],  # 12 sqrt(2) / (2 + sqrt(2)) = 4.97
)
def test_the_control_has_its_share_of_single_days(control: Any, times: int) -> None:
    counts = compare([COLOUR], 3, days=12, per_day=1, control_batches=control).runs["colour"]
    assert counts.value_counts()["none"] == times
    assert abs(counts.value_counts()["mica"] - counts.value_counts()["lake"]) <= 1


def test_coverage_of_effects_under_day_differences() -> None:
    # what the plan is for: an effect estimated with its days in the model has intervals that hold at 95 %.
    # 2,000 simulated trials of one plan, day differences three times the batch spread; binomial error 0.5 %
    found = made("fractional factorial", FOUR, 5, 4, batches=8, repeats=2)
    days = pd.get_dummies(found.runs["day"]).to_numpy(float)
    joint = np.hstack([matrix_of(found)[:, 1:], days])
    rng = np.random.default_rng(6)
    truth = np.array([1.0, 0.0, -0.5, 0.2])
    noise = rng.normal(size=(2000, len(joint))) + 3 * rng.normal(size=(2000, days.shape[1])) @ days.T
    readings = noise + joint[:, :4] @ truth
    solved = np.linalg.pinv(joint)
    estimate = readings @ solved.T
    residual = readings - estimate @ joint.T
    spare = len(joint) - np.linalg.matrix_rank(joint)
    assert spare == found.error_df["runs"]
    error = np.sqrt((residual**2).sum(axis=1) / spare)[:, None] * np.sqrt((solved[:4] ** 2).sum(axis=1))
    inside = np.abs(estimate[:, :4] - truth) < stats.t.ppf(0.975, spare) * error
    assert np.abs(inside.mean(axis=0) - 0.95).max() < 4 * 0.005


# fractions


def test_aliases_in_words() -> None:
    wish = {"generators": ["emulsifier=oil:alcohol"], "repeats": 2}
    found = made("fractional factorial", [OIL, ALCOHOL, EMULSIFIER], **wish)
    assert found.alias_sentences() == (
        "The effect of oil cannot be told from the joint effect of alcohol and emulsifier.",
        "The effect of alcohol cannot be told from the joint effect of oil and emulsifier.",
        "The effect of emulsifier cannot be told from the joint effect of oil and alcohol.",
    )
    assert found.resolution == 3
    assert "(resolution III)" in str(found)
    assert any("screen" in warning for warning in found.warnings)


def test_the_alias_table_is_the_alias_structure() -> None:
    four = dict.fromkeys("abcd", (0, 1))
    table = made("fractional factorial", four, batches=8, repeats=2).alias_table()
    # 2^(4-1) of resolution IV: ab = cd, ac = bd, ad = bc, and main effects clear of every pair
    assert table.shape == (6, 6)
    assert (table != 0).sum().eq(1).all()
    assert table.loc["joint effect of a and b", "joint effect of c and d"] == 1


def test_a_minus_generator_gives_the_other_half() -> None:
    names = [factor.name for factor in FOUR]
    plus = fraction_of(names, ["starch=oil:alcohol:emulsifier"]).design()
    minus = fraction_of(names, ["starch=-oil:alcohol:emulsifier"])
    both = np.vstack([plus, minus.design()])
    assert len({tuple(row) for row in both}) == 16
    assert minus.aliases(3)["oil"] == {"alcohol:emulsifier:starch": -1.0}


@settings(max_examples=25, deadline=None)
@given(number=st.integers(4, 9), runs=st.sampled_from([8, 16, 32]))
def test_aliased_effects_have_the_same_column(number: int, runs: int) -> None:
    names = "abcdefghi"[:number]
    if number > runs - 1 or 2**number <= runs:
        return
    fraction = fraction_of(names, batches=runs)
    coded = fraction.design()

    def column(term: str) -> np.ndarray:
        return coded[:, [names.index(part) for part in term.split(":")]].prod(axis=1)

    for effect, others in fraction.aliases().items():
        for term, sign in others.items():
            assert np.array_equal(column(effect), sign * column(term))


def test_few_spare_batches_are_said() -> None:
    found = full_factorial([OIL, ALCOHOL, BINDER], 1)
    assert (found.error_df, found.repeat_df) == ({"runs": 1}, 0)
    assert any(warning.startswith("Only 1 spare batch judges") for warning in found.warnings)
    assert any(warning.startswith("No run is truly repeated") for warning in found.warnings)
    assert found.warnings[0] in str(found)


# adding to what was made


def test_added_batches_keep_out_of_what_is_forbidden() -> None:
    rules = [{"oil": [7, 8], "alcohol": [5, 6]}]
    found = made("factorial", [OIL, ALCOHOL], 3, made=EARLIER, batches=6, model="quadratic", forbidden=rules)
    assert not is_forbidden(found.runs, rules).any()
    assert found.runs["oil"].max() == 8


def test_a_factorial_keeps_out_of_what_is_forbidden() -> None:
    rules = [{"colour": "lake", "oil": 4}]
    found = made("factorial", [OIL, COLOUR], 3, repeats=2, model="main", forbidden=rules)
    assert len(found.runs) == 10
    assert not is_forbidden(found.runs, rules).any()


def test_batches_are_added_to_what_was_made() -> None:
    found = made("factorial", [OIL, ALCOHOL], 3, 6, batches=6, model="quadratic", made=EARLIER)
    assert found.runs["run"].tolist() == [f"R{i:02d}" for i in range(9, 15)]
    assert found.runs["day"].tolist() == [3] * 6
    assert not set(found.runs["blind"]) & set(EARLIER["blind"])
    # the bends were not in the first plan: every new run has an amount half-way
    assert ((found.runs["oil"] == 6) | (found.runs["alcohol"] == 4)).any()
    assert found.error_df["runs"] == 14 - 3 - 5
    with pytest.raises(ValueError, match="not repeats"):
        made("factorial", [OIL, ALCOHOL], made=EARLIER, batches=6, repeats=2)
    with pytest.raises(ValueError, match="need the column 'alcohol'"):
        add_batches([OIL, ALCOHOL], 1, made=EARLIER.drop(columns="alcohol"), batches=6)


def test_amounts_that_can_be_set_are_the_only_ones_used() -> None:
    factors = {"oil": [2.5, 5, 7.5, 15], "binder": BINDER}
    earlier = made("factorial", factors).runs
    found = made("factorial", factors, made=earlier, batches=10, model=["oil", "oil^2"])
    assert set(found.runs["oil"]) <= {2.5, 5, 7.5, 15}


# mixtures


@settings(max_examples=40, deadline=None)
@given(bounds=st.lists(st.tuples(st.integers(0, 20), st.integers(2, 60)), min_size=2, max_size=4))
def test_blends_add_up_and_keep_their_bounds(bounds: list[tuple[int, int]]) -> None:
    shares = [Range(f"s{i}", a / 100, (a + width) / 100) for i, (a, width) in enumerate(bounds)]
    if sum(share.high for share in shares) <= 1 + 1e-9:
        with pytest.raises(CannotAnswer, match=r"add up|cannot change"):
            mixture_plan(shares, 1, total=1, blending="linear")
        return
    amounts = mixture_plan(shares, 1, total=1, blending="linear").runs[[share.name for share in shares]]
    assert amounts.sum(axis=1).to_numpy() == pytest.approx(np.ones(len(amounts)), abs=1e-7)
    for share in shares:
        assert amounts[share.name].between(share.low - 1e-7, share.high + 1e-7).all()


def test_two_shares_show_a_bend() -> None:
    found = CASES["two shares"](1)
    assert found.terms == ("oil", "alcohol", "oil:alcohol")
    assert sorted(found.runs["oil"].unique()) == [2, 5, 8]


# what is refused

REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "a factor that never changes": (
        lambda: made("factorial", [OIL, Range("alcohol", 4, 4)]),
        "alcohol never changes",
    ),
    "one level": (
        lambda: made("compare", [Category("colour", ("none",), "none")], 1, 3, days=3),
        "colour never changes",
    ),
    "a comparison of two factors": (
        lambda: made("compare", [COLOUR, BINDER], 1, 3, days=3),
        "compares the levels of one factor",
    ),
    "a comparison over a range": (
        lambda: made("compare", {"oil": (4, 8)}, 1, 3, days=3),
        "needs the amounts of oil themselves",
    ),
    "no repeats and nothing assumed nil": (
        lambda: made("factorial", [OIL, ALCOHOL, BINDER], model="full"),
        "No batch is left over to judge chance variation by",
    ),
    "the days use up what is left": (
        lambda: made("factorial", [OIL, ALCOHOL, BINDER], 1, 4),
        "or by the days",
    ),
    "every combination of too many": (
        lambda: made("factorial", [Range(name, 0, 1) for name in "abcdefghi"]),
        "would be 512 batches",
    ),
    "named levels have no centre": (
        lambda: made("factorial", [AIR, BINDER], centre_points=2),
        "Named levels have no centre",
    ),
    "a bend on two amounts": (
        lambda: made("factorial", [OIL, ALCOHOL], repeats=3, model="quadratic"),
        "cannot tell apart",
    ),
    "saturated fraction": (
        lambda: made("fractional factorial", [Range(n, 0, 1) for n in "abcdefg"], batches=8),
        "No batch is left over",
    ),
    "factors that go together": (
        lambda: made(
            "fractional factorial", FOUR, generators=["emulsifier=oil:alcohol", "starch=oil:alcohol"]
        ),
        "always change together",
    ),
    "a fraction that is not in the table": (
        lambda: made("fractional factorial", FOUR, batches=12),
        "no regular fraction of 4 factors in 12 runs",
    ),
    "a fraction of three levels": (
        lambda: made("fractional factorial", [OIL, COLOUR], batches=4),
        "colour has 3 levels",
    ),
    "more effects than batches": (
        lambda: made("factorial", [OIL, ALCOHOL], made=EARLIER.head(2), batches=2, model="quadratic"),
        "There are 6 numbers to find, and only 4 batches",
    ),
    "everything forbidden": (
        lambda: made("factorial", [OIL, BINDER], forbidden=[{"binder": ["clay", "gum"]}]),
        "leave no run that may be made",
    ),
    "a level forbidden everywhere": (
        lambda: made("factorial", [OIL, BINDER], repeats=4, forbidden=[{"binder": "gum"}]),
        "binder never changes in the runs that are left",
    ),
    "forbidden combinations that tie two factors": (
        lambda: made(
            "factorial",
            [AIR, BINDER],
            repeats=4,
            model="main",
            forbidden=[{"air": "dry", "binder": "clay"}, {"air": "plain", "binder": "gum"}],
        ),
        "cannot tell apart the effect of air and the effect of binder",
    ),
    "bounds that cannot add up": (
        lambda: made("mixture", {"oil": (5, 8), "alcohol": (5, 8), "emulsifier": (4, 6)}, total=12),
        "The least of every ingredient together is 14",
    ),
    "bounds that cannot reach": (
        lambda: made("mixture", {"oil": (0, 3), "alcohol": (0, 3), "emulsifier": (0, 2)}, total=12),
        "The most of every ingredient together is 8",
    ),
    "bounds that leave no choice": (
        lambda: made("mixture", {"oil": (4, 8), "alcohol": (4, 8), "emulsifier": (4, 6)}, total=12),
        "cannot change",
    ),
    "too few days for the room": (
        lambda: made("split plot", [AIR, OIL], 1, 6, days=2, hard_to_change=["air"]),
        "2 days are too few for air",
    ),
    "a day that does not hold every combination": (
        lambda: made("split plot", [AIR, OIL, COLOUR], 1, 5, days=6, hard_to_change=["air"]),
        "A day of 5 batches cannot hold every combination of oil and colour",
    ),
    "a star that cannot be made": (
        lambda: made("central composite", [STARCH, OIL], reach="circumscribed"),
        "A star point would need -2.07 g of starch",
    ),
    "named levels in a surface": (
        lambda: made("central composite", [OIL, ALCOHOL, BINDER]),
        "no amounts in between",
    ),
    "one batch a day without repeats": (
        lambda: made("compare", [COLOUR], 1, 1, days=3),
        "No batch is left over",
    ),
    "fewer batches than levels": (lambda: made("compare", [COLOUR], 1, 2, days=1), "cannot hold 3 levels"),
    "one block without repeats": (lambda: made("compare", [COLOUR], 1, 3, days=1), "No batch is left over"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_hopeless_plans_are_refused_with_the_reason(name: str) -> None:
    make, why = REFUSED[name]
    with pytest.raises(CannotAnswer, match=why) as caught:
        make()
    assert caught.value.would_help.endswith(".")
    assert caught.value.why.endswith(".")


@pytest.mark.parametrize(
    "make",
    [
        lambda: Range("oil", 8, 4),
        lambda: made("mixture", {"oil": (-1, 4), "alcohol": (2, 8)}, total=8),
        lambda: made("factorial", [OIL, OIL]),
        lambda: made("factorial", [Range("day", 1, 2), OIL]),
        lambda: made("factorial", []),
        lambda: made("latin square", [COLOUR]),
        lambda: made("factorial", [OIL, BINDER], days=3),
        lambda: made("compare", [COLOUR], days=3),
        lambda: made("split plot", [AIR, OIL], 1, 3, days=6, hard_to_change=["wind"]),
        lambda: model_terms([OIL], ["vinegar"]),
        lambda: model_terms([OIL], "cubic"),
        lambda: made("factorial", [OIL, BINDER], forbidden=[{"vinegar": 1}]),
        lambda: fraction_of("abcd", ["d=a"]),
        lambda: fraction_of("abcd"),
    ],
)
def test_mistakes_of_the_caller(make: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        make()
