"""Fractions and blocks against published tables."""

from __future__ import annotations

from itertools import combinations

import pydoe
import pytest
from outside import Source, holds, same
from plan_criteria import day_share

from fizzlab.design.factorial import MINIMUM_ABERRATION, Fraction, fraction_of, full_factorial
from fizzlab.design.factors import Range


def amounts(number: int) -> list[Range]:
    return [Range(name, -1, 1, smallest=None) for name in "abcdefghijklmnopqrstuvw"[:number]]


def fraction(number: int, generators: list[str] | None = None, **wish: int) -> Fraction:
    return fraction_of("abcdefghijklmnop"[:number], generators, **wish)


def word_lengths(found: Fraction) -> dict[int, int]:
    lengths = [word.count(":") + 1 for word in found.words()]
    return {length: lengths.count(length) for length in sorted(set(lengths))}


CHEN = Source(
    "publication",
    "J. Chen, D. X. Sun, C. F. J. Wu, International Statistical Review 61 (1993) 131-145: fractions of least "
    "aberration",
    'as kept in the data of R package FrF2 2.3-4 (CRAN), elements "k-p.1" of its catalogue',
)
# numbers of words of length 3, 4, 5, 6, 7
CATALOGUE = {
    (4, 3): (3, (1, 0, 0, 0, 0)),
    (8, 4): (4, (0, 1, 0, 0, 0)),
    (8, 5): (3, (2, 1, 0, 0, 0)),
    (8, 6): (3, (4, 3, 0, 0, 0)),
    (8, 7): (3, (7, 7, 0, 0, 1)),
    (16, 5): (5, (0, 0, 1, 0, 0)),
    (16, 6): (4, (0, 3, 0, 0, 0)),
    (16, 7): (4, (0, 7, 0, 0, 0)),
    (16, 8): (4, (0, 14, 0, 0, 0)),
    (16, 9): (3, (4, 14, 8, 0, 4)),
    (16, 10): (3, (8, 18, 16, 8, 8)),
    (16, 11): (3, (12, 26, 28, 24, 20)),
    (16, 12): (3, (16, 39, 48, 48, 48)),
    (32, 6): (6, (0, 0, 0, 1, 0)),
    (32, 7): (4, (0, 1, 2, 0, 0)),
    (32, 8): (4, (0, 3, 4, 0, 0)),
    (32, 9): (4, (0, 6, 8, 0, 0)),
    (32, 10): (4, (0, 10, 16, 0, 0)),
    (32, 11): (4, (0, 25, 0, 27, 0)),
    (32, 12): (4, (0, 38, 0, 52, 0)),
}


def test_the_table_has_every_size_of_the_catalogue() -> None:
    same("sizes of the catalogue", set(MINIMUM_ABERRATION), set(CATALOGUE), CHEN, f"{len(CATALOGUE)} sizes")


@pytest.mark.parametrize("size", CATALOGUE, ids=str)
def test_resolution_and_word_lengths(size: tuple[int, int]) -> None:
    runs, number = size
    found = fraction(number, batches=runs)
    resolution, lengths = CATALOGUE[size]
    ours = (found.resolution, *(word_lengths(found).get(length, 0) for length in range(3, 8)))
    same(f"{number} factors in {runs} runs: resolution, words of 3 to 7", ours, (resolution, *lengths), CHEN)
    assert len(found.words()) == 2 ** len(found.generators) - 1
    # what the words say holds in the runs themselves
    coded = found.design()
    assert len({tuple(row) for row in coded}) == runs
    for word, sign in found.words().items():
        product = coded[:, [found.names.index(name) for name in word.split(":")]].prod(axis=1)
        assert (product == sign).all()


EXHAUSTIVE = Source("theory", "every choice of columns for the added factors", "all tried at every run")


@pytest.mark.parametrize(("runs", "number"), [(8, 5), (8, 6), (16, 6), (16, 7), (16, 8), (16, 9), (16, 10)])
def test_no_other_fraction_has_less_aberration(runs: int, number: int) -> None:
    # exhaustive: every choice of columns for the added factors
    basic = runs.bit_length() - 1
    names = tuple("abcdefghijklmnop"[:number])
    products = [c for c in range(runs) if c.bit_count() >= 2]
    ours = word_lengths(fraction(number, batches=runs))
    best = tuple(ours.get(length, 0) for length in range(1, number + 1))
    least = best
    for columns in combinations(products, number - basic):
        generators = tuple(
            (name, ":".join(names[i] for i in range(basic) if column >> i & 1))
            for name, column in zip(names[basic:], columns, strict=True)
        )
        lengths = word_lengths(Fraction(names, generators))
        least = min(least, tuple(lengths.get(length, 0) for length in range(1, number + 1)))
    same(f"{number} factors in {runs} runs: words by length, least of all", best, least, EXHAUSTIVE)


