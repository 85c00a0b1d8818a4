"""What can be measured, as measures.toml lists it: each table with its columns, each response with its words.

A measure is declared once, there or by `register`, or by a maker under `[responses]` of trial.toml. Reading,
checking, planning, the workbook, the bench, the comparison, the report and the choice loop over this list;
none of them names a measure in an `if`. Nothing heavy is imported: a study is looked up when it is needed.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import Any, Literal

from fizzlab.language import ENGLISH, texts, wording

Scale = Literal["ratio", "difference"]

Kind = Literal["text", "number", "whole", "yes_no", "moment"]

#: The currencies that trial.toml may say; what a hundredth of each is called stands in `fizzlab.language`.
CURRENCIES = ("AUD", "CAD", "CHF", "CZK", "DKK", "EUR", "GBP", "NOK", "NZD", "PLN", "SEK", "USD")

_UNITS = {"g": "g", "h": "h", "s": "s", "c": "°C", "cm": "cm", "pct": "%"}


@dataclass(frozen=True)
class Column:
    """One column of a table: its name (with the unit in it), what may stand there, and what it means.

    A moment is a date and time of the workshop's clock; `clock` says that it must have its time of day. A
    `required` column must be there and filled in every row. Values outside of `low` to `high` are refused,
    with `above_low` `low` itself too. `also` are further words of a yes_no column, `suffix` what may stand
    after a number. `ends` says that a yes ends the readings of a piece: prepared rows after it stay blank.
    `steps` is the yes_no column by which the bench steps it for the next row: down after a yes, else up.
    """

    name: str
    kind: Kind
    meaning: str
    required: bool = True
    low: float | None = None
    high: float | None = None
    above_low: bool = False
    also: Mapping[str, bool] = field(default_factory=dict, hash=False)
    suffix: str = ""
    clock: bool = False
    ends: bool = False
    steps: str = ""

    @property
    def unit(self) -> str:
        """The unit at the end of the name; empty where there is none."""
        stem, _, end = self.name.rpartition("_")
        return _UNITS.get(end, "") if stem else ""

    @property
    def titled(self) -> str:
        """The name in words with its unit, as a column of a sheet is headed: ``mass, g``."""
        stem = self.name.rpartition("_")[0] if self.unit else self.name
        return ", ".join(filter(None, [stem.replace("_", " "), self.unit]))


@dataclass(frozen=True)
class TableSpec:
    """A table of the trial folder: a CSV file, or a sheet, of its name.

    The columns of `key` together may not repeat. Within each `series`, `time` must not run backwards from row
    to row. `planned` columns are filled in by a sheet prepared beforehand; a row with nothing else in it has
    no reading yet, and is passed over with a doubt.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    series: tuple[str, ...] = ()
    time: str = ""
    planned: tuple[str, ...] = ()


_WRITTEN = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
_COLUMNS = {name: Column(**said) for name, said in _WRITTEN["columns"].items()}

RUN, PIECE, NOTE, RATER = (_COLUMNS[name] for name in ("run", "piece", "note", "rater"))
HOURS, CHECKED_AT, DRY, MASS_G = (_COLUMNS[name] for name in ("hours", "checked_at", "dry", "mass_g"))
BLIND, LEAVE_OUT = _COLUMNS["blind"], _COLUMNS["leave_out"]


def _tuples(said: dict[str, Any]) -> dict[str, Any]:
    return {name: tuple(each) if isinstance(each, list) else each for name, each in said.items()}


def _table(said: dict[str, Any]) -> TableSpec:
    """A table as measures.toml writes it: a column by its name there, or on its own."""
    own = tuple(_COLUMNS[each] if isinstance(each, str) else Column(**each) for each in said["columns"])
    return TableSpec(**_tuples(said) | {"columns": own})


#: Every table of a trial folder, by name; `register` adds to it.
TABLES = {said["name"]: _table(said) for said in _WRITTEN["tables"]}

#: The ways to say how much fizz a stored piece had left, one of them for a whole shelf.
SHELF_MEASURES = ("gas_g", "share_left", "seconds")


@dataclass(frozen=True)
class Words:
    """How a measure is spoken of; empty: a number of the maker's own, by its label.

    `more` and `less` say what pieces do where the number is greater or smaller, with ``{much}`` where it is
    said how much ("dry {much}slower"), `up` and `down` the same in one word; `times` stands after twice, or
    3 times: "as long".
    """

    more: str = ""
    less: str = ""
    up: str = "more"
    down: str = "less"
    times: str = "as much"


