"""Kernels for reports that have their libraries loaded by the time the first cell wants them.

Alone, a report starts its kernel while it loads papermill itself. Where many reports are made, their kernels
are forked on Linux from a server that has loaded everything once; each is still a process of its own, gone
after its report, and holds nothing of another trial.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import uuid
from collections.abc import Iterator, Mapping, Sequence
from multiprocessing import forkserver, resource_tracker
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.context import ForkServerContext

    from jupyter_client.manager import AsyncKernelManager

#: What a notebook loads.
LOADED = ("ipykernel.kernelapp", "fizzlab.report.parts", "openpyxl")

#: Kernels that run side by side must not each start a thread a core for their linear algebra.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class Kernels:
    """Where the kernels of reports come from, and how all of them are ended at once.

    Parameters
    ----------
    many : bool
        Are several reports made? Then kernels are forked where the system bears it, with one thread for
        linear algebra unless the environment says otherwise.
    """

    def __init__(self, *, many: bool = False) -> None:
        self._environment = {**ONE_THREAD, **os.environ} if many else dict(os.environ)
        self._server = _fork_server(self._environment) if many and sys.platform == "linux" else None
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
            if self._server is not None:
                manager.provisioner = _forked(manager, self._server)
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


def _fork_server(environment: Mapping[str, str]) -> ForkServerContext:
    """Start a process that has loaded everything; it does not hear a Ctrl-C."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(LOADED))
    added = environment.keys() - os.environ.keys()
    resource_tracker.ensure_running()  # by itself it lets the signal through that is held back here
    heard = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    os.environ.update({name: environment[name] for name in added})  # read when numpy is loaded
    try:
        forkserver.ensure_running()
    finally:
        for name in added:
            del os.environ[name]
        signal.pthread_sigmask(signal.SIG_SETMASK, heard)
    return context


def _forked(manager: AsyncKernelManager, context: ForkServerContext) -> Any:
    from jupyter_client.provisioning.local_provisioner import LocalProvisioner

    class Forked(LocalProvisioner):
        """Forks the kernel where its base would start a new Python."""

        async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
            arguments = cmd[cmd.index("ipykernel_launcher") + 1 :]
            child = context.Process(
                target=_be_kernel, args=(arguments, str(kwargs["cwd"]), dict(kwargs["env"])), daemon=True
            )
            child.start()
            self.process: Any = _Child(child)
            self.pid = self.pgid = child.pid
            self.cwd = kwargs["cwd"]
            return self.connection_info

    return Forked(kernel_id=str(uuid.uuid4()), kernel_spec=manager.kernel_spec, parent=manager)


class _Child:
    """A forked process, asked as `subprocess.Popen` is."""

    stdin = stdout = stderr = None

    def __init__(self, child: BaseProcess) -> None:
        self._child, self.pid = child, child.pid
        self.terminate, self.kill = child.terminate, child.kill

    def poll(self) -> int | None:
        return None if self._child.is_alive() else self._child.exitcode

    def wait(self) -> int | None:
        self._child.join()
        return self._child.exitcode

    def send_signal(self, number: int) -> None:
        if self.pid is not None and self._child.is_alive():
            os.kill(self.pid, number)


def _be_kernel(arguments: Sequence[str], home: str, environment: dict[str, str]) -> None:
    """Run in a fresh fork: become the kernel that the arguments describe."""
    from ipykernel.kernelapp import IPKernelApp

    os.setsid()
    try:
        os.chdir(home)
    except FileNotFoundError:
        return  # the report was stopped, and has cleared up, before its kernel came to life
    os.environ.clear()
    # the kernel ends itself when this process, the fork server, is gone
    os.environ.update(environment, JPY_PARENT_PID=str(os.getppid()))
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_SETMASK, ())
    IPKernelApp.launch_instance(argv=list(arguments))
