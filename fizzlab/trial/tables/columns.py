"""The tables of a trial folder and their columns: what may stand where, and what it means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["text", "number", "whole", "yes_no", "moment"]


@dataclass(frozen=True)
class Column:
    """One column of a table: its name (with the unit in it), what may stand there, and what it means.

    Parameters
    ----------
    name : str
    kind : {"text", "number", "whole", "yes_no", "moment"}
        A moment is a date and time of the workshop's clock: ``2026-01-31T08:30`` (ISO),
        ``2026/01/31 08:30``, or with dots and the day first, ``31.01.2026 08:30``.
    meaning : str
        In plain words, for error sentences, the workbook and the docs.
    required : bool
        Must the column be there and filled in every row?
    low, high : float or None
        Values outside are refused. With `above_low`, `low` itself is refused too.
    also : mapping of str to bool
        Words in small letters that a yes_no column takes besides those that every one takes.
    suffix : str
        What may stand after a number, as it does in the exports of some loggers.
    clock : bool
        Must a moment have its time of day? A date alone would be taken for midnight.
    ends : bool
        Does a yes end the readings of a piece? Prepared rows after it are left blank on purpose.
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


@dataclass(frozen=True)
class TableSpec:
    """A table of the trial folder.

    Parameters
    ----------
    name : str
        File name without ``.csv``, and sheet name.
    meaning : str
    columns : tuple of Column
    key : tuple of str
        Columns that together may not repeat.
    series, time : tuple of str, str
        Within each `series`, `time` must not run backwards from row to row.
    planned : tuple of str
        Columns that a sheet prepared beforehand fills in; a row with nothing else in it has no reading
        yet, and is passed over with a doubt.
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
MASS_G = Column("mass_g", "number", "mass in grams", low=0, high=20000, above_low=True)

#: The ways to say how much fizz a stored piece had left, one of them for a whole shelf: name, meaning, most.
SHELF_MEASURES = (
    ("gas_g", "grams of gas that came (loss of the cup on the scale)", 2000.0),
    ("share_left", "share of the fresh fizz, 1 for a fresh piece", 2.0),
    ("seconds", "seconds of fizz", 36000.0),
)

SPECS: dict[str, TableSpec] = {
    spec.name: spec
    for spec in (
        TableSpec(
            "runs",
            "one row a batch, in the order of making",
            (
                RUN,
                Column("day", "text", "day of making; batches of one day share the room's air"),
                Column("blind", "text", "code that hides the recipe from whoever scores", required=False),
                Column("made_at", "moment", "date and time of pressing", required=False, clock=True),
                Column("sprays", "whole", "extra sprays of alcohol", required=False, low=0, high=100),
                NOTE,
            ),
            key=("run",),
        ),
        TableSpec(
            "touch_checks",
            "was the piece dry when touched?",
            (RUN, PIECE, HOURS, DRY, NOTE),
            key=("run", "piece", "hours"),
            series=("run", "piece"),
            time="hours",
            planned=("run", "piece", "hours"),
        ),
        TableSpec(
            "weighings",
            "mass of a piece as it dries",
            (RUN, PIECE, HOURS, MASS_G, NOTE),
            key=("run", "piece", "hours"),
            series=("run", "piece"),
            time="hours",
            planned=("run", "piece", "hours"),
        ),
        TableSpec(
            "tumbles",
            "mass before and after tumbling",
            (
                RUN,
                Column("pieces", "whole", "pieces tumbled together", low=1, high=1000),
                Column(
                    "before_g", "number", "mass before tumbling in grams", low=0, high=20000, above_low=True
                ),
                Column("after_g", "number", "mass after tumbling in grams", low=0, high=20000),
                Column("broken", "whole", "pieces that broke", required=False, low=0, high=1000),
                NOTE,
            ),
            planned=("run", "pieces"),
        ),
        TableSpec(
            "drops",
            "pieces dropped from a height",
            (
                RUN,
                PIECE,
                Column("height_cm", "number", "drop height in cm", low=0, high=1000, above_low=True),
                Column("broke", "yes_no", "did it break?"),
                Column(
                    "order", "whole", "place in the sequence of drops", required=False, low=1, high=100000
                ),
                NOTE,
            ),
        ),
        TableSpec(
            "crumble_scores",
            "how far a piece crumbles, 0 (holds whole) to 4 (falls to powder)",
            (
                RUN,
                PIECE,
                Column("rater", "text", "who scored"),
                Column("score", "whole", "0 holds whole, 4 falls to powder", low=0, high=4),
                NOTE,
            ),
            key=("run", "piece", "rater"),
            planned=("run", "blind", "piece", "rater"),
        ),
        TableSpec(
            "fizz_times",
            "how long a piece fizzes, by stopwatch",
            (
                RUN,
                PIECE,
                WATER_C,
                Column("seconds", "number", "seconds watched", low=0, high=36000, above_low=True),
                Column("done", "yes_no", "had it finished?"),
                Column("colour_s", "number", "seconds to first colour", required=False, low=0, high=36000),
                NOTE,
            ),
            key=("run", "piece"),
            planned=("run", "piece", "water_c"),
        ),
        TableSpec(
            "fizz_curves",
            "mass of cup, water and piece together as the gas leaves",
            (
                RUN,
                PIECE,
                WATER_C,
                Column("seconds", "number", "seconds since the piece went in", low=0, high=36000),
                MASS_G,
                NOTE,
            ),
            key=("run", "piece", "seconds"),
            series=("run", "piece"),
            time="seconds",
            planned=("run", "piece", "water_c", "seconds"),
        ),
        TableSpec(
            "shelf",
            "how much fizz is left after weeks of storage",
            (
                RUN,
                PIECE,
                Column("weeks", "number", "weeks in storage; 0 for a fresh piece", low=0, high=520),
                Column(
                    "rh_pct",
                    "number",
                    "relative humidity of the storage in per cent",
                    required=False,
                    low=0,
                    high=100,
                    suffix="%",
                ),
                *(
                    Column(name, "number", meaning, required=False, low=0, high=high, above_low=True)
                    for name, meaning, high in SHELF_MEASURES
                ),
                NOTE,
            ),
            key=("run", "piece", "weeks"),
            planned=("run", "piece", "weeks", "rh_pct"),
        ),
        TableSpec(
            "room_log",
            "thermo-hygrometer readings of the drying room",
            (
                Column("time", "moment", "date and time of the reading"),
                Column("temp_c", "number", "air temperature in °C", low=-20, high=60),
                Column("rh_pct", "number", "relative humidity in per cent", low=0, high=100, suffix="%"),
            ),
        ),
    )
}
