"""The outside checks again, on other kernels of linear algebra than this processor's own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

PUBLISHED = Path(__file__).parent / "published"

KERNEL = """
import numpy, scipy.linalg, threadpoolctl
pools = threadpoolctl.threadpool_info()
print(*{pool["architecture"] for pool in pools if pool["internal_api"] == "openblas"})
"""


@pytest.mark.slow
@pytest.mark.parametrize("kernel", ["Nehalem", "Sandybridge"])
def test_outside_checks_hold_on_another_kernel(kernel: str) -> None:
    env = {**os.environ, "OPENBLAS_CORETYPE": kernel}
    used = subprocess.run([sys.executable, "-c", KERNEL], env=env, capture_output=True, text=True, check=True)
    if used.stdout.split() != [kernel]:
        pytest.skip(
            f"this linear-algebra library does not offer the kernel {kernel}: it uses {used.stdout.strip()}"
        )
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:xdist", str(PUBLISHED)]
    run = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout[-4000:]
