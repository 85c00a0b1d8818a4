"""Plans: what every one of them promises, what is refused, and how they behave."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fizzlab.design import (
    Plan,
    Range,
    Share,
    box_behnken,
    central_composite,
    compare_levels,
    definitive_screening,
    efficiency,
    fraction_of,
    fractional_factorial,
    full_factorial,
    is_forbidden,
    latin_square,
    mixture_plan,
    model_matrix,
    model_terms,
    optimal_plan,
    plackett_burman,
    split_plot,
)
from fizzlab.design.exchange import to_groups
from fizzlab.errors import CannotAnswer
from fizzlab.models.days import choose_days
from fizzlab.models.terms import Amount, Category

OIL = Range("oil", 4, 8, "g")
ALCOHOL = Range("alcohol", 2, 6, "g")
EMULSIFIER = Range("emulsifier", 1, 3, "g")
STARCH = Range("starch", 0, 10, "g")
COLOUR = Category("colour", ("none", "mica", "lake"), "none")
BINDER = Category("binder", ("clay", "gum"), "clay")
AIR = Category("air", ("plain", "dry"), "plain")
LIQUID = [Share("oil", 2, 8), Share("alcohol", 2, 8), Share("emulsifier", 0, 3)]
FOUR = [OIL, ALCOHOL, EMULSIFIER, STARCH]

KINDS: dict[str, Callable[[int], Plan]] = {
    "full": lambda seed: full_factorial([OIL, ALCOHOL, BINDER], seed, repeats=2, per_day=6),
    "centre": lambda seed: full_factorial([OIL, ALCOHOL, EMULSIFIER], seed, centre=4, per_day=6),
    "three levels": lambda seed: full_factorial([OIL, COLOUR], seed, repeats=2, per_day=4),
    "fraction": lambda seed: fractional_factorial(FOUR, seed, runs=8, centre=4, per_day=6),
    "screening": lambda seed: plackett_burman([*FOUR, BINDER], seed, per_day=6),
    "definitive": lambda seed: definitive_screening(FOUR, seed, per_day=7),
    "composite": lambda seed: central_composite([OIL, ALCOHOL], seed, reach="faces", per_day=7),
    "box": lambda seed: box_behnken([OIL, ALCOHOL, EMULSIFIER], seed),
    "mixture": lambda seed: mixture_plan(LIQUID, 12, seed, per_day=5),
    "blends": lambda seed: mixture_plan(LIQUID, 12, seed, points="optimal", runs=12, per_day=6),
    "compare": lambda seed: compare_levels(COLOUR, 4, 4, seed),
    "compare, one a day": lambda seed: compare_levels(COLOUR, 12, 1, seed),
    "factorial, one a day": lambda seed: full_factorial([OIL, BINDER], seed, repeats=3, per_day=1),
    "incomplete": lambda seed: compare_levels(
        Category("colour", ("none", "a", "b", "c", "d"), "none"), 6, 3, seed
    ),
    "square": lambda seed: latin_square(Category("colour", ("none", "a", "b", "c"), "none"), seed),
    "optimal": lambda seed: optimal_plan([OIL, ALCOHOL, COLOUR], 14, seed, model="main", per_day=5),
    "split": lambda seed: split_plot([AIR], [OIL, COLOUR], 6, 4, seed),
}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_what_every_plan_promises(kind: str, seed: int) -> None:
    plan = KINDS[kind](seed)
    runs = plan.runs
    assert runs["run"].tolist() == [f"R{i:02d}" for i in range(1, len(runs) + 1)]
    assert runs["day"].is_monotonic_increasing
    assert sorted(runs["day"].unique()) == list(range(1, plan.days + 1))
    assert runs["blind"].is_unique
    assert runs["blind"].between(100, 999).all()
    assert not runs.isna().any().any()
    for factor in plan.factors:
        assert runs[factor.name].nunique() > 1
        if isinstance(factor, Category):
            assert set(runs[factor.name]) <= set(factor.levels)
        elif kind != "composite":
            assert runs[factor.name].between(factor.low - 1e-9, factor.high + 1e-9).all()
    assert plan.error_df["runs"] >= 1
    assert 0 <= plan.repeat_df <= plan.error_df["runs"]
    assert 0 < plan.day_efficiency <= 1 + 1e-9
    assert plan.efficiency is not None
    assert 0 < plan.efficiency.g <= 1 + 1e-9
    again = KINDS[kind](seed)
    pd.testing.assert_frame_equal(again.runs, runs)
    assert str(again) == str(plan)


def test_another_seed_gives_another_order_and_other_codes() -> None:
    for kind, make in KINDS.items():
        one, two = make(1).runs, make(2).runs
        assert not one.equals(two), kind
        assert one["blind"].tolist() != two["blind"].tolist(), kind


def test_plans_of_one_seed_do_not_share_their_codes() -> None:
    codes = [tuple(make(1).runs["blind"][:8]) for make in KINDS.values()]
    assert len(set(codes)) == len(codes)


def test_codes_tell_nothing_of_the_order() -> None:
    # rank correlation of code and order over 300 plans of 16: mean 0, standard error 1/sqrt(15 * 300) = 0.015
    order = np.arange(16)
    found = []
    for seed in range(300):
        codes = compare_levels(COLOUR, 4, 4, seed).runs["blind"].to_numpy()
        found.append(np.corrcoef(order, np.argsort(np.argsort(codes)))[0, 1])
    assert abs(np.mean(found)) < 4 * 0.015


def test_every_run_is_as_likely_to_be_first() -> None:
    # 200 plans of 8 runs on one day: each run first in 25 of them, standard deviation sqrt(200 * 7/64) = 4.7
    first = [full_factorial([OIL, ALCOHOL, BINDER], s, model="main").runs.iloc[0] for s in range(200)]
    counts = pd.Series([(row["oil"], row["alcohol"], row["binder"]) for row in first]).value_counts()
    assert len(counts) == 8
    assert (abs(counts - 25) < 5 * 4.7).all()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32), per_day=st.integers(3, 16))
def test_days_are_filled_by_capacity(seed: int, per_day: int) -> None:
    plan = full_factorial([OIL, ALCOHOL, BINDER], seed, repeats=2, per_day=per_day, model="main")
    sizes = plan.runs.groupby("day").size()
    assert sizes.max() <= per_day
    assert len(sizes) == -(-16 // per_day)
    assert sizes.max() - sizes.min() <= 1


@pytest.mark.parametrize("seed", range(4))
def test_complete_blocks_are_complete(seed: int) -> None:
    plan = compare_levels(COLOUR, days=5, per_day=3, seed=seed, control="equal")
    assert plan.runs.groupby("day")["colour"].nunique().tolist() == [3] * 5
    assert plan.day_efficiency == 1.0
    assert plan.error_df == {"runs": (5 - 1) * (3 - 1)}


def test_spare_places_go_round_the_levels() -> None:
    five = Category("colour", ("none", "a", "b", "c", "d"), "none")
    counts = compare_levels(five, days=4, per_day=7, seed=1, control=2).runs["colour"].value_counts()
    assert counts["none"] == 8
    assert set(counts.drop("none")) == {5}
    best = compare_levels(five, days=4, per_day=7, seed=1, control="best").runs["colour"].value_counts()
    assert best["none"] > best.drop("none").max()


@pytest.mark.parametrize("seed", range(4))
def test_orthogonal_blocks_are_found(seed: int) -> None:
    # 2^3 twice in four days of four, 2^4 in two and in four days, a half fraction twice in four days
    assert full_factorial([OIL, ALCOHOL, BINDER], seed, repeats=2, per_day=4).day_efficiency == 1.0
    assert full_factorial(FOUR, seed, per_day=8, model="interactions").day_efficiency == 1.0
    assert full_factorial(FOUR, seed, per_day=4, model="main").day_efficiency == 1.0
    plan = fractional_factorial(FOUR, seed, runs=8, repeats=2, per_day=4)
    assert plan.day_efficiency == 1.0
    assert not any("differences between days" in sentence for sentence in plan.warnings)


@pytest.mark.parametrize("seed", range(3))
def test_a_joint_effect_hidden_by_the_days_is_named(seed: int) -> None:
    # pairs of batches in which both factors change keep the main effects whole and give up the joint effect
    plan = full_factorial([OIL, ALCOHOL], seed, repeats=3, per_day=2, model="main")
    assert plan.day_efficiency == 1.0
    assert plan.error_df == {"runs": 12 - 6 - 2}
    assert plan.runs.groupby("day")[["oil", "alcohol"]].nunique().eq(2).all().all()
    said = "The joint effect of oil and alcohol cannot be told from the differences between days."
    assert said in plan.warnings
    # asked for, it is kept apart from the days at the cost of the main effects
    kept = full_factorial([OIL, ALCOHOL], seed, repeats=3, per_day=2, model="interactions")
    assert said not in kept.warnings
    assert kept.day_efficiency < 1


def test_whole_plots_are_constant_and_balanced() -> None:
    plan = split_plot([AIR], [OIL, COLOUR], 6, 4, seed=4)
    by_day = plan.runs.groupby("whole_plot")
    assert by_day["air"].nunique().eq(1).all()
    assert by_day["day"].nunique().eq(1).all()
    assert by_day["air"].first().value_counts().tolist() == [3, 3]
    assert {"days", "runs"} == set(plan.error_df)
    assert any("judged by 4 spare days" in sentence for sentence in plan.statements())


def test_the_room_is_set_in_random_order() -> None:
    # 100 plans: the first day is dry in half of them, standard deviation sqrt(25) = 5
    dry = sum(
        split_plot([AIR], [BINDER], 4, 2, s, model="main").runs.iloc[0]["air"] == "dry" for s in range(100)
    )
    assert abs(dry - 50) < 5 * 5


def test_composite_blocks_stay_together() -> None:
    plan = central_composite([OIL, ALCOHOL], 3, alpha="orthogonal", in_blocks=True, per_day=4)
    blocks = plan.runs.groupby("day")["block"].nunique()
    assert blocks.eq(1).all()
    assert plan.runs["block"].is_monotonic_increasing
    assert plan.days == 4


def test_aliases_in_words() -> None:
    plan = fractional_factorial(
        [OIL, ALCOHOL, EMULSIFIER], 1, generators=["emulsifier=oil:alcohol"], repeats=2
    )
    assert plan.alias_sentences() == (
        "The effect of oil cannot be told from the joint effect of alcohol and emulsifier.",
        "The effect of alcohol cannot be told from the joint effect of oil and emulsifier.",
        "The effect of emulsifier cannot be told from the joint effect of oil and alcohol.",
    )
    assert plan.resolution == 3
    assert "(resolution III)" in str(plan)
    assert any("screen" in warning for warning in plan.warnings)


def test_a_minus_generator_gives_the_other_half() -> None:
    plus = fraction_of(FOUR, ["starch=oil:alcohol:emulsifier"]).design()
    minus = fraction_of(FOUR, ["starch=-oil:alcohol:emulsifier"])
    both = np.vstack([plus, minus.design()])
    assert len({tuple(row) for row in both}) == 16
    assert minus.aliases()[0].others == (("alcohol:emulsifier:starch", -1.0),)


@settings(max_examples=25, deadline=None)
@given(number=st.integers(4, 9), runs=st.sampled_from([8, 16, 32]))
def test_aliased_effects_have_the_same_column(number: int, runs: int) -> None:
    names = "abcdefghi"[:number]
    if (runs, number) == (8, 8) or number > runs - 1 or 2**number <= runs:
        return
    fraction = fraction_of([Range(name, 0, 1) for name in names], runs=runs)
    coded = fraction.design()

    def column(term: str) -> np.ndarray:
        return coded[:, [names.index(part) for part in term.split(":")]].prod(axis=1)

    for alias in fraction.aliases():
        for term, sign in alias.others:
            assert np.array_equal(column(alias.effect), sign * column(term))


def test_optimal_plan_keeps_out_of_what_is_forbidden() -> None:
    rules = [{"oil": (7, 8), "alcohol": (5, 6)}, {"colour": "lake", "oil": (4, 5)}]
    plan = optimal_plan([OIL, ALCOHOL, COLOUR], 16, 3, model="quadratic", forbidden=rules)
    assert not is_forbidden(plan.runs, rules).any()
    assert plan.runs["oil"].max() == 8


def test_optimal_plan_adds_to_what_was_made() -> None:
    made = full_factorial([OIL, ALCOHOL], 1, repeats=2, per_day=4).runs
    plan = optimal_plan([OIL, ALCOHOL], 6, 3, model="quadratic", made=made, per_day=6)
    assert plan.runs["run"].tolist() == [f"R{i:02d}" for i in range(9, 15)]
    assert plan.runs["day"].tolist() == [3] * 6
    assert not set(plan.runs["blind"]) & set(made["blind"])
    # the bends were not in the first plan: every new run has an amount half-way
    assert ((plan.runs["oil"] == 6) | (plan.runs["alcohol"] == 4)).any()
    both = pd.concat([made, plan.runs], ignore_index=True)
    matrix, _ = model_matrix(both, plan.factors, plan.terms)
    assert plan.efficiency is not None
    assert plan.efficiency.d == pytest.approx(efficiency(matrix, matrix).d)
    assert plan.error_df["runs"] == 14 - 3 - 5


def test_repeats_are_kept_in_an_optimal_plan() -> None:
    plain_plan = optimal_plan([OIL, ALCOHOL, EMULSIFIER], 14, 1, model="quadratic")
    plan = optimal_plan([OIL, ALCOHOL, EMULSIFIER], 14, 1, model="quadratic", repeats=3)
    assert plain_plan.repeat_df == 0
    assert plan.repeat_df >= 3


def test_the_i_criterion_forecasts_better_and_the_d_criterion_tells_better() -> None:
    d = optimal_plan([OIL, ALCOHOL], 10, 1, model="quadratic", criterion="D", steps=5).efficiency
    i = optimal_plan([OIL, ALCOHOL], 10, 1, model="quadratic", criterion="I", steps=5).efficiency
    a = optimal_plan([OIL, ALCOHOL], 10, 1, model="quadratic", criterion="A", steps=5).efficiency
    assert d is not None
    assert i is not None
    assert a is not None
    assert i.average_variance < d.average_variance
    assert d.d > i.d
    assert a.a >= max(d.a, i.a)


def test_amounts_that_can_be_set_are_the_only_ones_used() -> None:
    spoons = Range.of("oil", (2.5, 5, 7.5, 15), "ml")
    plan = optimal_plan([spoons, BINDER], 10, 1, model=["oil", "oil^2", "binder"])
    assert set(plan.runs["oil"]) <= {2.5, 5, 7.5, 15}


def test_blends_add_up_and_keep_their_bounds() -> None:
    for points in ("vertices", "optimal"):
        plan = mixture_plan(LIQUID, 12, 3, points=points, runs=12, model="special cubic")
        shares = plan.runs[["oil", "alcohol", "emulsifier"]]
        assert shares.sum(axis=1).to_numpy() == pytest.approx(np.full(len(shares), 12), abs=1e-8)
        for share in LIQUID:
            assert shares[share.name].between(share.low - 1e-9, share.high + 1e-9).all()


@settings(max_examples=40, deadline=None)
@given(
    bounds=st.lists(st.tuples(st.integers(0, 20), st.integers(2, 60)), min_size=3, max_size=4),
)
def test_corners_keep_their_bounds(bounds: list[tuple[int, int]]) -> None:
    shares = [Share(f"s{i}", a / 100, (a + width) / 100, "part") for i, (a, width) in enumerate(bounds)]
    possible = sum(share.high for share in shares) > 1 + 1e-9
    if not possible:
        with pytest.raises(CannotAnswer, match=r"add up|cannot change"):
            mixture_plan(shares, 1, 1, model="linear")
        return
    plan = mixture_plan(shares, 1, 1, model="linear")
    amounts = plan.runs[[share.name for share in shares]]
    assert amounts.sum(axis=1).to_numpy() == pytest.approx(np.ones(len(amounts)), abs=1e-7)
    for share in shares:
        assert amounts[share.name].between(share.low - 1e-7, share.high + 1e-7).all()


def test_two_days_take_nothing_from_what_can_be_balanced() -> None:
    rng = np.random.default_rng(1)
    model = np.array([[a, b, a * b] for a in (-1, 1) for b in (-1, 1)] * 4, float)
    day = to_groups(model, [8, 8], rng)
    assert np.bincount(day).tolist() == [8, 8]
    assert np.abs(model[day == 0].sum(axis=0)).max() == 0


def test_terms_for_the_analysis() -> None:
    plan = optimal_plan([OIL, COLOUR], 9, 1)
    assert plan.analysis_terms() == [Amount("oil", "g"), COLOUR]
    assert list(plan.settings().columns) == ["run", "day", "oil", "colour"]


def test_coded_columns_of_a_category_are_orthogonal() -> None:
    four = Category("colour", ("none", "a", "b", "c"), "none")
    table = pd.DataFrame({"colour": ["none", "a", "b", "c"]})
    matrix, owner = model_matrix(table, [four], ["colour"])
    assert np.allclose(matrix.T @ matrix, 4 * np.eye(4))
    assert owner == ["intercept", "colour", "colour", "colour"]


REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "a factor that never changes": (
        lambda: full_factorial([OIL, Range("alcohol", 4, 4)], 1),
        "alcohol never changes",
    ),
    "one level": (
        lambda: compare_levels(Category("colour", ("none",), "none"), 3, 3, 1),
        "colour never changes",
    ),
    "no repeats and nothing assumed nil": (
        lambda: full_factorial([OIL, ALCOHOL, BINDER], 1, model="full"),
        "No batch is left over to judge chance variation by",
    ),
    "saturated fraction": (
        lambda: fractional_factorial([Range(n, 0, 1) for n in "abcdefg"], 1, runs=8),
        "No batch is left over",
    ),
    "the days use up what is left": (
        lambda: full_factorial([OIL, ALCOHOL, BINDER], 1, per_day=4),
        "or by the days",
    ),
    "more effects than batches": (
        lambda: optimal_plan([OIL, ALCOHOL, EMULSIFIER], 8, 1, model="quadratic"),
        "There are 10 numbers to find, and only 8 batches",
    ),
    "aliasing of what is asked": (
        lambda: fractional_factorial(FOUR, 1, runs=8, asked=["oil:alcohol", "emulsifier:starch"], repeats=2),
        "the joint effect of oil and alcohol cannot be told from the joint effect of emulsifier and starch",
    ),
    "a joint effect asked for that is a main effect": (
        lambda: fractional_factorial(
            [OIL, ALCOHOL, EMULSIFIER],
            1,
            generators=["emulsifier=oil:alcohol"],
            asked=["oil:alcohol"],
            repeats=2,
        ),
        "the effect of emulsifier cannot be told from the joint effect of oil and alcohol",
    ),
    "factors that go together": (
        lambda: fractional_factorial(
            FOUR, 1, generators=["emulsifier=oil:alcohol", "starch=oil:alcohol"], repeats=2
        ),
        "always change together",
    ),
    "a fraction that is not in the table": (
        lambda: fractional_factorial(FOUR, 1, runs=12),
        "no regular fraction of 4 factors in 12 runs",
    ),
    "bounds that cannot add up": (
        lambda: mixture_plan([Share("oil", 5, 8), Share("alcohol", 5, 8), Share("emulsifier", 4, 6)], 12, 1),
        "The least of every ingredient together is 14 g",
    ),
    "bounds that cannot reach": (
        lambda: mixture_plan([Share("oil", 0, 3), Share("alcohol", 0, 3), Share("emulsifier", 0, 2)], 12, 1),
        "The most of every ingredient together is 8 g",
    ),
    "bounds that leave no choice": (
        lambda: mixture_plan([Share("oil", 4, 8), Share("alcohol", 4, 8), Share("emulsifier", 4, 6)], 12, 1),
        "cannot change",
    ),
    "a simplex that does not fit": (
        lambda: mixture_plan(LIQUID, 12, 1, points="lattice"),
        "more than its bound",
    ),
    "two ingredients": (
        lambda: mixture_plan(LIQUID[:2], 12, 1),
        "Two ingredients that add up to a total are one amount",
    ),
    "everything forbidden": (
        lambda: optimal_plan([OIL, BINDER], 8, 1, forbidden=[{"oil": (0, 10)}]),
        "leave no run that may be made",
    ),
    "a level forbidden everywhere": (
        lambda: optimal_plan([OIL, BINDER], 8, 1, forbidden=[{"binder": "gum"}]),
        "binder never changes in the runs that are left",
    ),
    "forbidden combinations that tie two factors": (
        lambda: optimal_plan(
            [AIR, BINDER],
            8,
            1,
            forbidden=[{"air": "dry", "binder": "clay"}, {"air": "plain", "binder": "gum"}],
        ),
        "cannot tell apart the effect of air and the effect of binder",
    ),
    "too few days for the room": (
        lambda: split_plot([AIR], [OIL], 2, 6, 1),
        "2 days are too few for air",
    ),
    "one day for the room": (lambda: split_plot([AIR], [OIL], 1, 6, 1), "1 day is too few for air"),
    "a star that cannot be made": (
        lambda: central_composite([STARCH, OIL], 1),
        "A star point would need -2.07 g of starch",
    ),
    "one batch a day without repeats": (lambda: compare_levels(COLOUR, 3, 1, 1), "No batch is left over"),
    "fewer batches than levels": (lambda: compare_levels(COLOUR, 1, 2, 1), "cannot hold 3 levels"),
    "one block without repeats": (lambda: compare_levels(COLOUR, 1, 3, 1), "No batch is left over"),
    "two levels in one square": (lambda: latin_square(BINDER, 1), "leaves no batch"),
    "three levels in a screening plan": (
        lambda: plackett_burman([OIL, COLOUR], 1),
        "colour has 3 levels",
    ),
    "named levels in a surface": (lambda: box_behnken([OIL, ALCOHOL, BINDER], 1), "no amounts in between"),
    "named levels have no centre": (
        lambda: full_factorial([AIR, BINDER], 1, centre=2),
        "Named levels have no centre",
    ),
    "a bend on two amounts": (
        lambda: full_factorial([OIL, ALCOHOL], 1, repeats=3, model="quadratic"),
        "cannot tell apart",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_hopeless_plans_are_refused_with_the_reason(name: str) -> None:
    make, why = REFUSED[name]
    with pytest.raises(CannotAnswer, match=why) as caught:
        make()
    assert caught.value.would_help.endswith(".")
    assert caught.value.why.endswith(".")
    assert (
        caught.value.why[0].isupper()
        or caught.value.why.split()[0] in {"alcohol", "colour", "binder"}
        or (caught.value.why[0].isdigit())
    )


@pytest.mark.parametrize(
    "make",
    [
        lambda: Range("oil", 8, 4),
        lambda: Share("oil", -1, 4),
        lambda: full_factorial([OIL, OIL], 1),
        lambda: full_factorial([Range("day", 1, 2), OIL], 1),
        lambda: model_terms([OIL], ["vinegar"]),
        lambda: model_terms([OIL], "cubic"),
        lambda: optimal_plan([OIL], 6, 1, forbidden=[{"vinegar": 1}]),
        lambda: fraction_of(FOUR, ["starch=oil"]),
        lambda: fraction_of(FOUR),
        lambda: latin_square(COLOUR, 1, places=("left", "right")),
    ],
)
def test_mistakes_of_the_caller(make: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        make()


ONE_A_DAY: dict[str, Callable[[], Plan]] = {
    "compare": lambda: compare_levels(COLOUR, 12, 1, 5),
    "factorial": lambda: full_factorial([OIL, BINDER], 5, repeats=3, per_day=1),
    "optimal": lambda: optimal_plan([OIL, COLOUR], 9, 5, repeats=2, per_day=1),
    "composite": lambda: central_composite([OIL, ALCOHOL], 5, reach="faces", per_day=1),
    "mixture": lambda: mixture_plan(LIQUID, 12, 5, per_day=1, repeats=2),
}


@pytest.mark.parametrize("kind", ONE_A_DAY)
def test_one_batch_a_day_is_judged_by_the_scatter_between_batches(kind: str) -> None:
    plan = ONE_A_DAY[kind]()
    assert plan.days == len(plan.runs)
    assert plan.day_efficiency == 1.0
    assert any("from day to day counts as scatter between batches" in said for said in plan.statements())
    table = plan.runs.assign(**{f.name: plan.runs[f.name] for f in plan.factors})
    if kind != "mixture":  # whose model has no intercept
        x, _ = model_matrix(table, plan.factors, plan.terms)
        structure = choose_days(table[["run", "day"]], x)
        assert (structure.kind, structure.fixed) == ("ordinary", False)
        assert plan.error_df["runs"] == len(x) - np.linalg.matrix_rank(x)


def test_one_batch_a_day_falls_on_any_day() -> None:
    first = [compare_levels(COLOUR, 8, 1, seed).runs["colour"].iloc[0] for seed in range(400)]
    made = compare_levels(COLOUR, 8, 1, 0).runs["colour"].value_counts()
    for level in COLOUR.levels:
        expected = made[level] / 8 if level == "none" else (8 - made["none"]) / 16
        assert abs(first.count(level) / 400 - expected) < 4 * np.sqrt(expected * (1 - expected) / 400)


@pytest.mark.parametrize(
    ("control", "times"),
    [("root", 5), ("best", 5), ("equal", 4), (2, 6)],  # 12 sqrt(2) / (2 + sqrt(2)) = 4.97
)
def test_the_control_has_its_share_of_single_days(control: Any, times: int) -> None:
    plan = compare_levels(COLOUR, 12, 1, 3, control=control)
    counts = plan.runs["colour"].value_counts()
    assert counts["none"] == times
    assert abs(counts["mica"] - counts["lake"]) <= 1


def test_few_spare_batches_are_said() -> None:
    plan = full_factorial([OIL, ALCOHOL, BINDER], 1)
    assert plan.error_df == {"runs": 1}
    assert plan.repeat_df == 0
    assert any(warning.startswith("Only 1 spare batch judges") for warning in plan.warnings)
    assert any(warning.startswith("No run is truly repeated") for warning in plan.warnings)
    assert plan.warnings[0] in str(plan)


def test_coverage_of_effects_under_day_differences() -> None:
    # what the plan is for: an effect estimated with its days in the model has intervals that hold at 95 %.
    # 2,000 simulated trials of one plan, day differences three times the batch spread; binomial error 0.5 %
    plan = fractional_factorial(FOUR, 5, runs=8, repeats=2, per_day=4)
    matrix, _ = model_matrix(plan.runs, plan.factors, plan.terms, intercept=False)
    days = pd.get_dummies(plan.runs["day"]).to_numpy(float)
    joint = np.hstack([matrix, days])
    rng = np.random.default_rng(6)
    truth = np.array([1.0, 0.0, -0.5, 0.2])
    noise = rng.normal(size=(2000, len(joint))) + 3 * rng.normal(size=(2000, days.shape[1])) @ days.T
    readings = noise + matrix @ truth
    solved = np.linalg.pinv(joint)
    estimate = readings @ solved.T
    residual = readings - estimate @ joint.T
    spare = len(joint) - np.linalg.matrix_rank(joint)
    assert spare == plan.error_df["runs"]
    from scipy import stats

    error = np.sqrt((residual**2).sum(axis=1) / spare)[:, None] * np.sqrt((solved[:4] ** 2).sum(axis=1))
    inside = np.abs(estimate[:, :4] - truth) < stats.t.ppf(0.975, spare) * error
    assert np.abs(inside.mean(axis=0) - 0.95).max() < 4 * 0.005
