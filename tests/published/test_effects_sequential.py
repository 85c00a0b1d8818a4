"""Intervals of several looks against published boundaries of group-sequential trials."""

from __future__ import annotations

from outside import Source, agrees
from scipy import stats

from fizzlab.models.sequential import constant_level, spending_levels

TWO_LOOKS = Source(
    "publication",
    "Pocock's adjusted error of 0.0294 for one look at half of a trial and one at its end",
    "as quoted in a discussion on forum.bebac.at",
)
FIVE_LOOKS = Source(
    "publication",
    "Pocock, Biometrika 64 (1977) 191: critical value of five equal looks at 5 %, and the error of each",
    "as quoted on grokipedia.com, “Pocock boundary”",
)
SPENT = Source(
    "program",
    "SeqBounds.jl: O'Brien and Fleming's spending function, one-sided 5 %, looks at every quarter",
    "the table in its README",
)


def test_two_equal_looks() -> None:
    agrees("error of each look", 1 - constant_level([12, 24]), 0.0294, TWO_LOOKS, abs=5e-5)


def test_five_equal_looks() -> None:
    level = constant_level([12, 24, 36, 48, 60])
    agrees("critical value", stats.norm.isf((1 - level) / 2), 2.413, FIVE_LOOKS, abs=5e-4)
    agrees("error of each look", 1 - level, 0.0158, FIVE_LOOKS, abs=5e-5)


def test_error_spent_as_planned() -> None:
    # ours is two-sided: twice the error, half of it on each side (what both sides take at once is below 1e-6)
    levels = spending_levels([6, 12, 18, 24], planned=24, conf_level=0.90)
    found = [stats.norm.isf((1 - level) / 2) for level in levels]
    agrees("critical values", found, [3.74955, 2.53993, 2.01604, 1.72014], SPENT, abs=1e-3)
