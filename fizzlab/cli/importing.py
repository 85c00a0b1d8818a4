"""The command `fizzlab import`: ask, show, confirm, write."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from fizzlab.trial.importing import Prepared


@click.command("import", short_help="Add the export of a hygrometer or a scale.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--as",
    "table",
    type=click.Choice(["room_log", "weighings"]),
    default="room_log",
    help="A hygrometer's readings (room_log) or a scale's (weighings).",
)
@click.option("--mapping", "name", help="Name of the mapping in trial.toml, stored or to be.")
@click.option("--run", help="For weighings: the batch.")
@click.option("--piece", help="For weighings: the piece.")
@click.option("--time", help="Column of times.")
@click.option("--date", help="Column of dates, where these stand apart.")
@click.option("--dates", help='"day first", "month first" or "year first".')
@click.option("--temp", help="Column of temperatures.")
@click.option("--temp-unit", help="°C or °F; C or F will do.")
@click.option("--rh", help="Column of relative humidities.")
@click.option("--mass", help="Column of masses.")
@click.option("--mass-unit", help="g, kg, oz or lb.")
@click.option("--offset", help="Of the device's clock from world time, such as +01:00.")
@click.option("--zone", help="Time zone of the workshop, such as Europe/Berlin.")
@click.option("--yes", is_flag=True, help="Do not ask; refuse what is ambiguous.")
def import_(
    folder: Path,
    file: Path,
    table: str,
    name: str | None,
    run: str | None,
    piece: str | None,
    yes: bool,
    **told: str | None,
) -> None:
    """Add the readings of an export, FILE, to the trial in FOLDER."""
    from fizzlab.trial.importing import look, prepare, write
    from fizzlab.trial.loggers import Told, unit_named

    answers = dict(told)
    if answers["temp_unit"] is not None:  # not every keyboard has the degree sign
        answers["temp_unit"] = unit_named(answers["temp_unit"], "temp") or answers["temp_unit"]
    seen = look(folder, file, table, name, Told(**answers))
    while seen.guess.questions and not yes:
        question = seen.guess.questions[0]
        answers[question.key] = _asked(question.asks, question.choices)
        seen = look(folder, file, table, name, Told(**answers))
    ready = prepare(seen, run, piece)
    for sentence in as_read(ready):
        click.echo(sentence)
    if not yes and not click.confirm("\nIs this right?", default=False):
        click.echo("Nothing was written.", err=True)
        sys.exit(2)
    written = write(ready)
    click.echo("")
    for path in written:
        click.echo(path)
    if not written:
        click.echo("Nothing new: every reading stands there already.")


def as_read(ready: Prepared, examples: int = 3) -> list[str]:
    """What the columns were taken for, some rows as read, what was passed over, and what would be added."""
    mapping, readings, merged, cells = ready.mapping, ready.readings, ready.merged, ready.look.layout.cells
    holds = {"date": "date", "time": "time", "temp": "temperature", "rh": "humidity", "mass": "mass"}
    said = [f"{readings.where}, as it is read:"]
    for key, column in mapping.columns().items():
        unit = getattr(mapping, f"{key}_unit", None) or mapping.dates
        said.append(f"  {holds[key]:<12} “{column}”, {unit}")
    if mapping.zone:
        device = f", device at {mapping.offset}" if mapping.offset else ""
        said.append(f"  {'clock':<12} {mapping.zone}{device}")
    if ready.look.guess.ignored:
        said.append(f"  {'not read':<12} {', '.join(ready.look.guess.ignored)}")
    units = {"temp_c": "°C", "rh_pct": "%", "mass_g": "g"}
    last = len(readings.rows) - 1
    for place in sorted({round(i * last / (examples - 1)) for i in range(examples)}):
        row, number = readings.rows.iloc[place], int(readings.rows.index[place])
        written = " | ".join(str(cells[column][number]) for column in mapping.columns().values())
        measured = ", ".join(f"{row[name]:g} {unit}" for name, unit in units.items() if name in row.index)
        said.append(f"  row {number}: {written}  is  {row['time']:%Y-%m-%d %H:%M:%S}, {measured}")
    said += [*ready.look.guess.reasons, *readings.said, *merged.said]
    held = f"; {merged.held} stand there already" if merged.held else ""
    noun = "reading" if merged.added == 1 else "readings"
    return [*said, f"To be added to {ready.target}: {merged.added} {noun}{held}."]


def _asked(asks: str, choices: tuple[str, ...]) -> str:
    """Put a question on the screen; the answer is a number of the list, or a text."""
    click.echo(asks)
    if not choices:
        return str(click.prompt("Answer"))
    for number, choice in enumerate(choices, start=1):
        click.echo(f"  {number}  {choice}")
    return choices[click.prompt("Number", type=click.IntRange(1, len(choices))) - 1]
