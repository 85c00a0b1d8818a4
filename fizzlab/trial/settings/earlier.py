"""The section [earlier] of `trial.toml`: earlier trials of the same workshop."""

from __future__ import annotations

from pydantic import Field

from fizzlab.trial.settings.base import Section, Text


class EarlierSettings(Section):
    """Earlier trials to set this one beside.

    Parameters
    ----------
    trials : list of str
        Folders, as seen from the trial's own: of an earlier trial, or of a season, whose sub-folders are
        trials.
    """

    trials: list[Text] = Field(min_length=1, max_length=60)
