"""From a checked trial folder to a record: papermill runs the notebook, and what it shows makes the page."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import pickle
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from fizzlab import records
from fizzlab.errors import FizzlabError, refuse
from fizzlab.language import say
from fizzlab.records.store import STOPPED
from fizzlab.report import page
from fizzlab.report import pdf as printing
from fizzlab.report.children import KERNELS, cores, surroundings
from fizzlab.report.drawing import Drawing
from fizzlab.trial import shipped
from fizzlab.trial.opening import EXCHANGE, READ
from fizzlab.trial.placing import RECORDS, folder_there, refuse_records

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager

    from fizzlab.trial.folder import Trial


#: A kernel's first line: what a notebook needs is loaded in a thread, which its first cell waits for.
LOAD = """(lambda load: (load.start(), get_ipython().events.register("pre_execute", load.join)))(
    __import__("threading").Thread(target=__import__, args=["fizzlab.report.parts"]))"""

#: A kernel's first step of a report: all but what was loaded is forgotten; one that cannot do it is ended.
BEGIN = """try:
    get_ipython().reset()
    __import__("os").chdir({!r})
except BaseException:
    __import__("os")._exit(1)"""

#: Of a cell: what to say while it runs, in its metadata.
DOING = "doing"

#: A thread a core for the small matrices of a trial costs more than it saves.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class Kernels:
    """Where the kernels of reports come from, with one thread each, and how all of them are ended at once.

    Where one report is made `alone`, this process draws its pictures while the kernel works on; of several,
    the next one takes over the kernel of one that is made, which has loaded everything.
    """

    def __init__(self, *, alone: bool = True) -> None:
        self.draws = alone and cores() > 1  # else the other core has a report of its own
        self._environment = {**ONE_THREAD, **surroundings()}
        self._once = alone or os.name == "nt"  # there, no folder that a kernel works in becomes a record
        self._running: set[AsyncKernelManager] = set()
        self._free: list[tuple[contextlib.ExitStack, tuple[AsyncKernelManager, Path]]] = []
        self.stopped = False

    def stop(self) -> None:
        """End every kernel that runs; their reports raise KeyboardInterrupt, and so does every later one."""
        self.stopped = True
        for manager in list(self._running):
            _killed(manager)

    def refuse_if_stopped(self) -> None:
        """Raise KeyboardInterrupt once `stop` was called."""
        if self.stopped:
            raise KeyboardInterrupt

    def end(self) -> None:
        """End the kernels that were kept for a next report."""
        for ending, _ in self._free:
            ending.close()

    @contextlib.contextmanager
    def warm(self) -> Iterator[tuple[AsyncKernelManager, Path]]:
        """A kernel that loads fizzlab, or has, and the folder of what is exchanged with it."""
        with contextlib.ExitStack() as ending:
            try:
                kept, kernel = self._free.pop()
                ending.push(kept)
            except IndexError:
                kernel = ending.enter_context(self._started())
            manager = kernel[0]
            try:
                self.refuse_if_stopped()
                # papermill's client of a kernel not its own listens to that one's heartbeat for ever
                client = type(manager).client(manager, context=manager.context)
                client.start_channels = partial(client.start_channels, hb=False)  # type: ignore[method-assign]
                manager.client = lambda **_: client  # type: ignore[method-assign]
                yield kernel
                client.stop_channels()
            except Exception:
                self.refuse_if_stopped()  # then the kernel was killed for it
                raise
            if not (self._once or self.stopped):
                self._free.append((ending.pop_all(), kernel))

    @contextlib.contextmanager
    def _started(self) -> Iterator[tuple[AsyncKernelManager, Path]]:
        from jupyter_client.kernelspec import KernelSpecManager
        from jupyter_client.manager import AsyncKernelManager
        from jupyter_core.utils import run_sync

        with tempfile.TemporaryDirectory(prefix="fizzlab-", ignore_cleanup_errors=True) as exchange:
            if self.draws:
                Path(exchange, page.PICTURES).mkdir()
            # they talk through files of this user alone, since two kernels may pick one free port
            how = {} if os.name == "nt" else {"transport": "ipc", "ip": f"{exchange}/kernel"}
            ours = KernelSpecManager(kernel_dirs=[str(KERNELS)])
            manager = AsyncKernelManager(kernel_name="python3", kernel_spec_manager=ours, **how)
            told: dict[str, Any] = {"env": {**self._environment, EXCHANGE: exchange}, "cwd": exchange}
            try:
                first = [f"--InteractiveShellApp.exec_lines={LOAD}"]
                run_sync(manager.start_kernel)(**told, extra_arguments=first)
                self._running.add(manager)
                yield manager, Path(exchange)
            finally:
                self._running.discard(manager)
                if process := _killed(manager):
                    process.wait()  # jupyter_client would look for its end every tenth of a second
                    run_sync(manager.shutdown_kernel)(now=True)


def _killed(manager: AsyncKernelManager) -> subprocess.Popen[bytes] | None:
    """A kernel's process, killed."""
    process: subprocess.Popen[bytes] | None = getattr(manager.provisioner, "process", None)
    if process is not None:
        process.kill()
    return process


