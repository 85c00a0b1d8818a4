"""Which effects share one number: by word algebra in regular fractions, by regression in any plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fizzlab.design.factors import NO_LABELS
from fizzlab.design.model import Matrix, in_words, parts
from fizzlab.report.phrases import listed


@dataclass(frozen=True)
class Alias:
    """What else is in the number that estimates an effect.

    Parameters
    ----------
    effect : str
        The term whose estimate it is.
    others : tuple of (str, float)
        The other terms in it, each with how much of that term is added: 1 or -1 where the two cannot
        be told apart at all, a fraction where a part of it leaks in.

    Examples
    --------
    >>> print(Alias("oil", (("alcohol:emulsifier", 1.0),)))
    The effect of oil cannot be told from the joint effect of alcohol and emulsifier.
    """

    effect: str
    others: tuple[tuple[str, float], ...]

    @property
    def complete(self) -> bool:
        """Is some other effect wholly in it?"""
        return any(abs(abs(amount) - 1) < 1e-6 for _, amount in self.others)

    def __str__(self) -> str:
        return self.sentence()

    def sentence(self, labels: Mapping[str, str] = NO_LABELS) -> str:
        """In plain words; `labels` are what the reader calls the factors."""
        whole = [in_words(term, labels) for term, amount in self.others if abs(abs(amount) - 1) < 1e-6]
        part = [(term, amount) for term, amount in self.others if abs(abs(amount) - 1) >= 1e-6]
        subject = in_words(self.effect, labels)
        said = []
        if whole:
            said.append(f"{subject[0].upper()}{subject[1:]} cannot be told from {listed(whole, 'or')}.")
        if part:
            most = max(abs(amount) for _, amount in part)
            named = [in_words(term, labels) for term, _ in part]
            if len(named) > 3:
                named = [*named[:2], f"{len(named) - 2} other effects"]
            said.append(
                f"Up to {100 * most:.0f} % of {listed(named, 'or')} leaks into {subject}, if there is any."
            )
        return " ".join(said)


@dataclass(frozen=True)
class Fraction:
    """A regular two-level fraction: its factors and its signed words.

    Parameters
    ----------
    names : tuple of str
        Factors, basic ones first.
    generators : tuple of (str, str)
        Each an added factor and the product it is set to, as ``("e", "a:b:c")`` or ``("e", "-a:b")``.

    Examples
    --------
    >>> half = Fraction(("a", "b", "c", "d"), (("d", "a:b:c"),))
    >>> half.resolution, half.words()
    (4, (('a:b:c:d', 1),))
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

    def words(self) -> tuple[tuple[str, int], ...]:
        """The defining relation: each word that always equals 1 (or -1), shortest first."""
        found = sorted(self._signed().items(), key=lambda item: (item[0].bit_count(), item[0]))
        return tuple((self._term(bits), sign) for bits, sign in found)

    def word_lengths(self) -> dict[int, int]:
        """How many words there are of each length."""
        lengths = [bits.bit_count() for bits in self._signed()]
        return {length: lengths.count(length) for length in sorted(set(lengths))}

    @property
    def resolution(self) -> int:
        """Length of the shortest word."""
        return min(self.word_lengths())

    def aliases(self, order: int = 3) -> tuple[Alias, ...]:
        """For each effect of at most two factors, every effect of at most `order` factors in its number."""
        group = self._signed()
        found = []
        for size in (1, 2):
            for names in combinations(self.names, size):
                effect = self._bits(":".join(names))
                shared = [(effect ^ word, sign) for word, sign in group.items()]
                shared = sorted((e for e in shared if e[0].bit_count() <= order), key=_by_length)
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
            factors = [columns[part] for part in parts(product.removeprefix("-"))]
            columns[name] = sign * np.prod(factors, axis=0)
        return np.column_stack([columns[name] for name in self.names])


def _by_length(item: tuple[int, int]) -> tuple[int, int]:
    return item[0].bit_count(), item[0]


def leaks(
    model: Matrix,
    owner: Sequence[str],
    extra: Matrix,
    extra_owner: Sequence[str],
    kept: Mapping[str, bool] | None = None,
    least: float = 0.05,
) -> tuple[Alias, ...]:
    """Aliases of any plan: the alias matrix (X'X)^-1 X'Z of the terms left out of the model.

    Parameters
    ----------
    model, owner
        Model matrix, of full column rank, and the term of each column (days may be among them).
    extra, extra_owner
        Columns of the terms that are left out.
    kept : mapping, optional
        Terms to report; all by default.
    least : float
        Amounts smaller than this are not listed.

    Returns
    -------
    tuple of Alias

    Notes
    -----
    G. E. P. Box and K. B. Wilson, J. Royal Statistical Society B 13 (1951) 1-45.
    """
    if not extra.size:
        return ()
    amounts = np.linalg.lstsq(model, extra, rcond=None)[0]
    found = []
    for effect in dict.fromkeys(owner):
        if kept is not None and effect not in kept:
            continue
        rows = [i for i, term in enumerate(owner) if term == effect]
        others = []
        for term in dict.fromkeys(extra_owner):
            block = amounts[np.ix_(rows, [j for j, name in enumerate(extra_owner) if name == term])]
            largest = block.flat[int(np.abs(block).argmax())]
            if abs(largest) >= least:
                others.append((term, float(round(largest, 6))))
        if others:
            found.append(Alias(effect, tuple(sorted(others, key=lambda item: -abs(item[1])))))
    return tuple(found)
