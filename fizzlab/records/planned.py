"""A plan in the ledger: what was meant to be made, written down before it was."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from fizzlab.records.entries import PlanEntry
from fizzlab.records.ledger import prepare, put, with_entry
from fizzlab.records.store import ledger_to_add_to, now


@contextlib.contextmanager
def planning(
    home: Path,
    *,
    trial: str,
    title: str,
    by: str,
    plan: str,
    seed: int,
    runs: Sequence[Mapping[str, str | float]],
) -> Iterator[None]:
    """Enter a plan when what is done inside has succeeded; the room for it is taken beforehand.

    Parameters
    ----------
    home : Path
        The folder ``records`` of the trial; it is made when it is not there.
    trial, title, by : str
        Code and title of the trial, and who makes it.
    plan : str
        Kind of plan.
    seed : int
    runs : sequence of mapping
        The batches in the order of making: run, day, blind and the factors.
    """
    try:
        with ledger_to_add_to(home) as ledger:
            entry = PlanEntry(
                entry=len(ledger.lines) + 1,
                before=ledger.last,
                at=now(),
                by=by,
                trial=trial,
                title=title,
                plan=plan,
                seed=seed,
                runs=[dict(run) for run in runs],
            )
            longer = with_entry(ledger, entry)
            coming = prepare(longer)
            try:
                yield
                put(coming, longer)
            finally:
                coming.unlink(missing_ok=True)
    finally:
        with contextlib.suppress(OSError):  # not empty: the ledger is there
            home.rmdir()
