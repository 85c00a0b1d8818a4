"""fizzlab: designed trials, drying and fizz measurements for small bath-fizzer makers.

The names below are loaded when they are first used, so that `import fizzlab` is quick:

>>> import fizzlab as fl
>>> float(fl.vapour_pressure_deficit(17.0, 70.0).round(2))
0.58
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.2.0"

_PUBLIC = {
    "choose": "fizzlab.models.choose",
    "compare": "fizzlab.models.comparisons",
    "fit_curing_time": "fizzlab.models.curing",
    "fit_drop_height": "fizzlab.models.drops",
    "fit_drying_curve": "fizzlab.models.weighing",
    "fit_fizz_duration": "fizzlab.models.fizz",
    "fit_gas_curve": "fizzlab.models.gas",
    "fit_response": "fizzlab.models.effects",
    "fit_scores": "fizzlab.models.crumble",
    "fit_shelf_life": "fizzlab.models.shelf",
    "fit_tumble_loss": "fizzlab.models.crumble",
    "load_trial": "fizzlab.trial.folder",
    "plan": "fizzlab.design",
    "pool_trials": "fizzlab.models.pooling",
    "power": "fizzlab.design",
    "rater_agreement": "fizzlab.models.raters",
    "vapour_pressure_deficit": "fizzlab.models.air",
    "write_report": "fizzlab.report.run",
}

__all__ = ["__version__", *sorted(_PUBLIC)]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'fizzlab' has no attribute {name!r}")
    return getattr(import_module(_PUBLIC[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_PUBLIC])
