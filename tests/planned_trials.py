"""A trial.toml for each kind of plan: the invented harbour-side workshop asks in every way there is."""

from __future__ import annotations

HEAD = """\
code = "quay"
title = "=Two ways of colouring"
question = "Does dye dry slower than pearl?"
seed = 7
"""

COLOUR = '[factors.colour]\nlevels = ["pearl", "dye", "lake"]\ncontrol = "pearl"\n'
TWO_COLOURS = '[factors.colour]\nlevels = ["pearl", "dye"]\n'


def amount(name: str, low: float, high: float) -> str:
    """A factor that may take any amount of a range."""
    return f'[factors.{name}]\nlow = {low}\nhigh = {high}\nunit = "g"\n'


GUM = '[factors.gum_g]\namounts = [0.6, 1.2]\nunit = "g"\n'
FOUR = "".join(amount(name, 1, 3) for name in ("oil_g", "gum_g", "starch_g", "salt_g"))
READ = """\
tables = ["touch_checks", "weighings", "tumbles", "drops", "crumble_scores", "fizz_times", "room_log"]
pieces = 2
checks_h = [2, 4, 8, 24]
raters = ["Ann", "=Bo"]
"""

#: What stands under [plan] and before it, by kind.
KINDS: dict[str, str] = {
    "compare": COLOUR + '[plan]\nkind = "compare"\ndays = 3\nbatches_per_day = 4\n',
    "compare amounts": GUM + '[plan]\nkind = "compare"\ndays = 3\nbatches_per_day = 2\n',
    "factorial": COLOUR + GUM + '[plan]\nkind = "factorial"\nrepeats = 2\nbatches_per_day = 6\n',
    "fractional factorial": FOUR
    + '[plan]\nkind = "fractional factorial"\nresolution = 4\ncentre_points = 3\nbatches_per_day = 11\n',
    "central composite": amount("oil_g", 1, 3)
    + amount("gum_g", 0.2, 1)
    + '[plan]\nkind = "central composite"\nbatches_per_day = 7\n',
    "mixture": amount("oil_g", 2, 8)
    + amount("alcohol_g", 2, 8)
    + amount("emulsifier_g", 0, 3)
    + '[plan]\nkind = "mixture"\ntotal = 12\nbatches_per_day = 6\n',
    "split plot": COLOUR
    + '[factors.air]\nlevels = ["plain", "dried"]\n'
    + '[plan]\nkind = "split plot"\ndays = 6\nbatches_per_day = 3\nhard_to_change = ["air"]\n',
    "season": '[plan]\nkind = "season"\ndays = 5\nbatches_per_day = 2\n',
    "once more": COLOUR
    + '[plan]\nkind = "once more"\nrepeats = 2\nbatches_per_day = 3\n'
    + 'combinations = [{ colour = "pearl" }, { colour = "dye" }, { colour = "lake" }]\n',
}

#: The kind that reads again and again; tests/test_repeatability.py is about it.
ALIKE = '[plan]\nkind = "repeatability"\nbatches = 6\nrepeats = 2\nbatches_per_day = 3\n'


def toml(kind: str) -> str:
    """The whole trial.toml of a kind."""
    return HEAD + KINDS[kind] + READ


RECIPE = """\
[recipe]
pieces = 6
piece_g = 85

[[recipe.ingredients]]
name = "soda"
kind = "baking soda"
amount = "1 cup"
price = 2.4
pack = "1 kg"

[[recipe.ingredients]]
name = "acid"
kind = "citric acid"
amount = "1/2 cup"
own_weighing = { measure = "1 tbsp", grams = [12.1, 12.4, 12.0] }
price = 6
pack = "1 kg"

[[recipe.ingredients]]
name = "gum"
kind = "xanthan gum"
role = "other"
amount = "1 g"
price = 4
pack = "100 g"

[recipe.by_factor.gum_g]
sets = "gum"

[recipe.by_factor.colour.brings]
pearl = [{ name = "<pearl & shine>", kind = "mica", amount = "1/2 tsp", price = 5, pack = "50 g" }]
lake = []

[[recipe.by_factor.colour.brings.dye]]
name = "dye"
kind = "dye"
amount = "5 drops"
price = 3
pack = "10 ml"

[[recipe.by_factor.colour.brings.dye]]
name = "alcohol"
kind = "rubbing alcohol 91 %"
amount = "1/2 tsp"
top_up_after = "dye"
price = 4
pack = "500 ml"
"""