@dataclass(frozen=True)
class Measure:
    """A response: a number that a trial may give for each batch, read in a `column` of a `table`.

    `name` is as in trial.toml, with the unit at its end (``"tumble_loss_pct"``), `label` in plain words.
    `scale` is how two levels are compared (ratios need positive numbers), `low` and `high` are its bounds,
    `decimals` the digits of one reading. `study` is ``"module:function"``, called with the trial's tables,
    the terms and, as far as it has them, the keys of a `section` of trial.toml; it gives a
    `fizzlab.models.result.Study`, shared by the measures that name the same one (and set to work by
    `other_tables` too). Empty: the mean of the column by piece, then by batch. `paid`: in
    the currency of the trial.
    """

    name: str
    label: str
    unit: str
    scale: Scale = "ratio"
    table: str = "runs"
    column: str = ""
    words: Words = Words()
    low: float | None = None
    high: float | None = None
    decimals: int | None = None
    study: str = ""
    section: str = ""
    other_tables: tuple[str, ...] = ()
    paid: bool = False

    @property
    def titled(self) -> str:
        """The label with its unit, as a column is headed: ``fizz time, s``."""
        return f"{self.label}, {self.unit}" if self.unit else self.label


def worded(measure: Measure) -> Measure:
    """A measure with the label and the words that the language which is spoken has for it."""
    name = f"measure.{measure.name}"
    if f"{name}.label" not in texts(ENGLISH):
        return measure
    said = Words(*(wording(f"{name}.{field}") for field in ("more", "less", "up", "down", "times")))
    return replace(measure, label=wording(f"{name}.label"), words=said)


#: Every measure that fizzlab knows, in the order of a report; `register` adds to it.
MEASURES = {said["name"]: worded(Measure(label="", **_tuples(said))) for said in _WRITTEN["measures"]}


def piece_table(measure: Measure, meaning: str = "") -> TableSpec:
    """The table of a measure that is read off single pieces: run, piece, its column, note."""
    kind: Kind = "whole" if measure.decimals == 0 else "number"
    column = Column(measure.column, kind, meaning or measure.titled, low=measure.low, high=measure.high)
    key = (RUN.name, PIECE.name)
    return TableSpec(measure.table, measure.label, (RUN, PIECE, column, NOTE), key=key, planned=key)


def register(measure: Measure, table: TableSpec | None = None) -> None:
    """Add a measure for every trial from here on, and its table: `piece_table` if none is given or there."""
    if measure.name in MEASURES:
        raise ValueError(f"a measure is called {measure.name!r} already")
    if measure.table and measure.table not in TABLES:
        TABLES[measure.table] = table or piece_table(measure)
    MEASURES[measure.name] = measure


def tables(own: Sequence[Measure] = ()) -> dict[str, TableSpec]:
    """Every table, with those that a maker's own measures need."""
    return TABLES | {each.table: piece_table(each) for each in own if each.table and each.table not in TABLES}


def with_rater(spec: TableSpec) -> TableSpec:
    """The table where several people read the same batches: with who read, if it has no such column."""
    names = [column.name for column in spec.columns]
    if RATER.name in names or RUN.name not in spec.planned:
        return spec
    at = 1 + max(names.index(name) for name in (RUN.name, PIECE.name) if name in names)
    columns = (*spec.columns[:at], RATER, *spec.columns[at:])
    return replace(spec, columns=columns, planned=(*spec.planned[:at], RATER.name, *spec.planned[at:]))


def looked_up(name: str) -> Callable[..., Any]:
    """The function behind ``"module:function"``."""
    module, _, function = name.partition(":")
    found: Callable[..., Any] = getattr(import_module(module), function)
    return found


def number(value: float, digits: int = 2) -> str:
    """A number to a few significant digits, never in powers of ten.

    >>> number(4.372), number(12.71), number(0.0518), number(143.2), number(3.0)
    ('4.4', '13', '0.052', '143', '3.0')
    """
    if not math.isfinite(value):
        raise ValueError("only finite numbers can be worded")
    if value == 0:
        return "0"
    places = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    rounded = round(value, places)
    if rounded and math.floor(math.log10(abs(rounded))) > math.floor(math.log10(abs(value))):
        places = max(places - 1, 0)
    return f"{rounded:.{places}f}"
