"""The section [confirms] of `trial.toml`: this trial's batches confirm what another one chose."""

from __future__ import annotations

from fizzlab.trial.settings.base import Section, Text


class ConfirmsSettings(Section):
    """The trial whose choice these batches are to confirm.

    Parameters
    ----------
    trial : str
        Its folder, as seen from the trial's own.
    """

    trial: Text
