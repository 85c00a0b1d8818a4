"""Checks that need more than one row, or more than one table, of a trial.

Problems stop the work; doubts travel into the report. A check of one table is an entry of `CHECKS`: which
rows it finds, and the sentence about each.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from fizzlab.errors import Problem, Weight, did_you_mean
from fizzlab.measures import SHELF_MEASURES, TABLES, TableSpec
from fizzlab.models import air
from fizzlab.trial.settings import FILE, FactorSettings, TrialSettings
from fizzlab.trial.tables import Table, shortened

#: A batch whose drying window is covered less than this by the room log raises a doubt.
COVERED_ENOUGH = 0.9

#: Batches of one trial are not made further apart than this, but for a slip in the year.
FAR_APART_DAYS = 400

Found = tuple[list[Problem], list[Problem]]


@dataclass(frozen=True)
class Check:
    """A check of one table.

    Parameters
    ----------
    table, column : str
        Which it looks at.
    find : callable
        Gives the rows that are wrong or odd, with whatever the sentences need as further columns.
    what, do : str
        The sentences, with names of columns in braces; `who` is the piece and its batch.
    """

    table: str
    column: str
    find: Callable[[pd.DataFrame], pd.DataFrame]
    what: str
    do: str
    weight: Weight = "problem"

    def problems(self, table: Table) -> list[Problem]:
        """What it finds in a table."""
        return [
            Problem(
                table.where, self.what.format(**said), self.do.format(**said), row, self.column, self.weight
            )
            for row, said in _said(self.find(table.rows))
        ]


def _said(rows: pd.DataFrame) -> Iterable[tuple[int, dict[str, object]]]:
    for row, cells in rows.to_dict("index").items() if len(rows) else ():
        said = {str(name): f"{cell:g}" if isinstance(cell, float) else cell for name, cell in cells.items()}
        if "piece" in said:
            said["who"] = f"piece {said['piece']} of batch {said['run']}"
        yield int(str(row)), said


def _in_time(rows: pd.DataFrame, time: str = "hours") -> pd.DataFrame:
    return rows.sort_values(["run", "piece", time], kind="stable")


def _wet_after_dry(rows: pd.DataFrame) -> pd.DataFrame:
    """The first row of each piece that stands against an earlier look; both sides in words."""
    found = []
    for _, looks in _in_time(rows).groupby(["run", "piece"], sort=False):
        dry = looks["dry"].astype(bool)
        wet = looks[~dry & dry.cummax()]
        if len(wet):
            before = looks[dry & (looks["hours"] < wet["hours"].iloc[-1])]
            words = {
                "early_h": _hours(before),
                "early": _rows(before),
                "late_h": _hours(wet),
                "late": _rows(wet),
            }
            found.append(wet.iloc[:1].assign(**words, these="row" if len(wet) == 1 else "rows"))
    return pd.concat(found) if found else rows[:0]


def _hours(looks: pd.DataFrame) -> str:
    first, last = looks["hours"].iloc[0], looks["hours"].iloc[-1]
    return f"{first:g} h" if len(looks) == 1 else f"{first:g} to {last:g} h"


def _rows(looks: pd.DataFrame) -> str:
    numbers = [str(row) for row in sorted(looks.index)]
    return f"row {numbers[0]}" if len(numbers) == 1 else f"rows {', '.join(numbers)}"


def _gaining(rows: pd.DataFrame) -> pd.DataFrame:
    rows = _in_time(rows)
    rows = rows.assign(first=rows.groupby(["run", "piece"])["mass_g"].transform("first"))
    return rows[rows["mass_g"] > rows["first"] * 1.02]


def _place_twice(rows: pd.DataFrame) -> pd.DataFrame:
    numbered = rows[rows["order"].notna()]
    return numbered[numbered.duplicated(["run", "order"])]


def _broken_before(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows.sort_values(["run", "order"], kind="stable")
    broke = rows.assign(broke=rows["broke"].astype(int)).groupby(["run", "piece"])["broke"]
    return rows[broke.cumsum() - rows["broke"].astype(int) > 0]


def _spelled_otherwise(rows: pd.DataFrame) -> pd.DataFrame:
    """Raters whose names differ in capitals only would be taken for two people."""
    rows = rows.assign(known=rows.groupby(rows["rater"].str.casefold())["rater"].transform("first"))
    return rows[rows["rater"] != rows["known"]]


def _late_start(rows: pd.DataFrame) -> pd.DataFrame:
    """Curves that begin so late have lost gas that nobody weighed."""
    first = rows.groupby(["run", "piece"], sort=False).head(1)
    return first[first["seconds"] > 5]


def _other_water(rows: pd.DataFrame) -> pd.DataFrame:
    """A cup does not cool by more than 4 °C while a piece fizzes."""
    rows = rows.assign(before=rows.groupby(["run", "piece"])["water_c"].transform("first"))
    apart = rows[(rows["water_c"] - rows["before"]).abs() > 4]
    return apart.groupby(["run", "piece"], sort=False).head(1)


def _clock_back(rows: pd.DataFrame) -> pd.DataFrame:
    times = rows["time"]
    if times.iloc[-1] < times.iloc[0]:  # some loggers write the newest reading first
        times = times.iloc[::-1]
    back = times.index[times.diff().dt.total_seconds() < 0]
    return rows[rows.index == back[0]] if len(back) else rows[:0]


def _shared_times(rows: pd.DataFrame) -> pd.DataFrame:
    twice = rows["time"].duplicated()
    return rows[twice].head(1).assign(count=int(twice.sum()))


def _shares(rows: pd.DataFrame) -> pd.DataFrame:
    """A cell in the percent format of a spreadsheet holds 0.55 where 55 is meant."""
    highest = rows["rh_pct"].max()
    return rows[rows["rh_pct"] == highest].head(1) if 0 < highest <= 1 else rows[:0]


def _far_apart(rows: pd.DataFrame) -> pd.DataFrame:
    """A year mistyped in made_at moves a batch away from the others, and its air with it."""
    rows = rows[rows["made_at"].notna()].sort_values("made_at", kind="stable")
    spell: pd.Series = (rows["made_at"].diff().dt.total_seconds() > FAR_APART_DAYS * 86400).cumsum()
    return rows[~spell.isin(spell.mode()[:1])].sort_index()


def _midnight(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["made_at"].notna() & (rows["made_at"] == _date(rows))]


def _other_day(rows: pd.DataFrame) -> pd.DataFrame:
    """Batches of one day of the plan share its air: another date is a slip in one of the two."""
    rows = rows[rows["made_at"].notna()]
    days = _date(rows).groupby(rows["day"])
    if ((days.max() - days.min()).dt.days <= 1).all():
        return rows[:0]
    rows = rows.assign(usual=_date(rows).groupby(rows["day"]).transform(lambda dates: dates.mode().iloc[0]))
    return rows[(_date(rows) - rows["usual"]).dt.days.abs() > 1]


def _date(rows: pd.DataFrame) -> pd.Series:
    date: pd.Series = rows["made_at"].dt.normalize()
    return date


# fmt: off
#: The checks of single tables, besides those of every table's key and order of time.
CHECKS = (
    Check("touch_checks", "dry", _wet_after_dry,
          "{who} was dry at {early_h} ({early}) and not dry at {late_h} ({late}).",
          "If the wrong piece was touched, leave {early} out; if it grew damp again, leave the later {these} "
          "out (a reason in the column leave_out)."),
    Check("weighings", "mass_g", _gaining,
          "{who} weighs more than at its first weighing ({first} g).",
          "Check the figure; pieces lose mass as they dry.", "doubt"),
    Check("tumbles", "after_g", lambda rows: rows[rows["after_g"] > rows["before_g"]],
          "{after_g} g after tumbling is more than before.", "Correct one of the two."),
    Check("tumbles", "broken", lambda rows: rows[rows["broken"] > rows["pieces"]],
          "{broken} pieces broke, but only {pieces} were tumbled.", "Correct one of the two."),
    Check("tumbles", "after_g", lambda rows: rows[rows["after_g"] < rows["before_g"] / 2],
          "more than half of the mass is gone ({before_g} g before).",
          "Check both figures; if the pieces fell apart, shorten the tumble.", "doubt"),
    Check("drops", "order", _place_twice,
          "the place {order} in the sequence of batch {run} stands twice.",
          "Number the drops of a batch in the order in which they were made."),
    Check("drops", "piece", _broken_before,
          "{who} had broken at an earlier drop.", "Give each piece a name of its own, or correct broke."),
    Check("crumble_scores", "rater", _spelled_otherwise,
          "“{rater}” was written “{known}” further up.", "Write a name alike everywhere."),
    Check("fizz_times", "colour_s", lambda rows: rows[rows["colour_s"] > rows["seconds"]],
          "colour after {colour_s} s, but {who} was watched for only {seconds} s.",
          "Correct one of the two; leave the cell empty where no colour was seen."),
    Check("fizz_curves", "seconds", _late_start,
          "the first reading of {who} is {seconds} s after the start.",
          "Read the scale as the piece goes in: the gas before that is not counted well.", "doubt"),
    Check("fizz_curves", "water_c", _other_water,
          "the water of {who} was {before} °C before and is {water_c} °C here.",
          "Check the figure; the mean of the piece is used.", "doubt"),
    Check("room_log", "time", _clock_back,
          "the times of the log run backwards here; it was sorted before use.",
          "Look whether the clock was changed, or two files were put together.", "doubt"),
    Check("room_log", "time", _shared_times,
          "{count} readings share a time with another; their mean was used.", "", "doubt"),
    *(Check(table, "rh_pct", _shares,
            "every humidity is 1 or less (the highest is {rh_pct}), so they seem to be shares.",
            "Write per cent: 55, not 0.55.") for table in ("room_log", "shelf")),
    Check("runs", "made_at", _far_apart,
          f"batch {{run}} was made on {{made_at:%Y-%m-%d}}, more than {FAR_APART_DAYS} days from the others.",
          "Check the year.", "doubt"),
    Check("runs", "made_at", _midnight,
          "batch {run} was made at midnight, as it stands here.",
          "If only its time of day is missing, add it.", "doubt"),
    Check("runs", "made_at", _other_day,
          "batch {run} was made on {made_at:%Y-%m-%d}, but others of day {day} on {usual:%Y-%m-%d}.",
          "Check the date, or the column day.", "doubt"),
)
# fmt: on


def _of_every_table(spec: TableSpec) -> Iterable[Check]:
    """The checks that a table's key and series ask for."""
    key, series, time = list(spec.key), list(spec.series), spec.time

    def repeated(rows: pd.DataFrame) -> pd.DataFrame:
        again = rows.duplicated(key)
        if not again.any():
            return rows[:0]
        first = rows.groupby(key, sort=False)[key[-1]].transform(lambda cells: cells.index[0])
        return rows.assign(earlier=first)[again]

    def backwards(rows: pd.DataFrame) -> pd.DataFrame:
        rows = rows.assign(before=rows.groupby(series, sort=False)[time].shift())
        return rows[(rows[time] < rows["before"]).fillna(False)]

    if key:
        named = ", ".join(f"{name} {{{name}}}" for name in key)
        do = "Correct one of them, or give a reason in the column leave_out."
        yield Check(spec.name, key[-1], repeated, f"it repeats row {{earlier}} ({named}).", do)
    if series:
        what = f"the time runs backwards for {{who}}: {{{time}}} after {{before}}."
        do = "Correct the time, or put the rows of a piece in order of time."
        yield Check(spec.name, time, backwards, what, do)


