"""What the columns of an export are: guessed from headers and values; what cannot be told is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

import pandas as pd

from fizzlab.errors import BadInput, Problem, nearest
from fizzlab.trial.exports.cells import (
    KINDS,
    OTHER_THINGS,
    WORDS,
    fold,
    is_missing,
    named,
    numbers,
    unit_named,
)
from fizzlab.trial.exports.layout import Layout
from fizzlab.trial.settings.imports import ImportSettings, MassUnit, TempUnit, known_zone
from fizzlab.trial.tables.stamps import (
    COUNTED,
    ORDERS,
    UNIX,
    Order,
    by_sequence,
    day,
    is_clock,
    moment,
    offset_minutes,
    possible_orders,
)

Table = Literal["room_log", "weighings"]

#: Rows from either end of a file in which a column shows what it is.
_SAMPLE = 60


@dataclass(frozen=True)
class Told:
    """What the maker has said already; None where they have not."""

    time: str | None = None
    date: str | None = None
    dates: str | None = None
    temp: str | None = None
    temp_unit: str | None = None
    rh: str | None = None
    mass: str | None = None
    mass_unit: str | None = None
    offset: str | None = None
    zone: str | None = None


@dataclass(frozen=True)
class Question:
    """What the file does not settle.

    Parameters
    ----------
    key : str
        The field of `Told` that answers it.
    asks : str
        As one sentence.
    choices : tuple of str
        Possible answers; empty where any text is one.
    """

    key: str
    asks: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Guess:
    """A mapping, or the questions that stand in its way.

    Parameters
    ----------
    mapping : ImportSettings or None
        None while there are questions.
    reasons : tuple of str
        Why, as sentences.
    questions : tuple of Question
    ignored : tuple of str
        Columns that are not read.
    """

    mapping: ImportSettings | None
    reasons: tuple[str, ...]
    questions: tuple[Question, ...]
    ignored: tuple[str, ...]


@dataclass
class _Found:
    values: dict[str, str] = field(default_factory=dict)
    reasons: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)


def guess(layout: Layout, table: Table, told: Told | None = None) -> Guess:
    """Guess which columns hold what, in which units and order of dates.

    A column is taken where its header names it and its values fit; what two columns could be, or what only
    the values suggest, is a question.

    Parameters
    ----------
    layout : Layout
    table : {"room_log", "weighings"}
    told : Told, optional
        Answers; they are taken as they are.

    Returns
    -------
    Guess

    Raises
    ------
    BadInput
        An answer names a column, unit, order or zone that there is not; or no column can be what is needed.

    Examples
    --------
    >>> from fizzlab.trial.exports.layout import lay_out
    >>> export = b"Datum;Uhrzeit;Temperatur;Feuchte\\n13.04.2026;08:00;21,5 \\xc2\\xb0C;64%\\n"
    >>> found = guess(lay_out("log.csv", export), "room_log")
    >>> found.mapping.columns(), found.mapping.dates, found.questions
    ({'date': 'Datum', 'time': 'Uhrzeit', 'temp': 'Temperatur', 'rh': 'Feuchte'}, 'day first', ())
    """
    told = told or Told()
    _refuse_unknown(layout, told)
    found = _Found()
    sample = _sample(layout.cells)
    _when(layout, sample, told, found)
    kinds = ("temp", "rh") if table == "room_log" else ("mass",)
    for kind in kinds:
        _measured(kind, layout, sample, told, found)
    mapping = None
    if not found.questions:
        mapping = ImportSettings.model_validate({"table": table, **found.values})
    used = [found.values[key] for key in ("time", "date", *kinds) if key in found.values]
    ignored = tuple(name for name in layout.cells.columns if name not in used)
    return Guess(mapping, tuple(found.reasons), tuple(found.questions), ignored)


def _sample(cells: pd.DataFrame) -> pd.DataFrame:
    return cells if len(cells) <= 2 * _SAMPLE else pd.concat([cells.iloc[:_SAMPLE], cells.iloc[-_SAMPLE:]])


def _refuse_unknown(layout: Layout, told: Told) -> None:
    problems = []
    for key in ("time", "date", "temp", "rh", "mass"):
        name = getattr(told, key)
        if name is not None and name not in layout.cells.columns:
            near = nearest(name, layout.cells.columns)
            do = f"Did you mean {near}?" if near else f"It has: {', '.join(layout.cells.columns)}."
            problems.append(Problem(layout.where, "it has no such column.", do, column=f"column {name}"))
    for key, choices in (
        ("dates", ORDERS),
        ("temp_unit", get_args(TempUnit)),
        ("mass_unit", get_args(MassUnit)),
    ):
        value = getattr(told, key)
        if value is not None and value not in choices:
            do = f"Choose from: {', '.join(choices)}."
            problems.append(
                Problem(f"option --{key.replace('_', '-')}", f"“{value}” is none of its choices.", do)
            )
    if told.zone is not None and not known_zone(told.zone):
        do = "Write it as in the tz database, such as Europe/Berlin or America/New_York."
        problems.append(Problem("option --zone", f"“{told.zone}” is no time zone.", do))
    if told.offset is not None and offset_minutes(told.offset) is None:
        problems.append(Problem("option --offset", f"“{told.offset}” is no offset.", "Write it as +01:00."))
    if problems:
        raise BadInput(problems)


def _filled(cells: pd.Series) -> list[str]:
    return [text for text in cells if text]


def _mostly(texts: Sequence[str], test: Any) -> bool:
    """Do at least half of the texts pass? The others are then slips, and said when they are read."""
    return bool(texts) and sum(1 for text in texts if test(text)) >= 0.5 * len(texts)


def _when(layout: Layout, sample: pd.DataFrame, told: Told, found: _Found) -> None:
    """Find the column of times, or a pair of date and time of day, and the order of the date's numbers."""
    names = list(sample.columns)
    texts = {name: _filled(sample[name]) for name in names}
    whole = [name for name in names if _is_time(name, texts[name])]
    days = [name for name in names if _mostly(texts[name], lambda text: any(day(text, o) for o in ORDERS))]
    clocks = [name for name in names if name not in days and _mostly(texts[name], is_clock)]
    if told.time is not None:
        whole = [told.time] if told.date is None and told.time not in clocks else []
        clocks = [told.time]
    if told.date is not None:
        whole, days = [], [told.date]
    if len(whole) > 1:
        by_name = [name for name in whole if named(fold(name), (*WORDS["time"], *WORDS["date"]))]
        whole = by_name if len(by_name) == 1 else whole
    if len(whole) > 1:
        found.questions.append(
            Question("time", "Which column is the workshop's date and time?", tuple(whole))
        )
        return
    if whole:
        found.values["time"] = whole[0]
    elif days and clocks:
        for key, candidates in (("date", days), ("time", clocks)):
            if len(candidates) > 1:
                asks = f"Which column is the {'date' if key == 'date' else 'time of day'}?"
                found.questions.append(Question(key, asks, tuple(candidates)))
            else:
                found.values[key] = candidates[0]
        if found.questions:
            return
    else:
        what = "no column holds a date and a time of day."
        do = "Export with the full date and time of each reading."
        raise BadInput([Problem(layout.where, what, do)])
    _order(layout.cells, told, found)


