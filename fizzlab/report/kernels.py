"""Kernels for reports that have their libraries loaded by the time the first cell wants them.

Alone, a report starts its kernel while it loads papermill itself. Where one process makes many reports, their
kernels are forked on Linux from a server that has loaded everything once; each is still a process of its
own, gone after its report, and holds nothing of another trial.
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
from collections.abc import Iterator, Sequence
from multiprocessing import forkserver
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.context import ForkServerContext

    from jupyter_client.manager import AsyncKernelManager

#: What a notebook loads.
LOADED = ("ipykernel.kernelapp", "fizzlab.report.parts", "openpyxl")


class _Forking:
    """From which context this process forks its kernels; None: it starts them afresh."""

    context: ForkServerContext | None = None


def fork_kernels() -> None:
    """From now on fork the kernels of this process; on Linux only, where its libraries bear that."""
    if sys.platform != "linux":
        return
    _Forking.context = multiprocessing.get_context("forkserver")
    _Forking.context.set_forkserver_preload(list(LOADED))
    forkserver.ensure_running()


@contextlib.contextmanager
def warm_kernel(home: Path) -> Iterator[AsyncKernelManager]:
    """A kernel working in `home` that loads fizzlab before it is asked for it; gone afterwards."""
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_core.utils import run_sync

    early = None
    with _sockets() as how:
        manager = AsyncKernelManager(kernel_name="python3", **how)
        try:
            if _Forking.context is not None:
                manager.provisioner = _forked(manager, _Forking.context)
            # the kernel's own warnings are no business of a maker's screen
            quiet = ["--IPKernelApp.log_level=CRITICAL"]
            run_sync(manager.start_kernel)(cwd=str(home), extra_arguments=quiet)
            early = manager.blocking_client()
            early.start_channels(hb=False, stdin=False)
            early.execute("__import__('fizzlab.report.parts')", silent=True, store_history=False)
            yield manager
        finally:
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
        self._child = child
        self.pid = child.pid

    def poll(self) -> int | None:
        return None if self._child.is_alive() else self._child.exitcode

    def wait(self) -> int | None:
        self._child.join()
        return self._child.exitcode

    def send_signal(self, number: int) -> None:
        if self.pid is not None and self._child.is_alive():
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self._child.terminate()

    def kill(self) -> None:
        self._child.kill()


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
