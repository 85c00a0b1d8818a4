"""Checks that need more than one row, or more than one table, of a trial.

Each check returns problems (which stop the work) and doubts (which travel into the report).
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from fizzlab.errors import Problem, nearest
from fizzlab.models import air
from fizzlab.trial.settings import FactorSettings, TrialSettings
from fizzlab.trial.tables import SHELF_MEASURES, TABLES, Table, shortened

#: A batch whose drying window is covered less than this by the room log raises a doubt.
COVERED_ENOUGH = 0.9

#: A fizz curve that begins later than this has lost gas that nobody weighed.
LATE_START_S = 5.0

#: Batches of one trial are not made further apart than this, but for a slip in the year.
FAR_APART_DAYS = 400

#: A cup does not cool by more than this while a piece fizzes.
SAME_CUP_C = 4.0

Found = tuple[list[Problem], list[Problem]]


def factor_levels(runs: Table, settings: TrialSettings) -> tuple[Table, list[Problem], list[Problem]]:
    """Match the factor columns of `runs` with the levels and amounts of trial.toml."""
    problems: list[Problem] = []
    doubts: list[Problem] = []
    rows = runs.rows.copy()
    for name, factor in settings.factors.items():
        if factor.levels is not None:
            spelling = {level.casefold(): level for level in factor.levels}
            matched = rows[name].str.casefold().map(spelling)
            for row in rows.index[matched.isna()]:
                guess = nearest(rows[name][row], factor.levels)
                do = f"Did you mean {guess}?" if guess else "Write one of: " + ", ".join(factor.levels) + "."
                what = f"“{rows[name][row]}” is not a level that trial.toml names."
                problems.append(Problem(runs.where, what, do, row=int(row), column=name))
            rows[name] = matched.fillna("")
            unused = [level for level in factor.levels if level not in set(matched)]
        else:
            for row in rows.index[~_as_planned(rows[name], factor)]:
                what = f"{rows[name][row]:g} {factor.unit} is not one of the amounts that trial.toml names."
                do = "Correct it, unless that is what went in."
                problem = Problem(runs.where, what, do, row=int(row), column=name, weight="doubt")
                doubts.append(problem)
            # a range leaves it to the plan where in it to make batches
            unused = [
                f"{amount:g} {factor.unit}"
                for amount in map(float, factor.amounts or [])
                if factor.low is None and amount not in set(rows[name])
            ]
        for level in unused:
            doubts.append(
                Problem(
                    runs.where,
                    f"no batch was made with {level}.",
                    "The report says nothing about it.",
                    column=name,
                    weight="doubt",
                )
            )
    return Table(runs.where, rows, runs.left_out), problems, doubts


def _as_planned(values: pd.Series, factor: FactorSettings) -> pd.Series:
    """Which amounts trial.toml foresees: those it names, or any within the range it gives."""
    named = values.isin([float(amount) for amount in factor.amounts or []])
    if factor.low is None or factor.high is None:
        return named
    return named | ((values >= factor.low) & (values <= factor.high))


def runs_as_spelled(table: Table, runs: Table) -> Table:
    """Spell each batch as `runs` does, where only capitals differ."""
    known = [*runs.rows["run"], *(runs.left_out["run"].str.strip() if "run" in runs.left_out else [])]
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
            guess = nearest(code, list(batches))
            what = f"“{code}” is not a blind code that runs names."
            do = f"Did you mean {guess}?" if guess else "Correct it, or fill in the column blind of runs."
        elif len(named) > 1:
            what = f"the code {code} stands for several batches in runs ({' and '.join(named)})."
            do = "Give each batch a code of its own in runs."
        elif code and run and run != named[0]:
            what = f"the code {code} is batch {named[0]}, but run says {run}."
            do = "Correct one of the two."
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


def across_rows(tables: Mapping[str, Table]) -> Found:
    """Run every check that compares rows or tables, but for the air."""
    problems: list[Problem] = []
    doubts: list[Problem] = []
    for name, table in tables.items():
        problems += _repeated(name, table)
        problems += _backwards(name, table)
    if "touch_checks" in tables:
        problems += _dry_then_wet(tables["touch_checks"])
    if "weighings" in tables:
        doubts += _gaining(tables["weighings"])
    if "tumbles" in tables:
        problems += _tumbles(tables["tumbles"])
        doubts += _heavy_losses(tables["tumbles"])
    if "drops" in tables:
        problems += _drops(tables["drops"])
    if "crumble_scores" in tables:
        problems += _raters(tables["crumble_scores"])
    if "fizz_times" in tables:
        problems += _colour_after_the_end(tables["fizz_times"])
    if "fizz_curves" in tables:
        doubts += _odd_fizz_curves(tables["fizz_curves"])
    if "shelf" in tables:
        problems += _shelf_measure(tables["shelf"])
    if "room_log" in tables:
        doubts += _log_order(tables["room_log"])
    for name in ("room_log", "shelf"):
        if name in tables:
            problems += _humidity_as_share(tables[name])
    if "runs" in tables:
        doubts += _made_far_apart(tables["runs"])
        doubts += _made_on_other_days(tables["runs"])
        for name, table in tables.items():
            if name not in ("runs", "room_log"):
                found, odd = _runs_known(name, table, tables["runs"])
                problems += found
                doubts += odd
    return problems, doubts


def follow_left_out_runs(tables: Mapping[str, Table]) -> dict[str, Table]:
    """Leave out the readings of a batch that was itself left out, giving that as the reason."""
    gone = tables["runs"].left_out
    if gone.empty:
        return dict(tables)
    reasons = gone.set_index(gone["run"].str.strip())["leave_out"]
    done = {}
    for name, table in tables.items():
        if name in ("runs", "room_log"):
            done[name] = table
            continue
        follows = table.rows["run"].isin(reasons.index)
        moved = table.rows[follows]
        text = moved.astype(object).where(moved.notna(), "").astype(str)
        text["leave_out"] = "its batch was left out: " + moved["run"].map(reasons)
        done[name] = Table(
            table.where, table.rows[~follows], pd.concat([table.left_out, text]).sort_index().fillna("")
        )
    return done


def _repeated(name: str, table: Table) -> list[Problem]:
    key = list(TABLES[name].key)
    if not key:
        return []
    rows = table.rows
    again = rows.index[rows.duplicated(key)]
    first = rows.reset_index().drop_duplicates(key).set_index(key)["row"] if len(again) else None
    problems = []
    for row in again:
        assert first is not None
        values = tuple(rows.loc[row, key])
        earlier = first.loc[values if len(key) > 1 else values[0]]
        named = ", ".join(f"{name} {_plain(value)}" for name, value in zip(key, values, strict=True))
        what = f"it repeats row {int(earlier)} ({named})."
        do = "Correct one of them, or give a reason in the column leave_out."
        problems.append(Problem(table.where, what, do, row=int(row), column=key[-1]))
    return problems


def _backwards(name: str, table: Table) -> list[Problem]:
    spec = TABLES[name]
    if not spec.series:
        return []
    rows = table.rows
    before = rows.groupby(list(spec.series), sort=False)[spec.time].shift()
    problems = []
    for row in rows.index[(rows[spec.time] < before).fillna(False)]:
        what = (
            f"the time runs backwards for {_piece(rows, row)}: {_plain(rows[spec.time][row])} "
            f"after {_plain(before[row])}."
        )
        do = "Correct the time, or put the rows of a piece in order of time."
        problems.append(Problem(table.where, what, do, row=int(row), column=spec.time))
    return problems


def _dry_then_wet(table: Table) -> list[Problem]:
    problems = []
    ordered = table.rows.sort_values(["run", "piece", "hours"], kind="stable")
    for _, looks in ordered.groupby(["run", "piece"], sort=False):
        dry = looks["dry"].astype(bool)
        wet_later = looks[~dry & dry.cummax()]
        if wet_later.empty:
            continue
        dry_before = looks[dry & (looks["hours"] < wet_later["hours"].iloc[-1])]
        first = int(wet_later.index[0])
        early, late = _rows(dry_before), _rows(wet_later)
        what = (
            f"{_piece(looks, first)} was dry at {_hours(dry_before)} ({early}) and not dry at "
            f"{_hours(wet_later)} ({late})."
        )
        do = (
            f"If the wrong piece was touched, leave {early} out; if it grew damp again, leave the later "
            f"{'row' if len(wet_later) == 1 else 'rows'} out (a reason in the column leave_out)."
        )
        problems.append(Problem(table.where, what, do, row=first, column="dry"))
    return problems


def _hours(looks: pd.DataFrame) -> str:
    first, last = looks["hours"].iloc[0], looks["hours"].iloc[-1]
    return f"{_plain(first)} h" if len(looks) == 1 else f"{_plain(first)} to {_plain(last)} h"


def _rows(looks: pd.DataFrame) -> str:
    numbers = [str(row) for row in sorted(looks.index)]
    return f"row {numbers[0]}" if len(numbers) == 1 else f"rows {', '.join(numbers)}"


def _gaining(table: Table) -> list[Problem]:
    rows = table.rows.sort_values(["run", "piece", "hours"], kind="stable")
    first = rows.groupby(["run", "piece"])["mass_g"].transform("first")
    doubts = []
    for row in rows.index[rows["mass_g"] > first * 1.02]:
        what = f"{_piece(rows, row)} weighs more than at its first weighing ({_plain(first[row])} g)."
        doubts.append(
            Problem(
                table.where,
                what,
                "Check the figure; pieces lose mass as they dry.",
                row=int(row),
                column="mass_g",
                weight="doubt",
            )
        )
    return doubts


def _tumbles(table: Table) -> list[Problem]:
    problems = []
    rows = table.rows
    for row in rows.index[rows["after_g"] > rows["before_g"]]:
        what = f"{_plain(rows['after_g'][row])} g after tumbling is more than before."
        problems.append(Problem(table.where, what, "Correct one of the two.", row=int(row), column="after_g"))
    for row in rows.index[(rows["broken"] > rows["pieces"]).fillna(False)]:
        broken, pieces = _plain(rows["broken"][row]), _plain(rows["pieces"][row])
        what = f"{broken} pieces broke, but only {pieces} were tumbled."
        problems.append(Problem(table.where, what, "Correct one of the two.", row=int(row), column="broken"))
    return problems


def _colour_after_the_end(table: Table) -> list[Problem]:
    problems = []
    rows = table.rows
    for row in rows.index[(rows["colour_s"] > rows["seconds"]).fillna(False)]:
        what = (
            f"colour after {_plain(rows['colour_s'][row])} s, but {_piece(rows, row)} was watched for only "
            f"{_plain(rows['seconds'][row])} s."
        )
        do = "Correct one of the two; leave the cell empty where no colour was seen."
        problems.append(Problem(table.where, what, do, row=int(row), column="colour_s"))
    return problems


def _odd_fizz_curves(table: Table) -> list[Problem]:
    doubts = []
    for _, rows in table.rows.groupby(["run", "piece"], sort=False):
        first = rows.index[0]
        if rows["seconds"].iloc[0] > LATE_START_S:
            late = _plain(rows["seconds"].iloc[0])
            what = f"the first reading of {_piece(rows, first)} is {late} s after the start."
            do = "Read the scale as the piece goes in: the gas before that is not counted well."
            doubts.append(Problem(table.where, what, do, row=int(first), column="seconds", weight="doubt"))
        apart = rows.index[(rows["water_c"] - rows["water_c"].iloc[0]).abs() > SAME_CUP_C]
        if len(apart):
            what = (
                f"the water of {_piece(rows, first)} was {_plain(rows['water_c'].iloc[0])} °C before and is "
                f"{_plain(rows['water_c'][apart[0]])} °C here."
            )
            do = "Check the figure; the mean of the piece is used."
            doubts.append(Problem(table.where, what, do, row=int(apart[0]), column="water_c", weight="doubt"))
    return doubts


def _shelf_measure(table: Table) -> list[Problem]:
    """One way of measuring for the whole shelf: grams and seconds of fizz do not fall at one pace."""
    rows = table.rows
    names = [name for name, _, _ in SHELF_MEASURES]
    used = [name for name in names if rows[name].notna().any()]
    if rows.empty:
        return []
    if len(used) != 1:
        what = (
            f"it measures fizz in {len(used)} ways ({', '.join(used)})."
            if used
            else "it does not say how much fizz was left."
        )
        do = f"Fill in one of the columns {', '.join(names)}, the same in every row."
        return [Problem(table.where, what, do)]
    problems = []
    for row in rows.index[rows[used[0]].isna()]:
        do = "Fill it in, or give a reason in the column leave_out."
        problems.append(Problem(table.where, "the cell is empty.", do, row=int(row), column=used[0]))
    return problems


def _heavy_losses(table: Table) -> list[Problem]:
    rows = table.rows
    doubts = []
    for row in rows.index[rows["after_g"] < rows["before_g"] / 2]:
        what = f"more than half of the mass is gone ({_plain(rows['before_g'][row])} g before)."
        do = "Check both figures; if the pieces fell apart, shorten the tumble."
        doubts.append(Problem(table.where, what, do, row=int(row), column="after_g", weight="doubt"))
    return doubts


def _drops(table: Table) -> list[Problem]:
    """Places in the sequence that stand twice, and pieces dropped again after they broke."""
    rows, problems = table.rows, []
    numbered = rows[rows["order"].notna()]
    for row in numbered.index[numbered.duplicated(["run", "order"])]:
        place = f"the place {_plain(rows['order'][row])} in the sequence of batch {rows['run'][row]}"
        what = f"{place} stands twice."
        do = "Number the drops of a batch in the order in which they were made."
        problems.append(Problem(table.where, what, do, row=int(row), column="order"))
    ordered = rows.sort_values(["run", "order"], kind="stable")
    before = ordered.groupby(["run", "piece"])["broke"].transform(
        lambda broke: broke.astype(bool).cummax().shift(fill_value=False)
    )
    for row in ordered.index[before.astype(bool)]:
        what = f"{_piece(rows, row)} had broken at an earlier drop."
        do = "Give each piece a name of its own, or correct broke."
        problems.append(Problem(table.where, what, do, row=int(row), column="piece"))
    return problems


def _raters(table: Table) -> list[Problem]:
    """Raters whose names differ in capitals only would be taken for two people."""
    first: dict[str, str] = {}
    problems = []
    for row, rater in table.rows["rater"].items():
        known = first.setdefault(rater.casefold(), rater)
        if known != rater:
            what = f"“{rater}” was written “{known}” further up."
            do = "Write a name alike everywhere."
            problems.append(Problem(table.where, what, do, row=int(str(row)), column="rater"))
    return problems


def _log_order(table: Table) -> list[Problem]:
    times = table.rows["time"]
    if len(times) and times.iloc[-1] < times.iloc[0]:  # some loggers write the newest reading first
        times = times.iloc[::-1]
    doubts = []
    if not times.is_monotonic_increasing:
        row = int(times.index[(times.diff().dt.total_seconds() < 0)][0])
        what = "the times of the log run backwards here; it was sorted before use."
        do = "Look whether the clock was changed, or two files were put together."
        doubts.append(Problem(table.where, what, do, row=row, column="time", weight="doubt"))
    if times.duplicated().any():
        row = int(times.index[times.duplicated()][0])
        what = f"{int(times.duplicated().sum())} readings share a time with another; their mean was used."
        doubts.append(Problem(table.where, what, "", row=row, column="time", weight="doubt"))
    return doubts


def _made_far_apart(runs: Table) -> list[Problem]:
    """A year mistyped in made_at moves a batch away from the others, and its air with it."""
    made = runs.rows["made_at"].dropna().sort_values(kind="stable")
    if made.empty:
        return []
    spell = (made.diff().dt.total_seconds() > FAR_APART_DAYS * 86400).cumsum()
    most = spell.value_counts(sort=False).idxmax()
    doubts = []
    for row in sorted(made.index[spell != most]):
        what = (
            f"batch {runs.rows['run'][row]} was made on {made[row]:%Y-%m-%d}, more than {FAR_APART_DAYS} "
            "days from the other batches."
        )
        doubts.append(
            Problem(runs.where, what, "Check the year.", row=int(row), column="made_at", weight="doubt")
        )
    return doubts


def _made_on_other_days(runs: Table) -> list[Problem]:
    """Batches of one day of the plan share its air: another date is a slip in one of the two."""
    made = runs.rows["made_at"].dropna()
    doubts = []
    for row in made.index[(made == made.dt.normalize()).to_numpy()]:
        what = f"batch {runs.rows['run'][row]} was made at midnight, as it stands here."
        do = "If only its time of day is missing, add it."
        doubts.append(Problem(runs.where, what, do, row=int(row), column="made_at", weight="doubt"))
    for day, moments in made.groupby(runs.rows["day"], sort=False):
        usual = moments.dt.normalize().mode().iloc[0]
        for row in moments.index[((moments.dt.normalize() - usual).dt.days.abs() > 1).to_numpy()]:
            what = (
                f"batch {runs.rows['run'][row]} was made on {moments[row]:%Y-%m-%d}, but others of day "
                f"{day} on {usual:%Y-%m-%d}."
            )
            do = "Check the date, or the column day."
            doubts.append(Problem(runs.where, what, do, row=int(row), column="made_at", weight="doubt"))
    return doubts


def _humidity_as_share(table: Table) -> list[Problem]:
    """A cell in the percent format of a spreadsheet holds 0.55 where 55 is meant."""
    humidity = table.rows["rh_pct"].dropna()
    if humidity.empty or humidity.max() > 1 or humidity.max() == 0:
        return []
    what = f"every humidity is 1 or less (the highest is {humidity.max():g}), so they seem to be shares."
    return [Problem(table.where, what, "Write per cent: 55, not 0.55.", column="column rh_pct")]


def _runs_known(name: str, table: Table, runs: Table) -> Found:
    known = list(runs.rows["run"])
    set_aside = list(runs.left_out["run"].str.strip()) if "run" in runs.left_out else []
    problems, doubts = [], []
    for row in table.rows.index[~table.rows["run"].isin([*known, *set_aside])]:
        guess = nearest(table.rows["run"][row], known)
        do = f"Did you mean {guess}?" if guess else "Add the batch to runs, or correct the name."
        what = f"“{table.rows['run'][row]}” is not a batch that runs names."
        problems.append(Problem(table.where, what, do, row=int(row), column="run"))
    problems = shortened(problems)
    missing = [run for run in known if run not in set(table.rows["run"])]
    if missing and not table.rows.empty:
        noun = "batch" if len(missing) == 1 else "batches"
        what = f"it has no reading of {noun} {', '.join(missing)}."
        do = "Add the readings if there are any; the answer rests on the others."
        doubts.append(Problem(table.where, what, do, weight="doubt"))
    return problems, doubts


def air_cover(tables: Mapping[str, Table]) -> list[Problem]:
    """Doubts about the room log against each batch's drying; the tables must be free of problems."""
    looked = [tables[name].rows for name in ("touch_checks", "weighings") if name in tables]
    if not looked or "room_log" not in tables:
        return []
    runs = tables["runs"].rows
    log = tables["room_log"]
    dried = set().union(*(set(rows["run"]) for rows in looked))
    doubts = []
    for row in runs.index[runs["made_at"].isna() & runs["run"].isin(dried)]:
        what = f"batch {runs['run'][row]} has no time of making, so its air cannot be looked up."
        do = "Fill in made_at; until then the batch does not count for the effect of the air."
        doubts.append(Problem(tables["runs"].where, what, do, row=int(row), column="made_at", weight="doubt"))
    empty = pd.DataFrame(columns=["run", "piece", "hours", "dry"])
    touch = tables["touch_checks"].rows if "touch_checks" in tables else empty
    weigh = tables["weighings"].rows if "weighings" in tables else empty
    joined = air.batch_air(runs, touch, weigh, log.rows)
    for run, coverage in joined["coverage"].items():
        if coverage < COVERED_ENOUGH:
            share = "none" if coverage == 0 else f"only {coverage * 100:.0f} %"
            what = f"the room log covers {share} of the drying of batch {run}."
            do = (
                "Add the missing readings; until then the batch does not count for the effect of the air."
                if coverage == 0
                else "Its air is the mean of what was logged."
            )
            doubts.append(Problem(log.where, what, do, weight="doubt"))
    return doubts


def _piece(rows: pd.DataFrame, row: int) -> str:
    return f"piece {rows['piece'][row]} of batch {rows['run'][row]}"


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
