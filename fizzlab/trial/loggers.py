"""Exports of hygrometers and scales: finding the cells in the bytes, and what the columns are.

`lay_out` finds named columns of text, `guess` says what they are and asks what it cannot tell. The readings
are then taken by `fizzlab.trial.readings`, and added to a table by `fizzlab.trial.importing`.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np
import pandas as pd

from fizzlab.errors import BadInput, Problem, did_you_mean
from fizzlab.trial.settings.sections import ImportSettings, MassUnit, TempUnit, known_zone
from fizzlab.trial.stamps import (
    COUNTED,
    ORDERS,
    UNIX,
    by_sequence,
    day,
    is_clock,
    is_stamp,
    moment,
    offset_minutes,
    possible_orders,
)
from fizzlab.trial.tables import shortened

#: An export of more bytes than this is refused; a reading a minute fills some 20 MB in a year.
MOST_BYTES = 100 * 1024 * 1024

#: Lines from the top in which the readings must begin.
_LOOKED = 200

#: The longest name of a column; a mapping in trial.toml holds it.
_LONGEST_NAME = 200

#: Rows from either end of a file in which a column shows what it is.
_SAMPLE = 60

#: What each table takes from an export: the column of the table by what is measured.
TAKES = {"room_log": {"temp": "temp_c", "rh": "rh_pct"}, "weighings": {"mass": "mass_g"}}


@dataclass(frozen=True)
class Layout:
    """An export as columns of stripped text, indexed by row as a spreadsheet numbers it.

    `units` is what stood in a line of units under the header, by column; `said`, what was passed over.
    """

    where: str
    cells: pd.DataFrame
    units: tuple[str, ...]
    said: tuple[str, ...]

    def unit_of(self, column: str) -> str:
        """What the line of units says of a column."""
        return self.units[list(self.cells.columns).index(column)]


def lay_out(where: str, data: bytes) -> Layout:
    r"""Find the readings in an export.

    It may be UTF-8 with or without a byte-order mark, UTF-16 or Windows-1252 (Latin-1), with comma,
    semicolon, tab or bar between the cells, and any lines before the header. A file without a row that has a
    date, or with a row longer than the header, raises BadInput.

    Examples
    --------
    >>> lay_out("log.csv", b"Made up logger\n\nTime;Temp\n2026-01-05 08:00;14,5\n").cells
                     Time  Temp
    row
    4    2026-01-05 08:00  14,5
    """
    text, said = _decoded(where, data)
    records, first = _split(where, text)
    header, units, header_row = _header(records, first)
    long = next((name for name in header if len(name) > _LONGEST_NAME), None)
    if long is not None:
        what = f"the name of a column has {len(long)} letters (“{long[:20]}…”)."
        raise BadInput([Problem(where, what, "Shorten it in a copy.", row=header_row)])
    numbered = [(number, record) for number, record in enumerate(records[first:], first + 1) if any(record)]
    rows = [each for each in numbered if not header_row or each[1] != records[header_row - 1]]
    problems = [
        Problem(
            where,
            f"the row has {len(record)} cells, but the header names {len(header)} columns.",
            "Export with a semicolon or tab between the cells, or with a decimal point.",
            row=number,
        )
        for number, record in rows
        if any(record[len(header) :])
    ]
    if problems:
        raise BadInput(shortened(problems, "rows"))
    end = len(rows)  # closing lines hold no date or time and at most one filled cell
    while end and not any(map(is_stamp, rows[end - 1][1])) and sum(map(bool, rows[end - 1][1])) <= 1:
        end -= 1
    if header_row and header_row > 1:
        said.append(f"{_lines(header_row - 1)} before the header: passed over.")
    if len(rows) < len(numbered):
        again = len(numbered) - len(rows)
        said.append(f"The header stands {again} more times among the readings: passed over.")
    if end < len(rows):
        said.append(f"{_lines(len(rows) - end)} after the readings: passed over.")
    cells = pd.DataFrame(
        [(record + [""] * len(header))[: len(header)] for _, record in rows[:end]],
        index=pd.Index([number for number, _ in rows[:end]], name="row"),
        columns=header,
        dtype=object,
    )
    return Layout(where, cells, units, tuple(said))


def _lines(count: int) -> str:
    return "1 line" if count == 1 else f"{count} lines"


def _decoded(where: str, data: bytes) -> tuple[str, list[str]]:
    if len(data) > MOST_BYTES:
        raise BadInput([Problem(where, "it is larger than 100 MB.", "Export a shorter stretch of time.")])
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        do = "Open it in the spreadsheet and save the sheet as CSV."
        raise BadInput([Problem(where, "it is a workbook, not a CSV file.", do)])
    encodings = ["utf-8-sig", "cp1252", "latin-1"]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif data[:200].count(b"\0") > len(data[:200]) // 4:
        encodings = ["utf-16-le" if data[1:2] == b"\0" else "utf-16-be"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        latin = encoding in ("cp1252", "latin-1")
        said = "It is not UTF-8 text; it was read as Windows-1252, also called Latin-1."
        return text, [said] if latin else []
    raise BadInput([Problem(where, "it is not a text file.", "Export the readings as CSV.")])


def _split(where: str, text: str) -> tuple[list[list[str]], int]:
    """Split into cells with the separator that gives the most rows with a date; say where they begin."""
    best: tuple[tuple[int, int], list[list[str]], int] | None = None
    for separator in "\t;,|":
        try:
            rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
            records = [[_clean(cell) for cell in row] for row in rows] if separator in text else []
        except csv.Error:
            continue
        found = [i for i, row in enumerate(records[:_LOOKED]) if any(map(is_stamp, row)) and _has_digit(row)]
        if found:
            usual = Counter(len(records[i]) for i in found).most_common(1)[0][0]
            regular = [i for i in found if len(records[i]) == usual]
            if best is None or (len(regular), usual) > best[0]:
                best = ((len(regular), usual), records, regular[0])
    if best is None:
        what = "no row with a date or time and a reading beside it was found in it."
        do = "Export as CSV with a column of dates and times, and one row a reading."
        raise BadInput([Problem(where, what, do)])
    return best[1], best[2]


def _has_digit(row: list[str]) -> bool:
    """Is there, besides the stamp, a cell with a number?"""
    return sum(1 for cell in row if any(letter.isdigit() for letter in cell)) > 1


def _clean(cell: str) -> str:
    """Strip a cell; every kind of space is one space."""
    if cell.isascii():
        return cell.strip()
    return "".join(" " if unicodedata.category(letter) == "Zs" else letter for letter in cell).strip()


_UNIT_LIKE = re.compile(
    r"[\[(]?\s*(°|º|˚|℃|℉|%|deg|[cfg]\b|kg|oz|lbs?\b|rh|hh|hpa|mbar|volt|v\b|yyyy|dd|mm)", re.I
)


def _header(records: list[list[str]], first: int) -> tuple[list[str], tuple[str, ...], int | None]:
    """The names of the columns, the units under them, and the row of the header; None where there is none."""
    width = len(records[first])
    place = first - 1
    while place >= 0 and not any(records[place]):
        place -= 1
    units = [""] * width
    if place > 0:
        filled = [cell for cell in records[place] if cell]
        above = [cell for cell in records[place - 1] if cell]
        if all(map(_UNIT_LIKE.match, filled)) and len(above) >= max(2, len(filled)):
            units = (records[place] + units)[:width]
            place -= 1
    names = records[place] if place >= 0 else []
    titled = sum(map(bool, names)) >= 2  # a title is no header
    if titled:
        width = len(names)
        while width > len(records[first]) and not names[width - 1]:
            width -= 1
    header: list[str] = []
    for i in range(width):
        name = names[i] if titled and i < len(names) and names[i] else f"column {i + 1}"
        same = 1
        while (name if same == 1 else f"{name} ({same})") in header:
            same += 1
        header.append(name if same == 1 else f"{name} ({same})")
    return header, tuple((units + [""] * width)[:width]), place + 1 if titled else None


#: What loggers write where there was no reading, besides nothing at all.
_NO_READING = "- -- --- ---- n/a na n.a. nan null none err error ol lo hi"

#: Units by how they are written, without spaces, brackets and points.
_UNITS = {
    written: unit
    for unit, spellings in {
        "°C": "°c ºc ˚c ℃ c degc celsius �c â°c grad",
        "°F": "°f ºf ˚f ℉ f degf fahrenheit �f â°f",
        "%": "% %rh rh% %rf rf% %rel %hr hr% %ur ur% rh percent",
        "g": "g gr gram grams gramm grammes gramos grammi",
        "kg": "kg kilogram kilograms kilogramm",
        "oz": "oz ounce ounces",
        "lb": "lb lbs pound pounds",
    }.items()
    for written in spellings.split()
}

KINDS = {"temp": ("°C", "°F"), "rh": ("%",), "mass": ("g", "kg", "oz", "lb")}

#: How words begin that name a column, by what it holds: English, German, French, Spanish, Portuguese,
#: Italian, Dutch, the Scandinavian languages, Polish, Czech and Finnish. A point at the end: the whole word.
_WORDS = {
    "time": "time stamp clock zeit uhrzeit messzeit hora heure horodat ora. orario tijd tid. tidpunkt tidsp "
    "klock klokk czas godzin aika kello cas. unix",
    "date": "date datum fecha data. dato. giorno day. tag. jour dia. dzien paiva pvm. den.",
    "temp": "temp celsius fahrenheit teplota lampotila t.",
    "rh": "humid hum. rh. feucht luftfeucht relf rf. rel. humed hr. umid ur. vochtig luchtvocht luftfukt "
    "fukt fugtig luftfugt wilgotn kosteus vlhkost hygro hygr.",
    "mass": "mass weight weigh gewicht masa peso poids vikt vaegt vægt vekt waga hmotnost paino net. netto "
    "brutto gross gram",
    "unit": "unit einheit unid eenheid enhet enhed jednost yksik",
}

#: How words begin of a column that holds something else, whatever its other words.
_WORDS["other things"] = (
    "dew taup rosee rocio rugiada orvalho dauw dagg dugp duggp rosy kastep abs vpd deficit index humidex "
    "feel gefuhlt ressenti wet bulb frost max min. mini minimum alarm set. setpoint soll limit battery batt "
    "akku pressure druck tara tare target elapsed duration dauer interval"
)


def _fold(name: str) -> list[str]:
    """The words of a name in small letters without accents; a degree sign or a per cent is a word too."""
    for letter, word in (("c", " celsius "), ("f", " fahrenheit ")):
        name = re.sub(rf"[°º˚�]\s*{letter}\b|{'℃' if letter == 'c' else '℉'}", word, name, flags=re.I)
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", unicodedata.normalize("NFKD", name.replace("%", " percent ")))
    plain = "".join(letter for letter in apart.casefold() if not unicodedata.combining(letter))
    return re.findall(r"[^\W\d_]+", plain)


def _names(name: str, *kinds: str) -> bool:
    """Does a word of a column's name begin, or with a point end, as one of those of the kinds?"""
    starts = [start for kind in kinds for start in _WORDS[kind].split()]
    return any(
        word == start[:-1] if start.endswith(".") else word.startswith(start)
        for word in _fold(name)
        for start in starts
    )


