"""The order of making and what can hurt, as data for a bench sheet.

The steps are common practice of the trade, without a published source, except where a step says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

from fizzlab.recipe.ingredients import Ingredient, Recipe


@dataclass(frozen=True)
class Step:
    """One step: its short name, what to do, why or how to tell that it is right, and what goes in."""

    key: str
    do: str
    why: str = ""
    ingredients: tuple[str, ...] = ()


@dataclass(frozen=True)
class Caution:
    """What can hurt.

    Parameters
    ----------
    key, say : str
        Short name, and the warning in plain words.
    because_of : tuple of str
        Ingredients that bring it; empty for one that always applies.
    steps : tuple of str
        Keys of the steps beside which it is printed.
    """

    key: str
    say: str
    because_of: tuple[str, ...]
    steps: tuple[str, ...]


def _names(items: list[Ingredient], *jobs: str) -> tuple[str, ...]:
    return tuple(item.name for item in items if item.job in jobs)


def _used(recipe: Recipe) -> list[Ingredient]:
    return [item for item in recipe.ingredients if item.amount.amount > 0]


def bench_steps(recipe: Recipe) -> tuple[Step, ...]:
    """The steps in order for a recipe without rules, the acid last.

    Examples
    --------
    >>> from fizzlab.recipe.units import Quantity
    >>> mix = Recipe("plain", (Ingredient("acid", "citric acid", Quantity(75, "g")),
    ...                        Ingredient("soda", "sodium bicarbonate", Quantity(100, "g"))))
    >>> [step.key for step in bench_steps(mix)]
    ['weigh', 'dry mix', 'acid', 'squeeze', 'mould', 'dry', 'store']
    """
    if recipe.rules:
        raise ValueError("apply the rules first, with for_run")
    items = _used(recipe)
    alcohol, oil, acid = _names(items, "alcohol", "water"), _names(items, "oil"), _names(items, "acid")
    emulsifier, scent = _names(items, "emulsifier"), _names(items, "scent")
    # a dye is stirred into liquid first, a lake when there is liquid for it
    stirred = ("liquid dye", "lake pigment") if alcohol else ("liquid dye",)
    wet = tuple(item.name for item in items if item.job == "colour" and item.kind in stirred)
    dry = _names(items, "soda", "starch", "salt", "other")
    dry += tuple(name for name in _names(items, "colour") if name not in wet)
    steps = [Step("weigh", "Weigh every ingredient into its own dry dish.", "A scoop is not a mass.")]
    if dry:
        steps.append(Step("dry mix", "Sieve the dry powders together, without the acid.", "No lumps.", dry))
    if oil or emulsifier or scent:
        melt = "Melt the oil gently; stir in the rest of the oily part." if oil else "Stir the oily part."
        why = "Emulsifier keeps the tub unstained and pigment from floating." if emulsifier else ""
        steps.append(Step("oil", melt, why, oil + emulsifier + scent))
    if wet:
        lake = any(item.kind == "lake pigment" and item.name in wet for item in items)
        why = "Some lakes spread only in water; try a pinch first." if lake else ""
        steps.append(Step("colour", "Stir the colour into its liquid.", why, wet + alcohol))
    elif alcohol:
        steps.append(Step("liquid", "Measure the liquid ready to hand.", "", alcohol))
    if oil or emulsifier or scent or wet or alcohol:
        steps.append(Step("work in", "Work the liquids into the powder, a little at a time, until even."))
    if acid:
        steps.append(Step("acid", "Add the acid last and mix at once.", "It starts on any damp soda.", acid))
    return (
        *steps,
        Step(
            "squeeze",
            "Squeeze a handful and drop it back: it is right when it keeps its shape. If it falls apart, add "
            "one spray of alcohol, two at most, and try again. Write down the sprays.",
            "Too much liquid is worse than too little.",
        ),
        Step("mould", "Pack the moulds firmly to the rim and press.", "Loosely filled pieces crumble."),
        Step("dry", "Turn out and leave to dry: two hours at best, normally overnight."),
        Step("store", "Store airtight once dry.", "Damp air sets the fizz off slowly."),
    )


def cautions(recipe: Recipe) -> tuple[Caution, ...]:
    """The cautions that a recipe's ingredients bring, with the steps they belong to.

    They are reminders, not an assessment. The eye warning for citric acid is the GHS statement H319 on
    reagent sheets; that for sodium bisulphate (H318) is from memory.

    Examples
    --------
    >>> from fizzlab.recipe.units import Quantity
    >>> mix = Recipe("damp", (Ingredient("rubbing alcohol", "isopropyl alcohol 91 %", Quantity(1, "tsp")),))
    >>> [caution.key for caution in cautions(mix)]
    ['alcohol fire', 'damp store']
    """
    items = _used(recipe)
    eyes = "Acid dust stings and can seriously irritate the eyes"
    if any(item.job == "acid" and item.kind == "sodium bisulphate" for item in items):
        eyes = "This acid's dust can damage the eyes and burn damp skin"
    powders = tuple(item.name for item in items if item.job == "colour" and item.kind != "liquid dye")
    brought = (
        Caution(
            "acid dust",
            f"{eyes}. Wear glasses and gloves, tip it gently, do not breathe it in; rinse eyes with plenty "
            "of water.",
            _names(items, "acid"),
            ("weigh", "acid"),
        ),
        Caution(
            "pigment dust",
            "Fine pigment must not be breathed in. Wear a dust mask and spoon it low over the bowl.",
            powders,
            ("weigh", "dry mix", "colour"),
        ),
        Caution(
            "alcohol fire",
            "Rubbing alcohol and its vapour catch fire, from the spray too. No flame, hot plate or spark "
            "near; melt the oil first and take the heat away; open a window.",
            _names(items, "alcohol"),
            ("liquid", "colour", "work in", "squeeze", "dry"),
        ),
        Caution(
            "slippery tub",
            "Oil makes a tub slippery. Say so on the label, and rinse the tub after a trial bath.",
            _names(items, "oil"),
            ("store",),
        ),
        Caution(
            "skin colours",
            "Use only colours that are allowed on skin where the piece is used; a food or craft colour may "
            "not be. Ask a qualified safety assessor before selling.",
            _names(items, "colour"),
            ("weigh",),
        ),
        Caution(
            "damp store",
            "Never seal a piece that is still damp: it goes on giving gas and can burst the box.",
            (),
            ("store",),
        ),
    )
    always = ("alcohol fire", "damp store")  # alcohol is sprayed on any mix that falls apart
    return tuple(caution for caution in brought if caution.because_of or caution.key in always)
