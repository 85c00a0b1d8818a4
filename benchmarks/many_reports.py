"""Many demo reports: two at once against one after another.

Run by hand: python benchmarks/many_reports.py [PAIRS] [TRIALS] [JOBS]

Both sides are whole `fizzlab report` commands on the same trials, the four demos side by side in as many
seasons as are needed, run in turn on 2 cores at most; the ratio is taken pair by pair. Goal, with 200 trials:
at most 0.55 (0.51 when it was last run). Beside it stands what the machine itself gives: the same busy loop,
twice in turn and twice at once; on idle cores that do not share anything it is 0.5. Then the processor time
of both sides, which is to be the same; and what two cores that are never idle would give.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from fizzlab.trial import shipped

BUSY = "sum(i * i % 7 for i in range(6_000_000))"


def _seconds(*command: str | Path) -> tuple[float, float]:
    """How long a command takes, and the processor time of it with all that it started."""
    start, child = time.perf_counter(), subprocess.Popen([*map(str, command)], stdout=-3, stderr=-3)
    _, status, used = os.wait4(child.pid, 0)
    assert status == 0, status
    return time.perf_counter() - start, used.ru_utime + used.ru_stime


def _busy(at_once: int) -> float:
    start = time.perf_counter()
    for _ in range(2 // at_once):
        running = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(at_once)]
        for child in running:
            child.wait()
    return time.perf_counter() - start


def main(pairs: int, trials: int, jobs: int) -> None:
    """Print the times and ratios of each pair, then the smallest and the middle one."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:2])
    demos = shipped.demo_trials()
    ratios = []
    with tempfile.TemporaryDirectory() as temporary:
        folders = []
        for number in range(trials):
            season, demo = divmod(number, len(demos))
            folders.append(Path(temporary, f"season-{season + 1}", demos[demo].name))
            shutil.copytree(demos[demo], folders[-1], ignore=shutil.ignore_patterns("records"))
        for _ in range(pairs):
            command = (sys.executable, "-m", "fizzlab", "report", *folders, "--jobs")
            machine = _busy(2) / _busy(1)
            (together, used), (alone, needed) = _seconds(*command, str(jobs)), _seconds(*command, "1")
            ratios.append(together / alone)
            print(
                f"one after another {alone:.1f} s, {jobs} at once {together:.1f} s, ratio {ratios[-1]:.2f}; "
                f"the machine gives {machine:.2f}; processor time {needed:.1f} s and {used:.1f} s, "
                f"ratio {used / needed:.2f}; at best {needed / 2 / alone:.2f}",
                flush=True,
            )
    print(f"smallest ratio {min(ratios):.2f}, median {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given + [3, 16, 2][len(given) :]))