def _is_time(name: str, texts: Sequence[str]) -> bool:
    counted_too = named(fold(name), (*WORDS["time"], *WORDS["date"]))
    orders = [
        order for order in ORDERS if counted_too or order not in COUNTED or order == "unix milliseconds"
    ]
    return _mostly(texts, lambda text: any(moment(text, order) for order in orders))


def stamp_texts(cells: pd.DataFrame, time: str, date: str | None) -> pd.Series:
    """The text of each stamp; a date and a time of day that stand apart are put together."""
    if date is None:
        return cells[time]
    alone = cells[date].str.replace(r"[T ]0?0:00(:00([.,]0+)?)?$", "", regex=True)
    return (alone + " " + cells[time]).where((alone != "") & (cells[time] != ""), "")


def _order(cells: pd.DataFrame, told: Told, found: _Found) -> None:
    stamps = stamp_texts(cells, found.values["time"], found.values.get("date"))
    texts = [text for text in stamps if text]
    usable = [text for text in texts if any(moment(text, order) for order in ORDERS)]
    orders = possible_orders(usable)
    chosen: Order | None = None
    if told.dates is not None:
        chosen = next(order for order in ORDERS if order == told.dates)
    elif len(orders) == 1:
        chosen = orders[0]
        if chosen not in COUNTED:
            found.reasons.append(f"Dates: {chosen}, the only order in which every one is a date.")
    elif orders:
        chosen = by_sequence(usable, orders)
        if chosen is not None:
            found.reasons.append(f"Dates: {chosen}, the only order in which one day follows the other.")
    if chosen is None:
        shown = usable[0] if usable else ""
        choices = tuple(orders) or tuple(order for order in ORDERS if order not in COUNTED)
        asks = f"“{shown}” can be read in more than one way. Which number comes first in its date?"
        found.questions.append(Question("dates", asks, choices))
        return
    found.values["dates"] = chosen
    offsets = {read.offset for text in usable if (read := moment(text, chosen)) is not None}
    _whose_clock(chosen, offsets, told, found)


