"""Behaviour of recipes: amounts, factors, shares, balance, moulds, cost, limits, steps."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.recipe.amounts import (
    batch_mass,
    cost,
    doubts,
    fizz_balance,
    over_limits,
    scale,
    shares,
    too_little,
    weigh_out,
)
from fizzlab.recipe.chemistry import ACIDS, CO2_MOLAR, SODA_MOLAR, balance, gas_litres, molar_mass, react
from fizzlab.recipe.ingredients import Ingredient, Price, Recipe, Rule, for_run
from fizzlab.recipe.steps import bench_steps, cautions
from fizzlab.recipe.units import OwnWeighing, Quantity, Span, count_drops, parse_quantity

GRAMS = st.floats(min_value=0.01, max_value=1e4)


def item(name: str, kind: str, amount: str, **more: object) -> Ingredient:
    return Ingredient(name, kind, parse_quantity(amount), **more)  # type: ignore[arg-type]


def workshop() -> Recipe:
    """A common small batch with three ways of colouring it (common practice, no source)."""
    return Recipe(
        "harbour",
        (
            item("soda", "baking soda", "1/2 cup"),
            item("acid", "citric acid", "1/2 cup"),
            item("coconut", "coconut oil", "1/2 tsp"),
            item("rubbing alcohol", "isopropyl alcohol 91 %", "1/2 tsp"),
            item("emulsifier", "polysorbate 80", "1/4 tsp"),
        ),
        (
            Rule(
                "colour",
                brings={
                    "pearl": (item("blue mica", "mica", "1 1/2 tsp"),),
                    "dye": (
                        item("blue dye", "dye", "30 drops"),
                        item("thinner", "isopropyl alcohol 91 %", "1/2 tsp", top_up_after="blue dye"),
                    ),
                    "lake": (
                        item("blue lake", "lake", "1/2 tsp"),
                        item("thinner", "isopropyl alcohol 91 %", "1/2 tsp"),
                    ),
                },
            ),
            Rule("oil", sets="coconut", unit="tsp"),
        ),
    )


def grams_of(recipe: Recipe) -> dict[str, float]:
    return {weighed.ingredient.name: weighed.grams.typical for weighed in weigh_out(recipe)}


# --- chemistry -----------------------------------------------------------------------------------


@given(soda=GRAMS, acid=GRAMS, kind=st.sampled_from(sorted(ACIDS)))
def test_every_mole_of_soda_that_is_used_gives_one_of_gas(soda: float, acid: float, kind: str) -> None:
    reaction = react(soda, {kind: acid})
    used = (soda - reaction.soda_left_g) / SODA_MOLAR
    assert reaction.co2_g / CO2_MOLAR == pytest.approx(used, rel=1e-6, abs=1e-9)
    assert min(reaction.soda_left_g, reaction.acid_left_g) == pytest.approx(0, abs=1e-6)


@given(soda=GRAMS, acid=GRAMS, factor=st.floats(0.01, 100), kind=st.sampled_from(sorted(ACIDS)))
def test_reaction_scales_linearly(soda: float, acid: float, factor: float, kind: str) -> None:
    one, many = react(soda, {kind: acid}), react(soda * factor, {kind: acid * factor})
    assert many.co2_g == pytest.approx(one.co2_g * factor, rel=1e-9)
    assert many.soda_per_proton == pytest.approx(one.soda_per_proton, rel=1e-9)


@given(soda=GRAMS, acid=GRAMS)
def test_limiting_reactant_is_symmetric(soda: float, acid: float) -> None:
    # swapping what each side can make swaps which one is left over, and leaves the gas alone
    first = react(soda, {"citric acid": acid})
    per_soda = molar_mass("C6H8O7") / (3 * SODA_MOLAR)
    mirrored = react(acid / per_soda, {"citric acid": soda * per_soda})
    assert mirrored.co2_g == pytest.approx(first.co2_g, rel=1e-9)
    assume(abs(first.soda_per_proton - 1) > 1e-6)
    assert {first.limiting, mirrored.limiting} == {"soda", "acid"}
    assert mirrored.soda_per_proton == pytest.approx(1 / first.soda_per_proton, rel=1e-9)


@given(soda=GRAMS, acid=GRAMS, extra=GRAMS)
def test_more_of_what_is_left_over_gives_no_more_gas(soda: float, acid: float, extra: float) -> None:
    reaction = react(soda, {"citric acid": acid})
    if reaction.limiting == "soda":
        more = react(soda, {"citric acid": acid + extra})
    else:
        more = react(soda + extra, {"citric acid": acid})
    assert more.co2_g == pytest.approx(reaction.co2_g, rel=1e-9)


def test_exact_match_leaves_nothing() -> None:
    reaction = react(3 * SODA_MOLAR, {"citric acid": molar_mass("C6H8O7")})
    assert reaction.limiting == "neither"
    assert (reaction.soda_left_g, reaction.acid_left_g) == (0, 0)
    assert reaction.co2_g / CO2_MOLAR == pytest.approx(3)


def test_two_acids_share_what_is_left() -> None:
    # 1 mol tartaric (2 protons) and 1 mol bisulphate (1 proton) against 1.5 mol of soda: half used
    acids = {"tartaric acid": molar_mass("C4H6O6"), "sodium bisulphate": molar_mass("NaHSO4")}
    reaction = react(1.5 * SODA_MOLAR, acids)
    assert reaction.limiting == "soda"
    assert reaction.acid_left_g == pytest.approx(sum(acids.values()) / 2)
    assert reaction.co2_g == pytest.approx(1.5 * CO2_MOLAR)


def test_monohydrate_needs_more_grams_for_the_same_gas() -> None:
    anhydrous = react(1000, {"citric acid": 100})
    hydrate = react(1000, {"citric acid monohydrate": 100 * 210.138 / 192.123})
    assert hydrate.co2_g == pytest.approx(anhydrous.co2_g, rel=1e-5)


def test_no_acid_gives_no_gas() -> None:
    reaction = react(10, {})
    assert reaction.co2_g == 0
    assert reaction.soda_left_g == 10
    assert math.isinf(reaction.soda_per_proton)


def test_chemistry_refuses_nonsense() -> None:
    with pytest.raises(ValueError, match="unknown acid"):
        react(1, {"vinegar": 1})
    with pytest.raises(ValueError, match="negative"):
        react(-1, {"citric acid": 1})
    with pytest.raises(ValueError, match="cannot read"):
        molar_mass("3NaHCO3")
    with pytest.raises(ValueError, match="no atomic weight"):
        molar_mass("FeS")
    with pytest.raises(ValueError, match="above zero"):
        gas_litres(1, pressure_kpa=0)


def test_balance_bounds_hold_every_reaction_inside_them() -> None:
    soda, acid = Span(80, 110, 132), Span(66, 100, 121)
    found = balance(soda, {"citric acid": acid})
    rng = np.random.default_rng(7)
    for soda_g, acid_g in zip(rng.uniform(80, 132, 300), rng.uniform(66, 121, 300), strict=True):
        reaction = react(soda_g, {"citric acid": acid_g})
        assert found.co2_g.low <= reaction.co2_g <= found.co2_g.high
        assert found.soda_per_proton.low <= reaction.soda_per_proton <= found.soda_per_proton.high
    assert not found.certain
    assert "weigh both" in str(found)


def test_balance_is_certain_from_a_scale() -> None:
    found = balance(Span.exactly(200), {"citric acid": Span.exactly(100)})
    assert found.certain
    assert str(found) == "Soda is left over: about 68.8 g of 200 g."
    assert found.co2_g.is_exact


def test_gas_grows_with_heat_and_shrinks_with_pressure() -> None:
    assert gas_litres(10, 40) > gas_litres(10, 30)
    assert gas_litres(10, pressure_kpa=90) > gas_litres(10, pressure_kpa=101)


# --- amounts and factors ---------------------------------------------------------------------------


def test_half_cups_in_grams() -> None:
    grams = grams_of(for_run(workshop(), {"colour": "pearl", "oil": 0.5}))
    assert grams["soda"] == pytest.approx(110, abs=1)
    assert grams["coconut"] == pytest.approx(2.27, abs=0.01)
    assert grams["emulsifier"] == pytest.approx(1.32, abs=0.01)


def test_equal_cups_leave_acid_but_a_cup_cannot_tell() -> None:
    # typically acid is left over; half-cup scoops cannot rule out the reverse
    found = fizz_balance(for_run(workshop(), {"colour": "pearl", "oil": 0.5}))
    assert found.typical.limiting == "soda"
    assert not found.certain


def test_choose_brings_its_own_ingredients() -> None:
    for level, names in {
        "pearl": ["blue mica"],
        "dye": ["blue dye", "thinner"],
        "lake": ["blue lake", "thinner"],
    }.items():
        run = for_run(workshop(), {"colour": level, "oil": 0.0})
        assert [entry.name for entry in run.ingredients][5:] == names
        assert run.rules == ()


def test_dye_is_topped_up_to_half_a_teaspoon() -> None:
    run = for_run(workshop(), {"colour": "dye", "oil": 0.5})
    thinner = next(weighed for weighed in weigh_out(run) if weighed.ingredient.name == "thinner")
    # half a teaspoon is 2.46 mL, 30 drops are 1.5 mL, 91 % alcohol is 0.813 g/mL
    assert thinner.grams.typical == pytest.approx((2.46446 - 1.5) * 0.8126, rel=1e-3)
    assert thinner.written == "up to 0.5 tsp with blue dye"


@pytest.mark.parametrize(
    ("rule", "level", "expected"),
    [
        (Rule("oil", sets="coconut", unit="g"), 4, Quantity(4, "g")),
        (Rule("oil", sets="coconut", amounts={"high": Quantity(9, "g")}), "high", Quantity(9, "g")),
        (Rule("oil", multiplies=("coconut", "soda")), 2, Quantity(1, "tsp")),
    ],
)
def test_a_factor_sets_or_multiplies_an_amount(rule: Rule, level: str | float, expected: Quantity) -> None:
    run = for_run(replace(workshop(), rules=(rule,)), {"oil": level, "mould": "sphere"})
    assert run.ingredient("coconut").amount == expected


@pytest.mark.parametrize("how", [{"sets": "coconut", "unit": "g"}, {"multiplies": ("coconut",)}])
def test_an_amount_below_zero_is_refused(how: dict[str, Any]) -> None:
    with pytest.raises(BadInput, match="below zero"):
        for_run(replace(workshop(), rules=(Rule("oil", **how),)), {"oil": -1})


def test_two_choices_with_one_name_are_refused() -> None:
    mica = item("blue", "mica", "1 tsp")
    rules = (Rule("top", brings={"a": (mica,)}), Rule("bottom", brings={"a": (mica,)}))
    with pytest.raises(BadInput, match="appears twice"):
        for_run(replace(workshop(), rules=rules), {"top": "a", "bottom": "a"})


def test_rules_must_be_applied_before_weighing() -> None:
    with pytest.raises(ValueError, match="for_run"):
        weigh_out(workshop())
    with pytest.raises(ValueError, match="for_run"):
        bench_steps(workshop())


def test_unknown_powder_by_the_spoon_is_not_guessed() -> None:
    with pytest.raises(BadInput, match="weigh a level spoon"):
        weigh_out(Recipe("odd", (item("sand", "harbour sand", "1 tsp"),)))
    assert grams_of(Recipe("odd", (item("sand", "harbour sand", "5 g"),)))["sand"] == 5


def test_own_weighing_wins() -> None:
    own = OwnWeighing(Quantity(1, "cup"), (200.0, 204.0, 196.0, 200.0))
    recipe = Recipe("own", (item("soda", "soda", "1/2 cup", own=own),))
    weighed = weigh_out(recipe)[0]
    assert weighed.grams.typical == pytest.approx(100)
    assert not weighed.guessed
    assert weighed.grams.high - weighed.grams.low < 20


def test_recipe_refuses_nonsense() -> None:
    soda = item("soda", "soda", "1 cup")
    with pytest.raises(ValueError, match="appears twice"):
        Recipe("twice", (soda, soda))
    with pytest.raises(ValueError, match="needs an ingredient"):
        Recipe("empty", ())
    with pytest.raises(ValueError, match="tops up after"):
        Recipe("lost", (item("thinner", "water", "1 tsp", top_up_after="dye"),))
    with pytest.raises(ValueError, match="not an acid"):
        item("vinegar", "vinegar", "1 tsp", role="acid")


@given(masses=st.lists(st.floats(0.1, 1000), min_size=1, max_size=6), factor=st.floats(0.01, 100))
def test_shares_sum_to_hundred_and_do_not_change_with_scale(masses: list[float], factor: float) -> None:
    recipe = Recipe(
        "any",
        tuple(Ingredient(f"part {i}", "corn starch", Quantity(mass, "g")) for i, mass in enumerate(masses)),
    )
    share = shares(recipe)
    assert sum(span.typical for span in share.values()) == pytest.approx(100)
    bigger = shares(scale(recipe, factor))
    for name, span in share.items():
        assert bigger[name].typical == pytest.approx(span.typical, rel=1e-9)
    assert batch_mass(scale(recipe, factor)).typical == pytest.approx(sum(masses) * factor)


def test_share_bounds_hold_every_mix_inside_them() -> None:
    run = for_run(workshop(), {"colour": "lake", "oil": 1.0})
    spans = [weighed.dry for weighed in weigh_out(run)]
    bounds = list(shares(run).values())
    rng = np.random.default_rng(11)
    for _ in range(300):
        masses = np.array([rng.uniform(span.low, span.high) for span in spans])
        for pct, bound in zip(100 * masses / masses.sum(), bounds, strict=True):
            assert bound.low <= pct <= bound.high


def test_alcohol_is_gone_after_drying() -> None:
    run = for_run(workshop(), {"colour": "pearl", "oil": 0.5})
    assert shares(run)["rubbing alcohol"].high == 0
    grams = grams_of(run)
    assert shares(run)["soda"].typical > 100 * grams["soda"] / sum(grams.values())
    with pytest.raises(CannotAnswer, match="nothing in the batch that stays"):
        shares(Recipe("dry", (item("alcohol", "rubbing alcohol 91%", "1 tsp"),)))


def test_only_what_was_measured_by_volume_has_a_spread() -> None:
    rules = (workshop().rules[0], Rule("oil", sets="coconut", unit="g"))
    run = for_run(replace(workshop(), rules=rules), {"colour": "pearl", "oil": 3})
    by_name = {each.ingredient.name: each for each in weigh_out(run)}
    assert list(by_name) == [entry.name for entry in run.ingredients]
    assert not by_name["coconut"].from_volume
    soda = by_name["soda"].grams
    assert soda.low < soda.typical < soda.high


# --- moulds, cost, limits -----------------------------------------------------------------------------


def test_topped_up_liquids_scale_too() -> None:
    run = for_run(workshop(), {"colour": "dye", "oil": 0.5})
    assert grams_of(scale(run, 4))["thinner"] == pytest.approx(4 * grams_of(run)["thinner"])


def test_cost_by_weight_by_volume_and_across() -> None:
    kilo, litre = Quantity(1, "kg"), Quantity(1, "l")
    recipe = Recipe(
        "priced",
        (
            item("soda", "soda", "250 g", price=Price(4, kilo)),
            item("alcohol", "isopropyl alcohol 91 %", "50 ml", price=Price(10, litre)),
            item("oil", "olive oil", "1 cup", price=Price(9, kilo)),
            item("gift", "corn starch", "10 g"),
        ),
    )
    found = cost(recipe, pieces=5)
    # 250 g of 4 a kilo, 50 mL of 10 a litre, and a cup of olive oil that USDA weighs at 216 g
    assert found.batch.typical == pytest.approx(1.0 + 0.5 + 0.216 * 9)
    assert found.piece.typical == pytest.approx(found.batch.typical / 5)
    assert found.unpriced == ("gift",)
    assert cost(Recipe("liquid", recipe.ingredients[1:2]), pieces=1).batch.is_exact


@given(factor=st.floats(0.1, 50))
def test_cost_scales_with_the_batch(factor: float) -> None:
    recipe = Recipe("soda", (item("soda", "soda", "1/2 cup", price=Price(4, Quantity(1, "kg"))),))
    once, scaled = cost(recipe, 1), cost(scale(recipe, factor), 1)
    assert scaled.batch.typical == pytest.approx(once.batch.typical * factor)


def test_own_drop_weighings_price_a_bottle_by_its_density() -> None:
    own = OwnWeighing(Quantity(20, "drop"), (1.0,))
    dye = item("dye", "liquid dye", "20 drops", own=own, price=Price(5, Quantity(10, "ml")))
    # 1 g of a 10 mL bottle that holds about 10 g
    assert cost(Recipe("dyed", (dye,)), 1).batch.typical == pytest.approx(0.5)


def test_limits_are_told_with_how_sure() -> None:
    soda = item("soda", "soda", "95 g")
    sure = Recipe("sure", (soda, item("lake", "lake", "5 g", max_pct=2)))
    maybe = Recipe("maybe", (soda, item("lake", "lake", "1 tsp", max_pct=3)))
    fine = Recipe("fine", (soda, item("lake", "lake", "1 g", max_pct=2)))
    assert over_limits(sure) == ["lake is above your limit of 2 %: 5 % by mass."]
    (found,) = over_limits(maybe)
    assert found.startswith("lake could be above your limit of 3 %")
    assert "weigh it" in found
    assert over_limits(fine) == []


def test_limit_is_checked_on_the_dry_piece() -> None:
    wet = (item("soda", "soda", "90 g"), item("alcohol", "rubbing alcohol 91%", "10 g"))
    recipe = Recipe("damp", (*wet, item("lake", "lake", "2 g", max_pct=2)))
    assert 100 * grams_of(recipe)["lake"] / batch_mass(recipe).typical < 2
    assert len(over_limits(recipe)) == 1


def test_doubts_name_scoops_guesses_and_missing_emulsifier() -> None:
    said = " ".join(doubts([for_run(workshop(), {"colour": "pearl", "oil": 0.5})]))
    assert "soda, acid and blue mica" in said
    assert "The grams of citric acid (acid) and mica pigment (blue mica) are a guess" in said  # by kind
    assert "no emulsifier" not in said
    bare = Recipe("bare", (item("soda", "soda", "100 g"), item("mica", "mica", "2 g")))
    stains = "There is colour but no emulsifier: without one, colour can stain the tub and pigment can float."
    assert doubts([bare]) == (stains,)
    rich = replace(bare, ingredients=(*bare.ingredients, item("gum", "polysorbate 80", "3 g")))
    assert doubts([rich, bare]) == (stains,)  # in one of them is enough
    assert doubts([rich]) == ()


# --- sprays, and what a scale can weigh ------------------------------------------------------------------


def test_sprays_and_drops_are_assumed_until_the_maker_counts_them() -> None:
    guess = item("alcohol", "rubbing alcohol 91 %", "10 sprays")
    grams = grams_of(Recipe("a", (guess,)))["alcohol"]
    assert grams == pytest.approx(10 * 0.5 * 0.8126, rel=1e-3)
    (said,) = doubts([Recipe("a", (guess,))])
    assert "A spray of alcohol is assumed to be 0.5 (0.1 to 1.2) mL" in said
    assert "sprays_per_ml" in said
    counted = replace(guess, counted={"sprays": count_drops(6)})
    assert grams_of(Recipe("a", (counted,)))["alcohol"] == pytest.approx(grams / 3)
    weighed = replace(guess, own=OwnWeighing(Quantity(10, "spray"), (1.3, 1.4, 1.5)))
    assert grams_of(Recipe("a", (weighed,)))["alcohol"] == pytest.approx(1.4)
    assert doubts([Recipe("a", (counted,))]) == doubts([Recipe("a", (weighed,))]) == ()
    assert str(Quantity(1, "spray")) == "1 spray"


@pytest.mark.parametrize(("grams", "tells"), [(0.99, True), (1.0, False), (0, False)])
def test_under_ten_steps_of_the_scale_is_a_caution(grams: float, tells: bool) -> None:
    few = Recipe("a", (item("soda", "soda", "100 g"), item("gum", "gum", f"{grams} g", role="other")))
    assert bool(too_little([few], 0.1)) == tells


def test_what_is_too_little_goes_in_as_a_stock_where_something_can_carry_it() -> None:
    soda, acid = item("soda", "soda", "100 g"), item("acid", "citric acid", "50 g")
    gum, lake = item("gum", "gum", "0.5 g", role="other"), item("lake", "lake", "0.05 g")
    starch = item("starch", "cornflour", "4 g")
    (said,) = too_little([Recipe("a", (acid, starch, soda, gum))], 0.1)
    # 4 g of starch holds no 5 g of stock; soda does: 0.5 g in 4.5 g, ten times 0.5 g of the stock
    assert "Stir 1 part of it evenly into 9 of soda; take 10 times as much" in said
    assert "Or make the batch 2 times as big" in said
    (said,) = too_little([Recipe("a", (acid, soda, lake))], 0.1)
    assert "0.050 g of lake" in said
    assert "into 99 of soda; take 100 times as much" in said  # a tenth of that, 0.5 g, were too little still
    (said,) = too_little([Recipe("a", (acid, gum))], 0.1)  # never into the acid
    assert "Stir" not in said
    assert "Make the batch 2 times as big" in said
    drops = item("dye", "dye", "5 drops")
    assert too_little([Recipe("a", (soda, drops))], 0.1) == []  # counted, not weighed


def test_alcohol_that_is_tried_is_not_sprayed_on_freely() -> None:
    run = for_run(workshop(), {"colour": "pearl", "oil": 0.5})
    free, tried = ({step.key: step.do for step in bench_steps(run, jobs)} for jobs in ((), ("alcohol",)))
    assert "add one spray of alcohol, two at most" in free["squeeze"]
    assert "add none that is not on the card" in tried.pop("squeeze")
    assert "count them and write them down" in bench_steps(run, ("alcohol",))[-4].do
    del free["squeeze"]
    assert free == tried


def test_no_fizz_without_both() -> None:
    with pytest.raises(CannotAnswer, match="both soda and acid"):
        fizz_balance(Recipe("flat", (item("soda", "soda", "100 g"),)))


# --- steps and cautions ---------------------------------------------------------------------------------


@pytest.mark.parametrize("colour", ["pearl", "dye", "lake"])
def test_the_acid_goes_in_last_and_everything_goes_in_once(colour: str) -> None:
    run = for_run(workshop(), {"colour": colour, "oil": 0.5})
    steps = bench_steps(run)
    adding = [step for step in steps if step.ingredients]
    assert adding[-1].key == "acid"
    added = [name for step in adding for name in step.ingredients]
    assert sorted(added) == sorted(entry.name for entry in run.ingredients)
    keys = [step.key for step in steps]
    assert keys.index("acid") < keys.index("squeeze") < keys.index("mould") < keys.index("dry")


def test_steps_follow_the_kind_of_colour() -> None:
    def step_of(colour: str, name: str) -> str:
        run = for_run(workshop(), {"colour": colour, "oil": 0.5})
        return next(step.key for step in bench_steps(run) if name in step.ingredients)

    assert step_of("pearl", "blue mica") == "dry mix"
    assert step_of("dye", "blue dye") == "colour"
    assert step_of("lake", "blue lake") == "colour"
    assert step_of("pearl", "rubbing alcohol") == "liquid"


def test_cautions_come_with_their_ingredients() -> None:
    run = for_run(workshop(), {"colour": "pearl", "oil": 0.5})
    by_key = {caution.key: caution for caution in cautions(run)}
    assert set(by_key) == {
        "acid dust",
        "pigment dust",
        "alcohol fire",
        "slippery tub",
        "skin colours",
        "damp store",
    }
    step_keys = {step.key for step in bench_steps(run)}
    for caution in by_key.values():
        assert step_keys & set(caution.steps)
    no_oil = for_run(workshop(), {"colour": "dye", "oil": 0.0})
    keys = {caution.key for caution in cautions(no_oil)}
    assert "slippery tub" not in keys
    assert "pigment dust" not in keys


def test_bisulphate_is_warned_of_more_strongly() -> None:
    mild = cautions(Recipe("a", (item("acid", "citric acid", "10 g"),)))[0].say
    harsh = cautions(Recipe("a", (item("acid", "sodium bisulfate", "10 g"),)))[0].say
    assert "irritate" in mild
    assert "damage the eyes" in harsh
