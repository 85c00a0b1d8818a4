"""The list of what can be measured: each table with its columns, each response with its words.

A measure is declared once, here or by `register`, or by a maker under `[responses]` of trial.toml. Reading,
checking, planning, the workbook, the bench, the comparison, the report and the choice loop over this list;
none of them names a measure in an `if`. Nothing heavy is imported: a study is looked up when it is needed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from importlib import import_module
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


RUN = Column("run", "text", "the batch, as named in runs")
PIECE = Column("piece", "text", "the piece within its batch")
NOTE = Column("note", "text", "anything worth remembering", required=False)
RATER = Column("rater", "text", "who did the test")
HOURS = Column("hours", "number", "hours since the batch was made", low=0, high=2000)
CHECKED_AT = Column(
    "checked_at", "moment", "date and time of the check, instead of hours", required=False, clock=True
)
DRY = Column(
    "dry", "yes_no", "dry to the touch?", also={"d": True, "dry": True, "w": False, "wet": False}, ends=True
)
BLIND = Column("blind", "text", "the code on the tray, instead of run", required=False)
LEAVE_OUT = Column("leave_out", "text", "a reason for leaving this row out of the analysis", required=False)
WATER_C = Column("water_c", "number", "bath water temperature in °C", low=0, high=60)
RH_PCT = Column("rh_pct", "number", "relative humidity in per cent", low=0, high=100, suffix="%")
MASS_G = Column("mass_g", "number", "mass in grams", low=0, high=20000, above_low=True)

#: The ways to say how much fizz a stored piece had left, one of them for a whole shelf: name, meaning, most.
SHELF_MEASURES = (
    ("gas_g", "grams of gas that came (loss of the cup on the scale)", 2000.0),
    ("share_left", "share of the fresh fizz, 1 for a fresh piece", 2.0),
    ("seconds", "seconds of fizz", 36000.0),
)


def _table(name: str, meaning: str, *columns: Column, time: str = "", **lists: str) -> TableSpec:
    """A table whose lists of columns (key, series, planned) are written with spaces between."""
    return TableSpec(name, meaning, columns, time=time, **{n: tuple(t.split()) for n, t in lists.items()})


_LOOKS = {"key": "run piece hours", "series": "run piece", "time": "hours", "planned": "run piece hours"}

#: Every table of a trial folder, by name; `register` adds to it.
# fmt: off
TABLES: dict[str, TableSpec] = {
    spec.name: spec
    for spec in (
        _table("runs", "one row a batch, in the order of making", RUN,
               Column("day", "text", "day of making; batches of one day share the room's air"),
               Column("blind", "text", "code that hides the recipe from whoever scores", required=False),
               Column("planned_at", "moment", "when to make it, as planned", required=False, clock=True),
               Column("made_at", "moment", "date and time of pressing", required=False, clock=True),
               Column("sprays", "whole", "extra sprays of alcohol", required=False, low=0, high=100), NOTE,
               key="run"),
        _table("touch_checks", "was the piece dry when touched?", RUN, PIECE, HOURS, DRY, NOTE, **_LOOKS),
        _table("weighings", "mass of a piece as it dries", RUN, PIECE, HOURS, MASS_G, NOTE, **_LOOKS),
        _table("tumbles", "mass before and after tumbling", RUN,
               Column("pieces", "whole", "pieces tumbled together", low=1, high=1000),
               Column("before_g", "number", "mass before tumbling in grams",
                      low=0, high=20000, above_low=True),
               Column("after_g", "number", "mass after tumbling in grams", low=0, high=20000),
               Column("broken", "whole", "pieces that broke", required=False, low=0, high=1000),
               NOTE, planned="run pieces"),
        _table("drops", "pieces dropped from a height", RUN, PIECE,
               Column("height_cm", "number", "drop height in cm", low=0, high=1000, above_low=True,
                      steps="broke"),
               Column("broke", "yes_no", "did it break?"),
               Column("order", "whole", "place in the sequence of drops", required=False, low=1, high=100000),
               NOTE),
        _table("crumble_scores", "how far a piece crumbles, 0 (holds whole) to 4 (falls to powder)", RUN,
               PIECE, Column("rater", "text", "who scored"),
               Column("score", "whole", "0 holds whole, 4 falls to powder", low=0, high=4), NOTE,
               key="run piece rater", planned="run blind piece rater"),
        _table("fizz_times", "how long a piece fizzes, by stopwatch", RUN, PIECE, WATER_C,
               Column("seconds", "number", "seconds watched", low=0, high=36000, above_low=True),
               Column("done", "yes_no", "had it finished?"),
               Column("colour_s", "number", "seconds to first colour", required=False, low=0, high=36000),
               NOTE, key="run piece", planned="run piece water_c"),
        _table("fizz_curves", "mass of cup, water and piece together as the gas leaves", RUN, PIECE, WATER_C,
               Column("seconds", "number", "seconds since the piece went in", low=0, high=36000), MASS_G,
               NOTE, key="run piece seconds", series="run piece", time="seconds",
               planned="run piece water_c seconds"),
        _table("shelf", "how much fizz is left after weeks of storage", RUN, PIECE,
               Column("weeks", "number", "weeks in storage; 0 for a fresh piece", low=0, high=520),
               replace(RH_PCT, meaning="relative humidity of the storage in per cent", required=False),
               *(Column(name, "number", meaning, required=False, low=0, high=high, above_low=True)
                 for name, meaning, high in SHELF_MEASURES),
               NOTE, key="run piece weeks", planned="run piece weeks rh_pct"),
        _table("room_log", "thermo-hygrometer readings of the drying room",
               Column("time", "moment", "date and time of the reading"),
               Column("temp_c", "number", "air temperature in °C", low=-20, high=60), RH_PCT),
    )
}
# fmt: on


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


_touch = partial(Measure, label="", study="fizzlab.models.curing:study_touch", section="drying")
_weigh = partial(Measure, label="", study="fizzlab.models.weighing:study_weighings", section="drying")
_crumble = partial(Measure, label="", study="fizzlab.models.crumble:study_crumble", section="crumble")
_fizz = partial(
    Measure, label="", study="fizzlab.models.fizz:study_fizz", section="fizz", other_tables=("shelf",)
)
_cost = partial(Measure, label="", study="fizzlab.report.analysis:study_cost", table="")

#: Every measure that fizzlab knows, in the order of a report; `register` adds to it.
MEASURES: dict[str, Measure] = {
    measure.name: worded(measure)
    for measure in (
        _touch("dry_h", unit="h", table="touch_checks", column="dry"),
        _weigh("weighed_dry_h", unit="h", table="weighings", column="mass_g"),
        _crumble("tumble_loss_pct", unit="%", table="tumbles", column="after_g"),
        _crumble("broken_pct", unit="%", scale="difference", table="tumbles", column="broken"),
        _crumble("drop_cm", unit="cm", table="drops", column="height_cm"),
        _crumble(
            "score", unit="points", scale="difference", table="crumble_scores", column="score",
            low=0, high=4, decimals=0,
        ),
        _fizz("fizz_s", unit="s", table="fizz_times", column="seconds"),
        _fizz("half_out_s", unit="s", table="fizz_curves", column="mass_g"),
        _fizz("gas_pct", unit="%", scale="difference", table="fizz_curves", column="mass_g"),
        _fizz("colour_s", unit="s", table="fizz_times", column="colour_s"),
        _cost("cost", unit="", scale="difference", paid=True),
    )
}  # fmt: skip


def piece_table(measure: Measure, meaning: str = "") -> TableSpec:
    """The table of a measure that is read off single pieces: run, piece, its column, note."""
    kind: Kind = "whole" if measure.decimals == 0 else "number"
    column = Column(measure.column, kind, meaning or measure.titled, low=measure.low, high=measure.high)
    key = "run piece"
    return _table(measure.table, measure.label, RUN, PIECE, column, NOTE, key=key, planned=key)


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
