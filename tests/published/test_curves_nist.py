"""The fitter against the certified values of NIST's nonlinear regression sets.

Source: NIST/ITL Statistical Reference Datasets (StRD), Nonlinear Regression,
https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml: all 27 sets. The files in `nist_strd/` are
NIST's own, unaltered (works of the US government, in the public domain), as carried by the public
repository lmfit/lmfit-py, folder NIST_STRD. Models, starts and certified values are read from them or
written below as the files state them; no setting differs between sets.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from outside import Source, agrees

from fizzlab.models.curves import CurveModel, Parameter, fit_curve, profile_interval

Array = NDArray[np.float64]
FOLDER = Path(__file__).parent / "nist_strd"


def _rational(x: Array, above: list[Array], below: list[Array]) -> Array:
    bottom = 1 + sum(b * x ** (k + 1) for k, b in enumerate(below))
    return sum(b * x**k for k, b in enumerate(above)) / bottom


def _enso(x: Array, b: Array) -> Array:
    turn = 2 * np.pi * x
    year = b[1] * np.cos(turn / 12) + b[2] * np.sin(turn / 12)
    slow = b[4] * np.cos(turn / b[3]) + b[5] * np.sin(turn / b[3])
    slower = b[7] * np.cos(turn / b[6]) + b[8] * np.sin(turn / b[6])
    return b[0] + year + slow + slower


def _gauss(x: Array, b: Array) -> Array:
    peaks = b[2] * np.exp(-((x - b[3]) ** 2) / b[4] ** 2) + b[5] * np.exp(-((x - b[6]) ** 2) / b[7] ** 2)
    return b[0] * np.exp(-b[1] * x) + peaks


def _lanczos(x: Array, b: Array) -> Array:
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)


# formula as printed in each file
MODELS: dict[str, Callable[[Array, Array], Array]] = {
    "Bennett5": lambda x, b: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda x, b: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut1": lambda x, b: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Chwirut2": lambda x, b: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda x, b: b[0] * x ** b[1],
    "ENSO": _enso,
    "Eckerle4": lambda x, b: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": _gauss,
    "Gauss2": _gauss,
    "Gauss3": _gauss,
    "Hahn1": lambda x, b: _rational(x, b[:4], b[4:]),
    "Kirby2": lambda x, b: _rational(x, b[:3], b[3:]),
    "Lanczos1": _lanczos,
    "Lanczos2": _lanczos,
    "Lanczos3": _lanczos,
    "MGH09": lambda x, b: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda x, b: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda x, b: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda x, b: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1b": lambda x, b: b[0] * (1 - (1 + b[1] * x / 2) ** -2),
    "Misra1c": lambda x, b: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda x, b: b[0] * b[1] * x / (1 + b[1] * x),
    "Nelson": lambda x, b: b[0] - b[1] * x[0] * np.exp(-b[2] * x[1]),
    "Rat42": lambda x, b: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda x, b: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda x, b: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": lambda x, b: _rational(x, b[:4], b[4:]),
}


@dataclass(frozen=True)
class Certified:
    starts: tuple[Array, Array]
    values: Array
    errors: Array
    rss: float
    x: Array
    y: Array


def read(name: str) -> Certified:
    text = (FOLDER / f"{name}.dat").read_text()
    rows = re.findall(r"^\s*b\d+ =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", text, re.MULTILINE)
    table = np.array(rows, float)
    rss = re.search(r"Residual Sum of Squares:\s+(\S+)", text)
    head = re.search(r"Data\s+\(lines (\d+) to (\d+)\)", text)
    assert rss is not None
    assert head is not None
    lines = text.splitlines()[int(head[1]) - 1 : int(head[2])]
    data = np.array([line.split() for line in lines], float)
    y = np.log(data[:, 0]) if name == "Nelson" else data[:, 0]  # as its model states
    x = data[:, 1] if data.shape[1] == 2 else data[:, 1:].T
    return Certified((table[:, 0], table[:, 1]), table[:, 2], table[:, 3], float(rss[1]), x, y)


def slopes(f: Callable[[Array, Array], Array]) -> Callable[[Array, Array], list[Array]]:
    """Derivatives by complex steps, exact to rounding: the formulas are all analytic."""

    def jacobian(x: Array, b: Array) -> list[Array]:
        return [np.imag(f(x, b + 1e-30j * unit)) / 1e-30 for unit in np.eye(len(b))]

    return jacobian


def model(name: str) -> CurveModel:
    parameters = tuple(Parameter(f"b{k + 1}") for k in range(len(read(name).values)))
    return CurveModel(name, parameters, MODELS[name], slopes(MODELS[name]))


NIST = Source(
    "certified",
    "NIST/ITL Statistical Reference Datasets (StRD), nonlinear regression, all 27 sets: parameters, their "
    "standard deviations and the residual sum of squares, from both starts",
    "NIST's own files, unaltered, as carried by the public repository lmfit/lmfit-py",
)


# Lanczos1's readings are stated to 14 decimals and its residuals are of size 1e-13, of which double
# precision keeps two or three digits; so the residual sum and the standard deviations drawn from it.
ROUGH = {"Lanczos1": 1e-2}


@pytest.mark.parametrize("name", MODELS)
def test_certified_values(name: str) -> None:
    """Six digits of every parameter, standard deviation and residual sum of squares, from both starts."""
    certified = read(name)
    fits = [fit_curve(model(name), certified.x, certified.y, start=start) for start in certified.starts]
    fine = np.concatenate([fit.values for fit in fits])
    coarse = np.concatenate([[*fit.errors, fit.rss] for fit in fits])
    fine_nist = np.tile(certified.values, len(fits))
    coarse_nist = np.tile([*certified.errors, certified.rss], len(fits))
    rough = ROUGH.get(name, 1e-6)
    agrees(f"{name}: parameters", fine, fine_nist, NIST, rel=1e-6)
    agrees(f"{name}: standard deviations and residual sum", coarse, coarse_nist, NIST, rel=rough)


# (confint() of an nls object interpolates between a few points and agrees to two or three digits.)
PROFILE_R = Source(
    "program",
    "R 4.2.2: ends of 95 % profile intervals, with everything linear in b1 profiled out by lm()",
    "run for this check",
    how="tests/published/r/curves.R",
)
PROFILES = {
    "BoxBOD": (0.3025896227, 1.0730532050),
    "Misra1a": (0.0005343182679, 0.0005660298973),
    "DanWood": (3.718058657, 4.004183157),
}


@pytest.mark.parametrize("name", PROFILES)
def test_profile_intervals_against_r(name: str) -> None:
    certified = read(name)
    fit = fit_curve(model(name), certified.x, certified.y, start=certified.starts[1])
    interval = profile_interval(fit, lambda p: p[fit.model.names.index("b2")])
    agrees(
        f"{name}: interval of b2",
        (interval["conf_low"], interval["conf_high"]),
        PROFILES[name],
        PROFILE_R,
        rel=1e-6,
    )
