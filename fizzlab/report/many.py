"""Many reports at once: in processes of our own, or on any executor; one failure does not stop the others.

A report is made of a process of its own, the notebook's kernel, and of what stands around it. Here that
rest runs in worker processes too. They keep papermill loaded, take one report after another, and are told
to stop rather than killed, so that a report that is being made can clear its half-written record away.
"""

from __future__ import annotations

import _thread
import contextlib
import inspect
import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.synchronize import Event
from pathlib import Path
from types import FrameType
from typing import Any

from fizzlab.errors import FizzlabError
from fizzlab.measures import TABLES
from fizzlab.records.remote import Address, NotSent
from fizzlab.report import kernels
from fizzlab.trial.folder import WORKBOOK
from fizzlab.trial.settings import FILE

#: Kernels that run side by side must not each start a thread a core for their linear algebra.
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Outcome:
    """What became of one trial's report.

    Parameters
    ----------
    folder : Path
        The trial folder.
    page : Path or None
        The HTML page of the new record; None where there is no new record.
    trouble : FizzlabError, OSError or None
        What went wrong, to be said to the maker. With a page it is about its PDF or its copy only.
    sent : str or None
        Where the copy of the record lies.
    """

    folder: Path
    page: Path | None = None
    trouble: FizzlabError | OSError | None = None
    sent: str | None = None


def trials_in(folders: Iterable[str | Path]) -> tuple[list[Path], list[Path]]:
    """Trial folders among `folders`, a season folder standing for the trials in it.

    Parameters
    ----------
    folders : iterable of str or Path
        Each is a trial folder, or a season folder: one without ``trial.toml`` whose sub-folders are trials.

    Returns
    -------
    trials : list of Path
        In the order given, those of a season by name, none of them twice. A sub-folder counts as a trial
        if it holds ``trial.toml``, ``readings.xlsx`` or any table.
    passed_over : list of Path
        Sub-folders of a season that hold none of these.

    Examples
    --------
    >>> from fizzlab.trial import shipped
    >>> trials, _ = trials_in([shipped.demo("season"), shipped.DEMO])
    >>> trials[0].name, trials[1:] == [path for path in shipped.demo_trials() if path.name != "season"]
    ('season', True)
    """
    trials: dict[Path, Path] = {}
    passed_over: list[Path] = []
    for folder in map(Path, folders):
        inside = [] if (folder / FILE).exists() or not folder.is_dir() else _inside(folder)
        found = [path for path in inside if _holds_a_trial(path)]
        if found and not _holds_a_trial(folder):
            passed_over += [path for path in inside if path not in found]
        else:
            found = [folder]
        for path in found:
            trials.setdefault(path.resolve(), path)
    return list(trials.values()), passed_over


def _inside(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))


def _holds_a_trial(folder: Path) -> bool:
    names = (FILE, WORKBOOK, *(f"{table}.csv" for table in TABLES))
    return any((folder / name).exists() for name in names)


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def write_reports(
    folders: Sequence[str | Path],
    executor: Executor | None = None,
    *,
    jobs: int | None = None,
    to: str | None = None,
    done: Callable[[Outcome], None] | None = None,
    **options: Any,
) -> list[Outcome]:
    """Report on several trials at once, as `write_report` does on one.

    Parameters
    ----------
    folders : sequence of str or Path
        Trial folders; see `trials_in` for a whole season.
    executor : concurrent.futures.Executor, optional
        Where to run the reports: a thread or process pool, or a cluster's, such as
        ``distributed.Client(...).get_executor()``, whose workers must see the folders under the same paths.
        It stays open. Without one, worker processes are started here and ended again.
    jobs : int, optional
        Reports at once where no executor is given: as many as there are cores; 1 makes them one after
        another in this process.
    to : str, optional
        Address that fsspec speaks; this process copies each finished record there (`remote.Address`).
    done : callable, optional
        Called in this process with each outcome, as it becomes known.
    **options
        Every other keyword of `write_report`.

    Returns
    -------
    list of Outcome
        In the order of `folders`. One report's failure is its own outcome and stops no other.

    Raises
    ------
    NotSent
        The address cannot be used; no report was made.
    KeyboardInterrupt
        Ctrl-C: what was being made is cleared away, finished records stay.

    Notes
    -----
    The worker processes import the script that calls this, as any process pool does: call it under
    ``if __name__ == "__main__":``.
    """
    from fizzlab.report.run import write_report

    inspect.signature(write_report).bind("", **options)
    if jobs is not None and jobs < 1:
        raise ValueError(f"jobs must be at least 1, not {jobs}")
    address = Address(to) if to is not None else None
    make = partial(_report_on, options=options)
    jobs = min(jobs or cores(), len(folders))
    known: _Known
    if executor is not None:
        known = _as_known(_submitted(make, folders, executor), folders)
    elif jobs > 1:
        known = _in_processes(make, folders, jobs)
    else:
        known = ((number, make(folder)) for number, folder in enumerate(folders))
    outcomes: dict[int, Outcome] = {}
    with contextlib.closing(known):
        for number, outcome in known:
            if address is not None and outcome.page is not None:
                outcome = _send(outcome, outcome.page.parent, address)
            outcomes[number] = outcome
            if done is not None:
                done(outcome)
    return [outcomes[number] for number in sorted(outcomes)]