def across_rows(tables: Mapping[str, Table], specs: Mapping[str, TableSpec] = TABLES) -> Found:
    """Run every check that compares rows or tables, but for the air."""
    found: list[Problem] = []
    for name, table in tables.items():
        checks = [*_of_every_table(specs[name]), *(check for check in CHECKS if check.table == name)]
        found += [problem for check in checks if len(table.rows) for problem in check.problems(table)]
        if "runs" in tables and name != "runs" and "run" in table.rows:
            found += _runs_known(table, tables["runs"])
    if "shelf" in tables and len(tables["shelf"].rows):
        found += _one_shelf_measure(tables["shelf"])
    return (
        [problem for problem in found if problem.weight == "problem"],
        [problem for problem in found if problem.weight == "doubt"],
    )


def named_runs(runs: Table) -> list[str]:
    """Every batch that runs names, those that were left out too."""
    return [*runs.rows["run"], *(runs.left_out["run"].str.strip() if "run" in runs.left_out else [])]


def _runs_known(table: Table, runs: Table) -> list[Problem]:
    known, named = list(runs.rows["run"]), named_runs(runs)
    problems = []
    for row, run in table.rows.loc[~table.rows["run"].isin(named), "run"].items():
        do = did_you_mean(run, known, "Add the batch to runs, or correct the name.")
        what = f"“{run}” is not a batch that runs names."
        problems.append(Problem(table.where, what, do, row=int(str(row)), column="run"))
    problems = shortened(problems)
    missing = [run for run in known if run not in set(table.rows["run"])]
    if missing and not table.rows.empty:
        what = f"it has no reading of {'batch' if len(missing) == 1 else 'batches'} {', '.join(missing)}."
        do = "Add the readings if there are any; the answer rests on the others."
        problems.append(Problem(table.where, what, do, weight="doubt"))
    return problems


