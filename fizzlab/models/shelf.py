"""How fast stored pieces lose their fizz: by the same share every week (first order),

    log left_ij = log fresh_i - k_i weeks_ij + error,

with a loss rate k_i for each batch in each storage: the interval comes from how batches and days differ.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy import stats

from fizzlab.errors import CannotAnswer, cannot
from fizzlab.language import say
from fizzlab.measures import SHELF_MEASURES
from fizzlab.models.effects import fit_response
from fizzlab.models.plotting import SOFT, axes_for, looks
from fizzlab.models.result import Effect, FitResult, Interval, effect_of, noted, t_interval
from fizzlab.models.terms import Amount, need_columns

Array = NDArray[np.float64]

#: Humidities closer than this are one storage: a cheap hygrometer tells no finer.
SAME_RH_PCT = 5.0


@dataclass(frozen=True, kw_only=True)
class ShelfFit(FitResult):
    """What storage does to the fizz; its one effect is that of 10 % more humidity on the weekly loss.

    `storages`, dry first: storage, rh_pct, per_week (share lost a week), weeks until `share` is left
    (infinite where the readings set no end), extrapolated (later than the last week tried), bend_p (p of "as
    fast late as early"), df, n_batches. `left` has the share left of each stored piece, `no_humidity` why
    nothing is said of that.
    """

    share: float
    storages: pd.DataFrame
    left: pd.DataFrame = field(repr=False)
    no_humidity: CannotAnswer | None = None

    @property
    def table(self) -> pd.DataFrame:
        """The storages."""
        return self.storages

    @property
    def last_week(self) -> float:
        """The last week tried."""
        return float(self.left["weeks"].max())

    def predict(
        self, new: Any = None, *, share: float = 0.5, interval: Interval = "confidence"
    ) -> pd.DataFrame:
        """Share of the fizz left in each storage after ``new["weeks"]``, by the mean loss of batches."""
        weeks = np.atleast_1d(np.asarray(self.last_week if new is None else new["weeks"], float))
        table = self.storages.merge(pd.DataFrame({"after": weeks}), how="cross")
        ends = {"estimate": "per_week", "conf_low": "conf_high", "conf_high": "conf_low"}
        left = {name: np.exp(-table[rate] * table["after"]) for name, rate in ends.items()}
        columns = {"storage": table["storage"], "weeks": table["after"], **left}
        return pd.DataFrame(columns).assign(extrapolated=table["after"] > self.last_week)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw what is left against weeks, with the mean loss of each storage and its band."""
        axes, end = axes_for(ax), 1.25 * self.last_week
        lines = self.predict({"weeks": np.append(np.linspace(0, self.last_week, 40), end)})
        shown = looks(list(self.storages["storage"]))
        axes.axhline(100 * self.share, color=SOFT, lw=1.0, ls=(0, (4, 2)))
        for place, (storage, look) in enumerate(shown.items()):
            part, points = lines[lines["storage"] == storage], self.left[self.left["storage"] == storage]
            weeks, tried, colour = part["weeks"], part[~part["extrapolated"]], look.colour
            axes.fill_between(
                weeks, 100 * part["conf_low"], 100 * part["conf_high"], color=colour, alpha=0.15, lw=0
            )
            axes.plot(weeks, 100 * part["estimate"], color=colour, ls=look.line, lw=0.8)
            axes.plot(tried["weeks"], 100 * tried["estimate"], color=colour, ls=look.line, label=storage)
            beside = points["weeks"] + (place - (len(shown) - 1) / 2) * 0.015 * self.last_week
            axes.plot(beside, 100 * points["left"], look.marker, color=colour, ms=3.2, alpha=0.7)
        axes.set(xlim=(0, end), xlabel=say("axis_stored"), ylabel=say("axis_fizz_left"))
        if len(shown) > 1:
            axes.legend(loc="lower left")
        return axes


def fit_shelf_life(
    shelf: pd.DataFrame, *, runs: pd.DataFrame | None = None, share: float = 0.9, conf_level: float = 0.95
) -> ShelfFit:
    """Say how fast fizz goes in storage, when `share` of it is left, and what humidity does to that.

    log left = log fresh - k weeks: the rate k of a batch is its least-squares slope, the time to a share
    -log(share)/k, the usual first-order kinetics of stability testing. For the humidity, batches that lay in
    several are compared with themselves; where those are under three, batches with each other.

    Parameters
    ----------
    shelf : DataFrame
        One row a piece: run, weeks, rh_pct if noted, and how much fizz is left: gas_g, share_left or seconds
        (the first that is filled in). Fresh pieces (weeks 0) of a batch set its start.
    runs : DataFrame, optional
        Columns run and day: on which day each batch was made.
    share : float
        The share of the fresh fizz to wait for.

    Raises
    ------
    CannotAnswer
        Fewer than three batches were tried at two or more times, or a piece had no fizz at all.

    Examples
    --------
    >>> shelf = pd.DataFrame({"run": list("AAABBBCCC"), "weeks": [0, 4, 8] * 3,
    ...     "gas_g": [10, 9.2, 8.5, 9.6, 8.9, 8.1, 10.3, 9.6, 8.7]})
    >>> fit_shelf_life(shelf).table[["storage", "per_week", "weeks", "extrapolated"]].round(3)
      storage  per_week  weeks  extrapolated
    0     all     0.021  5.045         False
    """
    if not 0 < share < 1:
        raise ValueError("share must be between 0 and 1")
    filled = [name for name in SHELF_MEASURES if name in shelf and shelf[name].notna().any()]
    measure = filled[0] if filled else SHELF_MEASURES[0]
    need_columns(shelf, ["run", "weeks", measure], say("the_shelf"))
    if shelf[measure].isna().any():
        raise ValueError(f"{measure} has missing values")
    if (shelf[measure] <= 0).any():
        raise cannot("no_fizz_left")
    table = shelf.assign(storage="all") if "rh_pct" in shelf else shelf.assign(storage="all", rh_pct=np.nan)
    if table["rh_pct"].notna().any():
        table["storage"] = _storages(table)
    rates = _rates(table, measure)
    if runs is not None:
        rates["day"] = rates["run"].map(runs.set_index("run")["day"])
    kept = [_of_storage(rows, share, conf_level) for _, rows in rates.groupby("storage", sort=False)]
    effects, refused = list[Effect](), dict[str, CannotAnswer]()
    with noted(refused, "humidity"):
        effects.append(_humidity(rates, conf_level))
    fresh = table[table["weeks"] == 0].groupby("run")[measure].mean()
    start = 1.0 if measure == "share_left" else table["run"].map(fresh)
    stored = table.assign(left=table[measure] / start)[table["weeks"] > 0]
    return ShelfFit(
        response="loss_per_week",
        effects=tuple(effects),
        batches=rates,
        conf_level=conf_level,
        n_batches=rates["run"].nunique(),
        no_humidity=refused.get("humidity"),
        share=share,
        storages=pd.DataFrame(kept),
        left=stored[["run", "weeks", "storage", "left"]].reset_index(drop=True),
    )


def _storages(table: pd.DataFrame) -> pd.Series:
    """Name storages by humidity: values closer than `SAME_RH_PCT` to their neighbour are one."""
    known = np.sort(table.loc[(table["weeks"] > 0) & table["rh_pct"].notna(), "rh_pct"].unique())
    if not len(known):
        return pd.Series("all", index=table.index)
    group = np.concatenate([[0], np.cumsum(np.diff(known) >= SAME_RH_PCT)])
    means = {rh: known[group == own].mean() for rh, own in zip(known, group, strict=True)}
    names = {rh: say("storage_humidity", humidity=mean) for rh, mean in means.items()}
    return table["rh_pct"].map(names).fillna(say("humidity_not_noted"))


def _rates(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Loss rate of each batch in each storage, with its bend; fresh pieces belong to all of their batch's."""
    fresh = table[table["weeks"] == 0]
    rows = []
    for (storage, run), aged in table[table["weeks"] > 0].groupby(["storage", "run"], sort=True):
        pieces = pd.concat([fresh[fresh["run"] == run], aged])
        weeks, log_left = pieces["weeks"].to_numpy(float), np.log(pieces[measure].to_numpy(float))
        different = len(np.unique(weeks))
        if different > 1:
            slope = np.polyfit(weeks, log_left, 1)[0]
            bend = np.polyfit(weeks, log_left, 2)[0] if different > 2 else np.nan
            rows.append((storage, run, -slope, bend, weeks.max(), aged["rh_pct"].mean()))
    if not rows:
        raise cannot("one_time")
    names = ["storage", "run", "per_week", "bend", "last_week", "rh_pct"]
    return pd.DataFrame(rows, columns=names).sort_values(["rh_pct", "run"], ignore_index=True)


def _of_storage(rates: pd.DataFrame, share: float, conf_level: float) -> dict[str, object]:
    """A row of the table of `ShelfFit`."""
    name, batches = str(rates["storage"].iloc[0]), len(rates)
    if batches < 3:
        raise cannot("stored_few", n=batches, storage=name)
    fit = fit_response(rates, "per_week", "1", log=False, days="random", conf_level=conf_level)
    told = fit.interval(fit.weights(pd.DataFrame(index=[0]))[0])
    ends = {"weeks": "estimate", "weeks_low": "conf_high", "weeks_high": "conf_low"}
    weeks = {n: float(-np.log(share) / told[end]) if told[end] > 0 else np.inf for n, end in ends.items()}
    bends = rates["bend"].dropna().to_numpy(float)
    straight = len(bends) < 3 or bends.std(ddof=1) == 0
    return {
        "storage": name,
        "rh_pct": float(rates["rh_pct"].mean()),
        "per_week": told["estimate"],
        **{end: told[end] for end in ("conf_low", "conf_high")},
        **weeks,
        "extrapolated": bool(weeks["weeks"] > rates["last_week"].max()),
        "bend_p": float("nan") if straight else float(stats.ttest_1samp(bends, 0.0).pvalue),
        "df": told["df"],
        "n_batches": batches,
    }


def _humidity(rates: pd.DataFrame, conf_level: float) -> Effect:
    """Change of the weekly loss for 10 % more humidity: within batches, or between where few had both."""
    known = rates.dropna(subset=["rh_pct"])
    if known.empty or np.ptp(known["rh_pct"]) < SAME_RH_PCT:
        raise cannot("humidity_unnoted" if known.empty else "humidity_same")
    spread = known.groupby("run")["rh_pct"].agg(np.ptp)
    several = known[known["run"].isin(spread[spread >= SAME_RH_PCT].index)].groupby("run")
    means = known.groupby("run")[["rh_pct", "per_week"]].mean()
    if len(several) >= 3:
        slopes = [np.polyfit(rows["rh_pct"], rows["per_week"], 1)[0] for _, rows in several]
        batches, df, estimate = len(slopes), len(slopes) - 1, float(np.mean(slopes))
        se = float(np.std(slopes, ddof=1) / np.sqrt(batches))
    elif len(means) >= 3 and np.ptp(means["rh_pct"]) >= SAME_RH_PCT:
        line = stats.linregress(means["rh_pct"], means["per_week"])
        batches, df, estimate, se = len(means), len(means) - 2, float(line.slope), float(line.stderr)
    else:
        raise cannot("humidity_few", n=len(means))
    told, levels = t_interval(10 * estimate, 10 * se, df, conf_level), (say("ten_damper"), say("as_it_was"))
    more: dict[str, Any] = {"log": False, "n_batches": batches, "conf_level": conf_level}
    return effect_of("loss_per_week", Amount("rh_pct", "%"), levels, told, **more)
