"""The order of making and what can hurt, as data for a bench sheet.

The steps are common practice of the trade, without a published source, except where a step says
otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

from fizzlab.recipe.ingredients import Ingredient, Recipe, Role


@dataclass(frozen=True)
class Step:
    """One step at the bench.

    Parameters
    ----------
    key : str
        Short name.
    do : str
        What to do.
    why : str
        Why, or how to tell that it is right; may be empty.
    ingredients : tuple of str
        Names that go in at this step.
    """

    key: str
    do: str
    why: str = ""
    ingredients: tuple[str, ...] = ()


@dataclass(frozen=True)
class Caution:
    """What can hurt, and what to do about it.

    Parameters
    ----------
    key : str
        Short name.
    say : str
        The warning in plain words.
    because_of : tuple of str
        Ingredient names that bring it; empty for those that always apply.
    steps : tuple of str
        Keys of the steps beside which it is printed.
    """

    key: str
    say: str
    because_of: tuple[str, ...]
    steps: tuple[str, ...]


def _names(recipe: Recipe, *roles: Role) -> tuple[str, ...]:
    return tuple(item.name for item in recipe.ingredients if item.job in roles and item.amount.amount > 0)


def _is_wet_colour(item: Ingredient, recipe: Recipe) -> bool:
    """A colour that is stirred into liquid first: dye always, lake when there is a liquid for it."""
    if item.job != "colour":
        return False
    if item.kind == "lake pigment":
        return bool(_names(recipe, "alcohol", "water"))
    return item.kind == "liquid dye"


def bench_steps(recipe: Recipe) -> tuple[Step, ...]:
    """Return the steps in order for this recipe, the acid last.

    Raises
    ------
    ValueError
        If the recipe still has rules.

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
    wet_colour = tuple(
        item.name for item in recipe.ingredients if _is_wet_colour(item, recipe) and item.amount.amount > 0
    )
    dry_colour = tuple(name for name in _names(recipe, "colour") if name not in wet_colour)
    dry = _names(recipe, "soda", "starch", "salt", "other") + dry_colour
    alcohol = _names(recipe, "alcohol", "water")
    oil, emulsifier, scent = _names(recipe, "oil"), _names(recipe, "emulsifier"), _names(recipe, "scent")
    acid = _names(recipe, "acid")
    steps = [Step("weigh", "Weigh every ingredient into its own dry dish.", "A scoop is not a mass.")]
    if dry:
        steps.append(Step("dry mix", "Sieve the dry powders together, without the acid.", "No lumps.", dry))
    if oil or emulsifier or scent:
        melt = "Melt the oil gently; stir in the rest of the oily part." if oil else "Stir the oily part."
        why = "Emulsifier keeps the tub unstained and pigment from floating." if emulsifier else ""
        steps.append(Step("oil", melt, why, oil + emulsifier + scent))
    if wet_colour:
        lake = any(recipe.ingredient(name).kind == "lake pigment" for name in wet_colour)
        why = "Some lakes spread only in water; try a pinch first." if lake else ""
        steps.append(Step("colour", "Stir the colour into its liquid.", why, wet_colour + alcohol))
    elif alcohol:
        steps.append(Step("liquid", "Measure the liquid ready to hand.", "", alcohol))
    if oil or emulsifier or scent or wet_colour or alcohol:
        steps.append(Step("work in", "Work the liquids into the powder, a little at a time, until even."))
    if acid:
        steps.append(Step("acid", "Add the acid last and mix at once.", "It starts on any damp soda.", acid))
    steps += [
        Step(
            "squeeze",
            "Squeeze a handful and drop it back: it is right when it keeps its shape. If it falls apart, add "
            "one spray of alcohol, two at most, and try again. Write down the sprays.",
            "Too much liquid is worse than too little.",
        ),
        Step("mould", "Pack the moulds firmly to the rim and press.", "Loosely filled pieces crumble."),
        Step("dry", "Turn out and leave to dry: two hours at best, normally overnight."),
        Step("store", "Store airtight once dry.", "Damp air sets the fizz off slowly."),
    ]
    return tuple(steps)


def cautions(recipe: Recipe) -> tuple[Caution, ...]:
    """Return the cautions that this recipe's ingredients bring, with the steps they belong to.

    They are reminders, not an assessment. The eye warning for citric acid is the GHS statement
    H319 on reagent sheets; that for sodium bisulphate (H318) is from memory.

    Examples
    --------
    >>> from fizzlab.recipe.units import Quantity
    >>> mix = Recipe("damp", (Ingredient("rubbing alcohol", "isopropyl alcohol 91 %", Quantity(1, "tsp")),))
    >>> [caution.key for caution in cautions(mix)]
    ['alcohol fire', 'damp store']
    """
    found = []
    acid = _names(recipe, "acid")
    if acid:
        eyes = "Acid dust stings and can seriously irritate the eyes"
        if any(item.kind == "sodium bisulphate" for item in recipe.ingredients if item.name in acid):
            eyes = "This acid's dust can damage the eyes and burn damp skin"
        found.append(
            Caution(
                "acid dust",
                f"{eyes}. Wear glasses and gloves, tip it gently, do not breathe it in; rinse eyes with "
                "plenty of water.",
                acid,
                ("weigh", "acid"),
            )
        )
    powder_colour = tuple(
        item.name
        for item in recipe.ingredients
        if item.job == "colour" and item.kind != "liquid dye" and item.amount.amount > 0
    )
    if powder_colour:
        found.append(
            Caution(
                "pigment dust",
                "Fine pigment must not be breathed in. Wear a dust mask and spoon it low over the bowl.",
                powder_colour,
                ("weigh", "dry mix", "colour"),
            )
        )
    alcohol = _names(recipe, "alcohol")
    found.append(
        Caution(
            "alcohol fire",
            "Rubbing alcohol and its vapour catch fire, from the spray too. No flame, hot plate or spark "
            "near; melt the oil first and take the heat away; open a window.",
            alcohol,
            ("liquid", "colour", "work in", "squeeze", "dry"),
        )
    )
    oil = _names(recipe, "oil")
    if oil:
        found.append(
            Caution(
                "slippery tub",
                "Oil makes a tub slippery. Say so on the label, and rinse the tub after a trial bath.",
                oil,
                ("store",),
            )
        )
    colour = _names(recipe, "colour")
    if colour:
        found.append(
            Caution(
                "skin colours",
                "Use only colours that are allowed on skin where the piece is used; a food or craft "
                "colour may not be. Ask a qualified safety assessor before selling.",
                colour,
                ("weigh",),
            )
        )
    found.append(
        Caution(
            "damp store",
            "Never seal a piece that is still damp: it goes on giving gas and can burst the box.",
            (),
            ("store",),
        )
    )
    return tuple(found)
