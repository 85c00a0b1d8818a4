"""Choosing runs by exchange (Fedorov's algorithm for the D criterion), and runs to days by swapping.

Own code: the optimal-design search of pydoe takes full polynomials only (no named levels, no chosen
terms, no runs already made) and stops short of the published 14-run optimum (see the tests). V. V. Fedorov,
Theory of Optimal Experiments (Academic Press, 1972); R. D. Cook, C. J. Nachtsheim, Technometrics 22 (1980)
315-324.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fizzlab.design.model import Matrix

#: Kept on the diagonal while searching, so that a singular start has a way out.
RIDGE = 1e-6


def choose(
    candidates: Matrix,
    runs: int,
    rng: np.random.Generator,
    made: Matrix | None = None,
    starts: int | None = None,
) -> Matrix:
    """Row numbers of the candidates, repeats allowed, with the largest det(X'X) that random starts found."""
    fixed = RIDGE * np.eye(candidates.shape[1]) + (made.T @ made if made is not None else 0.0)
    tries = starts or int(np.clip(8e6 // (candidates.size * max(runs, 1)), 3, 40))

    def information(rows: Matrix) -> Matrix:
        return np.asarray(fixed + candidates[rows].T @ candidates[rows])

    def unsure(inverse: Matrix) -> Matrix:
        return np.asarray(np.einsum("ij,jk,ik->i", candidates, inverse, candidates))

    best, best_score = np.zeros(0, int), -np.inf
    for _ in range(tries):
        # some runs at random, the others each the candidate that the plan knows least about
        rows = rng.integers(len(candidates), size=rng.integers(1, runs + 1))
        while len(rows) < runs:
            noise = 1 + 0.2 * rng.random(len(candidates))
            rows = np.append(rows, (noise * unsure(np.linalg.inv(information(rows)))).argmax())
        changed = True
        while changed:
            changed = False
            for place in range(runs):
                old, inverse = candidates[rows[place]], np.linalg.inv(information(rows))
                # by how much det(X'X) grows with each candidate in place of the old row
                growth = (1 + unsure(inverse)) * (1 - old @ inverse @ old) + (candidates @ inverse @ old) ** 2
                if growth.max() > 1 + 1e-9:
                    rows[place] = growth.argmax()
                    changed = True
        score = float(np.linalg.slogdet(information(rows))[1])
        if score > best_score + 1e-9:
            best, best_score = rows, score
    return np.sort(best)


def to_groups(
    model: Matrix, sizes: Sequence[int], rng: np.random.Generator, prior: Matrix | float = 0.0
) -> Matrix:
    """The day of each run, from 0, so that days of these sizes take as little as can be from the effects.

    `prior` is added to the diagonal (W. DuMouchel, B. Jones, Technometrics 36 (1994) 37-47).
    """
    total, size = model.shape
    labels = np.repeat(np.arange(len(sizes)), sizes)
    if len(sizes) == 1 or not size:
        return rng.permutation(labels)
    tries = int(np.clip(6000 // (total * size), 3, 30))
    weights = 1.0 / np.asarray(sizes, float)
    base = model.T @ model + np.diag(np.broadcast_to(prior + RIDGE, size))
    best, best_score = labels, -np.inf
    for _ in range(tries):
        day = rng.permutation(labels)
        sums = np.array([model[day == d].sum(axis=0) for d in range(len(sizes))])
        score = float(_within(base, sums, weights))
        changed = True
        while changed:
            changed = False
            for one in rng.permutation(total):
                others = np.flatnonzero(day > day[one])
                if not len(others):
                    continue
                shift = model[others] - model[one]
                trial = np.repeat(sums[None], len(others), axis=0)
                trial[:, day[one]] += shift
                trial[np.arange(len(others)), day[others]] -= shift
                scores = _within(base, trial, weights)
                pick = int(scores.argmax())
                if scores[pick] > score + 1e-9:
                    two = others[pick]
                    day[one], day[two] = day[two], day[one]
                    sums, score, changed = trial[pick], float(scores[pick]), True
        if score > best_score + 1e-9:
            best, best_score = day, score
    return best


def _within(base: Matrix, sums: Matrix, weights: Matrix) -> Matrix:
    """log det of base - sum over days of weight times s s', for one set of sums of the days or many."""
    lost = np.einsum("d,...di,...dj->...ij", weights, sums, sums)
    sign, value = np.linalg.slogdet(base - lost)
    return np.where(sign > 0, value, -np.inf)