def _whose_clock(order: Order, offsets: set[int | None], told: Told, found: _Found) -> None:
    if told.zone is not None:
        found.values["zone"] = told.zone
    if told.offset is not None and not offsets - {None}:
        found.values["offset"] = told.offset
    if told.zone is None and (order in UNIX or offsets == {0} or told.offset is not None):
        which = "seconds of world time" if order in UNIX else "times of a fixed clock"
        asks = f"Its stamps are {which} (UTC). Which time zone is the workshop in, such as Europe/Berlin?"
        found.questions.append(Question("zone", asks))


_CALLED = {"temp": "the air's temperature", "rh": "the air's relative humidity", "mass": "the mass"}


def _measured(kind: str, layout: Layout, sample: pd.DataFrame, told: Told, found: _Found) -> None:
    """Find the column of one kind of reading, and its unit."""
    when = {found.values.get("time"), found.values.get("date")}
    numeric = {}
    for name in sample.columns:
        cells = sample[name][~is_missing(sample[name])]
        values, units = numbers(cells)
        if len(cells) and values.notna().mean() >= 0.5 and name not in when:
            numeric[name] = (values, units)
    chosen = getattr(told, kind)
    if chosen is not None and chosen not in numeric:
        what = f"the column does not hold numbers, so it cannot be {_CALLED[kind]}."
        raise BadInput([Problem(layout.where, what, "Name another.", column=f"column {chosen}")])
    candidates = [chosen] if chosen is not None else _candidates(kind, layout, numeric)
    taken = {found.values.get(key) for key in KINDS} | {getattr(told, key) for key in KINDS if key != kind}
    candidates = [name for name in candidates if name not in taken]
    if len(candidates) != 1:
        left = tuple(candidates) or tuple(
            name
            for name in numeric
            if name not in taken
            and not any(name in _candidates(other, layout, numeric) for other in KINDS if other != kind)
        )
        if not left:
            what = f"no column of numbers is left for {_CALLED[kind]}."
            raise BadInput([Problem(layout.where, what, "Export with that column.")])
        found.questions.append(Question(kind, f"Which column is {_CALLED[kind]}?", left))
        return
    found.values[kind] = candidates[0]
    _unit(kind, layout, candidates[0], told, found)


def _candidates(kind: str, layout: Layout, numeric: dict[str, tuple[pd.Series, pd.Series]]) -> list[str]:
    """The columns whose header or glued unit names the kind."""
    scores: dict[str, int] = {}
    for name, (_, units) in numeric.items():
        words = fold(name)
        if named(words, OTHER_THINGS):
            continue
        others = [other for other in KINDS if other != kind and named(words, WORDS[other])]
        glued = bool(set(units[units != ""]) & set(KINDS[kind]))
        unit = unit_named(layout.unit_of(name), kind) or unit_named(name, kind)
        score = 2 * named(words, WORDS[kind]) + 2 * glued + (unit is not None)
        if score and not (others and not glued):
            scores[name] = score
    best = max(scores.values(), default=0)
    strong = [name for name, score in scores.items() if score >= 2]
    return strong or [name for name, score in scores.items() if score == best]


def _unit(kind: str, layout: Layout, name: str, told: Told, found: _Found) -> None:
    """Find the unit of a column: told, glued to its values, named in its header, or plain from the values."""
    key = f"{kind}_unit"
    values, units = numbers(layout.cells[name])
    given = getattr(told, key, None)
    glued = sorted(unit for unit in units.unique() if unit in KINDS[kind])
    usual = [unit for unit in glued if (units == unit).sum() > 0.5 * values.notna().sum()]
    headed = unit_named(layout.unit_of(name), kind) or unit_named(name, kind)
    if given is not None:
        found.values[key] = given
    elif kind == "rh":
        share = not glued and values.notna().any() and float(values.max()) <= 1.0
        found.values[key] = "share" if share else "%"
        if share:
            found.reasons.append(f"{name}: read as a share from 0 to 1, since no value is above 1.")
    elif usual:
        found.values[key] = usual[0]
    elif headed is not None:
        found.values[key] = headed
    else:
        listed = _unit_column(layout) if kind == "mass" and not glued else None
        middle = float(values.median())
        if listed is not None:
            found.values[key] = listed
        elif kind == "temp" and not glued and (middle <= 35 or middle >= 50):
            found.values[key] = "°C" if middle <= 35 else "°F"
            found.reasons.append(
                f"{name}: read as {found.values[key]}, since half of its values lie around {middle:g}."
            )
        else:
            found.questions.append(Question(key, f"In which unit is “{name}”?", KINDS[kind]))


_UNIT_WORDS = ("unit", "einheit", "unid", "eenheid", "enhet", "enhed", "jednost", "yksik")


def _unit_column(layout: Layout) -> str | None:
    """The unit that a column of its own names in every row."""
    for name in layout.cells.columns:
        if named(fold(name), _UNIT_WORDS):
            said = {unit_named(text, "mass") for text in layout.cells[name].unique() if text}
            if len(said) == 1:
                return said.pop()
    return None
