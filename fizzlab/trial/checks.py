"""Checks that need more than one row, or table, of a trial. A check of one table is an entry of `CHECKS`."""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from fizzlab.errors import Problem, Weight, did_you_mean, problem
from fizzlab.language import lines, listed, say
from fizzlab.measures import BLIND, SHELF_MEASURES, TABLES, TableSpec
from fizzlab.models import air
from fizzlab.trial import sisters
from fizzlab.trial.names import alike
from fizzlab.trial.settings import TrialSettings
from fizzlab.trial.settings.sections import Complaints
from fizzlab.trial.tables import Table, shortened

#: A batch whose drying window is covered less than this by the room log raises a doubt.
COVERED_ENOUGH = 0.9

#: More doubtful readings of a column than this, and than one in ten, are not taken for slips.
SLIPS = 5


@dataclass(frozen=True)
class Check:
    """A check of one column: which rows it finds, and the text that it says of each, filled in by its cells.

    Besides: `who`, the piece and its batch; `written`, the cell; `named`, the cells of its `key`; and `slip`
    of the decimal sign (`reading` beside `usual`).
    """

    table: str
    column: str
    find: Callable[[pd.DataFrame], pd.DataFrame]
    says: str
    weight: Weight = "problem"
    reading: bool = False
    key: tuple[str, ...] = ()

    def problems(self, table: Table) -> Iterator[Problem]:
        """What it finds in a table."""
        found = self.find(table.rows)
        for row, cells in found.to_dict("index").items() if len(found) else ():
            said = {
                str(name): f"{cell:{'.3g' if name == 'usual' else 'g'}}" if isinstance(cell, float) else cell
                for name, cell in cells.items()
            }
            said["written"] = said.get(self.column)
            said["slip"] = sisters.slipped(cells["reading"], cells["usual"]) if "reading" in cells else ""
            piece, run = said.get("piece"), said.get("run")
            said["who"] = say("who_batch", run=run) if piece is None else say("who", piece=piece, run=run)
            said["named"] = ", ".join(f"{name} {said[name]}" for name in self.key)
            what, do = lines(self.says, **said)
            yield Problem(table.where, what, do, int(str(row)), self.column, self.weight, self.reading)


def _at(which: pd.Series, rows: pd.DataFrame) -> pd.DataFrame:
    return rows[which]


def _in_time(rows: pd.DataFrame, time: str = "hours") -> pd.DataFrame:
    return rows.sort_values(["run", "piece", time], kind="stable")


def _wet_after_dry(rows: pd.DataFrame) -> pd.DataFrame:
    """The first look at each piece that was wet after a dry one, with the first dry and the last wet hour."""
    dry, piece = rows["dry"].astype(bool), [rows["run"], rows["piece"]]
    first = rows["hours"].where(dry).groupby(piece).transform("min")
    last = rows["hours"].where(~dry).groupby(piece).transform("max")
    found = rows.assign(dry_h=first, wet_h=last)[~dry & (rows["hours"] > first)]
    return found[~found.duplicated(["run", "piece"])]


def _gaining(rows: pd.DataFrame) -> pd.DataFrame:
    rows = _in_time(rows)
    rows = rows.assign(
        reading=rows["mass_g"], usual=rows.groupby(["run", "piece"])["mass_g"].transform("first")
    )
    return rows[rows["mass_g"] > rows["usual"] * 1.02]


