"""The section [fizz] of `trial.toml`: how fizz tests are analysed."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from fizzlab.trial.settings.base import Section


class FizzSettings(Section):
    """How fizz is analysed, and what a piece could give.

    Parameters
    ----------
    bath_c : float
        Water temperature that every duration is stated at, in °C.
    water_ml : float
        Water in the cup of a fizz curve: some of the gas stays dissolved in it.
    theory_g : float or None
        Grams of carbon dioxide that one piece can give at most; left out, it is worked out from [recipe].
    curve : str
        The curve that fits all pieces together best, or for each piece its own best one.
    shelf_share : float
        The report says after how many weeks this share of the fresh fizz is left.
    """

    bath_c: float = Field(default=38.0, ge=1, le=50)
    water_ml: float = Field(default=300.0, gt=0, le=200_000)
    theory_g: float | None = Field(default=None, gt=0, le=2000)
    curve: Literal["common", "own"] = "common"
    shelf_share: float = Field(default=0.9, gt=0, lt=1)
