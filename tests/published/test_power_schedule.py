"""Looks that lose least, against the published table of the best groups of a normal variate.

Where the usual dry time is known, the information that groups keep of the mean is one less the least squared
error of a quantiser, so that the best looks are its thresholds: J. Max, "Quantizing for minimum distortion",
IRE Transactions on Information Theory 6 (1960) 7-12, table for the normal distribution. The paper itself was
not seen; thresholds and levels stand with its name in the openly published MATLAB function BAQ (block
adaptive quantization), from which they are taken.
"""

from __future__ import annotations

import numpy as np
import pytest
from outside import Source, agrees
from scipy.stats import norm

from fizzlab.design.looks import best_looks, information_kept

THRESHOLDS = {4: [0.9816], 8: [0.5006, 1.05, 1.748], 16: [0.2582, 0.5224, 0.7996, 1.099, 1.437, 1.844, 2.401]}
LEVELS = {
    4: [0.4528, 1.510],
    8: [0.2451, 0.756, 1.344, 2.152],
    16: [0.1284, 0.3881, 0.6568, 0.9424, 1.256, 1.618, 2.069, 2.733],
}
MAX = Source(
    "publication",
    'J. Max, "Quantizing for minimum distortion", IRE Transactions on Information Theory 6 (1960) 7-12, '
    "table for the "
    "normal distribution",
    "as the openly published MATLAB function BAQ (block adaptive quantization) gives thresholds and levels "
    "with its "
    "name; the paper itself was not seen",
)
S, USUAL = 0.3, 10.0


def looks_of(groups: int) -> np.ndarray:
    half = THRESHOLDS[groups]
    return np.array([*(-np.array(half[::-1])), 0.0, *half])


@pytest.mark.parametrize("groups", [4, 8, 16])
def test_kept_information_is_one_less_the_distortion(groups: int) -> None:
    u = np.concatenate([[-np.inf], looks_of(groups), [np.inf]])
    levels = np.array([*(-np.array(LEVELS[groups][::-1])), *LEVELS[groups]])
    # least squared error of levels that are the means of their groups
    distortion = 1 - float((np.diff(norm.cdf(u)) * levels**2).sum())
    kept = information_kept(USUAL * np.exp(S * looks_of(groups)), USUAL, S)[0]
    agrees(
        f"information kept by {groups} groups", kept, 1 - distortion, MAX, abs=5e-4
    )  # the levels are printed to four figures


@pytest.mark.parametrize("groups", [4, 8])
def test_the_best_looks_are_the_published_thresholds(groups: int) -> None:
    found = best_looks(USUAL, USUAL, groups - 1, S, every_min=1)
    # looks fall on whole minutes: one in 5 h is 0.011 standard deviations
    seen = np.log(np.array(found) / USUAL) / S
    agrees(f"best looks of {groups} groups, in standard deviations", seen, looks_of(groups), MAX, abs=0.011)
