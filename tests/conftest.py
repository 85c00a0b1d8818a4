"""A small sound trial folder that tests bend out of shape."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

TOML = """\
code = "quay"
title = "Two ways of colouring"
question = "Does dye dry slower than pearl?"
seed = 7

[factors.colour]
levels = ["pearl", "dye"]
control = "pearl"

[factors.binder_g]
amounts = [0.6, 1.2]
unit = "g"
"""

RUNS = """\
run,day,made_at,colour,binder_g,note
A,1,2026-01-05T09:00,pearl,0.6,
B,1,2026-01-05T10:00,dye,1.2,"a wet, grey day"
C,2,2026-01-06T09:00,pearl,1.2,
D,2,2026-01-06T10:00,dye,0.6,
"""

TOUCH = """\
run,piece,hours,dry,note
A,1,2,no,
A,1,4,yes,
B,1,2,no,
B,1,6,yes,
C,1,3,no,
C,1,5,yes,
D,1,3,no,
D,1,8,no,
"""

LOG = "time,temp_c,rh_pct\n" + "".join(
    f"2026-01-{day:02d}T{hour:02d}:{minute:02d},{14 + hour / 12:.1f},{70 - hour / 4:.1f}\n"
    for day in (5, 6)
    for hour in range(24)
    for minute in (0, 30)
)


@pytest.fixture
def make_trial(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes the sound folder, with some files replaced (None: taken away)."""

    def make(**replaced: str | bytes | None) -> Path:
        folder = tmp_path / "quay"
        folder.mkdir(exist_ok=True)
        files: dict[str, str | bytes | None] = {
            "trial.toml": TOML,
            "runs.csv": RUNS,
            "touch_checks.csv": TOUCH,
            "room_log.csv": LOG,
        }
        for name, content in replaced.items():
            files[name.replace("__", ".")] = content
        for name, content in files.items():
            if content is not None:
                data = content.encode() if isinstance(content, str) else content
                (folder / name).write_bytes(data)
        return folder

    return make
