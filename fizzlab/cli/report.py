"""The commands `fizzlab report` and `fizzlab demo`."""

from __future__ import annotations

import sys
from itertools import count, pairwise
from pathlib import Path
from typing import Any

import click

from fizzlab.cli.saying import PAPER, folder_argument, named, say_step, say_trouble
from fizzlab.errors import FizzlabError
from fizzlab.language import say


class _PdfAlone(click.Command):
    """Takes --pdf for the front page where neither front nor whole follows it, so that a folder may."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        alone = [here == "--pdf" and after not in ("front", "whole") for here, after in pairwise([*args, ""])]
        args = ["--pdf=front" if bare else arg for arg, bare in zip(args, alone, strict=True)]
        return super().parse_args(ctx, args)


@click.command(cls=_PdfAlone, short_help="Analyse trials and keep a record of each.")
@folder_argument("folders", nargs=-1, required=True, metavar="FOLDER...")
@click.option("--notebook", default="trial_report", help="Which notebook to run: trial_report, cure or fizz.")
@click.option("--jobs", type=click.IntRange(min=1), help="Reports at once; as many as there are cores.")
@click.option(
    "--to", metavar="ADDRESS", callback=named, help="Copy each record there too, such as s3://bucket/records."
)
@click.option("--made-by", default="", help="Who made the report; else made_by of trial.toml.")
@click.option("--checked-by", default="", help="Who checked the readings and the report.")
@click.option("--date", default="", help="Date of the record, as 2026-01-31; today if not given.")
@click.option(
    "--pdf",
    is_flag=False,
    flag_value="front",
    type=click.Choice(["front", "whole"]),
    help="Print the front page to a PDF too, or the whole report, through an installed browser.",
)
@click.option("--paper", type=PAPER, help="Paper of the PDF; else that of trial.toml, or A4.")
def report(
    folders: tuple[Path, ...], made_by: str, checked_by: str, date: str, notebook: str, **options: Any
) -> None:
    """Check the trial in each FOLDER, analyse it and write a new record.

    A FOLDER may be a season: a folder whose sub-folders are trials. Its overview.html is written anew.
    """
    from fizzlab import records as kept
    from fizzlab.report.many import trials_in
    from fizzlab.trial import shipped

    names = [path.stem for path in shipped.reports()]
    if notebook not in names:
        none = say("none_of", name=notebook, known=", ".join(names))
        raise click.BadParameter(none, param_hint="--notebook")
    if options["paper"] and not options["pdf"]:
        raise click.BadParameter(say("goes_with_pdf"), param_hint="--paper")
    trials, passed_over = trials_in(folders)
    for path in passed_over:
        click.echo(say("holds_no_trial", path=path), err=True)
    seasons = [folder for folder in folders if folder not in trials]
    signed = kept.signed(made_by, checked_by, date)
    _report_on(trials, seasons, notebook=notebook, signed=signed, **options)


@click.command(short_help="Report on the invented demo trials.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("demo-trials"))
def demo(folder: Path) -> None:
    """Copy the invented demo trials to FOLDER (demo-trials) and report on each."""
    from fizzlab.trial import shipped

    _report_on(shipped.put_demo(folder), [folder])


def _report_on(trials: list[Path], seasons: list[Path], **options: Any) -> None:
    """Report, say what is done, renew overviews; exit with 2 on trouble, 1 if a part failed."""
    from fizzlab.report.many import Outcome, write_reports
    from fizzlab.report.page import verdict_of

    made = count(1)

    def verdict(outcome: Outcome, lines: int) -> list[str]:
        return verdict_of(outcome.page.read_text(encoding="utf-8"))[:lines] if outcome.page else []

    def say_done(outcome: Outcome) -> None:
        said = " ".join(verdict(outcome, 1)) or say("no_verdict" if outcome.page else "no_report")
        told = {"n": next(made), "of": len(trials), "trial": outcome.folder.name}
        click.echo(say("report_of", **told, said=said), err=True)

    one = len(trials) == 1
    outcomes = write_reports(trials, **({"says": say_step} if one else {"done": say_done}), **options)
    failed = 0
    for outcome in outcomes:
        if outcome.page:
            pages = [outcome.page, outcome.page.with_name("report.pdf")]
            for line in verdict(outcome, 2) if one else ():
                click.echo(line, err=True)  # what is read by other programs is the paths alone
            click.echo("\n".join(str(page) for page in pages if page == outcome.page or page.is_file()))
        if outcome.sent:
            click.echo(f"  {say('copied_to', sent=outcome.sent)}")
    for outcome in outcomes:
        if outcome.trouble:
            failed += 1
            if len(outcomes) > 1:
                click.echo(f"\n{outcome.folder}:", err=True)
            say_trouble(outcome.trouble)
    for season in seasons:
        from fizzlab.report.overview import write_overview

        try:
            click.echo(say("overview_at", path=write_overview(season)), err=True)
        except (FizzlabError, OSError) as error:
            failed += 1
            say_trouble(error)
    if failed and len(outcomes) > 1:
        written = sum(outcome.page is not None for outcome in outcomes)
        told = {"written": written, "of": len(outcomes), "failed": failed}
        click.echo(f"\n{say('reports_written', **told)}", err=True)
    lost = [outcome for outcome in outcomes if outcome.lost]
    for outcome in lost:
        click.echo(say("parts_lost", trial=outcome.folder.name, lost=", ".join(outcome.lost)), err=True)
    sys.exit(2 if failed else 1 if lost else 0)
