"""The sheet to work from: one HTML page to print, with a card a batch and blind pages for the scorers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from fizzlab.bench.cards import Cards, RunCard, in_code_order
from fizzlab.errors import listed
from fizzlab.measures import NOTE, PIECE, RUN, Column, number
from fizzlab.recipe.amounts import SAFETY_NOTE, SELLING_NOTE
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

#: What can hurt, where no recipe says at which step it does.
HAZARDS = (
    "Acid and pigment dust sting eyes and lungs: wear a mask, gloves and goggles, away from draughts.",
    "Rubbing alcohol burns with a flame that is hard to see: no flame or hot plate near it, and moving air.",
)

#: The same for the pieces that are tried in water.
IN_WATER = (
    "Hot water scalds: measure it before a hand goes in. Oil makes a tub slippery: rinse it afterwards."
)

#: How to fill in a table, where its columns alone don't say.
_HOW = {
    "touch_checks": "Write yes or no (y or n is enough); stop at the first yes.",
    "weighings": "Grams, the same scale each time; let it settle.",
    "tumbles": "All pieces of the batch together; weigh what is left in whole pieces.",
    "drops": "Write every drop, in order.",
    "fizz_times": "Seconds until the fizz is over, or you stop watching (then done: n). Rinse the basin.",
    "fizz_curves": "Read from the moment the piece goes in. Use a tall cup: it foams.",
    "shelf": "Gas for all, or seconds for all. A fresh piece is week 0; keep some dry and some damp.",
}


@dataclass(frozen=True)
class Blanks:
    """A grid to write the readings of a table in; the first column holds `rows`."""

    table: str
    title: str
    how: str
    heads: tuple[str, ...]
    rows: tuple[str, ...]


def bench_sheet(settings: TrialSettings, plan: PlanSettings, cards: Cards, statements: Sequence[str]) -> str:
    """The sheet as one self-contained HTML page.

    Parameters
    ----------
    plan : PlanSettings
        Which tables are wanted, and when to look.
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
        blanks=readings_blanks(settings, plan),
        scoring=_scoring(plan, cards.cards),
        scale=SCORE_SCALE,
        safety=_safety(cards.cards, plan.tables),
    )


def _safety(cards: Sequence[RunCard], tables: Sequence[str]) -> list[str]:
    """What can hurt, unless the steps say it; who judges what may be sold; what limits of the maker are."""
    recipes = [card.recipe for card in cards if card.recipe is not None]
    if not recipes:
        wet = any(name.startswith("fizz") or name == "shelf" for name in tables)
        return [*HAZARDS, *([IN_WATER] if wet else []), SELLING_NOTE]
    limits = any(item.max_pct is not None for one in recipes for item in one.ingredients)
    return [SAFETY_NOTE if limits else SELLING_NOTE]


def readings_blanks(settings: TrialSettings, plan: PlanSettings) -> tuple[Blanks, ...]:
    """The grids of one batch, for the tables that are wanted; scores have pages of their own."""
    found: list[Blanks] = []
    pieces = tuple(f"piece {piece}" for piece in range(1, plan.pieces + 1))
    for name, spec in settings.tables().items():
        named = {column.name for column in spec.columns}
        if name not in plan.tables or RUN.name not in named or "rater" in named:
            continue
        asked = [each for each in spec.columns if each.name not in (RUN.name, PIECE.name, NOTE.name)]
        title = spec.meaning[:1].upper() + spec.meaning[1:]
        if spec.time == "hours":
            hours = (plan.weighings_h if name == "weighings" else None) or plan.checks_h
            found += _in_time(name, title, (), [f"{hour:g} h" for hour in hours], ("clock", *pieces))
        elif spec.time:
            before = [_head(each) for each in asked if each.name in spec.planned and each.name != spec.time]
            times = [f"{second} s" for second in FIZZ_SECONDS]
            found += _in_time(name, title, before, times, pieces[:FIZZ_CUPS])
        else:
            heads = [_head(each) for each in asked if each.required or spec.key]
            if PIECE.name in named and not spec.key:  # a piece is tried again and again
                heads *= 3
            else:
                heads.append("note")
            rows = pieces if PIECE.name in named else ("batch",)
            found.append(Blanks(name, title, _HOW.get(name, ""), ("", *heads), rows))
    return tuple(found)


def _head(column: Column) -> str:
    return f"{column.titled}? y/n" if column.kind == "yes_no" else column.titled


def _in_time(
    table: str, title: str, before: Sequence[str], times: Sequence[str], rows: tuple[str, ...]
) -> list[Blanks]:
    """Grids of at most `BLANKS_ACROSS` times, as even as can be."""
    grids = -(-(len(before) + len(times)) // BLANKS_ACROSS)
    each = -(-len(times) // grids)
    return [
        Blanks(
            table,
            f"{title} (later)" if first else title,
            "" if first else _HOW.get(table, ""),
            ("", *(() if first else before), *times[first : first + each]),
            rows,
        )
        for first in range(0, len(times), each)
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
