"""Where in a table a reading goes: pure functions on the text cells of its rows, by spreadsheet row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress

from fizzlab.errors import BadInput, refuse
from fizzlab.language import say
from fizzlab.measures import BLIND, LEAVE_OUT, PIECE, RUN, TableSpec
from fizzlab.trial.journal import Cells, Change

Rows = Mapping[int, Cells]

#: Whose reading it is; these stay as the table spells them.
_WHOSE = (RUN.name, BLIND.name, PIECE.name)


def plain(text: str) -> str:
    """A cell in one spelling, so that 2, 2.0 and 2,0 are alike.

    >>> plain("2,50"), plain("2026-01-31 08:30:00"), plain(" yes ")
    ('2.5', '2026-01-31T08:30:00', 'yes')
    """
    text = text.strip()
    with suppress(ValueError):
        return f"{float(text.replace(',', '.')):.10g}"
    with suppress(ValueError):
        return dt.datetime.fromisoformat(text).isoformat() if len(text) >= 16 else text
    return text


def place(
    rows: Rows, header: Iterable[str], spec: TableSpec, new: Cells, instead: Cells | None = None, end: int = 1
) -> list[Change]:
    """The changes that put a reading in; none where it stands there already, BadInput if its place is taken.

    It takes the row of the reading `instead` that it completes; else the first prepared row of its piece that
    is still blank; else a row of its own at the end. The rows of its batch will do, with the `end` of all.

    >>> from fizzlab.measures import TABLES
    >>> blank = {"run": "A", "piece": "1", "hours": "2", "dry": ""}
    >>> new = {"run": "A", "piece": "1", "hours": "2.13", "dry": "no"}
    >>> place({2: blank}, list(blank), TABLES["touch_checks"], new)[0].after
    {'run': 'A', 'piece': '1', 'hours': '2.13', 'dry': 'no'}
    """
    own = [row for row in sorted(rows) if _belongs(rows[row], spec, new)]
    if spec.key and any(_holds(rows[row], new) for row in own):
        return []
    if instead is not None:
        held = [row for row in own if _holds(rows[row], instead)]
        if not held:
            raise _taken(spec, new, "earlier_reading_gone")
        return [_filled(rows, held[0], new)]
    if spec.name == "runs":
        if not own:
            raise _taken(spec, new, "batch_gone")
        for name in new:
            stands = rows[own[0]].get(name, "").strip()
            if stands and name != RUN.name:
                raise _taken(spec, new, "cell_taken", column=name, stands=stands)
        return [_filled(rows, own[0], new)]
    readings = [name for name in header if name not in spec.planned]
    filled = [row for row in own if any(rows[row].get(name, "").strip() for name in readings)]
    timed = spec.time in new  # then in the order of the presses, which is that of time
    blank = [row for row in own if row not in filled and not (timed and row < max(filled, default=0))]
    if blank:
        return [_filled(rows, blank[0], new)]
    if spec.key and not timed and any(not rows[row].get(LEAVE_OUT.name, "").strip() for row in filled):
        raise _taken(spec, new, "read_already")
    return [Change(max([end, *rows]) + 1, None, dict(new))]


def undo(changes: Sequence[Change]) -> list[Change]:
    """The changes that take back these."""
    return [Change(change.row, change.after, change.before) for change in reversed(changes)]


def fits(rows: Rows, changes: Sequence[Change]) -> bool:
    """Does each row still hold what it held before the changes? What is blank may as well not be there."""
    for row, before, _ in changes:
        one, other = rows.get(row) or {}, before or {}
        if any(plain(one.get(name, "")) != plain(other.get(name, "")) for name in {*one, *other}):
            return False
    return True


def _belongs(cells: Cells, spec: TableSpec, new: Cells) -> bool:
    """Is it a row of the same piece, and of the same rater, week and so on, if it names one?"""
    whose = [name for name in _WHOSE if name in new]
    if any(cells.get(name, "").strip().casefold() != new[name].strip().casefold() for name in whose):
        return False
    others = [name for name in spec.key if name in new and name not in (*_WHOSE, spec.time)]
    return all(plain(cells.get(name, "")) in ("", plain(new[name])) for name in others)


def _holds(cells: Cells, new: Cells) -> bool:
    names = [name for name in new if name not in (RUN.name, BLIND.name)]
    return all(plain(cells.get(name, "")) == plain(new[name]) for name in names)


def _filled(rows: Rows, row: int, new: Cells) -> Change:
    keep = {name: rows[row][name] for name in _WHOSE if name in rows[row]}
    return Change(row, dict(rows[row]), {**rows[row], **new, **keep})


def _taken(spec: TableSpec, new: Cells, why: str, **told: str) -> BadInput:
    whose = say("piece_named", piece=new["piece"]) if "piece" in new else say("this_batch")
    return refuse("place_taken", spec.name, whose=whose, why=say(why, **told))
