"""``python -P -m fizzlab.report.serving MODULE …`` is ``python -P -m MODULE …`` while its stdin is held.

JupyterLab and Voilà run so: the pipe is cut by whatever ends the command that started them.
"""

import os
import runpy
import signal
import sys
import threading


def _end_with_stdin() -> None:
    sys.stdin.buffer.read()
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    threading.Thread(target=_end_with_stdin, daemon=True).start()
    sys.argv[:] = sys.argv[1:]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
