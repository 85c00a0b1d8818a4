"""Exports of hygrometers: finding the cells in the bytes (`lay_out`), and what the columns are (`guess`)."""

from __future__ import annotations

import csv
import io
import itertools
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem, did_you_mean, problem, refuse
from fizzlab.language import say
from fizzlab.trial.opening import MOST_BYTES
from fizzlab.trial.settings.sections import ImportSettings, known_zone
from fizzlab.trial.stamps import ORDERS, WRITTEN, is_clock, is_day, is_stamp, moment
from fizzlab.trial.tables import open_book, records, shortened

#: Lines from the top in which the readings must begin.
_LOOKED = 200

#: Rows from either end of a file in which a column shows what it is.
_SAMPLE = 60

#: The columns of the room log by what is measured, and the units of each.
TAKES = {"temp": "temp_c", "rh": "rh_pct"}
KINDS = {"temp": ("°C", "°F", "K"), "rh": ("%",)}

_UNITS = {written: str(unit) for unit, spellings in WRITTEN["units"].items() for written in spellings}


@dataclass(frozen=True)
class Layout:
    """An export as columns of stripped text, indexed by row of the file, and what was passed over."""

    where: str
    cells: pd.DataFrame
    said: tuple[str, ...]


def lay_out(where: str, data: bytes) -> Layout:
    r"""Find the readings in an export; BadInput where no row has a date, or one is longer than the header.

    It may be a workbook, or text in UTF-8, UTF-16 or Windows-1252 (Latin-1), with comma, semicolon, tab or
    bar between the cells, and any lines before the header.

    >>> lay_out("log.csv", b"Made up logger\n\nTime;Temp\n2026-01-05 08:00;14,5\n").cells
                     Time  Temp
    row
    4    2026-01-05 08:00  14,5
    """
    if len(data) > MOST_BYTES:
        raise refuse("export_too_large", where)
    said: list[str] = []
    found = _texts(where, data, said)
    if data.startswith(b"PK\x03\x04"):
        found = (records(where, sheet) for sheet in open_book(where, data).worksheets)
    rows, first = _most_regular(where, found)
    place = first - 1
    while place >= 0 and not any(rows[place]):
        place -= 1
    titled = place >= 0 and sum(map(bool, rows[place])) >= 2  # a title is no header
    header = _header(rows[place] if titled else [], len(rows[first]))
    filled = {number: row for number, row in enumerate(rows[first:], first + 1) if any(row)}
    kept = {number: row for number, row in filled.items() if not titled or row != rows[place]}
    problems = []
    for number in [number for number, row in kept.items() if any(row[len(header) :])]:
        told: dict[str, Any] = {"cells": len(kept[number]), "columns": len(header)}
        problems.append(problem("export_row_too_long", where, number, **told))
    if problems:
        raise BadInput(shortened(problems, "more_rows"))
    for number in reversed(list(kept)):  # closing lines hold no date or time and at most one filled cell
        if any(map(is_stamp, kept[number])) or sum(map(bool, kept[number])) > 1:
            break
        del kept[number]
    if passed := len(filled) - len(kept) + (place if titled else first):
        said.append(say("lines_passed", n=passed))
    cells = [(row + [""] * len(header))[: len(header)] for row in kept.values()]
    index = pd.Index(list(kept), name="row")
    return Layout(where, pd.DataFrame(cells, index, header, dtype=object), tuple(said))


