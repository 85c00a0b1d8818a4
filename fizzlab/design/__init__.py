"""Plans: which batches to make, in which order, on which days, what they can tell and how little they see.

`kinds` lists the kinds of plan, `plan` makes one, `power` says what it can detect. Nothing is loaded until it
is used, so that reading trial.toml loads no search and no scipy.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_PUBLIC = {
    "Plan": "fizzlab.design.plans",
    "plan": "fizzlab.design.plans",
    "Power": "fizzlab.design.detect",
    "power": "fizzlab.design.detect",
    "Spreads": "fizzlab.design.trials",
}

__all__ = ["Plan", "Power", "Spreads", "plan", "power"]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'fizzlab.design' has no attribute {name!r}")
    return getattr(import_module(_PUBLIC[name]), name)
