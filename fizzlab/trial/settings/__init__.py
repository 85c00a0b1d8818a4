"""What `trial.toml` may say: the question, the factors, the recipe, the plan and how readings are analysed.

The models refuse unknown keys, so that a misspelt wish is never silently ignored; `read_settings` turns
every complaint into a `Problem` in plain words, with the nearest right key suggested.
"""

from __future__ import annotations

from fizzlab.measures import MEASURES, Measure
from fizzlab.trial.settings.base import FILE
from fizzlab.trial.settings.crumble import CrumbleSettings, IndexPart, IndexSettings
from fizzlab.trial.settings.earlier import EarlierSettings
from fizzlab.trial.settings.factors import FactorSettings
from fizzlab.trial.settings.fizz import FizzSettings
from fizzlab.trial.settings.imports import ImportSettings
from fizzlab.trial.settings.lots import DeviationSettings, deviation_problems, lot_doubts
from fizzlab.trial.settings.plan import PlanSettings
from fizzlab.trial.settings.reading import read_settings
from fizzlab.trial.settings.recipe import IngredientSettings, RecipeSettings, RuleSettings, make_recipe
from fizzlab.trial.settings.responses import ChooseSettings, ResponseSettings
from fizzlab.trial.settings.trial import AirPoint, DryingSettings, TrialSettings

__all__ = [
    "FILE",
    "MEASURES",
    "AirPoint",
    "ChooseSettings",
    "CrumbleSettings",
    "DeviationSettings",
    "DryingSettings",
    "EarlierSettings",
    "FactorSettings",
    "FizzSettings",
    "ImportSettings",
    "IndexPart",
    "IndexSettings",
    "IngredientSettings",
    "Measure",
    "PlanSettings",
    "RecipeSettings",
    "ResponseSettings",
    "RuleSettings",
    "TrialSettings",
    "deviation_problems",
    "lot_doubts",
    "make_recipe",
    "read_settings",
]
