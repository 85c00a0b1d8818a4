"""The child that runs JupyterLab or Voilà, and ends when the command that started it has ended.

``python -P -m fizzlab.report.serving MODULE …`` is ``python -P -m MODULE …`` with that promise.
"""

from __future__ import annotations

import os
import runpy
import signal
import sys
import threading
import time

import psutil


def _end_with(parent: int) -> None:
    """Wait until a process has ended, however it did, and end this one as by `kill`."""
    while os.getppid() == parent and psutil.pid_exists(parent):  # Windows gives no orphan another parent
        time.sleep(0.5)
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    threading.Thread(target=_end_with, args=[os.getppid()], daemon=True).start()
    sys.argv[:] = sys.argv[1:]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
