"""The `fizzlab` command. Heavy imports stand where they are used, so that the command starts at once."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fizzlab import __version__
from fizzlab.cli.importing import import_
from fizzlab.cli.records import records
from fizzlab.cli.saying import in_sentences, say_doubts, say_trouble

if TYPE_CHECKING:
    from fizzlab.report.many import Outcome
    from fizzlab.report.pdf import Paper

FOLDER = click.argument("folder", type=click.Path(path_type=Path))
PAPER = click.Choice(["a4", "letter"], case_sensitive=False)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fizzlab")
def main() -> None:
    """Trials for small bath-fizzer makers: from a folder of readings to a report."""


@main.command(short_help="Which batches to make, in which order.")
@FOLDER
@click.option(
    "--earlier",
    type=click.Path(path_type=Path),
    help="Folder of an earlier trial of yours: how much its pieces, batches and days differed.",
)
def plan(folder: Path, earlier: Path | None) -> None:
    """Plan the batches of the trial in FOLDER: write runs, the workbook for readings and a bench sheet."""
    with in_sentences():
        from fizzlab.bench.plan_power import plan_power, spreads_of
        from fizzlab.bench.planfiles import write_plan
        from fizzlab.design.power import ASSUMED

        spreads = spreads_of(earlier) if earlier is not None else ASSUMED
        written = write_plan(folder, detects=lambda planned: plan_power(planned, spreads).sentences)
        for sentence in written.statements:
            click.echo(sentence)
        if written.planned.cards.doubts:
            click.echo("\nBefore the first batch:")
            for doubt in written.planned.cards.doubts:
                click.echo(f"  {doubt}")
        click.echo("")
        for name in written.replaced:
            click.echo(f"{name}: an earlier plan without readings was replaced.")
        for name in written.taken_away:
            click.echo(f"{name}: it held no row and was taken away; the table now stands in the workbook.")
        for path in written.paths:
            click.echo(path)


@main.command(short_help="What is wrong or odd in a trial; changes nothing.")
@FOLDER
def check(folder: Path) -> None:
    """Check the trial in FOLDER and say everything that is wrong or odd."""
    with in_sentences():
        from fizzlab.trial.folder import load

        trial = load(folder)
        for name, table in trial.tables.items():
            left = len(table.left_out)
            click.echo(f"{name}: {len(table.rows)} rows" + (f", {left} left out" if left else ""))
        click.echo("No problems.")
        say_doubts(list(trial.doubts))


@main.command(short_help="Analyse trials and keep a record of each.")
@click.argument("folders", nargs=-1, required=True, metavar="FOLDER...", type=click.Path(path_type=Path))
@click.option("--notebook", default="trial_report", help="Which notebook to run: trial_report, cure or fizz.")
@click.option("--jobs", type=click.IntRange(min=1), help="Reports at once; as many as there are cores.")
@click.option("--to", metavar="ADDRESS", help="Copy each record there too, such as s3://bucket/records.")
@click.option("--made-by", default="", help="Who made the report; else made_by of trial.toml.")
@click.option("--checked-by", default="", help="Who checked the readings and the report.")
@click.option("--date", default="", help="Date of the record, as 2026-01-31; today if not given.")
@click.option("--pdf", is_flag=True, help="Print the report to a PDF too, through an installed browser.")
@click.option("--paper", type=PAPER, help="Paper of the PDF; else that of trial.toml, or A4.")
def report(
    folders: tuple[Path, ...],
    notebook: str,
    jobs: int | None,
    to: str | None,
    made_by: str,
    checked_by: str,
    date: str,
    pdf: bool,
    paper: Paper | None,
) -> None:
    """Check the trial in each FOLDER, analyse it and write a new record.

    A FOLDER may be a season: a folder whose sub-folders are trials.
    """
    with in_sentences():
        from fizzlab import records as kept
        from fizzlab.report.many import trials_in
        from fizzlab.trial import shipped

        names = [path.stem for path in shipped.reports()]
        if notebook not in names:
            raise click.BadParameter(f"{notebook} is none of: {', '.join(names)}", param_hint="--notebook")
        if paper and not pdf:
            raise click.BadParameter("it goes with --pdf", param_hint="--paper")
        trials, passed_over = trials_in(folders)
        for path in passed_over:
            click.echo(f"{path}: holds no trial; passed over.", err=True)
        signed = kept.signed(made_by, checked_by, date)
        _report_on(trials, jobs=jobs, to=to, notebook=notebook, signed=signed, pdf=pdf, paper=paper)


def _report_on(trials: list[Path], *, jobs: int | None = None, to: str | None = None, **options: Any) -> None:
    """Report on one trial with a bar of its cells, on many with a bar of reports; exit with 2 on trouble."""
    from fizzlab.report.many import write_reports

    if len(trials) == 1:
        outcomes = write_reports(trials, jobs=1, to=to, progress=True, **options)
    else:
        with click.progressbar(length=len(trials), label="Reports", show_pos=True, file=sys.stderr) as bar:
            outcomes = write_reports(trials, jobs=jobs, to=to, done=lambda _: bar.update(1), **options)
    _say_outcomes(outcomes)
    if any(outcome.trouble for outcome in outcomes):
        sys.exit(2)


def _say_outcomes(outcomes: list[Outcome]) -> None:
    for outcome in outcomes:
        if outcome.page:
            click.echo(outcome.page)
            if outcome.page.with_name("report.pdf").is_file():
                click.echo(outcome.page.with_name("report.pdf"))
        if outcome.sent:
            click.echo(f"  copied to {outcome.sent}")
    failed = [outcome for outcome in outcomes if outcome.trouble]
    for outcome in failed:
        if len(outcomes) > 1:
            click.echo(f"\n{outcome.folder}:", err=True)
        if outcome.trouble:
            say_trouble(outcome.trouble)
    if failed and len(outcomes) > 1:
        written = sum(outcome.page is not None for outcome in outcomes)
        click.echo(f"\n{written} of {len(outcomes)} reports written; {len(failed)} with trouble.", err=True)


main.add_command(import_)
main.add_command(records)


@main.command(short_help="Print a record or a page to a PDF.")
@click.argument("page", type=click.Path(path_type=Path))
@click.option("--paper", type=PAPER, default="a4", show_default=True)
@click.option("--to", type=click.Path(path_type=Path), help="Where the PDF goes; else beside PAGE.")
def pdf(page: Path, paper: Paper, to: Path | None) -> None:
    """Print PAGE, a record's folder or an HTML page such as the bench sheet, to a PDF."""
    with in_sentences():
        from fizzlab.report.pdf import print_page

        click.echo(print_page(page, to, paper=paper))


