"""What `trial.toml` may say: the question, the factors, the recipe, the plan and how readings are analysed."""

from __future__ import annotations

from fizzlab.settings.base import FILE
from fizzlab.settings.trial import AirPoint, DryingSettings, FactorSettings, TrialSettings, read_settings

__all__ = ["FILE", "AirPoint", "DryingSettings", "FactorSettings", "TrialSettings", "read_settings"]
