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
from fizzlab.recipe.chemistry import ACIDS, BATH_C, GAS_CONSTANT, gas_litres, henry_co2, soluble_g
from fizzlab.recipe.ingredients import ROLES, Choose, Ingredient, Multiply, Price, Recipe, SetAmount, for_run
from fizzlab.recipe.steps import Caution, Step, bench_steps, cautions

__all__ = [
    "ACIDS",
    "BATH_C",
    "GAS_CONSTANT",
    "ROLES",
    "SAFETY_NOTE",
    "SELLING_NOTE",
    "Caution",
    "Choose",
    "Ingredient",
    "Multiply",
    "Price",
    "Recipe",
    "SetAmount",
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
    "henry_co2",
    "over_limits",
    "scale",
    "shares",
    "soluble_g",
    "weigh_out",
]
