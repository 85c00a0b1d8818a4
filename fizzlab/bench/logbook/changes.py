"""Where in a table a reading goes: pure functions on the text cells of its rows.

A table is `Rows`: cells by spreadsheet row and column. A reading is placed by a list of `Change`, each of
which says what stood in a row before, so that it can be taken back.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from fizzlab.errors import BadInput, Problem
from fizzlab.measures import LEAVE_OUT, TableSpec

Cells = Mapping[str, str]
Rows = Mapping[int, Cells]


class Change(NamedTuple):
    """One row before and after; None where the row was not there, or is no longer."""

    row: int
    before: Cells | None
    after: Cells | None


def plain(text: str) -> str:
    """A cell in one spelling, so that 2, 2.0 and 2,0 are alike.

    Examples
    --------
    >>> plain("2,50"), plain("2026-01-31 08:30:00"), plain(" yes ")
    ('2.5', '2026-01-31T08:30:00', 'yes')
    """
    text = text.strip()
    try:
        return f"{float(text.replace(',', '.')):.10g}"
    except ValueError:
        pass
    if len(text) >= 16 and text[4:5] == "-":
        try:
            return dt.datetime.fromisoformat(text).isoformat()
        except ValueError:
            pass
    return text


def alike(one: Cells | None, other: Cells | None) -> bool:
    """Do two rows hold the same? A blank cell and one that is not there are alike, and so is a blank row."""
    one, other = one or {}, other or {}
    return all(plain(one.get(name, "")) == plain(other.get(name, "")) for name in {*one, *other})


def place(
    rows: Rows, header: Iterable[str], spec: TableSpec, new: Cells, instead: Cells | None = None
) -> list[Change]:
    """Find the place of a reading.

    It fills the prepared row that it belongs to; of a piece that is looked at several times, the row nearest
    in time, if that one is still blank. Otherwise it gets a row of its own, and the rows of its piece are put
    in order of time over the rows that they have.

    Parameters
    ----------
    rows : mapping
        The table.
    header : iterable of str
        Its columns.
    spec : TableSpec
    new : mapping of str to str
        The cells of the reading.
    instead : mapping of str to str, optional
        The cells of an earlier reading that this one completes; its row is taken.

    Returns
    -------
    list of Change
        Empty if the reading stands in the table already.

    Raises
    ------
    BadInput
        The place is taken.

    Examples
    --------
    >>> from fizzlab.measures import TABLES
    >>> blank = {"run": "A", "piece": "1", "hours": "2", "dry": ""}
    >>> new = {"run": "A", "piece": "1", "hours": "2.13", "dry": "no"}
    >>> place({2: blank}, list(blank), TABLES["touch_checks"], new)[0].after
    {'run': 'A', 'piece': '1', 'hours': '2.13', 'dry': 'no'}
    """
    own = [row for row in sorted(rows) if _same_piece(rows[row], new)]
    if any(_holds(rows[row], new) for row in own):
        return []
    if instead is not None:
        for row in own:
            if _holds(rows[row], instead):
                return [_filled(rows, row, new)]
        raise _taken(spec, new, "the earlier reading that it completes is no longer there")
    if spec.name == "runs":
        return _made(rows, own, spec, new)
    readings = [name for name in header if name not in spec.planned]
    blank = [row for row in own if not any(rows[row].get(name, "").strip() for name in readings)]
    if spec.time in new:
        return _in_time(rows, own, blank, spec.time, new)
    if blank:
        return [_filled(rows, blank[0], new)]
    if any(not rows[row].get(LEAVE_OUT.name, "").strip() for row in own):
        raise _taken(spec, new, "it has a reading already")
    return [Change(_next(rows), None, dict(new))]


def undo(changes: Sequence[Change]) -> list[Change]:
    """The changes that take back these."""
    return [Change(change.row, change.after, change.before) for change in reversed(changes)]


def fits(rows: Rows, changes: Sequence[Change]) -> bool:
    """Does each row still hold what it held when the changes were worked out?"""
    return all(alike(rows.get(change.row), change.before) for change in changes)


def done(rows: Rows, changes: Sequence[Change]) -> bool:
    """Does each row hold what the changes make of it?"""
    return all(alike(rows.get(change.row), change.after) for change in changes)


def changed(rows: Rows, changes: Sequence[Change]) -> dict[int, Cells]:
    """The table after the changes."""
    new = dict(rows)
    for change in changes:
        if change.after is None:
            new.pop(change.row, None)
        else:
            new[change.row] = change.after
    return dict(sorted(new.items()))


def _same_piece(cells: Cells, new: Cells) -> bool:
    return all(
        cells.get(name, "").strip().casefold() == new[name].strip().casefold()
        for name in ("run", "piece")
        if name in new
    )


def _holds(cells: Cells, new: Cells) -> bool:
    return all(plain(cells.get(name, "")) == plain(text) for name, text in new.items() if name != "run")


def _filled(rows: Rows, row: int, new: Cells) -> Change:
    keep = {name: rows[row][name] for name in ("run", "piece") if name in rows[row]}  # as they are spelled
    return Change(row, dict(rows[row]), {**rows[row], **new, **keep})


def _made(rows: Rows, own: Sequence[int], spec: TableSpec, new: Cells) -> list[Change]:
    if not own:
        raise _taken(spec, new, "runs no longer names it")
    stands = rows[own[0]].get("made_at", "").strip()
    if stands:
        raise _taken(spec, new, f"it has a time of making already, {stands}")
    return [_filled(rows, own[0], new)]


def _in_time(rows: Rows, own: Sequence[int], blank: Sequence[int], time: str, new: Cells) -> list[Change]:
    at = float(new[time])
    times = {row: seen for row in own if (seen := _number(rows[row].get(time, ""))) is not None}
    free = _next(rows)
    if not times:
        return [Change(free, None, dict(new))]
    nearest = min(times, key=lambda row: (abs(times[row] - at), row not in blank))
    if nearest in blank:
        return [_filled(rows, nearest, new)]
    slots = list(times)
    ordered = [times[row] for row in slots]
    before = sum(seen <= at for seen in ordered)
    if ordered != sorted(ordered):  # whoever wrote them chose another order
        before = len(slots)
    shifted = [dict(new), *(rows[row] for row in slots[before:])]
    return [
        Change(row, rows.get(row), cells) for row, cells in zip([*slots[before:], free], shifted, strict=True)
    ]


def _next(rows: Rows) -> int:
    return max(rows, default=1) + 1


def _number(text: str) -> float | None:
    try:
        return float(plain(text))
    except ValueError:
        return None


def _taken(spec: TableSpec, new: Cells, why: str) -> BadInput:
    piece = f"piece {new['piece']}" if "piece" in new else "this batch"
    return BadInput([Problem(spec.name, f"{piece}: {why}.", "Look whether it is the right one.")])
