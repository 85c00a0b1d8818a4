"""A batch on paper: measures to grams, acid against soda, gas, cost, order of making and cautions."""

from fizzlab.recipe.amounts import (
    SAFETY_NOTE,
    SELLING_NOTE,
    amounts_table,
    batch_mass,
    cost,
    doubts,
    fizz_balance,
    over_limits,
    scale,
    shares,
    weigh_out,
)
from fizzlab.recipe.chemistry import gas_litres
from fizzlab.recipe.ingredients import Ingredient, Price, Recipe, Rule, for_run
from fizzlab.recipe.steps import Caution, Step, bench_steps, cautions

__all__ = [
    "SAFETY_NOTE",
    "SELLING_NOTE",
    "Caution",
    "Ingredient",
    "Price",
    "Recipe",
    "Rule",
    "Step",
    "amounts_table",
    "batch_mass",
    "bench_steps",
    "cautions",
    "cost",
    "doubts",
    "fizz_balance",
    "for_run",
    "gas_litres",
    "over_limits",
    "scale",
    "shares",
    "weigh_out",
]
