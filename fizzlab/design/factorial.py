"""Full factorials of any levels, and regular fractions of two-level factorials, with centre points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from fizzlab.design.factors import Factor, Range, allowed, grid, plain, refuse_unusable, two_levels
from fizzlab.design.layout import lay_out
from fizzlab.design.model import Alias, Matrix, in_words, model_terms, pairs, parts
from fizzlab.design.plans import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Category

MOST_RUNS = 400

#: The regular two-level fractions of least aberration: (runs, factors) to the columns of the added factors,
#: in standard (Yates) order: bit i of a number says that basic factor i is in the product, so 3 is AB, 7 is
#: ABC. J. Chen, D. X. Sun, C. F. J. Wu, International Statistical Review 61 (1993) 131-145, as kept in the
#: catalogue of R package FrF2 2.3-4 (first design of each size). The tests check the word-length patterns.
MINIMUM_ABERRATION: dict[tuple[int, int], tuple[int, ...]] = {
    (4, 3): (3,),
    (8, 4): (7,),
    (8, 5): (3, 5),
    (8, 6): (3, 5, 6),
    (8, 7): (3, 5, 6, 7),
    (16, 5): (15,),
    (16, 6): (7, 11),
    (16, 7): (7, 11, 13),
    (16, 8): (7, 11, 13, 14),
    (16, 9): (3, 5, 9, 14, 15),
    (16, 10): (3, 5, 6, 9, 14, 15),
    (16, 11): (3, 5, 6, 9, 10, 13, 14),
    (16, 12): (3, 5, 6, 9, 10, 13, 14, 15),
    (32, 6): (31,),
    (32, 7): (7, 27),
    (32, 8): (7, 11, 29),
    (32, 9): (7, 11, 19, 29),
    (32, 10): (7, 11, 19, 29, 30),
    (32, 11): (7, 11, 13, 19, 21, 25),
    (32, 12): (7, 11, 13, 14, 19, 21, 25),
}


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
    refuse_unusable(factors)
    table = grid(factors)
    if len(table) * repeats > MOST_RUNS:
        raise CannotAnswer(
            f"Every combination would be {len(table) * repeats} batches.",
            "Ask for a fraction or an optimal plan of as many batches as you can make.",
        )
    table = allowed(table, forbidden).assign(point="factorial")
    table = pd.concat([*[table] * repeats, centres(factors, centre_points)], ignore_index=True)
    terms = model_terms(factors, model)
    if centre_points and not any("^2" in term for term in terms):
        terms = (*terms, "curvature")
    return lay_out("full factorial", table, factors, terms, seed, per_day, nice=pairs(factors))


def centres(factors: Sequence[Factor], number: int) -> pd.DataFrame:
    """Centre points: every amount half-way, for each combination of the named levels."""
    ranges = [factor for factor in factors if isinstance(factor, Range)]
    if number < 1:
        columns = [factor.name for factor in factors] + ["point"]
        return pd.DataFrame(columns=columns).astype({factor.name: float for factor in ranges})
    if not ranges:
        raise CannotAnswer("Named levels have no centre.", "Repeat the combinations instead.")
    named = [factor for factor in factors if isinstance(factor, Category)]
    base = grid(named) if named else pd.DataFrame(index=[0])
    middle = {factor.name: factor.decode([0.0])[0] for factor in ranges}
    return pd.concat([base.assign(**middle, point="centre")] * number, ignore_index=True)


@dataclass(frozen=True)
class Fraction:
    """A regular two-level fraction: its factors, basic ones first, and what the added ones are set to.

    Parameters
    ----------
    generators : tuple of (str, str)
        Each an added factor and its product, as ``("e", "a:b:c")`` or ``("e", "-a:b")``.

    Examples
    --------
    >>> half = Fraction(("a", "b", "c", "d"), (("d", "a:b:c"),))
    >>> half.resolution, half.words()
    (4, {'a:b:c:d': 1})
    """

    names: tuple[str, ...]
    generators: tuple[tuple[str, str], ...]

    def _signed(self) -> dict[int, int]:
        """Every word of the defining relation as a bit set, with its sign; the identity left out."""
        group = {0: 1}
        for added, product in self.generators:
            word, sign = self._bits(f"{product.removeprefix('-')}:{added}"), -1 if product[0] == "-" else 1
            group |= {old ^ word: mark * sign for old, mark in group.items()}
        del group[0]
        return group

    def _bits(self, term: str) -> int:
        bits = 0
        for name in parts(term):
            bits ^= 1 << self.names.index(name)
        return bits

    def _term(self, bits: int) -> str:
        return ":".join(name for place, name in enumerate(self.names) if bits >> place & 1)

    def words(self) -> dict[str, int]:
        """The defining relation: each word that always equals 1 (or -1), shortest first."""
        found = sorted(self._signed().items(), key=lambda item: (item[0].bit_count(), item[0]))
        return {self._term(bits): sign for bits, sign in found}

    @property
    def resolution(self) -> int:
        """Length of the shortest word."""
        return min(bits.bit_count() for bits in self._signed())

    def aliases(self, order: int = 2) -> tuple[Alias, ...]:
        """For each effect of at most two factors, every effect of at most `order` factors in its number."""
        group = self._signed()
        found = []
        for size in (1, 2):
            for names in combinations(self.names, size):
                effect = self._bits(":".join(names))
                shared = [(effect ^ word, sign) for word, sign in group.items()]
                shared = [each for each in shared if each[0].bit_count() <= order]
                shared.sort(key=lambda item: (item[0].bit_count(), item[0]))
                if shared:
                    others = tuple((self._term(bits), float(sign)) for bits, sign in shared)
                    found.append(Alias(":".join(names), others))
        return tuple(found)

    def design(self) -> Matrix:
        """The coded runs in standard order, shape (2^(k - p), k)."""
        added = {name for name, _ in self.generators}
        basic = [name for name in self.names if name not in added]
        runs = np.arange(2 ** len(basic))
        columns: dict[str, Matrix] = {
            name: np.where(runs >> place & 1, 1.0, -1.0) for place, name in enumerate(basic)
        }
        for name, product in self.generators:
            sign = -1.0 if product[0] == "-" else 1.0
            columns[name] = sign * np.prod(
                [columns[part] for part in parts(product.removeprefix("-"))], axis=0
            )
        return np.column_stack([columns[name] for name in self.names])


def fraction_of(
    names: Sequence[str],
    generators: Sequence[str] | None = None,
    batches: int | None = None,
    resolution: int | None = None,
) -> Fraction:
    """The regular fraction by generators (``"e=-a:b"``), by number of runs, or by least resolution.

    Examples
    --------
    >>> fraction_of("abcde", batches=8).generators
    (('d', 'a:b'), ('e', 'a:c'))
    >>> fraction_of("abcde", resolution=5).generators
    (('e', 'a:b:c:d'),)
    """
    names = tuple(names)
    if generators is not None:
        return Fraction(names, tuple(_generator(text, names) for text in generators))
    sizes = sorted(size for size, number in MINIMUM_ABERRATION if number == len(names))
    if batches is not None:
        if batches not in sizes:
            raise CannotAnswer(
                f"There is no regular fraction of {len(names)} factors in {batches} runs in the table.",
                f"Choose {', '.join(map(str, sizes)) or 'a full factorial'}, or ask for an optimal plan.",
            )
        return _from_table(names, batches)
    if resolution is None:
        raise ValueError("a fractional factorial needs generators, batches or a resolution")
    for size in sizes:
        found = _from_table(names, size)
        if found.resolution >= resolution:
            return found
    raise CannotAnswer(
        f"No fraction of {len(names)} factors in up to 32 runs has resolution {resolution}.",
        "Ask for a lower resolution, fewer factors, or a full factorial.",
    )


def _from_table(names: tuple[str, ...], runs: int) -> Fraction:
    basic = runs.bit_length() - 1
    found = []
    for name, column in zip(names[basic:], MINIMUM_ABERRATION[runs, len(names)], strict=True):
        found.append((name, ":".join(names[i] for i in range(basic) if column >> i & 1)))
    return Fraction(names, tuple(found))


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
    asked: Sequence[str] = (),
    per_day: int | None = None,
) -> Plan:
    """A regular fraction of a two-level factorial: main effects, and the names of what each is mixed with.

    `batches` counts the factorial runs, without repeats and centre points. `asked` are joint effects
    (``"oil:alcohol"``) that must not share their number with a main effect or with another one asked for.
    """
    refuse_unusable(factors)
    for factor in factors:
        if isinstance(factor, Category) and len(factor.levels) > 2:
            raise CannotAnswer(
                f"{plain(factor.name)} has {len(factor.levels)} levels, and a fraction knows only two.",
                "Choose two of them, or ask for an optimal plan, which takes any number of levels.",
            )
    main = tuple(factor.name for factor in factors)
    fraction = fraction_of(main, generators, batches, resolution)
    if fraction.resolution < 3:
        names = " and ".join(plain(name) for name in parts(next(iter(fraction.words()))))
        raise CannotAnswer(
            f"With these generators {names} always change together, so neither can be judged.",
            "Choose generators that are products of more factors.",
        )
    aliases, wider = fraction.aliases(), fraction.aliases(3)
    terms = model_terms(factors, (*main, *asked))
    _asked_apart(terms, aliases)
    free = [term for term in pairs(factors) if term not in {other for a in wider for other, _ in a.others}]
    table = two_levels(factors, np.tile(fraction.design(), (repeats, 1))).assign(point="factorial")
    table = pd.concat([table, centres(factors, centre_points)], ignore_index=True)
    said = []
    if fraction.resolution == 3:
        said.append("Main effects are mixed with joint effects of two: use it to screen, not to conclude.")
    return lay_out(
        f"fraction of a two-level factorial, 1 in {2 ** len(fraction.generators)}",
        table,
        factors,
        (*terms, "curvature") if centre_points else terms,
        seed,
        per_day,
        nice=[*free, *(alias.effect for alias in wider if ":" in alias.effect)],
        aliases=aliases,
        warnings=said,
        generators=[f"{added} = {product.replace(':', ' × ')}" for added, product in fraction.generators],
        resolution=fraction.resolution,
    )


def _asked_apart(asked: Sequence[str], aliases: Sequence[Alias]) -> None:
    """Refuse when two effects that were asked for share one number, or one shares it with a main effect."""
    for alias in aliases:
        for term in alias.same() if alias.effect in asked else ():
            if term in asked or ":" not in term:
                raise CannotAnswer(
                    f"In this plan {in_words(alias.effect)} cannot be told from {in_words(term)}.",
                    "Ask for a higher resolution, that is for more runs, or choose other generators.",
                )
