"""The sheet to work from: one HTML page to print, with a card a batch and blind pages for the scorers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from fizzlab.bench.cards import Cards, RunCard, in_code_order
from fizzlab.recipe import SAFETY_NOTE, SELLING_NOTE
from fizzlab.report.phrases import listed, number
from fizzlab.trial.settings import PlanSettings, TrialSettings

#: Columns of one grid of blanks that still leave room to write on a sheet of A4 or US Letter.
BLANKS_ACROSS = 10

#: Seconds at which to read the scale while a piece fizzes: often at first, then until it stands still, and
#: on, so that what dries up can be told from gas.
FIZZ_SECONDS = (0, 10, 20, 30, 40, 50, 60, 75, 90, 120, 150, 180, 210, 240, 270, 300)

#: Cups of each batch that are weighed as they fizz.
FIZZ_CUPS = 2

#: The scale of the crumble scores, as the table asks for it; only its two ends are settled in words.
SCORE_SCALE = "0 = holds whole … 4 = falls to powder"


@dataclass(frozen=True)
class Blanks:
    """A grid to write readings in.

    Parameters
    ----------
    table : str
        Name of the table that the readings go into.
    title, how : str
    heads : tuple of str
        Over the columns; the first column holds `rows`.
    rows : tuple of str
    """

    table: str
    title: str
    how: str
    heads: tuple[str, ...]
    rows: tuple[str, ...]


def bench_sheet(settings: TrialSettings, plan: PlanSettings, cards: Cards, statements: Sequence[str]) -> str:
    """Return the sheet as one self-contained HTML page.

    Parameters
    ----------
    settings : TrialSettings
    plan : PlanSettings
        Which tables are wanted, and when to look.
    cards : Cards
        A card for each batch.
    statements : sequence of str
        What the plan can and cannot tell.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("fizzlab.bench"), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("bench_sheet.html").render(
        trial=settings,
        statements=list(statements),
        doubts=cards.doubts,
        days=_days(cards.cards),
        factors=[settings.label(name) for name in settings.factors],
        scaled=number(cards.scaled, 3) if cards.scaled != 1 else "",
        cards=[_shown(card, cards.cards) for card in cards.cards],
        blanks=readings_blanks(plan),
        scoring=_scoring(plan, cards.cards),
        scale=SCORE_SCALE,
        safety=_safety(cards.cards, plan.tables),
    )


#: What can hurt, where no recipe says at which step it does.
HAZARDS = (
    "Acid and pigment dust sting eyes and lungs: wear a mask, gloves and goggles, away from draughts.",
    "Rubbing alcohol burns with a flame that is hard to see: no flame or hot plate near it, and moving air.",
)

#: The same for the pieces that are tried in water.
IN_WATER = (
    "Hot water scalds: measure it before a hand goes in. Oil makes a tub slippery: rinse it afterwards."
)


def _safety(cards: Sequence[RunCard], tables: Sequence[str]) -> list[str]:
    """What can hurt, unless the steps say it; who judges what may be sold; what limits of the maker are."""
    recipes = [card.recipe for card in cards if card.recipe is not None]
    if not recipes:
        wet = any(name.startswith("fizz") or name == "shelf" for name in tables)
        return [*HAZARDS, *([IN_WATER] if wet else []), SELLING_NOTE]
    limits = any(item.max_pct is not None for one in recipes for item in one.ingredients)
    return [SAFETY_NOTE if limits else SELLING_NOTE]


def readings_blanks(plan: PlanSettings) -> tuple[Blanks, ...]:
    """The grids of one batch, for the tables that are wanted; scores have pages of their own."""
    pieces = tuple(f"piece {piece}" for piece in range(1, plan.pieces + 1))
    found: list[Blanks] = []
    if "touch_checks" in plan.tables:
        how = "Dry to a light touch? Write yes or no (y or n is enough); stop at the first yes."
        found += _by_hour("touch_checks", "Dry to the touch?", how, plan.checks_h, pieces)
    if "weighings" in plan.tables:
        how = "Grams, the same scale each time; let it settle."
        found += _by_hour("weighings", "Weighings", how, plan.weighings_h or plan.checks_h, pieces)
    if "tumbles" in plan.tables:
        how = "All pieces of the batch together; weigh what is left in whole pieces."
        heads: tuple[str, ...] = ("", "pieces", "before, g", "after, g", "broken", "note")
        found.append(Blanks("tumbles", "Tumbling", how, heads, ("batch",)))
    if "drops" in plan.tables:
        heads = ("", "height, cm", "broke? y/n", "height, cm", "broke? y/n", "height, cm", "broke? y/n")
        found.append(Blanks("drops", "Drops", "Write every drop, in order.", heads, pieces))
    if "fizz_times" in plan.tables:
        how = "Seconds until the fizz is over, or until you stopped watching (then done: n). Rinse the basin."
        heads = ("", "water, °C", "colour shows, s", "watched, s", "done? y/n", "note")
        found.append(Blanks("fizz_times", "Fizz by stopwatch", how, heads, pieces))
    if "fizz_curves" in plan.tables:
        found += _fizz_curves(pieces[:FIZZ_CUPS])
    if "shelf" in plan.tables:
        how = (
            "Grams of gas for all, or seconds for all. A fresh piece is week 0; keep some dry and some damp."
        )
        heads = ("", "piece", "weeks", "humidity, %", "gas, g, or seconds", "note")
        found.append(
            Blanks("shelf", "Fizz after storage", how, heads, ("fresh", "stored", "stored", "stored"))
        )
    return tuple(found)