def unit_named(text: str, kind: str) -> str | None:
    """The unit that a header or a cell of units names.

    Examples
    --------
    >>> unit_named("Temp (°F)", "temp"), unit_named("mass_g", "mass"), unit_named("Time", "temp")
    ('°F', 'g', None)
    """
    whole = _UNITS.get(_bare(text))
    if whole in KINDS[kind]:
        return whole
    found = {_UNITS.get(word) for word in _fold(text)} & set(KINDS[kind])
    return found.pop() if len(found) == 1 else None


def _bare(text: str) -> str:
    return re.sub(r"[\s.()\[\]]", "", text).casefold()


def numbers(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Numbers (NaN: none; a comma is a decimal comma) and the units glued to them ("?": none that is known).

    Examples
    --------
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
    return text.str.casefold().isin(["", *_NO_READING.split()])


def stamp_texts(cells: pd.DataFrame, time: str, date: str | None) -> pd.Series:
    """The text of each stamp; a date and a time of day that stand apart are put together."""
    if date is None:
        return cells[time]
    alone = cells[date].str.replace(r"[T ]0?0:00(:00([.,]0+)?)?$", "", regex=True)
    return (alone + " " + cells[time]).where((alone != "") & (cells[time] != ""), "")


@dataclass(frozen=True)
class Told:
    """What the maker has said already, by the keys of `ImportSettings`; None where they have not."""

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
    """What the file does not settle: a field of `Told`, one sentence, and the answers (none: any text)."""

    key: str
    asks: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Guess:
    """A mapping (None while there are questions), why, the questions, and the columns that are not read."""

    mapping: ImportSettings | None
    reasons: tuple[str, ...]
    questions: tuple[Question, ...]
    ignored: tuple[str, ...]


def guess(layout: Layout, table: str, told: Told | None = None) -> Guess:
    """Guess which columns hold what, in which units and order of dates.

    A column is taken where its header names it and its values fit; what two columns could be, or what only
    the values suggest, is a question. Answers (`told`) are taken as they are; one that names a column, unit,
    order or zone that there is not raises BadInput, as does a file without a column that is needed.

    Examples
    --------
    >>> export = b"Datum;Uhrzeit;Temperatur;Feuchte\\n13.04.2026;08:00;21,5 \\xc2\\xb0C;64%\\n"
    >>> found = guess(lay_out("log.csv", export), "room_log")
    >>> found.mapping.columns(), found.mapping.dates, found.questions
    ({'date': 'Datum', 'time': 'Uhrzeit', 'temp': 'Temperatur', 'rh': 'Feuchte'}, 'day first', ())
    """
    told = told or Told()
    _refuse_unknown(layout, told)
    guesser = _Guesser(layout, told)
    guesser.when()
    for kind in TAKES[table]:
        guesser.measured(kind)
    mapping = None
    if not guesser.questions:
        mapping = ImportSettings.model_validate({"table": table, **guesser.values})
    used = [guesser.values.get(key) for key in ("time", "date", *TAKES[table])]
    ignored = tuple(name for name in layout.cells.columns if name not in used)
    return Guess(mapping, tuple(guesser.reasons), tuple(guesser.questions), ignored)


def _refuse_unknown(layout: Layout, told: Told) -> None:
    columns = list(layout.cells.columns)
    problems = []

    def wrong(where: str, what: str, do: str, column: str | None = None) -> None:
        problems.append(Problem(where, what, do, column=column))

    for key in ("time", "date", "temp", "rh", "mass"):
        name = getattr(told, key)
        if name is not None and name not in columns:
            do = did_you_mean(name, columns, f"It has: {', '.join(columns)}.")
            wrong(layout.where, "it has no such column.", do, f"column {name}")
    for key, choices in {
        "dates": ORDERS,
        "temp_unit": get_args(TempUnit),
        "mass_unit": get_args(MassUnit),
    }.items():
        value = getattr(told, key)
        if value is not None and value not in choices:
            option = f"option --{key.replace('_', '-')}"
            wrong(option, f"“{value}” is none of its choices.", f"Choose from: {', '.join(choices)}.")
    if told.zone is not None and not known_zone(told.zone):
        do = "Write it as in the tz database, such as Europe/Berlin or America/New_York."
        wrong("option --zone", f"“{told.zone}” is no time zone.", do)
    if told.offset is not None and offset_minutes(told.offset) is None:
        wrong("option --offset", f"“{told.offset}” is no offset.", "Write it as +01:00.")
    if problems:
        raise BadInput(problems)


def _mostly(texts: Sequence[str], test: Callable[[str], object]) -> bool:
    """Do at least half of the texts pass? The others are then slips, and said when they are read."""
    return bool(texts) and sum(1 for text in texts if test(text)) >= 0.5 * len(texts)


_CALLED = {"temp": "the air's temperature", "rh": "the air's relative humidity", "mass": "the mass"}


class _Guesser:
    """Finds the values of a mapping one after the other, with reasons, or the questions in their way."""

    def __init__(self, layout: Layout, told: Told) -> None:
        self.layout, self.told = layout, told
        cells = layout.cells
        ends = pd.concat([cells.iloc[:_SAMPLE], cells.iloc[-_SAMPLE:]])
        self.sample = cells if len(cells) <= 2 * _SAMPLE else ends
        self.values: dict[str, str] = {}
        self.reasons: list[str] = []
        self.questions: list[Question] = []

    def choose(self, key: str, asks: str, columns: Sequence[str]) -> None:
        """Take the only column, or ask which."""
        if len(columns) == 1:
            self.values[key] = columns[0]
        else:
            self.questions.append(Question(key, asks, tuple(columns)))

    def when(self) -> None:
        """Find the column of times, or a pair of date and time of day, and the order of its numbers."""
        told = self.told
        texts = {name: [text for text in self.sample[name] if text] for name in self.sample.columns}
        whole = [name for name in texts if _is_time(name, texts[name])]
        days = [
            name for name in texts if _mostly(texts[name], lambda text: any(day(text, o) for o in ORDERS))
        ]
        clocks = [name for name in texts if name not in days and _mostly(texts[name], is_clock)]
        if told.time is not None:
            whole = [told.time] if told.date is None and told.time not in clocks else []
            clocks = [told.time]
        if told.date is not None:
            whole, days = [], [told.date]
        if len(whole) > 1:
            by_name = [name for name in whole if _names(name, "time", "date")]
            whole = by_name if len(by_name) == 1 else whole
        if whole:
            self.choose("time", "Which column is the workshop's date and time?", whole)
        elif days and clocks:
            self.choose("date", "Which column is the date?", days)
            self.choose("time", "Which column is the time of day?", clocks)
        else:
            what = "no column holds a date and a time of day."
            do = "Export with the full date and time of each reading."
            raise BadInput([Problem(self.layout.where, what, do)])
        if not self.questions:
            self.order()

    def order(self) -> None:
        """Find which number of a date is which, and whose clock it is."""
        stamps = stamp_texts(self.layout.cells, self.values["time"], self.values.get("date"))
        usable = [text for text in stamps if text and any(moment(text, order) for order in ORDERS)]
        orders = possible_orders(usable)
        chosen = next((order for order in ORDERS if order == self.told.dates), None)
        if chosen is None and len(orders) == 1:
            chosen = orders[0]
            if chosen not in COUNTED:
                self.reasons.append(f"Dates: {chosen}, the only order in which every one is a date.")
        elif chosen is None and orders:
            chosen = by_sequence(usable, orders)
            if chosen is not None:
                self.reasons.append(f"Dates: {chosen}, the only order in which one day follows the other.")
        if chosen is None:
            shown = usable[0] if usable else ""
            choices = tuple(orders) or tuple(order for order in ORDERS if order not in COUNTED)
            asks = f"“{shown}” can be read in more than one way. Which number comes first in its date?"
            self.questions.append(Question("dates", asks, choices))
            return
        self.values["dates"] = chosen
        offsets = {read.offset for text in usable if (read := moment(text, chosen)) is not None}
        if self.told.zone is not None:
            self.values["zone"] = self.told.zone
        if self.told.offset is not None and not offsets - {None}:
            self.values["offset"] = self.told.offset
        if self.told.zone is None and (chosen in UNIX or offsets == {0} or self.told.offset is not None):
            which = "seconds of world time" if chosen in UNIX else "times of a fixed clock"
            asks = f"Its stamps are {which} (UTC). Which time zone is the workshop in, such as Europe/Berlin?"
            self.questions.append(Question("zone", asks))

    def measured(self, kind: str) -> None:
        """Find the column of one kind of reading, and its unit."""
        when = (self.values.get("time"), self.values.get("date"))
        glued: dict[str, set[str]] = {}
        for name in self.sample.columns:
            cells = self.sample[name][~is_missing(self.sample[name])]
            values, units = numbers(cells)
            if len(cells) and values.notna().mean() >= 0.5 and name not in when:
                glued[name] = set(units[units != ""])
        chosen = getattr(self.told, kind)
        if chosen is not None and chosen not in glued:
            what = f"the column does not hold numbers, so it cannot be {_CALLED[kind]}."
            raise BadInput([Problem(self.layout.where, what, "Name another.", column=f"column {chosen}")])
        taken = {self.values.get(key) for key in KINDS} | {getattr(self.told, k) for k in KINDS if k != kind}
        free = [name for name in glued if name not in taken]
        candidates = [chosen] if chosen is not None else self.candidates(kind, glued)
        left = [name for name in candidates if name in free]
        if not left:
            others = {name for other in KINDS if other != kind for name in self.candidates(other, glued)}
            left = [name for name in free if name not in others]
            if not left:
                what = f"no column of numbers is left for {_CALLED[kind]}."
                raise BadInput([Problem(self.layout.where, what, "Export with that column.")])
            self.questions.append(Question(kind, f"Which column is {_CALLED[kind]}?", tuple(left)))
            return
        self.choose(kind, f"Which column is {_CALLED[kind]}?", left)
        if kind in self.values:
            self.unit(kind, self.values[kind])

    def candidates(self, kind: str, glued: dict[str, set[str]]) -> list[str]:
        """The columns whose header or glued unit names the kind."""
        scores: dict[str, int] = {}
        for name, units in glued.items():
            fits = bool(units & set(KINDS[kind]))
            elsewhere = any(_names(name, other) for other in KINDS if other != kind)
            unit = unit_named(self.layout.unit_of(name), kind) or unit_named(name, kind)
            score = 2 * _names(name, kind) + 2 * fits + (unit is not None)
            if score and not (elsewhere and not fits) and not _names(name, "other things"):
                scores[name] = score
        strong = [name for name, score in scores.items() if score >= 2]
        return strong or list(scores)

    def unit(self, kind: str, name: str) -> None:
        """Find the unit of a column: told, glued to its values, in its header, or plain from the values."""
        key = f"{kind}_unit"
        values, units = numbers(self.layout.cells[name])
        glued = sorted(unit for unit in units.unique() if unit in KINDS[kind])
        usual = [unit for unit in glued if (units == unit).sum() > 0.5 * values.notna().sum()]
        headed = unit_named(self.layout.unit_of(name), kind) or unit_named(name, kind)
        middle = float(values.median())
        if getattr(self.told, key, None) is not None:
            self.values[key] = getattr(self.told, key)
        elif kind == "rh":
            share = not glued and values.notna().any() and float(values.max()) <= 1.0
            self.values[key] = "share" if share else "%"
            if share:
                self.reasons.append(f"{name}: read as a share from 0 to 1, since no value is above 1.")
        elif usual or headed:
            self.values[key] = usual[0] if usual else str(headed)
        elif kind == "mass" and not glued and (listed := self.unit_column()):
            self.values[key] = listed
        elif kind == "temp" and not glued and (middle <= 35 or middle >= 50):
            unit = self.values[key] = "°C" if middle <= 35 else "°F"
            self.reasons.append(f"{name}: read as {unit}, since half of its values lie around {middle:g}.")
        else:
            self.questions.append(Question(key, f"In which unit is “{name}”?", KINDS[kind]))

    def unit_column(self) -> str | None:
        """The unit that a column of its own names in every row."""
        for name, cells in self.layout.cells.items():
            said = {unit_named(text, "mass") for text in cells.unique() if text}
            if _names(str(name), "unit") and len(said) == 1:
                return said.pop()
        return None


def _is_time(name: str, texts: Sequence[str]) -> bool:
    counted = _names(name, "time", "date")
    orders = [o for o in ORDERS if counted or o not in COUNTED or o == "unix milliseconds"]
    return _mostly(texts, lambda text: any(moment(text, order) for order in orders))
