"""Intervals of several looks against published boundaries of group-sequential trials."""

from __future__ import annotations

from outside import Source, agrees
from scipy import stats

from fizzlab.models.sequential import constant_level

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


def test_two_equal_looks() -> None:
    agrees("error of each look", 1 - constant_level([12, 24]), 0.0294, TWO_LOOKS, abs=5e-5)


def test_five_equal_looks() -> None:
    level = constant_level([12, 24, 36, 48, 60])
    agrees("critical value", stats.norm.isf((1 - level) / 2), 2.413, FIVE_LOOKS, abs=5e-4)
    agrees("error of each look", 1 - level, 0.0158, FIVE_LOOKS, abs=5e-5)
