"""What `trial.toml` may say; `read_settings` turns every complaint into a `Problem` in plain words."""

from fizzlab.trial.opening import FILE
from fizzlab.trial.settings.sections import FactorSettings, ImportSettings, PlanSettings
from fizzlab.trial.settings.trial import TrialSettings, read_settings

__all__ = ["FILE", "FactorSettings", "ImportSettings", "PlanSettings", "TrialSettings", "read_settings"]
