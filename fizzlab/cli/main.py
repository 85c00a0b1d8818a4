"""The `fizzlab` command, a module a verb; heavy imports stand inside the verbs, so that it starts at once."""

from __future__ import annotations

import click

from fizzlab import __version__
from fizzlab.cli.calendar import calendar
from fizzlab.cli.chart import chart
from fizzlab.cli.check import check
from fizzlab.cli.importing import import_
from fizzlab.cli.lab import bench, lab
from fizzlab.cli.labels import labels
from fizzlab.cli.new import new
from fizzlab.cli.next import next_, shopping
from fizzlab.cli.overview import overview
from fizzlab.cli.pack import pack, unpack
from fizzlab.cli.pdf import pdf
from fizzlab.cli.plan import plan
from fizzlab.cli.records import records
from fizzlab.cli.report import demo, report
from fizzlab.cli.saying import InSentences
from fizzlab.cli.upgrade import upgrade


@click.group(cls=InSentences, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fizzlab")
def main() -> None:
    """Trials for small bath-fizzer makers: from a folder of readings to a report."""


for command in (
    *(bench, calendar, chart, check, demo, import_, lab, labels, new, next_, overview, pack),
    *(pdf, plan, records, report, shopping, unpack, upgrade),
):
    main.add_command(command)


if __name__ == "__main__":
    main()
