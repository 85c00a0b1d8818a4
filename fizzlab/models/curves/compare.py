"""Which of several curves the readings speak for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from fizzlab.errors import CannotAnswer
from fizzlab.models.curves.fit import CurveFit, fit_curve
from fizzlab.models.curves.model import CurveModel


@dataclass(frozen=True)
class CurveComparison:
    """Several curves fitted to the same readings.

    Attributes
    ----------
    fits : tuple of CurveFit
        Those that could be fitted, best first.
    table : DataFrame
        One row a curve, best first: model, parameters, rss, aicc, delta (AICc above the best), weight
        (Akaike weight: the share of the evidence, given that one of these curves is right) and note
        (why there are no numbers).
    """

    fits: tuple[CurveFit, ...]
    table: pd.DataFrame

    @property
    def best(self) -> CurveFit:
        """The fit with the lowest AICc."""
        return self.fits[0]

    def fit(self, name: str) -> CurveFit | None:
        """Return the fit of a model by its name, or None where it could not be fitted."""
        return next((fit for fit in self.fits if fit.model.name == name), None)

    def __str__(self) -> str:
        return self.table.to_string(index=False, float_format="{:.4g}".format)


def akaike_weights(criterion: ArrayLike) -> np.ndarray:
    """Return exp(-delta/2), scaled to add up to 1; 0 for an infinite criterion.

    K. P. Burnham and D. R. Anderson, "Model selection and multimodel inference" (2nd ed., Springer,
    2002), section 2.9.

    Examples
    --------
    >>> akaike_weights([10.0, 12.0, np.inf]).round(3)
    array([0.731, 0.269, 0.   ])
    """
    values = np.asarray(criterion, float)
    share = np.exp(-0.5 * (values - values.min()))
    return np.asarray(share / share.sum())


def compare_curves(
    models: Sequence[CurveModel],
    x: ArrayLike,
    y: ArrayLike,
    *,
    sigma: ArrayLike | None = None,
    resolution: float = 0.0,
) -> CurveComparison:
    """Fit each of several curves to the same readings and rank them by AICc.

    A curve that could not be fitted, or that has too many unknowns for the number of readings, is
    listed with the reason and takes no part.

    Parameters
    ----------
    models : sequence of CurveModel
        Each with automatic starts.
    x, y, sigma, resolution
        As in `fit_curve`.

    Returns
    -------
    CurveComparison

    Raises
    ------
    CannotAnswer
        None of the curves could be fitted and weighed.
    ValueError
        No models, or two of the same name.
    """
    names = [model.name for model in models]
    if not models or len(set(names)) < len(names):
        raise ValueError("give one or more models, each with its own name")
    fits: list[CurveFit] = []
    failed: list[tuple[CurveModel, CannotAnswer]] = []
    for model in models:
        try:
            fit = fit_curve(model, x, y, sigma=sigma, resolution=resolution)
            if np.isinf(fit.aicc):
                raise CannotAnswer(
                    f"{fit.n} readings are too few to weigh a curve with {len(model.parameters)} unknowns.",
                    f"Take at least {len(model.parameters) + 3} readings.",
                )
            fits.append(fit)
        except CannotAnswer as problem:
            failed.append((model, problem))
    if not fits:
        raise failed[0][1]
    fits.sort(key=lambda fit: fit.aicc)
    criterion = np.array([fit.aicc for fit in fits])
    rows = [
        {
            "model": fit.model.name,
            "parameters": len(fit.model.parameters),
            "rss": fit.rss,
            "aicc": fit.aicc,
            "delta": fit.aicc - criterion[0],
            "weight": weight,
            "note": "",
        }
        for fit, weight in zip(fits, akaike_weights(criterion), strict=True)
    ]
    rows += [
        {
            "model": model.name,
            "parameters": len(model.parameters),
            "rss": np.nan,
            "aicc": np.nan,
            "delta": np.nan,
            "weight": 0.0,
            "note": str(problem),
        }
        for model, problem in failed
    ]
    return CurveComparison(tuple(fits), pd.DataFrame(rows))