DATAPLOT = Source(
    "standard",
    'NIST Dataplot, reference file DEXRES4.TXT, "Index of Minimal-Sample-Size Resolution-4 2**(k-p) Designs" '
    "(from Box, Hunter and Hunter, pages 410-413)",
    "www.itl.nist.gov/div898/software/dataplot/text. It prints 2**(5-1) with generators of resolution III, a "
    "misprint; resolution is computed here and never read off",
)
# factors, runs, definitions of the added factors (digits are factors, A, B, ... the eleventh and on)
RESOLUTION_FOUR = [
    (4, 8, "4=123"),
    (6, 16, "5=123 6=234"),
    (7, 16, "5=123 6=234 7=134"),
    (8, 16, "5=234 6=134 7=123 8=124"),
    (9, 32, "6=2345 7=1345 8=1245 9=1235"),
    (10, 32, "6=1234 7=1235 8=1245 9=1345 0=2345"),
    (11, 32, "6=123 7=234 8=345 9=134 0=145 A=245"),
]


@pytest.mark.parametrize(("number", "runs", "text"), RESOLUTION_FOUR)
def test_resolution_four_index(number: int, runs: int, text: str) -> None:
    place = dict(zip("1234567890ABC", "abcdefghijklmnop"[:number], strict=False))
    generators = [f"{place[d[0]]}={':'.join(place[c] for c in d[2:])}" for d in text.split()]
    theirs = fraction(number, generators)
    assert theirs.resolution == 4
    smallest = fraction(number, resolution=4)
    same(f"{number} factors, resolution IV: runs", len(smallest.design()), runs, DATAPLOT)
    # as good or better in words of four letters, so never worse than Box, Hunter & Hunter
    ours, printed = word_lengths(smallest)[4], word_lengths(theirs)[4]
    holds(
        f"{number} factors: words of four letters", f"at most {printed}", ours <= printed, DATAPLOT, str(ours)
    )


def test_the_index_prints_five_factors_as_resolution_four_with_generators_of_three() -> None:
    # the same index gives 2**(5-1) as "4=12 5=13" in 16 runs, which is of resolution III in 8 runs:
    # a misprint there, and the reason why resolution is computed here and never read off
    assert fraction(5, ["d=a:b", "e=a:c"]).resolution == 3
    same("5 factors, resolution IV: runs", len(fraction(5, resolution=4).design()), 16, DATAPLOT)


def test_aliases_of_the_half_fraction_in_the_solutions_to_montgomery_8_1() -> None:
    montgomery = Source(
        "publication",
        "Montgomery, Design and Analysis of Experiments, problem 8.1: 2^(4-1) with I = ABCD",
        "in solutions to chapter 8, which list BC, BD, CD, ABC, ABD, ACD, BCD, ABCD as aliased",
    )
    aliases = fraction(4, ["d=a:b:c"]).aliases(3)
    ours = tuple(tuple(aliases[effect].items()) for effect in ("a:b", "b:c", "a"))
    printed = ((("c:d", 1.0),), (("a:d", 1.0),), (("b:c:d", 1.0),))
    same("aliases of AB, BC, A", ours, printed, montgomery, "CD, AD, BCD")


def test_aliases_agree_with_those_that_pydoe_finds_from_the_runs() -> None:
    pydoe_words = Source(
        "program",
        "pydoe 1.6.0, fracfact_aliasing: independent of our word algebra, from the columns",
        "worked out at every run",
    )
    found = fraction(6, batches=8)
    mine = {frozenset([effect, *others]) for effect, others in found.aliases(order=6).items()}
    chains, _ = pydoe.fracfact_aliasing(found.design())
    theirs = {frozenset(":".join(word) for word in chain.split(" = ")) for chain in chains if "=" in chain}
    with_low_order = {chain for chain in theirs if any(term.count(":") <= 1 for term in chain)}
    same(
        "alias chains of six factors in eight runs", mine, with_low_order, pydoe_words, f"{len(mine)} chains"
    )


def test_two_blocks_of_a_cube() -> None:
    handbook = Source(
        "standard",
        "NIST/SEMATECH e-Handbook, 5.3.3.3.3, table 3.10: 2^3 in two blocks by the sign of X1 X2 X3",
        "there",
    )
    plan = full_factorial(amounts(3), seed=5, repeats=1, per_day=4, model="main")
    product = plan.runs[["a", "b", "c"]].prod(axis=1)
    one_sign = bool(product.groupby(plan.runs["day"]).nunique().eq(1).all())
    holds("blocks of a 2^3", "X1 X2 X3 has one sign in each", one_sign, handbook)
    assert day_share(plan) == 1.0


def test_the_smallest_resolution_five() -> None:
    # catalogue above: the smallest tabled fractions of resolution V or more
    found = {number: len(fraction(number, resolution=5).design()) for number in (5, 6)}
    same("smallest runs of resolution V, by factors", found, {5: 16, 6: 32}, CHEN)


def test_the_defining_relation_of_six_factors() -> None:
    # (16, 6): 7 = ABC, 11 = ABD; words ABCE, ABDF and their product CDEF
    found = fraction(6, batches=16)
    assert found.generators == (("e", "a:b:c"), ("f", "a:b:d"))
    words = {"a:b:c:e", "a:b:d:f", "c:d:e:f"}
    same("defining relation of six factors in 16 runs", set(found.words()), words, CHEN, "3 words")
