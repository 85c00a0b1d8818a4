"""The report's own regression on simulated touch checks, trial by trial."""

from __future__ import annotations

import numpy as np
from scipy import stats

from fizzlab.design.trials import SIDE, Comparison, Trials, _one_sided
from fizzlab.models.censored import NotFitted
from fizzlab.models.censored_fit import fit_batches


def seen_by_regression(trials: Trials, comparison: Comparison, size: float) -> tuple[np.ndarray, np.ndarray]:
    """Which trials see the effect, and which are answered."""
    assert trials.looks is not None
    bracket = trials.brackets(comparison, size)
    ends = np.concatenate([[0.0], np.exp(trials.looks), [np.inf]])
    batch = np.repeat(np.arange(bracket.shape[1]), bracket.shape[2])
    seen, answered = np.zeros(len(bracket), bool), np.zeros(len(bracket), bool)
    for row in np.flatnonzero(~_one_sided(bracket, comparison, len(trials.looks))):
        lower, upper = ends[bracket[row].ravel()], ends[bracket[row].ravel() + 1]
        try:
            fit = fit_batches(lower, upper, batch, trials.model.x, trials.model.day)
        except NotFitted:
            continue
        weights = comparison.weights
        covariance = fit.found.covariance[: len(weights), : len(weights)]
        se, df = np.sqrt(weights @ covariance @ weights), fit.strata.of(weights)
        answered[row] = np.isfinite(se)
        seen[row] = weights @ fit.found.beta > stats.t.ppf(SIDE, df) * se
    return seen, answered