def _one_shelf_measure(table: Table) -> list[Problem]:
    """One way of measuring for the whole shelf: grams and seconds of fizz do not fall at one pace."""
    names = [name for name, _, _ in SHELF_MEASURES]
    used = [name for name in names if table.rows[name].notna().any()]
    if len(used) != 1:
        what = "it does not say how much fizz was left."
        if used:
            what = f"it measures fizz in {len(used)} ways ({', '.join(used)})."
        do = f"Fill in one of the columns {', '.join(names)}, the same in every row."
        return [Problem(table.where, what, do)]
    do = "Fill it in, or give a reason in the column leave_out."
    empty = table.rows.index[table.rows[used[0]].isna()]
    return [Problem(table.where, "the cell is empty.", do, row=int(row), column=used[0]) for row in empty]


def factor_levels(runs: Table, settings: TrialSettings) -> tuple[Table, list[Problem], list[Problem]]:
    """Match the factor columns of `runs` with the levels and amounts of trial.toml."""
    problems: list[Problem] = []
    doubts: list[Problem] = []
    rows = runs.rows.copy()
    for name, factor in settings.factors.items():
        if factor.levels is not None:
            spelling = {level.casefold(): level for level in factor.levels}
            matched = rows[name].str.casefold().map(spelling)
            for row, level in rows.loc[matched.isna(), name].items():
                do = did_you_mean(level, factor.levels, f"Write one of: {', '.join(factor.levels)}.")
                what = f"“{level}” is not a level that trial.toml names."
                problems.append(Problem(runs.where, what, do, row=int(str(row)), column=name))
            rows[name] = matched.fillna("")
            unused = [level for level in factor.levels if level not in set(matched)]
        else:
            for row, amount in rows.loc[~_as_planned(rows[name], factor), name].items():
                what = f"{amount:g} {factor.unit} is not one of the amounts that trial.toml names."
                do = "Correct it, unless that is what went in."
                doubts.append(Problem(runs.where, what, do, int(str(row)), name, "doubt"))
            # a range leaves it to the plan where in it to make batches
            named = [float(amount) for amount in factor.amounts or [] if factor.low is None]
            unused = [f"{amount:g} {factor.unit}" for amount in named if amount not in set(rows[name])]
        for level in unused:
            what, do = f"no batch was made with {level}.", "The report says nothing about it."
            doubts.append(Problem(runs.where, what, do, column=name, weight="doubt"))
    return Table(runs.where, rows, runs.left_out), problems, doubts


