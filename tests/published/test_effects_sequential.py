"""Intervals of several looks against published boundaries of group-sequential trials."""

from __future__ import annotations

from outside import Source, agrees
from scipy import stats

from fizzlab.models.sequential import constant_level, planned_level

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


def test_looks_planned_at_three_quarters_and_the_like() -> None:
    rpact = Source(
        "program",
        "R 4.2.2, rpact 3.3.4: getDesignGroupSequential, two-sided at 5 %, O'Brien and Fleming's type",
        "run for this check",
        how="tests/published/r/sequential.R",
    )
    for looks, bounds in (
        ([12, 24, 36, 48, 60], [4.876885, 3.357012, 2.680280, 2.289817, 2.031032]),
        ([12, 18, 24], [2.962588, 2.359018, 2.014084]),
        ([12, 15, 30, 36], [3.710303, 3.300472, 2.200172, 2.035575]),
    ):
        for look, bound in enumerate(bounds, start=1):
            level = planned_level(looks[:look], looks[-1])
            seen = stats.norm.isf((1 - level) / 2)
            agrees(
                f"bound of look {look} of {looks}", seen, bound, rpact, abs=1e-3
            )  # chances are integrated to 1e-6
