"""Kernels for reports, which load their libraries while the report loads papermill."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager

#: What a notebook loads.
LOADED = ("fizzlab.report.parts", "openpyxl")

#: Kernels that run side by side must not each start a thread a core for their linear algebra.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class Kernels:
    """Where the kernels of reports come from, and how all of them are ended at once.

    With `many`, each has one thread for linear algebra unless the environment says otherwise.
    """

    def __init__(self, *, many: bool = False) -> None:
        self._environment = {**(ONE_THREAD if many else {}), **os.environ}
        self._running: set[AsyncKernelManager] = set()
        self._stopped = False

    def stop(self) -> None:
        """End every kernel that runs; their reports raise KeyboardInterrupt, and so does every later one."""
        self._stopped = True
        for manager in list(self._running):
            process = getattr(manager.provisioner, "process", None)
            if process is not None:
                process.kill()

    def refuse_if_stopped(self) -> None:
        """Raise KeyboardInterrupt once `stop` was called."""
        if self._stopped:
            raise KeyboardInterrupt

    @contextlib.contextmanager
    def warm(self, home: Path) -> Iterator[AsyncKernelManager]:
        """A kernel working in `home` that loads fizzlab before it is asked for it; gone afterwards."""
        from jupyter_client.manager import AsyncKernelManager
        from jupyter_core.utils import run_sync

        early = None
        with _sockets() as how:
            manager = AsyncKernelManager(kernel_name="python3", **how)
            try:
                # the kernel's own warnings are no business of a maker's screen
                quiet = ["--IPKernelApp.log_level=CRITICAL"]
                start = run_sync(manager.start_kernel)
                start(cwd=str(home), env=self._environment, extra_arguments=quiet)
                self._running.add(manager)
                self.refuse_if_stopped()
                early = manager.blocking_client()
                early.start_channels(hb=False, stdin=False)
                early.execute(f"[*map(__import__, {LOADED})]", silent=True, store_history=False)
                yield manager
            except Exception:
                self.refuse_if_stopped()  # then the kernel was killed for it
                raise
            finally:
                self._running.discard(manager)
                if early is not None:
                    early.stop_channels()
                if manager.has_kernel:
                    run_sync(manager.shutdown_kernel)(now=True)


@contextlib.contextmanager
def _sockets() -> Iterator[dict[str, str]]:
    """Where kernel and report talk: files of this user alone, since two kernels may pick one free port."""
    if os.name == "nt":
        yield {}
        return
    folder = tempfile.mkdtemp(prefix="fizzlab-")
    try:
        yield {"transport": "ipc", "ip": f"{folder}/kernel"}
    finally:
        shutil.rmtree(folder, ignore_errors=True)
