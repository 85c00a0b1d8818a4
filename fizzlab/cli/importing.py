"""The command `fizzlab import`: show, confirm, write."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.language import say

if TYPE_CHECKING:
    from fizzlab.trial.importing import ImportPlan


@click.command("import", short_help="Add the export of a hygrometer.")
@FOLDER
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--mapping", "name", help="Name of the mapping in trial.toml, stored or to be.")
@click.option("--time", help="Column of times.")
@click.option("--date", help="Column of dates, where these stand apart.")
@click.option("--dates", help='"day first", "month first" or "year first".')
@click.option("--temp", help="Column of temperatures.")
@click.option("--temp-unit", help="°C, °F or K; C or F will do.")
@click.option("--rh", help="Column of relative humidities.")
@click.option("--zone", help="Time zone of the workshop, such as Europe/Berlin.")
@click.option("--yes", is_flag=True, help="Do not ask for a yes before writing.")
def import_(folder: Path, file: Path, name: str | None, yes: bool, **options: str | None) -> None:
    """Add the readings of an export, FILE, to the trial in FOLDER."""
    from fizzlab.trial.importing import prepare, write
    from fizzlab.trial.loggers import unit_named

    told = {key: answer for key, answer in options.items() if answer is not None}
    if "temp_unit" in told:  # not every keyboard has the degree sign
        told["temp_unit"] = unit_named(told["temp_unit"], "temp") or told["temp_unit"]
    ready = prepare(folder, file, name, told)
    for sentence in as_read(ready):
        click.echo(sentence)
    if not yes and not click.confirm(f"\n{say('is_this_right')}", default=False):
        click.echo(say("nothing_written"), err=True)
        sys.exit(2)
    written = write(ready)
    click.echo("")
    for path in written:
        click.echo(path)
    if not written:
        click.echo(say("nothing_new"))


def as_read(ready: ImportPlan, examples: int = 3) -> list[str]:
    """What the columns were taken for, some rows as read, what was passed over, and what would be added."""
    mapping, readings, merged, cells = ready.guess.mapping, ready.readings, ready.merged, ready.layout.cells
    said = [say("as_it_is_read", where=readings.where)]
    for key, column in mapping.columns().items():
        unit = getattr(mapping, f"{key}_unit", None) or mapping.dates
        said.append(f"  {say(f'holds_{key}'):<12} “{column}”, {unit}")
    if mapping.zone:
        said.append(f"  {say('holds_zone'):<12} {mapping.zone}")
    if ready.guess.ignored:
        said.append(f"  {say('holds_ignored'):<12} {', '.join(ready.guess.ignored)}")
    last = len(readings.rows) - 1
    for place in sorted({round(i * last / (examples - 1)) for i in range(examples)}):
        row, number = readings.rows.iloc[place], int(readings.rows.index[place])
        written = " | ".join(str(cells[column][number]) for column in mapping.columns().values())
        measured = f"{row['time']:%Y-%m-%d %H:%M:%S}, {row['temp_c']:g} °C, {row['rh_pct']:g} %"
        said.append(f"  {say('row_is', row=number, written=written, measured=measured)}")
    said += [*ready.guess.reasons, *readings.said, *merged.said]
    told = {"target": ready.target, "n": merged.added, "held": merged.held}
    return [*said, say("to_be_added_beside" if merged.held else "to_be_added", **told)]