def _as_planned(values: pd.Series, factor: FactorSettings) -> pd.Series:
    """Which amounts trial.toml foresees: those it names, or any within the range it gives."""
    named = values.isin([float(amount) for amount in factor.amounts or []])
    if factor.low is None or factor.high is None:
        return named
    return named | values.between(factor.low, factor.high)


def runs_as_spelled(table: Table, runs: Table) -> Table:
    """Spell each batch as `runs` does, where only capitals differ."""
    known = named_runs(runs)
    folded = [run.casefold() for run in known]
    spelling = {fold: run for fold, run in zip(folded, known, strict=True) if folded.count(fold) == 1}
    spelled = table.rows["run"].map(
        lambda run: run if run in known else spelling.get(run.casefold(), run), na_action="ignore"
    )
    return Table(table.where, table.rows.assign(run=spelled), table.left_out)


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
        what = do = ""
        if not code and not run:
            what, do = "neither run nor blind is filled in.", "Write the code on the tray into blind."
        elif code and not named:
            what = f"“{code}” is not a blind code that runs names."
            do = did_you_mean(code, batches, "Correct it, or fill in the column blind of runs.")
        elif len(named) > 1:
            what = f"the code {code} stands for several batches in runs ({' and '.join(named)})."
            do = "Give each batch a code of its own in runs."
        elif code and run and run != named[0]:
            what, do = f"the code {code} is batch {named[0]}, but run says {run}.", "Correct one of the two."
        if what:
            problems.append(Problem(table.where, what, do, row=int(row), column="blind"))
        else:
            found[row] = named[0] if code else run
    rows = table.rows.loc[list(found)].drop(columns="blind").assign(run=list(found.values()))
    left_out = table.left_out.copy()
    if "blind" in left_out:
        by_code = left_out["blind"].str.strip().str.casefold().map(lambda code: batches.get(code, [""])[0])
        written = left_out["run"].str.strip() if "run" in left_out else by_code
        left_out["run"] = written.where(written != "", by_code)
    return Table(table.where, rows, left_out), problems