def _fizz_curves(pieces: tuple[str, ...]) -> list[Blanks]:
    """The scale's readings of a cup, in two grids: while it fizzes, and once it stands nearly still."""
    how = "Grams of cup, water and piece together, from the moment it goes in. Use a tall cup: it foams."
    early, late = FIZZ_SECONDS[:9], FIZZ_SECONDS[9:]
    return [
        Blanks(
            "fizz_curves",
            "Fizz on the scale",
            how,
            ("", "water, °C", *(f"{second} s" for second in early)),
            pieces,
        ),
        Blanks(
            "fizz_curves", "Fizz on the scale (later)", "", ("", *(f"{second} s" for second in late)), pieces
        ),
    ]


def _by_hour(
    table: str, title: str, how: str, hours: Sequence[float], pieces: tuple[str, ...]
) -> list[Blanks]:
    """Grids of at most `BLANKS_ACROSS` times, as even as can be."""
    grids = -(-len(hours) // BLANKS_ACROSS)
    each = -(-len(hours) // grids)
    return [
        Blanks(
            table,
            title if first == 0 else f"{title} (later)",
            how if first == 0 else "",
            ("", *(f"{hour:g} h" for hour in hours[first : first + each])),
            ("clock", *pieces),
        )
        for first in range(0, len(hours), each)
    ]


def _days(cards: Sequence[RunCard]) -> list[dict[str, Any]]:
    days = dict.fromkeys(card.day for card in cards)
    return [{"day": day, "cards": [card for card in cards if card.day == day]} for day in days]


def _shown(card: RunCard, cards: Sequence[RunCard]) -> dict[str, Any]:
    today = [other.run for other in cards if other.day == card.day]
    return {
        "card": card,
        "place": f"{today.index(card.run) + 1} of {len(today)}",
        "amounts": _amounts(card),
        "steps": _steps(card),
    }


def _amounts(card: RunCard) -> list[dict[str, str]]:
    if card.amounts is None:
        return []
    return [
        {
            "name": row["ingredient"],
            "grams": number(row["grams"], 3) if row["grams"] else "0",
            "measure": kitchen(row["as_written"]) if row["from_volume"] else "",
            "bounds": f"{number(row['low_g'], 3)} to {number(row['high_g'], 3)}"
            if row["from_volume"] and row["high_g"] > row["low_g"]
            else "",
        }
        for row in card.amounts.to_dict("records")
    ]


def _steps(card: RunCard) -> list[dict[str, Any]]:
    """The steps, each with its cautions; one that stood before is only called to mind."""
    grams = {row["name"]: row["grams"] for row in _amounts(card)}
    told: dict[str, int] = {}
    shown = []
    for place, step in enumerate(card.steps, start=1):
        beside: list[str] = []
        again: dict[int, list[str]] = {}
        for caution in card.cautions:
            if step.key in caution.steps and (caution.because_of or caution.key == "damp store"):
                if caution.key in told:
                    again.setdefault(told[caution.key], []).append(caution.key)
                else:
                    beside.append(caution.say)
                    told[caution.key] = place
        named = [f"{name} {grams[name]} g" for name in step.ingredients]
        shown.append(
            {
                "do": step.do,
                "why": step.why,
                "what": ", ".join(named),
                "cautions": beside,
                "again": "; ".join(f"{listed(keys)} (see step {first})" for first, keys in again.items()),
            }
        )
    return shown


def _scoring(plan: PlanSettings, cards: Sequence[RunCard]) -> list[dict[str, Any]]:
    """A page a rater, in the order of the codes, which says nothing of the recipe."""
    if "crumble_scores" not in plan.tables:
        return []
    codes = [(card.day, card.blind) for card in in_code_order(cards)]
    return [
        {"rater": rater, "codes": codes, "pieces": list(range(1, plan.pieces + 1))} for rater in plan.raters
    ]


#: The fractions on spoons and cups, and how far from one a measure may be and still be shown as "about" it.
_SPOONS = {"cup": (2, 3, 4), "tbsp": (2, 4), "tsp": (2, 3, 4, 8)}
_NEAR = 0.05


def kitchen(text: str) -> str:
    """Write the decimals of a kitchen measure as the fractions on the spoons.

    An amount between them (as after scaling) is rounded to one, with "about"; where none is near, the
    grams alone stand: the result is empty.

    Examples
    --------
    >>> kitchen("0.5 cup"), kitchen("up to 2.25 tsp with dye"), kitchen("1.236733 cup")
    ('1/2 cup', 'up to 2 1/4 tsp with dye', 'about 1 1/4 cup')
    >>> kitchen("0.055 cup"), kitchen("33.4 drops")
    ('', 'about 33 drops')
    """
    found = re.search(r"(\d+\.\d+) (\w+)", text)
    if found is None:
        return text
    value, unit = float(found[1]), found[2]
    if unit == "drops":
        said, off = str(round(value)), 0.02
    elif unit.removesuffix("s") not in _SPOONS:
        said, off = number(value, 3), 0.0
    else:
        steps = _SPOONS[unit.removesuffix("s")]
        near = min((Fraction(round(value * step), step) for step in steps), key=lambda one: abs(one - value))
        said, off = _mixed(near), abs(float(near) / value - 1)
    if off > _NEAR and found[0] == text:
        return ""
    if off > _NEAR:
        said, off = number(value, 3), 0.0
    about = "about " if off > 1e-3 else ""
    return f"{text[: found.start()]}{about}{said} {unit}{text[found.end() :]}"


def _mixed(value: Fraction) -> str:
    """A fraction as it stands in a recipe: 2 1/4."""
    whole, rest = divmod(value.numerator, value.denominator)
    part = f"{rest}/{value.denominator}" if rest else ""
    return " ".join(filter(None, [str(whole) if whole else "", part])) or "0"