@main.command(short_help="Report on the invented demo trials.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("demo-trials"))
def demo(folder: Path) -> None:
    """Copy the invented demo trials to FOLDER (demo-trials) and report on each."""
    with in_sentences():
        import shutil

        from fizzlab.trial import shipped

        targets = [folder / source.name for source in shipped.demo_trials()]
        for source, target in zip(shipped.demo_trials(), targets, strict=True):
            if not target.exists():
                shutil.copytree(source, target, ignore=shutil.ignore_patterns("records", "__pycache__"))
        _report_on(targets)


@main.command(short_help="Start a trial.")
@FOLDER
@click.option("--title", prompt="Title of the trial", help="A short title.")
@click.option("--question", prompt="What do you want to know?", help="The question, in one sentence.")
@click.option("--levels", multiple=True, metavar="NAME=A,B,C", help="A factor with named levels.")
@click.option("--amounts", multiple=True, metavar="NAME=1,2,3:UNIT", help="A factor with numeric amounts.")
@click.option("--kind", help="Kind of plan: compare, factorial, screening, optimal and others.")
@click.option("--days", type=click.IntRange(1, 200), help="Days of making.")
@click.option("--per-day", type=click.IntRange(1, 50), help="Batches that fit in a day.")
def new(
    folder: Path,
    title: str,
    question: str,
    levels: tuple[str, ...],
    amounts: tuple[str, ...],
    kind: str | None,
    days: int | None,
    per_day: int | None,
) -> None:
    """Start a trial in FOLDER: a commented trial.toml and empty tables to fill in."""
    with in_sentences():
        from fizzlab.trial.new import start

        if sys.stdin.isatty() and not levels and not amounts:
            asked = "What do you change between batches (such as colour=pearl,dye; empty to say later)?"
            levels = tuple(filter(None, [click.prompt(asked, default="", show_default=False)]))
        if sys.stdin.isatty() and len(levels) == 1 and not amounts and kind is None:
            days = days or click.prompt("On how many days will you make batches?", default=4)
            per_day = per_day or click.prompt("How many batches fit in a day?", default=4)
        written = start(
            folder,
            title=title,
            question=question,
            levels=levels,
            amounts=amounts,
            kind=kind,
            days=days,
            per_day=per_day,
        )
        for path in written:
            click.echo(path)
        named = f'"{folder}"' if " " in str(folder) else str(folder)
        click.echo(f"\nEdit {written[0]}, then plan the batches with: fizzlab plan {named}")


@main.command(short_help="Open the notebooks in JupyterLab.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("fizzlab-notebooks"))
def lab(folder: Path) -> None:
    """Open JupyterLab on a copy of the notebooks in FOLDER (fizzlab-notebooks)."""
    with in_sentences():
        from fizzlab.cli import lab as jupyterlab

        jupyterlab.put_notebooks(folder)
        sys.exit(jupyterlab.start(folder))


@main.command(short_help="Log at the bench: buttons in JupyterLab.")
@FOLDER
def bench(folder: Path) -> None:
    """Open the bench in JupyterLab: buttons to log the trial in FOLDER while it is made and tried."""
    with in_sentences():
        from fizzlab.bench.logbook import Logbook
        from fizzlab.cli import lab as jupyterlab

        for why in Logbook.open(folder).waiting():
            click.echo(f"Readings wait in the journal: {why}", err=True)
        sys.exit(jupyterlab.start(folder, jupyterlab.put_bench(folder).name))


if __name__ == "__main__":
    main()
