"""Many reports at once, here or on any executor; one failure does not stop the others."""

from __future__ import annotations

import inspect
import json
import traceback
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor, as_completed, wait
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from fizzlab.errors import FizzlabError
from fizzlab.language import say
from fizzlab.measures import TABLES
from fizzlab.records.remote import Address, NotSent
from fizzlab.report import run
from fizzlab.report.children import cores
from fizzlab.report.page import lost_in
from fizzlab.trial.opening import FILE
from fizzlab.trial.placing import WORKBOOK, recover


@dataclass(frozen=True)
class Outcome:
    """What became of a report: page, copy, trouble (with a page, that of the PDF or the copy)."""

    folder: Path
    page: Path | None = None
    trouble: FizzlabError | OSError | None = None
    sent: str | None = None

    @property
    def lost(self) -> list[str]:
        """The parts of the report that failed; the record says why."""
        return lost_in(json.loads(self.page.with_name("findings.json").read_bytes())) if self.page else []


def trials_in(folders: Iterable[str | Path]) -> tuple[list[Path], list[Path]]:
    """Trial folders, once each, a season folder standing for those in it; and what that passes over."""
    trials: dict[Path, Path] = {}
    passed_over: list[Path] = []
    for folder in map(Path, folders):
        recover(folder)
        below = folder.iterdir() if folder.is_dir() and not (folder / FILE).exists() else ()
        inside = sorted(path for path in below if path.is_dir() and not path.name.startswith("."))
        found = [path for path in inside if _holds_a_trial(path)] if not _holds_a_trial(folder) else []
        passed_over += [path for path in inside if found and path not in found]
        trials |= {path.resolve(): path for path in found or [folder] if path.resolve() not in trials}
    return list(trials.values()), passed_over


def _holds_a_trial(folder: Path) -> bool:
    names = (FILE, WORKBOOK, *(f"{table}.csv" for table in TABLES))
    return any((folder / name).exists() for name in names)


def write_reports(
    folders: Sequence[str | Path],
    executor: Executor | None = None,
    *,
    jobs: int | None = None,
    to: str | None = None,
    done: Callable[[Outcome], None] | None = None,
    **options: Any,
) -> list[Outcome]:
    """Report on several trials at once, as `write_report` does on one, with its keywords as `options`.

    `executor` runs the reports (a pool, or a cluster's, whose workers see the folders under the same paths)
    and stays open; without one, `jobs` threads look after a report and its kernel each. `to` is an address
    that fsspec speaks, for a copy of each record; `done` is called in this process with each outcome.
    NotSent: the address cannot be used, and no report was made.
    """
    inspect.signature(run.write_report).bind("", **options)
    if jobs is not None and jobs < 1:
        raise ValueError(f"jobs must be at least 1, not {jobs}")
    address = Address(to) if to is not None else None
    outcomes: dict[int, Outcome] = {}
    kernels = None if executor is not None else run.Kernels(alone=len(folders) == 1)
    pool = executor or ThreadPoolExecutor(max(min(jobs or cores(), len(folders)), 1))
    make = partial(_report_on, options={**options, **({"kernels": kernels} if kernels else {})})
    futures = {pool.submit(make, folder): number for number, folder in enumerate(folders)}
    try:
        for future in as_completed(futures):
            number = futures[future]
            try:
                outcome = future.result()
            except BrokenExecutor:
                ended = FizzlabError(say("report_ended", folder=folders[number]))
                outcome = Outcome(Path(folders[number]), trouble=ended)
            if address is not None and outcome.page is not None:
                try:
                    outcome = replace(outcome, sent=address.send(outcome.page.parent))
                except NotSent as error:
                    outcome = replace(outcome, trouble=error)
            outcomes[number] = outcome
            if done is not None:
                done(outcome)
    except BaseException:
        if kernels is not None:
            kernels.stop()
        raise
    finally:
        for future in futures:
            future.cancel()
        if kernels is not None:  # ended in a thread of theirs: that of a notebook has a loop that runs
            left: list[Future[Any]] = [*futures, pool.submit(kernels.end)]
            wait(left, timeout=1.4 if kernels.stopped else None)
            pool.shutdown(wait=not kernels.stopped)  # a thread that still loads something is left alone
    return [outcomes[number] for number in sorted(outcomes)]


def _report_on(folder: str | Path, options: dict[str, Any]) -> Outcome:
    """Make one report, wherever this is called; whatever goes wrong becomes the outcome."""
    try:
        return Outcome(Path(folder), page=run.write_report(folder, **options))
    except run.WithoutPdf as error:
        return Outcome(Path(folder), page=error.page, trouble=error)
    except (FizzlabError, OSError) as error:
        return Outcome(Path(folder), trouble=error)
    except Exception as error:
        what = f"{type(error).__name__}: {error}"
        unforeseen = FizzlabError(say("report_unforeseen", folder=folder, what=what))
        unforeseen.add_note(traceback.format_exc())
        return Outcome(Path(folder), trouble=unforeseen)