def _send(outcome: Outcome, record: Path, address: Address) -> Outcome:
    try:
        return replace(outcome, sent=address.send(record))
    except NotSent as error:
        return replace(outcome, trouble=error)


def _report_on(folder: str | Path, options: dict[str, Any]) -> Outcome:
    """Make one report, wherever this is called; whatever goes wrong becomes the outcome."""
    from fizzlab.report.run import WithoutPdf, write_report

    try:
        with _interruptible():
            return Outcome(Path(folder), page=write_report(folder, **options))
    except WithoutPdf as error:
        return Outcome(Path(folder), page=error.page, trouble=error)
    except (FizzlabError, OSError) as error:
        return Outcome(Path(folder), trouble=error)
    except Exception as error:
        unforeseen = FizzlabError(
            f"The report of {folder} failed in a way that nobody foresaw ({type(error).__name__}: {error}). "
            "That is a mistake in fizzlab: please tell its makers. Nothing was kept."
        )
        unforeseen.add_note(traceback.format_exc())
        return Outcome(Path(folder), trouble=unforeseen)


_Make = Callable[[str | Path], Outcome]
_Known = Generator[tuple[int, Outcome], None, None]


def _submitted(make: _Make, folders: Sequence[str | Path], executor: Executor) -> dict[Future[Outcome], int]:
    return {executor.submit(make, folder): number for number, folder in enumerate(folders)}


def _as_known(futures: dict[Future[Outcome], int], folders: Sequence[str | Path]) -> _Known:
    """Each outcome as it comes, with the number of its folder."""
    try:
        for future in as_completed(futures):
            number = futures[future]
            yield number, _outcome(future, folders[number])
    finally:
        for future in futures:
            future.cancel()


def _outcome(future: Future[Outcome], folder: str | Path) -> Outcome:
    try:
        return future.result()
    except BrokenExecutor:
        ended = (
            f"The process that made the report of {folder} was ended from outside, often for want of memory."
        )
        return Outcome(Path(folder), trouble=FizzlabError(f"{ended} Run it again with fewer jobs at once."))


def _in_processes(make: _Make, folders: Sequence[str | Path], jobs: int) -> _Known:
    ways = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in ways else "spawn")
    context.set_forkserver_preload(["papermill", "fizzlab.report.run"])
    stop = context.Event()
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin, initargs=(stop,)) as pool:
        try:
            with _ctrl_c_held(), _one_thread_each():
                futures = _submitted(make, folders, pool)
            yield from _as_known(futures, folders)
        finally:
            stop.set()
            pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def _ctrl_c_held() -> Iterator[None]:
    """Processes started meanwhile do not hear a Ctrl-C; this one hears it afterwards."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes started meanwhile, and their kernels, use one thread for linear algebra by default."""
    added = {name: "1" for name in ONE_THREAD if name not in os.environ}
    os.environ.update(added)
    try:
        yield
    finally:
        for name in added:
            del os.environ[name]


class _Worker:
    """State of a worker process."""

    stop: Event | None = None
    making = False
    interrupted = False


def _begin(stop: Event) -> None:
    """Ready a worker: warm kernels, and the parent alone decides on a Ctrl-C."""
    _Worker.stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _interrupt)
    kernels.fork_kernels()
    threading.Thread(target=_watch, args=(stop,), daemon=True).start()


def _watch(stop: Event) -> None:
    """Interrupt the report when the parent says stop; leave when the parent is gone."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    while not stop.wait(1.0) and parent.is_alive():
        pass
    _thread.interrupt_main(signal.SIGTERM)
    parent.join()
    while _Worker.making:
        time.sleep(0.1)
    os._exit(1)


def _interrupt(number: int, frame: FrameType | None) -> None:
    if _Worker.making and not _Worker.interrupted:
        _Worker.interrupted = True  # once: the clearing away must not be interrupted
        raise KeyboardInterrupt


@contextlib.contextmanager
def _interruptible() -> Iterator[None]:
    """Let a worker's report be interrupted; on a caller's own executor nothing changes."""
    if _Worker.stop is None:
        yield
        return
    _Worker.making = True
    try:
        if _Worker.interrupted or _Worker.stop.is_set():
            raise KeyboardInterrupt
        yield
    finally:
        _Worker.making = False
