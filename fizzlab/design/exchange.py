"""Choosing runs by exchange: Fedorov's algorithm for the D and I criteria, and runs to days by swapping.

Own code: the optimal-design search of pydoe takes full polynomials only (no named levels, no chosen
terms, no runs already made) and stops short of the published 14-run optimum (see the tests).

Sources
-------
V. V. Fedorov, Theory of Optimal Experiments (Academic Press, 1972); R. D. Cook, C. J. Nachtsheim,
Technometrics 22 (1980) 315-324; for whole plots P. Goos, M. Vandebroek, Technometrics 45 (2003) 12-23.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from fizzlab.design.model import Matrix

Criterion = Literal["D", "I"]

RIDGE = 1e-6
"""Kept on the diagonal while searching, so that a singular start has a way out."""


def choose(
    candidates: Matrix,
    runs: int,
    rng: np.random.Generator,
    criterion: Criterion = "D",
    made: Matrix | None = None,
    region: Matrix | None = None,
    most: int | None = None,
    starts: int | None = None,
) -> Matrix:
    """Pick the rows of the candidates that serve a criterion best together with the runs already made.

    Parameters
    ----------
    candidates : ndarray, shape (m, p)
        Model matrix of what may be run; a row may be picked more than once.
    criterion : {"D", "I"}
        Largest det(X'X), or smallest mean variance of a forecast over `region` (the candidates by default).
    most : int, optional
        How often a row may be picked; any number of times by default.
    starts : int, optional
        Random starts, by default 40 for a small search down to 3 for a large one; the best of them is
        returned. The search is not proof of the best there is.

    Returns
    -------
    ndarray of int
        Row numbers, sorted.
    """
    size = candidates.shape[1]
    fixed = RIDGE * np.eye(size) + (made.T @ made if made is not None else 0.0)
    over = candidates if region is None else region
    weight = over.T @ over / len(over)
    tries = starts or int(np.clip(8e6 // (candidates.size * max(runs, 1)), 3, 40))
    best, best_score = np.zeros(0, int), -np.inf
    for _ in range(tries):
        rows = _start(candidates, runs, fixed, rng, most)
        score = _improve(candidates, rows, fixed, weight, criterion, most)
        if score > best_score + 1e-9:
            best, best_score = rows.copy(), score
    return np.sort(best)


def _start(
    candidates: Matrix, runs: int, fixed: Matrix, rng: np.random.Generator, most: int | None
) -> Matrix:
    """Some runs at random, the others each the candidate the plan knows least about."""
    rows: list[int] = []
    inverse = np.linalg.inv(fixed)
    counts = np.zeros(len(candidates), int)
    at_random = int(rng.integers(1, runs + 1))
    for turn in range(runs):
        free = np.flatnonzero(counts < most) if most else np.arange(len(candidates))
        if turn < at_random:
            row = int(rng.choice(free))
        else:
            variance = np.einsum("ij,jk,ik->i", candidates[free], inverse, candidates[free])
            variance *= 1 + 0.2 * rng.random(len(free))
            row = int(free[variance.argmax()])
        rows.append(row)
        counts[row] += 1
        step = inverse @ candidates[row]
        inverse -= np.outer(step, step) / (1 + candidates[row] @ step)
    return np.array(rows)


def _improve(
    candidates: Matrix, rows: Matrix, fixed: Matrix, weight: Matrix, criterion: Criterion, most: int | None
) -> float:
    """Exchange rows, in place, until no exchange of one row helps; return the score, larger is better."""
    for _ in range(200):
        changed = False
        for place in range(len(rows)):
            inverse = np.linalg.inv(fixed + candidates[rows].T @ candidates[rows])
            gain = _gains(candidates, candidates[rows[place]], inverse, weight, criterion)
            if most:
                taken = np.bincount(rows, minlength=len(candidates)) >= most
                taken[rows[place]] = False
                gain[taken] = -np.inf
            found = int(gain.argmax())
            if gain[found] > 1e-9:
                rows[place] = found
                changed = True
        if not changed:
            break
    information = fixed + candidates[rows].T @ candidates[rows]
    if criterion == "D":
        return float(np.linalg.slogdet(information)[1])
    return -float(np.log(np.trace(weight @ np.linalg.inv(information))))


def _gains(candidates: Matrix, old: Matrix, inverse: Matrix, weight: Matrix, criterion: Criterion) -> Matrix:
    """Relative gain of the criterion for putting each candidate in place of the row `old`."""
    step = inverse @ old
    cross = candidates @ step
    own = np.einsum("ij,jk,ik->i", candidates, inverse, candidates)
    mine = float(old @ step)
    det = (1 + own) * (1 - mine) + cross**2
    if criterion == "D":
        return np.asarray(det - 1)
    spread = inverse @ weight @ inverse
    far = np.einsum("ij,jk,ik->i", candidates, spread, candidates)
    between = candidates @ (spread @ old)
    near = float(old @ spread @ old)
    # trace(W (M + xx' - oo')^-1) = trace(W M^-1) - trace((S + U'M^-1 U)^-1 U'M^-1 W M^-1 U)
    a, b, c = 1 + own, cross, mine - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        drop = (c * far - 2 * b * between + a * near) / (a * c - b**2)
    drop[det < 1e-6] = -np.inf
    return np.asarray(drop / float(np.trace(weight @ inverse)))


def to_groups(
    model: Matrix,
    sizes: Sequence[int],
    rng: np.random.Generator,
    prior: Matrix | None = None,
) -> Matrix:
    """Share runs out to days so that the days take as little as possible from the effects.

    Parameters
    ----------
    model : ndarray, shape (n, p)
        Coded columns without the intercept.
    sizes : sequence of int
        Runs of each day; they sum to n.
    prior : ndarray, shape (p,), optional
        What is added to the diagonal of the information: large for effects that are only nice to have
        (W. DuMouchel, B. Jones, Technometrics 36 (1994) 37-47).

    Returns
    -------
    ndarray of int
        The day of each run, from 0; det of the information within days is as large as swapping makes it
        from 3 to 30 random starts.
    """
    total, size = model.shape
    labels = np.repeat(np.arange(len(sizes)), sizes)
    if len(sizes) == 1 or not size:
        return rng.permutation(labels)
    tries = int(np.clip(6000 // (total * size), 3, 30))
    weights = 1.0 / np.asarray(sizes, float)
    base = model.T @ model + np.diag(np.full(size, RIDGE) if prior is None else prior + RIDGE)
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
            best, best_score = day.copy(), score
    return best


def _within(base: Matrix, sums: Matrix, weights: Matrix) -> Matrix:
    """log det of base - sum over groups of weight times s s', for one set of group sums or many."""
    lost = np.einsum("...d,...di,...dj->...ij", np.broadcast_to(weights, sums.shape[:-1]), sums, sums)
    sign, value = np.linalg.slogdet(base - lost)
    return np.where(sign > 0, value, -np.inf)


def grouped_choice(
    options: Sequence[Matrix],
    sizes: Sequence[int],
    ratio: float,
    rng: np.random.Generator,
    starts: int = 8,
) -> list[Matrix]:
    """Pick the runs within whole plots: largest det(X'V^-1 X) with V = I + ratio ZZ'.

    `options` holds, for each whole plot, the model matrix of every run it may hold, `sizes` its number of
    runs, `ratio` the variance between whole plots over that between the runs of one. Returns row numbers.
    """
    size = options[0].shape[1]
    weights = np.array([ratio / (1 + ratio * k) for k in sizes])
    best: list[Matrix] = []
    best_score = -np.inf
    for _ in range(starts):
        picks = [_even_start(len(rows), k, rng) for rows, k in zip(options, sizes, strict=True)]
        sums = np.array([rows[p].sum(axis=0) for rows, p in zip(options, picks, strict=True)])
        gram = RIDGE * np.eye(size)
        for rows, pick in zip(options, picks, strict=True):
            gram = gram + rows[pick].T @ rows[pick]
        score = float(_within(gram, sums, weights))
        changed = True
        while changed:
            changed = False
            for plot, rows in enumerate(options):
                for place in range(sizes[plot]):
                    old = rows[picks[plot][place]]
                    trial = np.repeat(sums[None], len(rows), axis=0)
                    trial[:, plot] += rows - old
                    grams = gram - np.outer(old, old) + rows[:, :, None] * rows[:, None, :]
                    lost = np.einsum("d,ndi,ndj->nij", weights, trial, trial)
                    sign, value = np.linalg.slogdet(grams - lost)
                    value = np.where(sign > 0, value, -np.inf)
                    found = int(value.argmax())
                    if value[found] > score + 1e-9:
                        picks[plot][place] = found
                        sums, gram, score, changed = trial[found], grams[found], float(value[found]), True
        if score > best_score + 1e-9:
            best, best_score = [pick.copy() for pick in picks], score
    return [np.sort(pick) for pick in best]


def _even_start(options: int, picks: int, rng: np.random.Generator) -> Matrix:
    whole = np.tile(np.arange(options), picks // options)
    return np.concatenate([whole, rng.permutation(options)[: picks % options]])