def with_hours(table: Table, runs: Table | None) -> tuple[Table, list[Problem]]:
    """Count `hours` from the batch's `made_at` where the check was written down as a clock time."""
    rows = table.rows
    if "checked_at" not in rows.columns:
        return table, []
    made_at = pd.Series(dtype="datetime64[ns]")
    if runs is not None:
        made_at = runs.rows.drop_duplicates("run").set_index("run")["made_at"]
    known, stamped, given = rows["run"].isin(made_at.index), rows["checked_at"].notna(), rows["hours"].notna()
    made = pd.to_datetime(rows["run"].map(made_at))
    counted = (rows["checked_at"] - made).dt.total_seconds() / 3600
    early, asked = stamped & ~given & (counted < 0), stamped & ~given & known & made.isna()
    problems = []

    def wrong(which: pd.Series, what: str, do: str) -> None:
        for row in rows.index[which]:
            said = {"run": rows["run"][row], "made": made[row]}
            text = what.format(**said)
            problems.append(Problem(table.where, text, do.format(**said), int(row), "checked_at"))

    wrong(stamped & given, "hours and checked_at are both filled in.", "Keep one of the two.")
    wrong(~stamped & ~given, "the time of the check is missing.", "Fill in checked_at or hours.")
    do = "Fill in made_at for batch {run} in runs, or write hours here."
    wrong(asked, "hours cannot be counted from checked_at without the time of making.", do)
    what = "the check stands before the batch was made ({made:%Y-%m-%d %H:%M})."
    wrong(early, what, "Correct checked_at here, or made_at in runs.")
    rows = rows.assign(hours=rows["hours"].where(~stamped, counted)).drop(columns="checked_at")
    return Table(table.where, rows, table.left_out), problems