def _texts(where: str, data: bytes, said: list[str]) -> Iterable[list[list[str]]]:
    """The rows of a text, split at each sign that may stand between its cells."""
    try:
        text = data.decode("utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        said.append(say("read_as_latin"))
    if "\0" in text:
        raise refuse("export_no_text", where)
    for separator in "\t;,|":
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
        try:
            yield list(rows) if separator in text else []
        except csv.Error:
            continue


def _most_regular(where: str, found: Iterable[list[list[str]]]) -> tuple[list[list[str]], int]:
    """Of several ways to split it, the rows where most have a date in equal width; and the first of those."""
    best: tuple[tuple[int, int], list[list[str]], int] = (0, 0), [], 0
    for split in found:
        rows = [[_clean(cell) for cell in row] for row in split]
        filled = [sum(any(map(str.isdigit, cell)) for cell in row) for row in rows[:_LOOKED]]
        dated = [i for i, cells in enumerate(filled) if cells > 1 and any(map(is_stamp, rows[i]))]
        if dated:
            usual = Counter(len(rows[i]) for i in dated).most_common(1)[0][0]
            regular = [i for i in dated if len(rows[i]) == usual]
            best = max(best, ((len(regular), usual), rows, regular[0]), key=lambda each: each[0])
    if not best[1]:
        raise refuse("export_no_readings", where)
    return best[1], best[2]


def _clean(cell: str) -> str:
    """Strip a cell; every kind of space is one space."""
    if cell.isascii():
        return cell.strip()
    return "".join(" " if unicodedata.category(letter) == "Zs" else letter for letter in cell).strip()


def _header(names: list[str], width: int) -> list[str]:
    """A name of its own for each column; one without a name is counted."""
    while len(names) > width and not names[-1]:
        names = names[:-1]
    header: list[str] = []
    for i in range(len(names) or width):
        name = names[i][:190] if i < len(names) and names[i] else say("at_column", column=i + 1)
        others = (f"{name} ({same})" for same in itertools.count(2))
        header.append(next(each for each in itertools.chain([name], others) if each not in header))
    return header


def _fold(name: str) -> list[str]:
    """The words of a name in small letters without accents; a degree sign or a per cent is a word too."""
    for letter, word in (("c", " celsius "), ("f", " fahrenheit ")):
        name = re.sub(rf"[°º˚�]\s*{letter}\b|{'℃' if letter == 'c' else '℉'}", word, name, flags=re.I)
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", unicodedata.normalize("NFKD", name.replace("%", " percent ")))
    plain = "".join(letter for letter in apart.casefold() if not unicodedata.combining(letter))
    return re.findall(r"[^\W\d_]+", plain)


def _names(name: str, *kinds: str) -> bool:
    """Does a word of a column's name begin, or with a point end, as one of those of the kinds?"""
    starts = [start for kind in kinds for start in WRITTEN["words"][kind]]
    return any(
        word == start[:-1] if start.endswith(".") else word.startswith(start)
        for word in _fold(name)
        for start in starts
    )


def unit_named(text: str, kind: str) -> str | None:
    """The unit that a header or a cell names: °F for Temp (°F)."""
    whole = _UNITS.get(_bare(text))
    if whole in KINDS[kind]:
        return whole
    found = {_UNITS.get(word) for word in _fold(text)} & set(KINDS[kind])
    return found.pop() if len(found) == 1 else None


def _bare(text: str) -> str:
    return re.sub(r"[\s.()\[\]]", "", text).casefold()


def numbers(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Numbers (NaN: none; a comma is a decimal comma) and the units glued to them ("?": none that is known).

    >>> values, units = numbers(pd.Series(["21.5 °C", "64%rh", "20,1", "--", "1.234,5"]))
    >>> values.tolist(), units.tolist()
    ([21.5, 64.0, 20.1, nan, nan], ['°C', '%', '', '', ''])
    """
    parts = text.str.extract(r"^([+\-−]?\s?\d+(?:[.,]\d*)?|[+\-−]?[.,]\d+)\s*([^\d]*)$")
    plain = parts[0].str.replace("−", "-").str.replace(" ", "").str.replace(",", ".")
    values = pd.to_numeric(plain, errors="coerce").astype(float)
    glued = parts[1].fillna("").str.strip()
    units = glued.map({unit: _UNITS.get(_bare(unit), "?") if unit else "" for unit in glued.unique()})
    return values.where((units != "?") & np.isfinite(values)), units


def is_missing(text: pd.Series) -> pd.Series:
    """Which cells say that there was no reading?"""
    return text.str.casefold().isin(WRITTEN["no_reading"])


def stamp_texts(cells: pd.DataFrame, time: str, date: str | None) -> pd.Series:
    """The text of each stamp; a date and a time of day that stand apart are put together."""
    if date is None:
        return cells[time]
    alone = cells[date].str.replace(r"[T ]0?0:00(:00([.,]0+)?)?$", "", regex=True)
    return (alone + " " + cells[time]).where((alone != "") & (cells[time] != ""), "")


@dataclass(frozen=True)
class Guess:
    """A mapping, why, and the columns that are not read."""

    mapping: ImportSettings
    reasons: tuple[str, ...]
    ignored: tuple[str, ...]


#: What a maker may say, by key; columns and time zones besides.
_ZONES = ("Europe/Berlin", "America/New_York")
_CHOICES = {"dates": ORDERS, "temp_unit": KINDS["temp"]}


def guess(layout: Layout, told: Mapping[str, str] | None = None) -> Guess:
    """Guess which columns hold what, in which units and order of dates.

    A column is taken where its header names it and its values fit. What the maker says (`told`, by key of
    `ImportSettings`) is taken as it is. BadInput asks what two columns could be, or what only the values
    suggest, and is raised where a column that is needed, or what was told, is not there.

    >>> export = b"Datum;Uhrzeit;Temperatur;Feuchte\\n13.04.2026;08:00;21,5 \\xc2\\xb0C;64%\\n"
    >>> found = guess(lay_out("log.csv", export))
    >>> found.mapping.columns(), found.mapping.dates
    ({'date': 'Datum', 'time': 'Uhrzeit', 'temp': 'Temperatur', 'rh': 'Feuchte'}, 'day first')
    """
    guesser = _Guesser(layout, told or {})
    guesser.refuse_unknown()
    guesser.when()
    for kind in KINDS:
        guesser.measured(kind)
    if guesser.asked:
        raise BadInput(guesser.asked)
    mapping = ImportSettings.model_validate(guesser.values)
    ignored = tuple(name for name in layout.cells.columns if name not in mapping.columns().values())
    return Guess(mapping, tuple(guesser.reasons), ignored)


def _mostly(texts: Sequence[str], test: Callable[[str], object]) -> bool:
    """Do at least half of the texts pass? The others are then slips, and said when they are read."""
    return bool(texts) and sum(1 for text in texts if test(text)) >= 0.5 * len(texts)


class _Guesser:
    """Finds the values of a mapping one after the other, with reasons, or asks for them."""

    def __init__(self, layout: Layout, told: Mapping[str, str]) -> None:
        self.layout, self.told = layout, told
        cells = layout.cells
        ends = pd.concat([cells.iloc[:_SAMPLE], cells.iloc[-_SAMPLE:]])
        self.sample = cells if len(cells) <= 2 * _SAMPLE else ends
        self.numeric = {name: found for name in cells.columns if (found := _units_glued(self.sample[name]))}
        self.values: dict[str, str] = {}
        self.reasons: list[str] = []
        self.asked: list[Problem] = []

    def refuse_unknown(self) -> None:
        """Refuse answers that name a column, unit, order or zone that there is not."""
        problems = []
        for key, value in self.told.items():
            choices = _CHOICES.get(key, tuple(self.sample.columns))
            says, do = "told_unknown", did_you_mean(value, choices)
            if key == "zone":
                says, do, choices = "told_no_zone", "", (value,) if known_zone(value) else ()
            if value not in choices:
                option = say("at_option", option=f"--{key.replace('_', '-')}")
                told: dict[str, Any] = {"value": value, "known": ", ".join(choices)}
                problems.append(problem(says, option, do=do, **told))
        if problems:
            raise BadInput(problems)

    def ask(self, key: str, says: str, choices: Sequence[str], **filled: str) -> None:
        """Ask for what the file does not settle: the option that does."""
        said = f'--{key.replace("_", "-")} "{choices[0]}"'
        do = say("say_it", known=", ".join(choices), said=said)
        self.asked.append(Problem(self.layout.where, say(says, **filled), do))

    def choose(self, key: str, says: str, columns: Sequence[str]) -> None:
        """Take the only column, or ask which."""
        if len(columns) == 1:
            self.values[key] = columns[0]
        else:
            self.ask(key, says, columns)

    def when(self) -> None:
        """Find the column of times, or a pair of date and time of day, and the order of its numbers."""
        texts = {name: [text for text in self.sample[name] if text] for name in self.sample.columns}
        days = [name for name in texts if _mostly(texts[name], is_day)]
        clocks = [name for name in texts if name not in days and _mostly(texts[name], is_clock)]
        whole = [name for name in texts if not (clocks and name in days) and _is_time(name, texts[name])]
        if "time" in self.told:
            whole = [self.told["time"]] if "date" not in self.told and self.told["time"] not in clocks else []
            clocks = [self.told["time"]]
        if "date" in self.told:
            whole, days = [], [self.told["date"]]
        by_name = [name for name in whole if _names(name, "time", "date")]
        if whole:
            whole = by_name if len(by_name) == 1 else whole
            self.choose("time", "which_stamp", whole)
        elif days and clocks:
            self.choose("date", "which_date", days)
            self.choose("time", "which_clock", clocks)
        else:
            raise refuse("export_no_stamps", self.layout.where)
        if not self.asked:
            self.order()

    def order(self) -> None:
        """Find which number of a date is which, and whose clock it is."""
        stamps = stamp_texts(self.layout.cells, self.values["time"], self.values.get("date"))
        usable = [text for text in stamps if text and any(moment(text, order) for order in ORDERS)]
        orders = [order for order in ORDERS if all(moment(text, order) for text in usable)]
        if "dates" in self.told:
            orders = [order for order in ORDERS if order == self.told["dates"]]
        if len(orders) != 1:
            shown = usable[0] if usable else ""
            self.ask("dates", "which_order", orders or ORDERS, shown=shown)
            return
        chosen = orders[0]
        self.values["dates"] = chosen
        offsets = {read.offset for text in usable if (read := moment(text, chosen)) is not None}
        if "zone" in self.told:
            self.values["zone"] = self.told["zone"]
        elif offsets == {0}:
            self.ask("zone", "which_zone", [*_ZONES, say("other_zone")])

    def measured(self, kind: str) -> None:
        """Find the column of one kind of reading, and its unit."""
        other, told = {"temp": "rh", "rh": "temp"}[kind], self.told.get(kind)
        taken = [each.get(key) for each in (self.values, self.told) for key in ("time", "date", other)]
        glued = {name: units for name, units in self.numeric.items() if name not in taken}
        if told is not None and told not in glued:
            raise refuse(f"{kind}_no_numbers", self.layout.where, say("at_column", column=told))
        fit = [told] if told is not None else _candidates(kind, other, glued)
        if fit:
            self.choose(kind, f"which_{kind}", fit)
        else:
            others = _candidates(other, kind, glued)
            left = tuple(name for name in glued if name not in others)
            if not left:
                raise refuse(f"{kind}_none_left", self.layout.where)
            self.ask(kind, f"which_{kind}", left)
        if kind in self.values:
            self.unit(kind, self.values[kind])

    def unit(self, kind: str, name: str) -> None:
        """Find the unit of a column: told, glued to its values, in its header, or plain from the values."""
        key = f"{kind}_unit"
        values, units = numbers(self.layout.cells[name])
        usual = [unit for unit in KINDS[kind] if (units == unit).sum() > 0.5 * values.notna().sum()]
        glued, middle = units.isin(KINDS[kind]).any(), float(values.median())
        headed = unit_named(name, kind)
        if headed == "K" and middle < 200:  # a thermocouple of type K
            headed = None
        if key in self.told:
            self.values[key] = self.told[key]
        elif kind == "rh":
            share = not glued and values.notna().any() and float(values.max()) <= 1.0
            self.values[key] = "share" if share else "%"
            if share:
                self.reasons.append(say("read_as_share", name=name))
        elif usual or headed:
            self.values[key] = usual[0] if usual else str(headed)
        elif kind == "temp" and not glued and (middle <= 35 or middle >= 50):
            unit = self.values[key] = "°C" if middle <= 35 else "°F" if middle < 200 else "K"
            self.reasons.append(say("read_as_unit", name=name, unit=unit, middle=middle))
        else:
            self.ask(key, "which_unit", KINDS[kind][:2], name=name)


def _units_glued(cells: pd.Series) -> set[str]:
    """The units behind the numbers of a column ("": none is); empty where it does not hold numbers."""
    cells = cells[~is_missing(cells)]
    values, units = numbers(cells)
    return set(units) if len(cells) and values.notna().mean() >= 0.5 else set()


def _candidates(kind: str, other: str, glued: dict[str, set[str]]) -> list[str]:
    """The columns whose header or glued unit names the kind; else those whose header has its unit."""
    own = [name for name, units in glued.items() if units & set(KINDS[kind])]
    fit = [name for name in glued if (name in own or not _names(name, other)) and not _names(name, "other")]
    strong = [name for name in fit if name in own or _names(name, kind)]
    return strong or [name for name in fit if unit_named(name, kind)]


def _is_time(name: str, texts: Sequence[str]) -> bool:
    """Does a column hold dates and times? Seconds of a computer only where its name says so."""
    orders = [order for order in ORDERS if order != "unix seconds" or _names(name, "time", "date")]
    return _mostly(texts, lambda text: any(moment(text, order) for order in orders))
