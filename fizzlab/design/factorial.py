"""Full factorials of any levels, and regular fractions of two-level factorials, with centre points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pydoe

from fizzlab.design.aliases import Fraction
from fizzlab.design.catalogue import MINIMUM_ABERRATION
from fizzlab.design.factors import (
    Factor,
    Range,
    is_forbidden,
    plain,
    refuse_unusable,
    require_two_levels,
    two_levels,
)
from fizzlab.design.layout import asked_apart, lay_out, pairs
from fizzlab.design.model import categories, model_terms, parts
from fizzlab.design.plan import Plan
from fizzlab.errors import CannotAnswer
from fizzlab.models.terms import Category

MOST_RUNS = 400


def grid(factors: Sequence[Factor], steps: int | Mapping[str, int] = 2) -> pd.DataFrame:
    """Every combination of the levels, and of even steps of each amount (or its own amounts).

    `steps` is their number, for all amounts or for each by name.

    Examples
    --------
    >>> grid([Range("oil", 4, 8, "g"), Category("colour", ("mica", "lake"), "mica")])
       oil colour
    0  4.0   mica
    1  8.0   mica
    2  4.0   lake
    3  8.0   lake
    """
    levels: list[list[object]] = []
    for factor in factors:
        if isinstance(factor, Category):
            levels.append(list(factor.levels))
        elif isinstance(factor, Range):
            number = steps if isinstance(steps, int) else steps[factor.name]
            values = factor.amounts or tuple(factor.decode(np.linspace(-1, 1, number)))
            levels.append([float(value) for value in values])
        else:
            raise TypeError("a share of a mixture cannot be set on its own; use a mixture plan")
    places = pydoe.fullfact([len(values) for values in levels]).astype(int)
    columns = {f.name: [v[i] for i in col] for f, v, col in zip(factors, levels, places.T, strict=True)}
    return pd.DataFrame(columns)


def full_factorial(
    factors: Sequence[Factor],
    seed: int,
    *,
    repeats: int = 1,
    centre: int = 0,
    model: str | Sequence[str] = "interactions",
    per_day: int | None = None,
    forbidden: Sequence[dict[str, object]] = (),
) -> Plan:
    """Every combination of levels; an amount is set at its bounds, or at its own amounts.

    Parameters
    ----------
    factors : sequence of Category or Range
    seed : int
    repeats : int
        How often each combination is made.
    centre : int
        Runs with every amount half-way (for each combination of named levels); they show a bend and
        judge chance variation.
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
        What it must be able to tell. Quadratic needs amounts with three steps or more.
    per_day : int, optional
        Batches that fit in a day.
    forbidden : sequence of dict
        See `is_forbidden`.

    Returns
    -------
    Plan

    Raises
    ------
    CannotAnswer
        See `lay_out`; also when the forbidden combinations leave nothing.

    Examples
    --------
    >>> oil, spray = Range("oil", 4, 8, "g"), Range("sprays", 2, 6)
    >>> colour = Category("colour", ("mica", "lake"), "mica")
    >>> plan = full_factorial([oil, spray, colour], seed=7, repeats=2, per_day=8)
    >>> plan.days, plan.error_df, plan.repeat_df, plan.day_efficiency
    (2, {'runs': 8}, 7, 1.0)
    """
    refuse_unusable(factors)
    table = grid(factors)
    if len(table) * repeats > MOST_RUNS:
        raise CannotAnswer(
            f"Every combination would be {len(table) * repeats} batches.",
            "Ask for a fraction or an optimal plan of as many batches as you can make.",
        )
    table = _allowed(table, forbidden)
    table = pd.concat([table.assign(point="factorial")] * repeats + [centres(factors, centre)])
    terms = model_terms(factors, model)
    terms = (*terms, "curvature") if centre and not any("^2" in term for term in terms) else terms
    return lay_out(
        "full factorial",
        table.reset_index(drop=True),
        factors,
        terms,
        seed,
        per_day,
        nice=pairs(factors),
    )


def _allowed(table: pd.DataFrame, forbidden: Sequence[dict[str, object]]) -> pd.DataFrame:
    left = table[~is_forbidden(table, forbidden)].reset_index(drop=True)
    if left.empty:
        raise CannotAnswer(
            "The forbidden combinations leave no run that may be made.",
            "Forbid less, or change the levels.",
        )
    return left


def centres(factors: Sequence[Factor], number: int) -> pd.DataFrame:
    """Centre points: every amount half-way, for each combination of the named levels."""
    columns = [factor.name for factor in factors] + ["point"]
    if number < 1:
        return pd.DataFrame(columns=columns).astype({f.name: float for f in factors if isinstance(f, Range)})
    ranges = [factor for factor in factors if isinstance(factor, Range)]
    if not ranges:
        raise CannotAnswer("Named levels have no centre.", "Repeat the combinations instead.")
    named = categories(factors)
    base = grid(named) if named else pd.DataFrame(index=[0])
    for factor in ranges:
        base[factor.name] = factor.decode([0.0])[0]
    table = pd.concat([base] * number, ignore_index=True)
    return table.assign(point="centre")[columns]


def fraction_of(
    factors: Sequence[Factor],
    generators: Sequence[str] | None = None,
    runs: int | None = None,
    resolution: int | None = None,
) -> Fraction:
    """The regular fraction for the wish: by generators, by number of runs, or by resolution.

    Parameters
    ----------
    factors : sequence of two-level factors
    generators : sequence of str, optional
        Each as ``"emulsifier=oil:alcohol"`` or ``"emulsifier=-oil:alcohol"``.
    runs : int, optional
        4, 8, 16, 32 or 64 factorial runs; the fraction of least aberration is taken.
    resolution : int, optional
        The least resolution wanted; the smallest such fraction is taken.

    Raises
    ------
    CannotAnswer
        No such fraction.

    Examples
    --------
    >>> five = [Range(name, 0, 1) for name in "abcde"]
    >>> fraction_of(five, runs=8).generators
    (('d', 'a:b'), ('e', 'a:c'))
    >>> fraction_of(five, resolution=5).generators
    (('e', 'a:b:c:d'),)
    """
    names = tuple(factor.name for factor in factors)
    if generators is not None:
        return Fraction(names, tuple(_generator(text, names) for text in generators))
    sizes = sorted(size for size, number in MINIMUM_ABERRATION if number == len(names))
    if runs is not None:
        if runs not in sizes:
            raise CannotAnswer(
                f"There is no regular fraction of {len(names)} factors in {runs} runs in the table.",
                f"Choose {', '.join(map(str, sizes)) or 'a full factorial'}, or ask for an optimal plan.",
            )
        return _from_table(names, runs)
    if resolution is None:
        raise ValueError("give generators, runs or resolution")
    for size in sizes:
        found = _from_table(names, size)
        if found.resolution >= resolution:
            return found
    raise CannotAnswer(
        f"No fraction of {len(names)} factors in up to 64 runs has resolution {resolution}.",
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
    runs: int | None = None,
    resolution: int | None = None,
    repeats: int = 1,
    centre: int = 0,
    asked: Sequence[str] = (),
    per_day: int | None = None,
) -> Plan:
    """A regular fraction of a two-level factorial; tells main effects, and names what each is mixed with.

    Parameters
    ----------
    factors : sequence of Category (two levels) or Range
    seed : int
    generators, runs, resolution
        See `fraction_of`. `runs` counts the factorial runs, without repeats and centre points.
    repeats, centre, per_day
        See `full_factorial`.
    asked : sequence of str
        Joint effects (``"oil:alcohol"``) that must not share their number with a main effect or with
        another one asked for. They enter the model.

    Returns
    -------
    Plan

    Raises
    ------
    CannotAnswer
        Aliasing of what is asked; see also `fraction_of` and `lay_out`.

    Examples
    --------
    >>> four = [Range(name, 2, 6, "g") for name in ("oil", "alcohol", "emulsifier", "starch")]
    >>> plan = fractional_factorial(four, seed=3, runs=8, centre=3)
    >>> plan.generators, plan.resolution, plan.error_df
    (('starch = oil × alcohol × emulsifier',), 4, {'runs': 5})
    >>> plan.alias_sentences()[0]
    'The joint effect of oil and alcohol cannot be told from the joint effect of emulsifier and starch.'
    """
    refuse_unusable(factors)
    require_two_levels(factors, "a fraction of this kind")
    fraction = fraction_of(factors, generators, runs, resolution)
    words = fraction.words()
    if fraction.resolution < 3:
        word = min(words, key=lambda item: item[0].count(":"))[0]
        names = " and ".join(plain(name) for name in parts(word))
        raise CannotAnswer(
            f"With these generators {names} always change together, so neither can be judged.",
            "Choose generators that are products of more factors.",
        )
    aliases = fraction.aliases()
    main = tuple(factor.name for factor in factors)
    terms = model_terms(factors, (*main, *asked))
    asked_apart(terms, aliases)
    free = [term for term in pairs(factors) if term not in {o for a in aliases for o, _ in a.others}]
    table = two_levels(factors, np.tile(fraction.design(), (repeats, 1))).assign(point="factorial")
    table = pd.concat([table, centres(factors, centre)], ignore_index=True)
    said = []
    if fraction.resolution == 3:
        said.append("Main effects are mixed with joint effects of two: use it to screen, not to conclude.")
    return lay_out(
        f"fraction of a two-level factorial, 1 in {2 ** len(fraction.generators)}",
        table,
        factors,
        (*terms, "curvature") if centre else terms,
        seed,
        per_day,
        nice=[*free, *(alias.effect for alias in aliases if ":" in alias.effect)],
        aliases=aliases,
        warnings=said,
        generators=[_equation(added, product) for added, product in fraction.generators],
        defining_relation=[f"{'-' if sign < 0 else ''}{word.replace(':', ' × ')}" for word, sign in words],
        resolution=fraction.resolution,
    )


def _equation(added: str, product: str) -> str:
    sign = "-" if product[0] == "-" else ""
    return f"{added} = {sign}{product.removeprefix('-').replace(':', ' × ')}"
