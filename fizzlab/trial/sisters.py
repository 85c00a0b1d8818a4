"""Readings compared with their sisters: a slip of the pen stands far from what was read of pieces made alike.

Each function gives the doubtful rows and what is `usual`. Far is measured by medians, which a slip leaves.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from fizzlab.language import say

#: Within a batch: beyond so many robust standard deviations, and by so much as a ratio.
FAR, RATIO = 6.0, 1.5

#: On its own: so many times the nearest of other batches; if it may be nought, so many of their ranges.
ALONE, RANGES = 4.0, 3.0

#: Fewest other readings to compare with.
FEWEST = 3

#: A piece that dries or fizzes does not change its mass by more than this ratio between two weighings.
STEP = 1.25

#: What a reading is of the usual one where the decimal sign slipped.
_SLIPS = {10: "slip_ten", 100: "slip_hundred", 0.1: "slip_tenth", 0.01: "slip_hundredth"}

#: A room's air changes by less than this between two readings.
GUST = 5.0

_MAD = 1.4826  # of the median absolute deviation to a standard deviation


def slip(reading: float, usual: float) -> str:
    """The words that name a slip of the decimal sign; empty where it is none.

    >>> slip(1480, 152), slip(60, 152)
    ('ten times as much: the decimal sign may have slipped', '')
    """
    for factor, said in _SLIPS.items() if reading > 0 and usual > 0 else ():
        if 1 / RATIO < reading / usual / factor < RATIO:
            return say(said)
    return ""


def slipped(reading: float, usual: float) -> str:
    """The clause that names a slip of the decimal sign, to end a sentence with; empty where it is none."""
    words = slip(reading, usual)
    return say("slipped", slip=words) if words else ""


def gusts(rows: pd.DataFrame, column: str) -> pd.DataFrame:
    """Readings of a room log that are ten times those before and after them, or a tenth, and so on."""
    rows = rows.sort_values("time", kind="stable")
    read = rows[column]
    usual = read.rolling(5, center=True, min_periods=3).median()
    found = rows.assign(reading=read, usual=usual)[(read - usual).abs() > GUST]
    return found[[bool(slip(*pair)) for pair in found[["reading", "usual"]].itertuples(index=False)]]


def apart(rows: pd.DataFrame, read: pd.Series, within: bool = True) -> pd.DataFrame:
    """Readings far from the others of their batch, or standing alone far from those of every other batch."""
    read = read[read.notna()].astype(float)
    log = bool((read > 0).all())
    values, batch = read.map(np.log) if log else read, rows.loc[read.index, "run"]
    middle, size = (values.groupby(batch).transform(how) for how in ("median", "size"))
    off = (values - middle).abs()
    judged = within & (size >= FEWEST)
    least = np.log(RATIO) if log else 0.0
    far = judged & (off > np.fmax(FAR * _MAD * off[judged & (off > 0)].median(), least))
    far |= _alone(values, batch, log)
    others = middle.where((size >= FEWEST) & (off > 0), values[~far].median())[far]
    found: pd.DataFrame = rows.loc[others.index]
    return found.assign(reading=read[far], usual=others.map(np.exp) if log else others)


def _alone(values: pd.Series, batch: pd.Series, log: bool) -> pd.Series:
    """Which readings at either end lie beyond a wide gap, and are not what several batches have."""
    found, least = pd.Series(False, values.index), np.log(ALONE)
    for sign in (1.0, -1.0):
        tail = (sign * values).sort_values()
        wide = tail.diff() > (least if log else RANGES * (tail.cummax() - tail.iloc[0]).shift())
        wide &= np.arange(len(tail)) >= max(FEWEST, len(tail) // 2)
        if wide.any():
            beyond = tail.index[int(wide.to_numpy().argmax()) :]
            whole = set(batch[beyond]) - set(batch.drop(beyond))
            found[beyond] |= len(whole) <= 1
    return found


def spikes(rows: pd.DataFrame, time: str) -> pd.DataFrame:
    """Masses outside of both their neighbours in time by much, or a first or last one beyond belief."""
    rows = rows.sort_values(["run", "piece", time], kind="stable")
    value = rows["mass_g"]
    each = value.groupby([rows["run"], rows["piece"]])
    ends = pd.concat([each.shift(1), each.shift(-1)], axis=1)
    usual, alone, m = ends.mean(axis=1), ends.isna().any(axis=1), value.median()
    out = (value - value.clip(ends.min(axis=1), ends.max(axis=1))).abs().mask(alone)
    fall = float((each.quantile(0.9) - each.quantile(0.1)).median())
    far = out > np.fmax(FAR * _MAD * out[out > 0].median(), fall / 4)
    # at an end the odd one of two neighbours is the one further from all readings
    off, beside, step = (ratio.map(np.log).abs() for ratio in (value / m, usual / m, value / usual))
    far |= alone & (step > np.log(STEP)) & (off >= beside)
    found: pd.DataFrame = rows[far]
    return found.assign(reading=value[far], usual=usual[far])


def out_of_round(rows: pd.DataFrame) -> pd.DataFrame:
    """Last looks at an hour when no sister was looked at, but some were at a tenth, or a sixtieth, of it."""
    lasts = _last_looks(rows)
    found = [apart(lasts, lasts["hours"], within=False)]
    for run, looks in rows.groupby("run", sort=False):
        last = lasts[lasts["run"] == run]
        hours, at = looks["hours"].to_numpy(float)[:, None], last["hours"].to_numpy(float)
        own = looks["piece"].to_numpy()[:, None] == last["piece"].to_numpy()
        for factor in (10.0, 60.0):
            meant = at / factor
            seen, now = (np.abs(hours - then) <= 0.05 * then for then in (meant, at))
            before = (own & (hours >= 0.95 * meant) & (hours < at)).any(axis=0)
            far = (seen & ~own).any(axis=0) & ~(now & ~own).any(axis=0) & ~before
            found.append(last[far].assign(reading=at[far], usual=meant[far]))
    each = pd.concat(found)
    return each[~each.index.duplicated()]


def _last_looks(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.loc[rows.groupby(["run", "piece"], sort=False)["hours"].idxmax()]


def in_minutes(rows: pd.DataFrame) -> pd.DataFrame:
    """The first row, where pieces take days to dry by hours that are all whole: minutes, as it seems."""
    usual = _last_looks(rows)["hours"].median()
    odd = usual > 90 and (rows["hours"] % 1 == 0).all()
    return rows.head(1).assign(usual=usual) if odd else rows[:0]


def swapped(rows: pd.DataFrame) -> pd.DataFrame:
    """The first row of a room log that tells of no room that anybody works in; `seems` says what of."""
    temp, rh = rows["temp_c"].median(), rows["rh_pct"].median()
    if not temp > 40:
        return rows[:0]
    return rows.head(1).assign(temp=temp, rh=rh, seems=say("air_swapped" if rh < 40 else "air_fahrenheit"))
