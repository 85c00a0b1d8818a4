"""The shapes that gas can leave in, written for a cup on a kitchen scale.

Each says what share F(t) of a piece's gas has left by t seconds. All are written by the time t50 at which
half of it has, so that the same parameter means the same thing in each:

    zero order    F = t / (2 t50), until all is out
    first order   F = 1 - 2^(-t/t50)
    cube root     F = 1 - (1 - c t/t50)^3 with c = 1 - 0.5^(1/3), until all is out
    Weibull       F = 1 - 2^(-(t/t50)^shape)

What the scale shows is start - gas F(t) - drift t + jumps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fizzlab.models.curves import CurveModel, Parameter

Array = NDArray[np.float64]
Shape = Literal["zero order", "first order", "cube root", "weibull"]
SHAPES: tuple[Shape, ...] = get_args(Shape)

_LN2 = float(np.log(2))
_CUBE = 1 - 0.5 ** (1 / 3)
_LOG_QUARTERS = float(np.log(np.log(4) / np.log(4 / 3)))


@dataclass(frozen=True)
class _Law:
    """A shape, by u = t/t50: F with its derivatives, and F turned round."""

    words: str
    bent: bool  # has a shape parameter
    smooth: bool  # has no corner
    share: Callable[[Array, Array], Array]  # of u and the shape parameter
    by_u: Callable[[Array, Array], Array]
    by_bend: Callable[[Array, Array], Array]
    until: Callable[[float, float], float]  # u at which a share is out


def _reaches(t: Array, out: Array, share: float) -> float:
    """Return roughly when a share of what left was out, never 0."""
    k = int(np.argmax(out >= share))
    if k == 0:
        return float(t[t > 0].min()) / 2
    part = (share - out[k - 1]) / max(out[k] - out[k - 1], 1e-12)
    return float(max(t[k - 1] + part * (t[k] - t[k - 1]), 0.05 * t[k]))


def _flat(u: Array, bend: Array) -> Array:
    return np.zeros_like(u)


def _power(u: Array, bend: Array) -> Array:
    return _LN2 * np.exp(np.minimum(bend * np.log(np.maximum(u, 1e-300)), 700.0))


_LAWS: dict[str, _Law] = {
    "zero order": _Law(
        "gas leaves at one pace until it is gone",
        False,
        False,
        lambda u, bend: np.minimum(u / 2, 1.0),
        lambda u, bend: np.where(u < 2, 0.5, 0.0),
        _flat,
        lambda share, bend: 2 * share,
    ),
    "first order": _Law(
        "the same share of what is left leaves each second",
        False,
        True,
        lambda u, bend: -np.expm1(-_LN2 * u),
        lambda u, bend: _LN2 * np.exp(-_LN2 * u),
        _flat,
        lambda share, bend: float(-np.log2(1 - share)),
    ),
    "cube root": _Law(
        "a piece shrinks evenly from its surface",
        False,
        False,
        lambda u, bend: 1 - np.maximum(1 - _CUBE * u, 0.0) ** 3,
        lambda u, bend: 3 * _CUBE * np.maximum(1 - _CUBE * u, 0.0) ** 2,
        _flat,
        lambda share, bend: (1 - (1 - share) ** (1 / 3)) / _CUBE,
    ),
    "weibull": _Law(
        "gas leaves ever more slowly (shape below 1) or gathers pace first (above 1)",
        True,
        True,
        lambda u, bend: -np.expm1(-_power(u, bend)),
        lambda u, bend: np.exp(-_power(u, bend)) * _power(u, bend) * bend / np.maximum(u, 1e-300),
        lambda u, bend: np.exp(-_power(u, bend)) * _power(u, bend) * np.log(np.maximum(u, 1e-300)),
        lambda share, bend: float((-np.log2(1 - share)) ** (1 / bend)),
    ),
}


def share_out(shape: Shape, seconds: ArrayLike, t50_s: float, bend: float = 1.0) -> Array:
    """Return the share of a piece's gas that has left.

    Parameters
    ----------
    shape : {"zero order", "first order", "cube root", "weibull"}
    seconds : array_like
    t50_s : float
        Seconds until half is out.
    bend : float
        Shape parameter of the Weibull curve.

    References
    ----------
    Cube root: A. W. Hixson and J. H. Crowell, Ind. Eng. Chem. 23 (1931) 923. Weibull: F. Langenbucher,
    J. Pharm. Pharmacol. 24 (1972) 979. The formulas are those of textbooks of dissolution; the two papers are
    cited from memory, not seen.

    Examples
    --------
    >>> [round(float(share_out(shape, 60, t50_s=30)), 3) for shape in SHAPES]
    [1.0, 0.75, 0.797, 0.75]
    """
    u = np.asarray(seconds, float) / t50_s
    return np.asarray(_LAWS[shape].share(u, np.asarray(bend, float)))


def time_until(shape: Shape, share: float, t50_s: float, bend: float = 1.0) -> float:
    """Return the seconds until `share` of the gas is out.

    Examples
    --------
    >>> [round(time_until(shape, 0.9, t50_s=30), 1) for shape in SHAPES]
    [54.0, 99.7, 77.9, 99.7]
    """
    return t50_s * _LAWS[shape].until(share, bend)


def has_bend(shape: Shape) -> bool:
    """Tell whether the shape has a shape parameter of its own."""
    return _LAWS[shape].bent


@lru_cache(maxsize=64)
def gas_model(shape: Shape, start: bool = True, drift: bool = False, jumps: int = 0) -> CurveModel:
    """Return the curve to fit to what the scale shows.

    Parameters
    ----------
    shape : {"zero order", "first order", "cube root", "weibull"}
    start : bool
        Whether the mass at the start is unknown (True) or what is fitted is minus the gas itself.
    drift : bool
        Whether there is a steady loss besides.
    jumps : int
        Sudden steps. With jumps, x has a row of seconds and one 0/1 row a jump.

    Returns
    -------
    CurveModel
        Parameters start_g, gas_g, t50_s, bend (Weibull), drift_g_s, jump_1_g and so on.

    Examples
    --------
    >>> gas_model("weibull", drift=True).names
    ('start_g', 'gas_g', 't50_s', 'bend', 'drift_g_s')
    """
    law = _LAWS[shape]
    parameters = [Parameter("start_g", "mass of cup, water and piece", "g")] if start else []
    parameters += [
        Parameter("gas_g", "gas that leaves in the end", "g", lower=0.0),
        Parameter("t50_s", "time until half of it is out", "s", lower=1e-3),
    ]
    if law.bent:
        parameters.append(Parameter("bend", "shape of the curve", "", lower=0.15, upper=10.0))
    if drift:
        parameters.append(Parameter("drift_g_s", "steady loss besides, as by drying up", "g/s"))
    parameters += [Parameter(f"jump_{k + 1}_g", "sudden step of the scale", "g") for k in range(jumps)]
    first = int(start)
    after = first + 2 + law.bent

    def seconds_of(x: Array) -> Array:
        return np.asarray(x)[0] if jumps else np.asarray(x)

    def f(x: Array, p: Array) -> ArrayLike:
        t = seconds_of(x)
        y = -p[first] * law.share(t / p[first + 1], p[first + 2] if law.bent else p[first + 1])
        if start:
            y = y + p[0]
        if drift:
            y = y - p[after] * t
        for k in range(jumps):
            y = y + p[after + drift + k] * x[1 + k]
        return np.asarray(y)

    def jacobian(x: Array, p: Array) -> list[ArrayLike]:
        t = seconds_of(x)
        gas, t50 = p[first], p[first + 1]
        bend = p[first + 2] if law.bent else t50
        u = t / t50
        out: list[ArrayLike] = [1.0] if start else []
        out += [-law.share(u, bend), gas * law.by_u(u, bend) * u / t50]
        if law.bent:
            out.append(-gas * law.by_bend(u, bend))
        if drift:
            out.append(-t)
        return out + [x[1 + k] for k in range(jumps)]

    def starts(x: Array, y: Array) -> ArrayLike:
        t = seconds_of(x)
        top = float(y[0]) if start else 0.0
        gas = max(float(top - y.min()), 1e-6)
        quarter, half, most = (_reaches(t, (top - y) / gas, share) for share in (0.25, 0.5, 0.75))
        if law.bent:
            # turned round, F = 1/4 and F = 3/4 give (t at 3/4 / t at 1/4)^bend = log(4)/log(4/3)
            bend = _LOG_QUARTERS / np.log(max(most / quarter, 1.05))
            pairs = [(half, float(np.clip(bend, 0.3, 5.0))), (half, 1.0)]
        else:
            # curves that end in a corner have several lowest points
            pairs = [(half * factor, 0.0) for factor in ((1.0,) if law.smooth else (1.0, 0.5, 0.7, 1.4, 2.0))]
        return np.array(
            [
                [*([top] if start else []), gas, t50, *([bend] if law.bent else []), *[0.0] * (drift + jumps)]
                for t50, bend in pairs
            ]
        )

    return CurveModel(shape, law.words, tuple(parameters), f=f, jacobian=jacobian, starts=starts)
