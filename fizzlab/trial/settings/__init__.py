"""What `trial.toml` may say: the question, the factors, the recipe, the plan and how readings are analysed.

The models refuse unknown keys, so that a misspelt wish is never silently ignored; `read_settings` turns
every complaint into a `Problem` in plain words, with the nearest right key suggested.
"""

from fizzlab.trial.settings.base import FILE, FactorSettings
from fizzlab.trial.settings.plan import PlanSettings
from fizzlab.trial.settings.reading import read_settings
from fizzlab.trial.settings.sections import ImportSettings
from fizzlab.trial.settings.trial import TrialSettings

__all__ = [
    "FILE",
    "FactorSettings",
    "ImportSettings",
    "PlanSettings",
    "TrialSettings",
    "read_settings",
]
