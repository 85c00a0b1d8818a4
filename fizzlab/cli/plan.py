"""The command `fizzlab plan`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.language import say

if TYPE_CHECKING:
    from fizzlab.bench.planning import TrialPlan


@click.command(short_help="Which batches to make, in which order.")
@FOLDER
@click.option(
    "--earlier",
    type=click.Path(path_type=Path),
    help="Folder of an earlier trial of yours: how much its pieces, batches and days differed.",
)
def plan(folder: Path, earlier: Path | None) -> None:
    """Plan the batches of the trial in FOLDER: write the workbook for readings and a bench sheet."""
    from fizzlab.bench.planfiles import write_plan

    written = write_plan(folder, detects=lambda planned: _detects(planned, earlier))
    doubts = written.planned.cards.doubts
    days = written.planned.by_day() if written.planned.wishes.start else []
    said = [*written.statements, *["", *days] * bool(days), *["", say("before_first_batch")] * bool(doubts)]
    said += [*(f"  {doubt}" for doubt in doubts), ""]
    said += [say("plan_replaced", name=name) for name in written.replaced]
    said += [say("table_taken_away", name=name) for name in written.taken_away]
    click.echo("\n".join([*said, *map(str, written.paths)]))


def _detects(planned: TrialPlan, earlier: Path | None) -> tuple[str, ...]:
    """How small a difference the plan would see, by the spreads of an earlier trial if one is named."""
    from fizzlab.bench.planning import earlier_spreads, plan_power

    if earlier is None:
        return plan_power(planned).sentences
    from fizzlab.report.analysis import analyse
    from fizzlab.trial.folder import load

    measures = planned.settings.measures().items()
    wanted = [name for name, measure in measures if measure.table in planned.wishes.tables]
    trial = load(earlier)
    return plan_power(planned, earlier_spreads(analyse(trial, wanted).fits, trial.settings.code)).sentences