class NotebookStopped(FizzlabError):
    """A cell of the notebook failed; `notebook` is kept for those who want to look."""

    def __init__(self, sentence: str, notebook: Path) -> None:
        self.notebook = notebook
        super().__init__(say("notebook_so_far", sentence=sentence, notebook=notebook))


class WithoutPdf(FizzlabError):
    """The record is whole, but the PDF that was asked for is not in it; `page` is the record's HTML page."""

    def __init__(self, sentence: str, page: Path) -> None:
        self.page = page
        super().__init__(say("kept_without_pdf", sentence=sentence, page=page))


def write_report(
    folder: str | Path,
    *,
    notebook: str = "trial_report",
    says: Callable[[str], None] | None = None,
    signed: Mapping[str, str] | None = None,
    pdf: bool | Literal["front", "whole"] = False,
    paper: printing.Paper | None = None,
    kernels: Kernels | None = None,
) -> Path:
    """Check a trial folder, run a notebook on it and keep the outcome as a new record.

    Parameters
    ----------
    folder : str or Path
        The trial folder.
    notebook : str
        Name of a shipped notebook.
    says : callable, optional
        Told in a word or two what is being done: "reading", "drying", "choosing", "printing".
    signed : mapping, optional
        Who made the report, who checked it, and when, from ``records.signed``; `made_by` of trial.toml where
        it names no maker.
    pdf, paper : bool or {"front", "whole"}, {"a4", "letter"}
        Print the front page, or the whole report, to ``report.pdf`` as well, through a browser that is
        installed; the paper is that of trial.toml where none is given.
    kernels : Kernels, optional
        Where the notebook's kernel comes from; left out, one is started.

    Returns
    -------
    Path
        The HTML page, ``records/<trial>-<n>/report.html``; beside it lie ``report.ipynb``,
        ``findings.json``, ``inputs.json``, ``figures/``, copies of the tables in ``inputs/`` and the record's
        line of the ledger, ``entry.json``.

    Raises
    ------
    BadInput
        The folder has problems; nothing was written.
    NotebookStopped
        The notebook failed; only the notebook itself was kept.
    WithoutPdf
        The PDF could not be printed; the record was kept without it.
    """
    says = says or (lambda _: None)
    refuse_records(folder)
    folder_there(Path(folder))
    unprinted: list[str] = []
    with records.making(Path(folder) / RECORDS) as making:
        kernels = kernels or Kernels()
        with kernels.warm() as kernel:  # it loads its own while the tables are read
            says("reading")
            from fizzlab.trial.folder import load  # and pandas, meanwhile

            trial = load(Path(folder).resolve())
            (kernel[1] / READ).write_bytes(pickle.dumps(trial))  # where `load` finds it in the kernel
            settings = trial.settings
            inputs = records.fingerprints(trial.folder, trial.inputs)
            signed = signed or records.signed()
            about = _about(trial, notebook, inputs) | {**signed, "by": signed["by"] or settings.made_by}
            executed = _run(trial, notebook, making, says, kernels, *kernel)
        kernels.refuse_if_stopped()
        for name in inputs:  # so that a later change of a table can be told row by row
            copy = making / records.INPUTS / records.kept_as(name)
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes((trial.folder / name).read_bytes())
        if records.fingerprints(trial.folder, trial.inputs) != inputs:
            raise refuse("table_changed", str(folder))
        shown = page.from_notebook(executed["cells"])
        kernels.refuse_if_stopped()
        _write(making, shown, trial, about)

        def finish(making: Path, stamp: records.Report) -> None:
            says("printing")
            html = making / "report.html"
            told = {"title": settings.title, "place": settings.place, "language": settings.language}
            html.write_text(page.html_page(shown, **told, stamp=stamp), encoding="utf-8")
            kernels.refuse_if_stopped()
            sheet = paper or settings.paper
            try:
                if pdf:
                    printing.print_pdf(html, making / "report.pdf", paper=sheet, whole=pdf == "whole")
            except printing.NotPrinted as error:
                unprinted.append(str(error))

        html = Path(folder) / RECORDS / records.keep(making, finish, **about).name / "report.html"
    if unprinted:
        raise WithoutPdf(unprinted[0], html)
    return html