def follow_left_out_runs(tables: Mapping[str, Table]) -> dict[str, Table]:
    """Leave out the readings of a batch that was itself left out, giving that as the reason."""
    gone = tables["runs"].left_out
    if gone.empty:
        return dict(tables)
    reasons = gone.set_index(gone["run"].str.strip())["leave_out"]
    done = dict(tables)
    for name, table in tables.items():
        if name != "runs" and "run" in table.rows:
            follows = table.rows["run"].isin(reasons.index)
            moved = table.rows[follows]
            text = moved.astype(object).where(moved.notna(), "").astype(str)
            text["leave_out"] = "its batch was left out: " + moved["run"].map(reasons)
            left_out = pd.concat([table.left_out, text]).sort_index().fillna("")
            done[name] = Table(table.where, table.rows[~follows], left_out)
    return done


def lot_doubts(settings: TrialSettings) -> list[Problem]:
    """Lots of an ingredient that the recipe does not name are probably misspelt."""
    if settings.recipe is None:
        return []
    names = [name for item in settings.recipe.items() for name in (item.name, item.kind)]
    known = {name.casefold().replace("_", " ") for name in names}
    return [
        Problem(
            FILE,
            f"the recipe has no ingredient “{name}”.",
            did_you_mean(name, names, "Correct it, or leave it if it is meant so."),
            column=f"key lots.{name}",
            weight="doubt",
        )
        for name in settings.lots
        if name.casefold().replace("_", " ") not in known
    ]


def deviation_problems(settings: TrialSettings, runs: Sequence[str]) -> list[Problem]:
    """Deviations of a batch that runs does not name."""
    return [
        Problem(
            FILE,
            f"“{deviation.run}” is not a batch that runs names.",
            did_you_mean(deviation.run, runs, "Correct it, or take the key run out."),
            column=f"key deviations ({number}).run",
        )
        for number, deviation in enumerate(settings.deviations, start=1)
        if deviation.run is not None and deviation.run not in runs
    ]


def air_cover(tables: Mapping[str, Table]) -> list[Problem]:
    """Doubts about the room log against each batch's drying; the tables must be free of problems."""
    looked = [tables[name].rows for name in ("touch_checks", "weighings") if name in tables]
    if not looked or "room_log" not in tables:
        return []
    runs, log = tables["runs"], tables["room_log"]
    doubts = []
    dried = set().union(*(set(rows["run"]) for rows in looked))
    for row, run in runs.rows.loc[runs.rows["made_at"].isna() & runs.rows["run"].isin(dried), "run"].items():
        what = f"batch {run} has no time of making, so its air cannot be looked up."
        do = "Fill in made_at; until then the batch does not count for the effect of the air."
        doubts.append(Problem(runs.where, what, do, int(str(row)), "made_at", "doubt"))
    empty = pd.DataFrame(columns=["run", "piece", "hours", "dry"])
    touch, weigh = (tables[n].rows if n in tables else empty for n in ("touch_checks", "weighings"))
    joined = air.drying_air(log.rows, air.drying_windows(touch, weigh, runs.rows))
    for run, coverage in joined["coverage"].items():
        if coverage < COVERED_ENOUGH:
            share = "none" if coverage == 0 else f"only {coverage * 100:.0f} %"
            do = "Its air is the mean of what was logged."
            if coverage == 0:
                do = (
                    "Add the missing readings; until then the batch does not count for the effect of the air."
                )
            what = f"the room log covers {share} of the drying of batch {run}."
            doubts.append(Problem(log.where, what, do, weight="doubt"))
    return doubts
