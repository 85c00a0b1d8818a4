"""Reading trial.toml, checking a folder and asking for help wait for no numeric library but pandas."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from sound_trial import TOML

MakeTrial = Callable[..., Path]

HEAVY = ("scipy", "statsmodels", "matplotlib", "seaborn", "papermill", "openpyxl", "jinja2")

#: Several sections, with weighings of a spoon, a limit and a wish, which are worked out with scipy later.
FULL = """
[drying]
air = "none"

[plan]
kind = "factorial"
batches_per_day = 4

[recipe]
pieces = 6
piece_g = 80

[[recipe.ingredients]]
name = "soda"
kind = "sodium bicarbonate"
amount = "1 cup"
own_weighing = { measure = "1 tsp", grams = [4.4, 4.6, 4.5] }

[responses.dry_h]
at_most = 12.0
want = "less"
best = 4.0
worst = 12.0
"""

_TELL = """
import sys
from click.testing import CliRunner
from fizzlab.cli.main import main
print(CliRunner().invoke(main, sys.argv[2:]).exit_code)
print(*[name for name in sys.argv[1].split() if name in sys.modules])
"""


@pytest.mark.parametrize("command", ["--help", "check"])
def test_a_quick_command_loads_nothing_heavy(command: str, make_trial: MakeTrial) -> None:
    folder = make_trial(trial__toml=TOML + FULL)
    words = [command] if command == "--help" else [command, str(folder)]
    names = " ".join((*HEAVY, "pandas") if command == "--help" else HEAVY)
    done = subprocess.run(
        [sys.executable, "-c", _TELL, names, *words], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == ["0", ""]
