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
    "choose": "fizzlab.models.choose:choose",
    "compare": "fizzlab.models.comparisons:compare",
    "fit_curing_time": "fizzlab.models.curing:fit_curing_time",
    "fit_drop_height": "fizzlab.models.drops:fit_drop_height",
    "fit_drying_curve": "fizzlab.models.weighing:fit_drying_curve",
    "fit_fizz_duration": "fizzlab.models.fizz:fit_fizz_duration",
    "fit_gas_curve": "fizzlab.models.gas:fit_gas_curve",
    "fit_response": "fizzlab.models.effects:fit_response",
    "fit_shelf_life": "fizzlab.models.shelf:fit_shelf_life",
    "fit_tumble_loss": "fizzlab.models.crumble:fit_tumble_loss",
    "load_trial": "fizzlab.trial.folder:load",
    "plan": "fizzlab.design.plans:plan",
    "pool_trials": "fizzlab.models.pooling:pool_trials",
    "power": "fizzlab.design.detect:power",
    "rater_agreement": "fizzlab.models.raters:rater_agreement",
    "repeatability": "fizzlab.models.repeatability:repeatability",
    "vapour_pressure_deficit": "fizzlab.models.air:vapour_pressure_deficit",
    "write_report": "fizzlab.report.run:write_report",
}

__all__ = ["__version__", *sorted(_PUBLIC)]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'fizzlab' has no attribute {name!r}")
    module, _, function = _PUBLIC[name].partition(":")
    return getattr(import_module(module), function)


def __dir__() -> list[str]:
    return sorted([*globals(), *_PUBLIC])