def _broken_before(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows.sort_values(["run", "order"], kind="stable")
    broke = rows.assign(broke=rows["broke"].astype(int)).groupby(["run", "piece"])["broke"]
    return rows[broke.cumsum() - rows["broke"].astype(int) > 0]


def _clock_back(rows: pd.DataFrame) -> pd.DataFrame:
    times = rows["time"]
    if times.iloc[-1] < times.iloc[0]:  # some loggers write the newest reading first
        times = times.iloc[::-1]
    back = times.index[times.diff().dt.total_seconds() < 0]
    return rows[rows.index == back[0]] if len(back) else rows[:0]


def _shares(rows: pd.DataFrame) -> pd.DataFrame:
    """A cell in the percent format of a spreadsheet holds 0.55 where 55 is meant."""
    highest = rows["rh_pct"].max()
    return rows[rows["rh_pct"] == highest].head(1) if 0 < highest <= 1 else rows[:0]


def _other_day(rows: pd.DataFrame) -> pd.DataFrame:
    """Batches of one day of the plan share its air: another date is a slip in one of the two."""
    dates, day = rows["made_at"].dt.normalize(), rows["day"]
    many = dates.groupby([day, dates]).transform("size")
    usual = dates.where(many == many.groupby(day).transform("max")).groupby(day).transform("min")
    odd: pd.DataFrame = rows.assign(usual=usual)[(dates - usual).dt.days.abs() > 1]
    return odd


def _column_apart(rows: pd.DataFrame, column: str) -> pd.DataFrame:
    ended = rows[rows["done"].astype(bool)] if "done" in rows else rows
    return sisters.apart(ended, ended[column])


def _repeated(rows: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    known = rows[key].notna().all(axis=1) & (rows[key[-1]] != "")
    return rows[known & rows.duplicated(key)]


def _late_start(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[(rows["seconds"] > 5) & ~rows.duplicated(["run", "piece"])]


def _lost(rows: pd.DataFrame) -> pd.DataFrame:
    return sisters.apart(rows, 100 - 100 * rows["after_g"] / rows["before_g"])


_HERE = (_wet_after_dry, _gaining, _repeated, _broken_before, _late_start, _clock_back, _shares)
_APART = (_other_day, _lost, _column_apart, sisters.out_of_round, sisters.in_minutes, sisters.spikes)
_FINDS: dict[str, Callable[..., pd.DataFrame]] = {
    find.__name__.strip("_"): find for find in (*_HERE, *_APART, sisters.gusts, sisters.swapped, alike)
}
_WRITTEN = tomllib.loads(Path(__file__).with_name("checks.toml").read_text(encoding="utf-8"))


def _check(**said: Any) -> Check:
    """A check as checks.toml writes it."""
    said = _WRITTEN.get(said.pop("like", ""), {}) | said
    where, usual, find = said.pop("where", ""), said.pop("usual", ""), said.pop("find", "")
    given = said.pop("given", {})
    finds = partial(_FINDS[find], **given) if find else partial(_rows, where, usual, said["column"])
    return Check(find=finds, **said)


def _rows(where: str, usual: str, column: str, rows: pd.DataFrame) -> pd.DataFrame:
    more = {"reading": rows[column], "usual": rows[usual]} if usual else {}
    return _at(pd.Series(rows.eval(where, engine="python")), rows.assign(**more))


CHECKS = [_check(**said) for said in _WRITTEN["check"]]
SISTERS = [_check(like="sister", **said) for said in _WRITTEN["sisters"]]


def compared(
    tables: Mapping[str, Table], specs: Mapping[str, TableSpec], factors: Collection[str]
) -> list[Problem]:
    """Doubts about readings that stand far from their sisters."""
    found: list[Problem] = []
    for name, table in tables.items():
        spec, checks = specs[name], [check for check in SISTERS if check.table == name]
        if "run" in table.rows and not spec.time:
            for column in spec.columns:
                number = column.kind == "number" or (column.kind == "whole" and column.high is None)
                if number and column.name not in (*spec.key, *factors):
                    apart = {"find": "column_apart", "given": {"column": column.name}}
                    checks.append(_check(like="sister", table=name, column=column.name, **apart))
        for check in checks if len(table.rows) else ():
            doubts = [*check.problems(table)]
            if len(doubts) > max(SLIPS, len(table.rows) // 10):  # so many are no slips of the pen
                doubts = [replace(doubt, reading=False) for doubt in doubts[:SLIPS]]
            found += doubts
    return found


def _of_every_table(spec: TableSpec) -> Iterator[Check]:
    """The checks that a table's key and series ask for."""
    key, series, time = list(spec.key), list(spec.series), spec.time

    def repeated(rows: pd.DataFrame) -> pd.DataFrame:
        again = rows.duplicated(key, keep=False) & rows[key].notna().all(axis=1)
        if not again.any():
            return rows[:0]
        first = rows[again].groupby(key, sort=False)[key[-1]].transform(lambda cells: cells.index[0])
        return rows[again].assign(earlier=first)[rows[again].duplicated(key)]

    def backwards(rows: pd.DataFrame) -> pd.DataFrame:
        rows = rows.assign(before=rows.groupby(series, sort=False)[time].shift())
        return rows[(rows[time] < rows["before"]).fillna(False)]

    if key:
        yield Check(spec.name, key[-1], repeated, "row_repeated", key=spec.key)
    if "piece" in spec.key or "piece" in spec.series:
        given = {"column": "piece", "within": ["run"]}
        yield _check(like="alike", table=spec.name, column="piece", given=given)
    if series:
        yield Check(spec.name, time, backwards, "time_backwards")


def across_rows(
    tables: Mapping[str, Table], specs: Mapping[str, TableSpec] = TABLES, only: str = ""
) -> list[Problem]:
    """Problems and doubts of every check, or those of a table, that compares rows or tables, not the air."""
    found: list[Problem] = []
    for name, table in ({only: tables[only]} if only else tables).items():
        checks = [*_of_every_table(specs[name]), *(check for check in CHECKS if check.table == name)]
        if len(table.rows):
            found += [problem for check in checks for problem in check.problems(table)]
            if "runs" in tables and name != "runs" and "run" in table.rows:
                found += _runs_known(table, tables["runs"])
            if name == "shelf":
                found += _one_shelf_measure(table)
    return found


def named_runs(runs: Table) -> list[str]:
    """Every batch that runs names, those that were left out too."""
    return [*runs.rows["run"], *(runs.left_out["run"].str.strip() if "run" in runs.left_out else [])]


def _runs_known(table: Table, runs: Table) -> list[Problem]:
    known, named = list(runs.rows["run"]), named_runs(runs)
    problems = []
    for row, run in table.rows.loc[~table.rows["run"].isin(named), "run"].items():
        do = did_you_mean(run, known)
        problems.append(problem("batch_unknown", table.where, int(str(row)), "run", do=do, run=run))
    return shortened(problems)


def _one_shelf_measure(table: Table) -> list[Problem]:
    """One way of measuring for the whole shelf: grams and seconds of fizz do not fall at one pace."""
    used = [name for name in SHELF_MEASURES if table.rows[name].notna().any()]
    if len(used) != 1:
        columns, name = ", ".join(SHELF_MEASURES), "shelf_ways" if used else "shelf_nothing"
        return [problem(name, table.where, columns=columns, n=len(used), used=", ".join(used))]
    empty = table.rows.index[table.rows[used[0]].isna()]
    return [problem("shelf_cell_empty", table.where, int(row), used[0]) for row in empty]


def factor_levels(runs: Table, settings: TrialSettings) -> tuple[Table, list[Problem]]:
    """Match the factor columns of `runs` with trial.toml; the table, and what is wrong or odd."""
    found, rows = list[Problem](), runs.rows.copy()
    for name, factor in settings.factors.items():
        if factor.levels is not None:
            spelling = {level.casefold(): level for level in factor.levels}
            matched = rows[name].str.casefold().map(spelling)
            for row, level in rows.loc[matched.isna(), name].items():
                do, levels = did_you_mean(level, factor.levels), ", ".join(factor.levels)
                told: dict[str, Any] = {"level": level, "levels": levels}
                found.append(problem("level_unknown", runs.where, int(str(row)), name, do=do, **told))
            rows[name] = matched.fillna("")
            unused = [level for level in factor.levels if level not in set(matched)]
        else:
            amounts = [float(amount) for amount in factor.amounts or ()]
            planned = rows[name].isin(amounts)
            if factor.low is not None and factor.high is not None:
                planned |= rows[name].between(factor.low, factor.high)
            for row, amount in rows.loc[~planned, name].items():
                ends = [*amounts, *(end for end in (factor.low, factor.high) if end is not None)]
                slip = next(filter(None, (sisters.slipped(amount, end) for end in ends)), "")
                reach = (max(ends) - min(ends)) / 2
                far = not min(ends) - reach <= amount <= max(ends) + reach
                doubt = partial(problem, "amount_unknown", runs.where, int(str(row)), name, weight="doubt")
                found.append(doubt(reading=far, amount=f"{amount:g} {factor.unit}", slip=slip))
            # a range leaves it to the plan where in it to make batches
            unmade = [amount for amount in amounts if factor.low is None and amount not in set(rows[name])]
            unused = [f"{amount:g} {factor.unit}" for amount in unmade]
        for level in unused:
            found.append(problem("level_unmade", runs.where, column=name, weight="doubt", level=level))
    return replace(runs, rows=rows), found


def matched(table: Table, runs: Table) -> tuple[Table, list[Problem]]:
    """The rows with batch and hours for codes and clock times, but for those of a batch that was left out."""
    problems: list[Problem] = []
    if BLIND.name in table.rows:
        table, problems = runs_by_code(table, runs)
    elif "run" in table.rows:
        table = runs_as_spelled(table, runs)
    table, found = with_hours(_without_left_out(table, runs), runs)
    return table, problems + found


def _without_left_out(table: Table, runs: Table) -> Table:
    """Leave out the readings of a batch that was itself left out, giving that as the reason."""
    if runs.left_out.empty or "run" not in runs.left_out or "run" not in table.rows:
        return table
    reasons = runs.left_out.set_index(runs.left_out["run"].str.strip())["leave_out"]
    reasons = reasons[~reasons.index.duplicated()].drop(runs.rows["run"], errors="ignore")
    follows = table.rows["run"].isin(reasons.index)
    moved = table.rows[follows]
    text = moved.astype(object).where(moved.notna(), "").astype(str)
    text["leave_out"] = moved["run"].map(lambda run: say("batch_left_out", why=reasons[run]))
    left_out = pd.concat([table.left_out, text]).sort_index().fillna("")
    return replace(table, rows=table.rows[~follows], left_out=left_out) if follows.any() else table


def runs_as_spelled(table: Table, runs: Table) -> Table:
    """Spell each batch as `runs` does, where only capitals differ."""
    known = named_runs(runs)
    exact, many = set(known), Counter(run.casefold() for run in known)
    spelling = {run.casefold(): run for run in known if many[run.casefold()] == 1}
    spelled = table.rows["run"].map(lambda run: run if run in exact else spelling.get(run.casefold(), run))
    return replace(table, rows=table.rows.assign(run=spelled))


def runs_by_code(table: Table, runs: Table) -> tuple[Table, list[Problem]]:
    """Look up the batch of each row that gives the blind code on the tray instead of the batch."""
    batches: dict[str, list[str]] = {}
    for known in (runs.rows, runs.left_out):
        if "blind" in known:
            for run, code in zip(known["run"].str.strip(), known["blind"].str.strip(), strict=True):
                if code:
                    batches.setdefault(code.casefold(), []).append(run)
    problems: list[Problem] = []
    found: dict[int, str] = {}
    for row, run, code in table.rows[["run", "blind"]].itertuples():
        named = batches.get(code.casefold(), [])
        fault = do = ""
        if not code and not run:
            fault = "code_missing"
        elif code and not named:
            fault, do = "code_unknown", did_you_mean(code, batches)
        elif len(named) > 1:
            fault = "code_of_several"
        elif code and run and run != named[0]:
            fault = "code_of_other"
        if fault:
            told: dict[str, Any] = {"code": code, "run": run, "named": listed(named)}
            problems.append(problem(fault, table.where, int(row), "blind", do=do, **told))
        else:
            found[row] = named[0] if code else run
    rows = table.rows.loc[list(found)].drop(columns="blind").assign(run=list(found.values()))
    left_out = table.left_out.copy()
    if "blind" in left_out:
        by_code = left_out["blind"].str.strip().str.casefold().map(lambda code: batches.get(code, [""])[0])
        written = left_out["run"].str.strip() if "run" in left_out else by_code
        left_out["run"] = written.where(written != "", by_code)
    return replace(table, rows=rows, left_out=left_out), problems


def with_hours(table: Table, runs: Table) -> tuple[Table, list[Problem]]:
    """Count `hours` from the batch's `made_at` where the check was written down as a clock time."""
    rows = table.rows
    if "checked_at" not in rows.columns:
        return table, []
    made_at = runs.rows.drop_duplicates("run").set_index("run")["made_at"]
    known, stamped, given = rows["run"].isin(made_at.index), rows["checked_at"].notna(), rows["hours"].notna()
    made = pd.to_datetime(rows["run"].map(made_at))
    counted = (rows["checked_at"] - made).dt.total_seconds() / 3600
    faults = {
        "time_twice": stamped & given,
        "time_missing": ~stamped & ~given,
        "made_at_missing": stamped & ~given & known & made.isna(),
        "check_too_early": stamped & ~given & (counted < 0),
    }
    told = replace(table, rows=rows.assign(made=made))
    checks = [Check("", "checked_at", partial(_at, which), says) for says, which in faults.items()]
    problems = [problem for check in checks for problem in check.problems(told)]
    rows = rows.assign(hours=rows["hours"].where(~stamped, counted)).drop(columns="checked_at")
    return replace(table, rows=rows), problems


def deviation_problems(settings: TrialSettings, runs: Sequence[str]) -> list[Problem]:
    """Deviations of a batch that runs does not name."""
    said = Complaints()
    for number, each in enumerate(settings.deviations, start=1):
        if each.run is not None:
            said.unknown("deviation_unknown", f"deviations ({number}).run", each.run, runs)
    return said


def air_cover(tables: Mapping[str, Table]) -> list[Problem]:
    """Doubts about the room log against each batch's drying; the tables must be free of problems."""
    dried = {name: tables[name].rows for name in ("touch_checks", "weighings") if name in tables}
    if not dried or "room_log" not in tables:
        return []
    runs, log = tables["runs"], tables["room_log"]
    batches = {run for rows in dried.values() for run in rows["run"]}
    unmade = runs.rows["made_at"].isna() & runs.rows["run"].isin(batches)
    doubts = []
    for row, run in runs.rows.loc[unmade, "run"].items():
        odd = partial(problem, "air_unknown", runs.where, int(str(row)), "made_at", weight="doubt")
        doubts.append(odd(missing=True, run=run))
    empty = pd.DataFrame(columns=["run", "piece", "hours", "dry"])
    touch, weigh = (dried.get(name, empty) for name in ("touch_checks", "weighings"))
    joined = air.drying_air(log.rows, air.drying_windows(touch, weigh, runs.rows))
    little = joined["coverage"][joined["coverage"] < COVERED_ENOUGH]
    for _, some in little.groupby(little, sort=False):  # the batches of a day share their window
        coverage = float(some.iloc[0])
        odd = partial(problem, "air_covered" if coverage else "air_not_covered", log.where, weight="doubt")
        named = listed(list(map(str, some.index)))
        doubts.append(odd(missing=True, n=len(some), runs=named, percent=coverage * 100))
    return doubts
