"""Fit small curves with fizzlab and with lmfit, side by side: same model, same start, same minimum.

Run it by hand: `python benchmarks/curves_vs_lmfit.py [--curves 300]`. Times are the best of three rounds;
what counts is the ratio, since both run on the same machine in the same minute. lmfit is given the
cheapest call it offers for a plain fit (`minimize` with `leastsq`), without and with the same analytic
derivatives, and is not asked for anything but estimates and standard errors.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from time import perf_counter

import lmfit
import numpy as np

from fizzlab.models.curves import CurveModel, Parameter, fit_curve
from fizzlab.models.weighing import PAGE

FIRST_ORDER = CurveModel(
    "first order",
    (Parameter("gas_g", "g"), Parameter("rate", "1/s"), Parameter("base_g", "g")),
    f=lambda x, p: p[2] + p[0] * np.exp(-p[1] * x),
    jacobian=lambda x, p: [np.exp(-p[1] * x), -p[0] * x * np.exp(-p[1] * x), np.ones_like(x)],
)


def curves(many: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return seconds and cup masses of invented fizz curves, 25 readings each."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 180, 25)
    size, rate = rng.uniform(3, 8, (many, 1)), rng.uniform(0.015, 0.06, (many, 1))
    return x, 250 + size * np.exp(-rate * x) + rng.normal(0, 0.05, (many, 25))


def drying(many: int, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Return hours and masses of invented drying pieces, 10 weighings each."""
    rng = np.random.default_rng(seed)
    x = np.array([0, 1, 2, 3.5, 5, 7, 10, 14, 23, 30.0])
    moisture, rate = rng.uniform(1.5, 3, (many, 1)), rng.uniform(0.2, 0.6, (many, 1))
    shape = rng.uniform(0.85, 1.2, (many, 1))
    return x, 84 + moisture * np.exp(-((rate * x) ** shape)) + rng.normal(0, 0.01, (many, len(x)))


def by_lmfit(model: CurveModel, x: np.ndarray, y: np.ndarray, start: np.ndarray, exact: bool) -> np.ndarray:
    """Fit each row by lmfit; return the residual sums of squares."""
    names = model.names

    def residual(params: lmfit.Parameters, x: np.ndarray, row: np.ndarray) -> np.ndarray:
        return model.f(x, [params[name].value for name in names]) - row

    def slopes(params: lmfit.Parameters, x: np.ndarray, row: np.ndarray) -> np.ndarray:
        return np.array(model.jacobian(x, [params[name].value for name in names]))

    found = np.empty(len(y))
    extra = {"Dfun": slopes, "col_deriv": True} if exact else {}
    for k, (row, first) in enumerate(zip(y, start, strict=True)):
        params = lmfit.Parameters()
        for name, value in zip(names, first, strict=True):
            params.add(name, value=value)
        found[k] = lmfit.minimize(residual, params, args=(x, row), method="leastsq", **extra).chisqr
    return found


def best_of(rounds: int, work: Callable[[], np.ndarray]) -> tuple[float, np.ndarray]:
    """Return the shortest time of several rounds, and what the last one gave."""
    times = []
    for _ in range(rounds):
        begin = perf_counter()
        out = work()
        times.append(perf_counter() - begin)
    return min(times), out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--curves", type=int, default=300)
    many = parser.parse_args().curves
    cases = [
        ("first order, 3 parameters, 25 readings", FIRST_ORDER, curves(many), [4.0, 0.03, 251.0]),
        ("Page, 4 parameters, 10 readings", PAGE, drying(many), [84.0, 2.0, 0.35, 1.0]),
    ]
    for title, model, (x, y), start in cases:
        rows = np.tile(np.array(start), (many, 1))
        seconds, ours = best_of(3, lambda: np.array([fit_curve(model, x, r, start=start).rss for r in y]))  # noqa: B023
        plain, theirs = best_of(3, lambda: by_lmfit(model, x, y, rows, exact=False))  # noqa: B023
        exact, also = best_of(3, lambda: by_lmfit(model, x, y, rows, exact=True))  # noqa: B023
        print(f"{title}, {many} curves")
        print(f"  {'way':<26}{'us a curve':>12}{'ratio':>8}")
        for way, took in (("fit_curve", seconds), ("lmfit", plain), ("lmfit, given derivatives", exact)):
            print(f"  {way:<26}{1e6 * took / many:>12.0f}{took / seconds:>8.1f}")
        apart = np.max(np.abs(ours / np.minimum(theirs, also) - 1))
        print(f"  residual sums against lmfit's lower one: {apart:.1e} apart at most")


if __name__ == "__main__":
    main()