def _about(trial: Trial, notebook: str, inputs: dict[str, str]) -> dict[str, Any]:
    from fizzlab.report.deviations import deviations

    used = {"name": notebook, "sha256": records.fingerprint(shipped.notebook(notebook))}
    settings = trial.settings
    return {
        "trial": settings.code,
        "title": settings.title,
        "notebook": used,
        "parameters_sha256": records.sha256(records.canonical(settings.model_dump(mode="json"))),
        "inputs": inputs,
        "lots": settings.lots,
        "batches": len(trial.rows("runs")),
        "journal": records.bench_log(trial.folder),
        "deviations": deviations(trial),
    }


def _run(
    trial: Trial,
    notebook: str,
    making: Path,
    says: Callable[[str], None],
    kernels: Kernels,
    manager: AsyncKernelManager,
    exchange: Path,
) -> dict[str, Any]:
    """Execute the notebook inside the record's folder, so that it can be run again from there."""
    with _left_out("rfc3987_syntax"):
        import nbformat
        import papermill
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    out, code, begun = making / "report.ipynb", trial.settings.code, dict[str, Any]()

    def begins(notebook: Any) -> None:
        begun["notebook"] = notebook
        manager.client().execute(BEGIN.format(str(making.resolve())), silent=True)

    def starts(cell: Any, cell_index: int) -> None:
        if word := cell["metadata"].get(DOING):
            says(word)

    try:
        with Drawing(exchange / page.PICTURES) as drawing:
            executed: dict[str, Any] = papermill.execute_notebook(
                *map(_no_template, (shipped.notebook(notebook), out)),
                parameters={"trial_folder": os.path.relpath(trial.folder, making.resolve())},
                # no cwd: the kernel has its own, and papermill would move this whole process there
                kernel_name="python3",
                km=manager,
                progress_bar=False,
                on_notebook_start=begins,
                on_cell_start=starts,
                on_cell_executed=drawing.take,
                on_cell_error=drawing.put,
                log_output=False,
                store_widget_state=False,
                request_save_on_cell_execute=False,
            )
            if drawing.put():
                nbformat.write(executed, out)  # type: ignore[no-untyped-call]
        return executed
    except PapermillExecutionError as error:
        expected = error.ename in ("CannotAnswer", "BadInput")
        said = error.evalue if expected else f"{error.ename}: {error.evalue}"
    except DeadKernelError:
        kernels.refuse_if_stopped()
        said = say("process_ended")
        drawing.put()
        nbformat.write(begun["notebook"], out)  # type: ignore[no-untyped-call]
    kept = making.parents[1] / RECORDS / STOPPED / f"{code}-{dt.datetime.now():%Y%m%d-%H%M%S}.ipynb"
    kept.parent.mkdir(parents=True, exist_ok=True)
    os.replace(out, kept)
    raise NotebookStopped(say("report_stopped", code=code, said=said), kept)


@contextlib.contextmanager
def _left_out(module: str) -> Iterator[None]:
    """Here jsonschema does without a module that takes two seconds to build a grammar of addresses."""
    absent = module not in sys.modules
    if absent:
        sys.modules[module] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if absent:
            sys.modules.pop(module, None)


def _no_template(path: Path) -> str:
    """A path of which papermill fills in nothing."""
    return str(path).replace("{", "{{").replace("}", "}}")


def _write(making: Path, shown: page.PageContent, trial: Trial, about: dict[str, Any]) -> None:
    """Figures, findings, and the settings, versions and remarks in every table, of rows left out too."""
    figures = making / "figures"
    figures.mkdir()
    for name, (png, svg) in shown.pictures.items():
        (figures / f"{name}.png").write_bytes(png)
        (figures / f"{name}.svg").write_text(svg, encoding="utf-8")
    notes = [
        {"table": name, "run": row.get("run", ""), "note": row["note"].strip()}
        for name, table in trial.tables.items()
        for rows in (table.rows, table.left_out)
        for row in (rows.dropna(subset="note").to_dict("records") if "note" in rows else ())
        if row["note"].strip()
    ]
    said = {
        "trial": about["trial"],
        "made_at": records.now(),
        "notebook": about["notebook"],
        "parameters": trial.settings.model_dump(mode="json"),
        "inputs_sha256": about["inputs"],
        "notes": notes,
        "versions": records.versions(),
    }
    for name, told in (("findings", shown.findings), ("inputs", said)):
        text = json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        (making / f"{name}.json").write_text(text, encoding="utf-8")
