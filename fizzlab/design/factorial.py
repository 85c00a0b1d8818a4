"""Full factorials of any levels, regular fractions of two-level ones, and central composites of amounts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor, Range, allowed, grid, plain, require_ranges, two_levels
from fizzlab.design.layout import lay_out
from fizzlab.design.model import Aliases, Matrix, model_terms
from fizzlab.design.plans import Plan
from fizzlab.errors import cannot
from fizzlab.language import say
from fizzlab.models.terms import Category, parts

MOST_RUNS = 400

#: The regular two-level fractions of least aberration: (runs, factors) to the columns of the added factors,
#: in standard (Yates) order: bit i of a number says that basic factor i is in the product, so 3 is AB, 7 is
#: ABC. J. Chen, D. X. Sun, C. F. J. Wu, International Statistical Review 61 (1993) 131-145, as kept in the
#: catalogue of R package FrF2 2.3-4 (first design of each size). The tests check the word-length patterns.
# fmt: off
MINIMUM_ABERRATION: dict[tuple[int, int], tuple[int, ...]] = {
    (4, 3): (3,), (8, 4): (7,), (8, 5): (3, 5), (8, 6): (3, 5, 6), (8, 7): (3, 5, 6, 7), (16, 5): (15,),
    (16, 6): (7, 11), (16, 7): (7, 11, 13), (16, 8): (7, 11, 13, 14), (16, 9): (3, 5, 9, 14, 15),
    (16, 10): (3, 5, 6, 9, 14, 15), (16, 11): (3, 5, 6, 9, 10, 13, 14),
    (16, 12): (3, 5, 6, 9, 10, 13, 14, 15), (32, 6): (31,), (32, 7): (7, 27), (32, 8): (7, 11, 29),
    (32, 9): (7, 11, 19, 29), (32, 10): (7, 11, 19, 29, 30), (32, 11): (7, 11, 13, 19, 21, 25),
    (32, 12): (7, 11, 13, 14, 19, 21, 25),
}
# fmt: on


def full_factorial(
    factors: Sequence[Factor],
    seed: int,
    *,
    repeats: int = 1,
    centre_points: int = 0,
    model: str | Sequence[str] = "interactions",
    per_day: int | None = None,
    forbidden: Sequence[Mapping[str, object]] = (),
) -> Plan:
    """Every combination of levels, each so often; an amount is set at its bounds, or at its own amounts."""
    table = grid(factors)
    if len(table) * repeats > MOST_RUNS:
        raise cannot("every_combination", n=len(table) * repeats)
    table = allowed(table, forbidden).assign(point="factorial")
    table = with_centres(pd.concat([table] * repeats, ignore_index=True), factors, centre_points)
    terms = model_terms(factors, model)
    if centre_points and not any("^2" in term for term in terms):
        terms = (*terms, "curvature")
    return lay_out("full factorial", table, factors, terms, seed, per_day)


def with_centres(table: pd.DataFrame, factors: Sequence[Factor], number: int) -> pd.DataFrame:
    """The settings, and every amount half-way so often, for each combination of the named levels."""
    if number < 1:
        return table
    middle = {factor.name: factor.decode([0.0])[0] for factor in factors if isinstance(factor, Range)}
    if not middle:
        raise cannot("no_centre")
    centre = table.assign(**middle, point="centre").drop_duplicates()
    return pd.concat([table, *[centre] * number], ignore_index=True)


@dataclass(frozen=True)
class Fraction:
    """A regular fraction: its factors, basic ones first, and its generators: ``("e", "-a:b")``."""

    names: tuple[str, ...]
    generators: tuple[tuple[str, str], ...]

    def _term(self, word: frozenset[str]) -> str:
        return ":".join(name for name in self.names if name in word)

    def words(self) -> dict[str, int]:
        """The defining relation: each word that always equals 1 (or -1), shortest first."""
        group = {frozenset[str](): 1}
        for added, product in self.generators:
            word = frozenset({added, *parts(product.removeprefix("-"))})
            sign = -1 if product[0] == "-" else 1
            group |= {old ^ word: mark * sign for old, mark in group.items()}
        del group[frozenset()]
        return {self._term(word): group[word] for word in sorted(group, key=self._rank)}

    def _rank(self, word: frozenset[str]) -> tuple[int, list[int]]:
        return len(word), sorted((self.names.index(name) for name in word), reverse=True)

    @property
    def resolution(self) -> int:
        """Length of the shortest word."""
        return min(len(parts(word)) for word in self.words())

    def aliases(self, order: int = 2) -> Aliases:
        """For each effect of at most two factors, every effect of at most `order` factors in its number."""
        words = {frozenset(parts(word)): float(sign) for word, sign in self.words().items()}
        found = {}
        for effect in [(name,) for name in self.names] + [*combinations(self.names, 2)]:
            shared = {word ^ frozenset(effect): sign for word, sign in words.items()}
            near = sorted((each for each in shared if len(each) <= order), key=self._rank)
            if near:
                found[":".join(effect)] = {self._term(each): shared[each] for each in near}
        return found

    def design(self) -> Matrix:
        """The coded runs in standard order, shape (2^(k - p), k)."""
        import pydoe

        added = dict(self.generators)
        basic = [name for name in self.names if name not in added]
        coded = pd.DataFrame(2 * pydoe.fullfact([2] * len(basic)) - 1, columns=basic)
        for name, product in self.generators:
            sign = -1.0 if product[0] == "-" else 1.0
            coded[name] = sign * coded[list(parts(product.removeprefix("-")))].prod(axis=1)
        return coded[list(self.names)].to_numpy()


def fraction_of(
    names: Sequence[str],
    generators: Sequence[str] | None = None,
    batches: int | None = None,
    resolution: int | None = None,
) -> Fraction:
    """The regular fraction by generators (``"e=-a:b"``), by number of runs, or by least resolution.

    Examples
    --------
    >>> fraction_of("abcde", batches=8).generators, fraction_of("abcde", resolution=5).generators
    ((('d', 'a:b'), ('e', 'a:c')), (('e', 'a:b:c:d'),))
    """
    names = tuple(names)
    if generators is not None:
        return Fraction(names, tuple(_generator(text, names) for text in generators))
    if batches is None and resolution is None:
        raise ValueError("a fractional factorial needs generators, batches or a resolution")
    tabled = {size: _from_table(names, size) for size, n in sorted(MINIMUM_ABERRATION) if n == len(names)}
    for size, found in tabled.items():
        if size == batches or (batches is None and found.resolution >= (resolution or 0)):
            return found
    asked = "fraction_runs" if batches else "fraction_resolution"
    wanted = say(asked, batches=batches, resolution=resolution)
    sizes = ", ".join(map(str, tabled)) or say("full_factorial")
    raise cannot("no_fraction", n=len(names), wanted=wanted, sizes=sizes)


def _from_table(names: tuple[str, ...], runs: int) -> Fraction:
    basic = runs.bit_length() - 1
    products = [
        ":".join(names[i] for i in range(basic) if column >> i & 1)
        for column in MINIMUM_ABERRATION[runs, len(names)]
    ]
    return Fraction(names, tuple(zip(names[basic:], products, strict=True)))


def _generator(text: str, names: tuple[str, ...]) -> tuple[str, str]:
    added, _, product = text.replace(" ", "").partition("=")
    used = parts(product.removeprefix("-"))
    if added not in names or not set(used) <= set(names) or added in used or len(used) < 2:
        raise ValueError(f"the generator {text!r} must be one factor = a product of two others or more")
    return added, product


def fractional_factorial(
    factors: Sequence[Factor],
    seed: int,
    *,
    generators: Sequence[str] | None = None,
    batches: int | None = None,
    resolution: int | None = None,
    repeats: int = 1,
    centre_points: int = 0,
    per_day: int | None = None,
) -> Plan:
    """A regular fraction of a two-level factorial, in so many `batches` without repeats and centre points."""
    for factor in factors:
        if isinstance(factor, Category) and len(factor.levels) > 2:
            raise cannot("two_levels_only", name=plain(factor.name), n=len(factor.levels))
    main = tuple(factor.name for factor in factors)
    fraction = fraction_of(main, generators, batches, resolution)
    if fraction.resolution < 3:
        names = " and ".join(plain(name) for name in parts(next(iter(fraction.words()))))
        raise cannot("change_together", names=names)
    table = two_levels(factors, np.tile(fraction.design(), (repeats, 1))).assign(point="factorial")
    kind = f"fraction of a two-level factorial, 1 in {2 ** len(fraction.generators)}"
    terms = (*main, "curvature") if centre_points else main
    settings, screens = with_centres(table, factors, centre_points), fraction.resolution == 3
    known: Any = {"aliases": fraction.aliases(), "warnings": [say("screens")] if screens else []}
    plan = lay_out(kind, settings, factors, terms, seed, per_day, **known)
    said = tuple(f"{added} = {product.replace(':', ' × ')}" for added, product in fraction.generators)
    return replace(plan, generators=said, resolution=fraction.resolution)


def central_composite(
    factors: Sequence[Factor],
    seed: int,
    *,
    reach: Literal["circumscribed", "inscribed", "faces"] = "inscribed",
    centre_points: int = 6,
    per_day: int | None = None,
) -> Plan:
    """Corners, stars and centre points: main effects, joint effects of two and bends of 2 to 6 amounts.

    The stars stand at the fourth root of the number of corners, so that a forecast is as sure in every
    direction (rotatable; G. E. P. Box, J. S. Hunter, Annals of Mathematical Statistics 28 (1957) 195-241).
    """
    import pydoe

    ranges = require_ranges(factors, "a central composite plan")
    number = len(ranges)
    if not 2 <= number <= 6:
        raise cannot("two_to_six")
    names = [factor.name for factor in ranges]
    corners = fraction_of(names, resolution=5).design() if number >= 5 else pydoe.ff2n(number)
    distance = 1.0 if reach == "faces" else float(len(corners) ** 0.25)
    stars = np.kron(np.eye(number), [[-distance], [distance]])
    middle = np.zeros((centre_points, number))
    half = centre_points - centre_points // 2
    coded = np.vstack([corners, middle[:half], stars, middle[half:]])
    table = two_levels(ranges, coded / max(distance, 1.0) if reach == "inscribed" else coded)
    for factor in ranges:
        low, high = table[factor.name].min(), table[factor.name].max()
        too_low = factor.smallest is not None and low < factor.smallest - 1e-9
        if too_low or (factor.largest is not None and high > factor.largest + 1e-9):
            amount = low if too_low else high
            raise cannot("star_beyond", amount=amount, unit=factor.unit, name=plain(factor.name))
    each = {"factorial": len(corners), "centre": half, "axial": len(stars)}
    table["point"] = np.repeat([*each, "centre"], [*each.values(), centre_points - half])
    kind = f"central composite ({reach}, stars at {distance:.3f})"
    return lay_out(kind, table, ranges, model_terms(ranges, "quadratic"), seed, per_day)
