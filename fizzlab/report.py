"""From a checked trial folder to a record: papermill runs the notebook, the page is made from what it shows.

A record is written beside its final place and renamed into it in one step, so that a failure, a full disk
or a Ctrl-C leaves nothing half-written.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fizzlab import page, records, shipped
from fizzlab.problems import BadInput, FizzlabError, Problem
from fizzlab.trial import RECORDS, Trial, load

#: Folders under records/ that begin so are being written, or were left by a killed process.
MAKING = ".making-"


class NotebookStopped(FizzlabError):
    """A cell of the notebook failed; `notebook` is kept for those who want to look."""

    def __init__(self, sentence: str, notebook: Path) -> None:
        self.notebook = notebook
        super().__init__(f"{sentence} The notebook as far as it got: {notebook}")


def write_report(folder: str | Path, *, notebook: str = "trial_report", progress: bool = False) -> Path:
    """Check a trial folder, run a notebook on it and keep the outcome as a new record.

    Parameters
    ----------
    folder : str or Path
        The trial folder.
    notebook : str
        Name of a shipped notebook.
    progress : bool
        Show papermill's progress bar.

    Returns
    -------
    Path
        The HTML page, ``records/<trial>-<n>/report.html``; beside it lie ``report.ipynb``,
        ``findings.json``, ``inputs.json`` and ``figures/``.

    Raises
    ------
    BadInput
        The folder has problems; nothing was written.
    NotebookStopped
        The notebook failed; only the notebook itself was kept.
    """
    trial = load(folder)
    before = records.fingerprints(trial.folder, trial.inputs)
    with _beside(trial.folder / RECORDS) as making:
        executed = _run(trial, notebook, making, progress)
        if records.fingerprints(trial.folder, trial.inputs) != before:
            changed = "a table was changed while the report was being made."
            raise BadInput([Problem(str(folder), changed, "Run the report again.")])
        shown = page.from_notebook(executed["cells"])
        _write_pieces(making, shown)
        _write_inputs(making, trial, notebook, before)
        return _put_in_place(making, trial, shown) / "report.html"


def _run(trial: Trial, notebook: str, making: Path, progress: bool) -> dict[str, Any]:
    """Execute the notebook inside the record's folder, so that it can be run again from there."""
    with _warm_kernel(making) as kernel:
        return _run_in(kernel, trial, notebook, making, progress)


def _run_in(kernel: Any, trial: Trial, notebook: str, making: Path, progress: bool) -> dict[str, Any]:
    import papermill
    from papermill.exceptions import PapermillExecutionError

    out = making / "report.ipynb"
    try:
        executed: dict[str, Any] = papermill.execute_notebook(
            shipped.notebook(notebook),
            out,
            parameters={"trial_folder": os.path.relpath(trial.folder.resolve(), making.resolve())},
            cwd=making,
            kernel_name="python3",
            km=kernel,
            progress_bar={"desc": trial.settings.code, "leave": False} if progress else False,
            log_output=False,
            store_widget_state=False,
            autosave_cell_every=0,
        )
    except PapermillExecutionError as error:
        kept = _keep_stopped(out, trial)
        said = (
            error.evalue if error.ename in ("CannotAnswer", "BadInput") else f"{error.ename}: {error.evalue}"
        )
        raise NotebookStopped(f"The report of trial {trial.settings.code} stopped: {said}", kept) from None
    return executed


@contextlib.contextmanager
def _warm_kernel(home: Path) -> Iterator[Any]:
    """A kernel that loads fizzlab while this process is still loading papermill; gone afterwards."""
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_core.utils import run_sync

    manager = AsyncKernelManager(kernel_name="python3")
    early = None
    try:
        # the kernel's own warnings are no business of a maker's screen
        quiet = ["--IPKernelApp.log_level=CRITICAL"]
        run_sync(manager.start_kernel)(cwd=str(home), extra_arguments=quiet)
        early = manager.blocking_client()
        early.start_channels(hb=False, stdin=False)
        early.execute("__import__('fizzlab.sections')", silent=True, store_history=False)
        yield manager
    finally:
        if early is not None:
            early.stop_channels()
        if manager.has_kernel:
            run_sync(manager.shutdown_kernel)(now=True)


def _keep_stopped(notebook: Path, trial: Trial) -> Path:
    kept = trial.folder / RECORDS / "stopped"
    kept.mkdir(exist_ok=True)
    target = kept / f"{trial.settings.code}-{dt.datetime.now():%Y%m%d-%H%M%S}.ipynb"
    os.replace(notebook, target)
    return target


@contextlib.contextmanager
def _beside(home: Path) -> Iterator[Path]:
    """A folder to write in that is gone afterwards, whatever happened."""
    fresh = not home.exists()
    making = home / f"{MAKING}{os.getpid()}-{os.urandom(4).hex()}"
    try:
        making.mkdir(parents=True)
        yield making
    finally:
        shutil.rmtree(making, ignore_errors=True)
        if fresh:
            with contextlib.suppress(OSError):
                home.rmdir()


def _write_pieces(making: Path, shown: page.Shown) -> None:
    figures = making / "figures"
    figures.mkdir()
    for name, (png, svg) in shown.pictures.items():
        (figures / f"{name}.png").write_bytes(png)
        (figures / f"{name}.svg").write_text(svg, encoding="utf-8")
    (making / "findings.json").write_text(page.findings_json(shown), encoding="utf-8")


def _write_inputs(making: Path, trial: Trial, notebook: str, inputs: dict[str, str]) -> None:
    about = {
        "trial": trial.settings.code,
        "made_at": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "notebook": {"name": notebook, "sha256": records.fingerprint(shipped.notebook(notebook))},
        "parameters": trial.settings.model_dump(mode="json"),
        "inputs_sha256": inputs,
        "versions": records.versions(),
    }
    text = json.dumps(about, indent=2, ensure_ascii=False) + "\n"
    (making / "inputs.json").write_text(text, encoding="utf-8")


def _put_in_place(making: Path, trial: Trial, shown: page.Shown) -> Path:
    """Rename the finished folder to the next free record number."""
    home, code = making.parent, trial.settings.code
    number = 1 + max((_number(path.name, code) for path in home.iterdir()), default=0)
    while True:
        record = f"{code}-{number}"
        html = page.html_page(shown, title=trial.settings.title, record=record, place=trial.settings.place)
        (making / "report.html").write_text(html, encoding="utf-8")
        if not (home / record).exists():
            try:
                os.rename(making, home / record)
            except FileExistsError:
                pass  # another report took the number in between
            except OSError as error:
                if not (home / record).exists():
                    raise error
            else:
                return home / record
        number += 1


def _number(name: str, code: str) -> int:
    tail = name.removeprefix(f"{code}-")
    return int(tail) if name != tail and tail.isdigit() else 0
