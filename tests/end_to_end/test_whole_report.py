"""The whole report of every demo: short, each number told once, in its voice; and again, byte by byte."""

from __future__ import annotations

import re
import shutil
from collections import Counter
from html import unescape
from pathlib import Path

import pytest

from fizzlab.language import say
from fizzlab.report.page import WORKED
from fizzlab.report.run import write_report
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

pytestmark = pytest.mark.slow

DEMOS = ("cores", "binder", "colour-ways", "season")

#: Most words of a whole report, but for how it was worked out and the record; more for a trial that also
#: looks back at earlier ones, fewer for one with fewer tests.
MOST = {"cores": 1500, "binder": 1500, "colour-ways": 1200, "season": 800}

#: What voice.md says to write otherwise.
BANNED = (
    r"could be shown", r"not shown", r"no difference to", r"half as thirsty", r"[01]\.\d+ times as long",
    r"to be sure of a new batch", r"was not looked at", r"leaves open", r"excludes none", r"least often",
    r"as well it may be", r"in view", r"chance alone shows as much", r"are left to judge", r"going together",
    r"first signs", r"\bMind:",
)  # fmt: skip

#: Terms that stand only where it says how a part was worked out.
TERMS = (r"\bREML\b", r"degrees of freedom", r"\bp = ", r"Dunnett", r"\bsd\b", r"logarithm", r"kPa")


def plain(html: str) -> str:
    text = re.sub(r"<(?:img|style)[^>]*>", " ", html)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").split())


def told(page: Path) -> str:
    """The body of a page without the record and without how its parts were worked out."""
    html = page.read_text(encoding="utf-8")
    body = html[html.index("<main>") : html.index("<summary><h2>Record</h2>")]
    worked = f"<details><summary><h3>{say(WORKED)}</h3></summary>"
    return re.sub(rf"{worked}.*?</details>", "", body, flags=re.DOTALL)


def sentences(body: str) -> list[str]:
    """What is said outside of tables, captions and headings."""
    body = re.sub(r"<table.*?</table>|<figcaption.*?</figcaption>|<h\d.*?</h\d>", " ", body, flags=re.DOTALL)
    body = re.sub(r"</(?:li|p|span|blockquote)>", "\n", body)
    return [
        line for part in body.split("\n") for line in re.split(r"(?<=[.!?]) (?=[A-Z])", plain(part)) if line
    ]


@pytest.mark.parametrize("name", DEMOS)
def test_it_is_short(name: str, demo_reports: dict[str, Path]) -> None:
    assert len(plain(told(demo_reports[name])).split()) <= MOST[name]


#: What happens to be as large: 0.6 g dries in 5.0 h, and so do the three trials on average.
BY_CHANCE = {"binder": {"5.0 h"}}


@pytest.mark.parametrize("name", DEMOS)
def test_no_number_is_told_in_two_sentences(name: str, demo_reports: dict[str, Path]) -> None:
    settings = load(demo_reports[name].parents[2]).settings
    air = settings.drying.forecast_air
    given = {
        f"{settings.drying.night_hours:g} h",
        *(f"{100 * s:g} %" for s in settings.drying.shares),
        "95 %",
    } | BY_CHANCE.get(name, set())
    given |= {f"{air.temp_c:g} °C", f"{air.rh_pct:g} %"} if air else set()
    found = Counter[str]()
    for line in set(sentences(told(demo_reports[name]))):
        numbers = re.findall(r"\d+(?:\.\d+)? (?:%|h|s|mm|cm|points|times|weeks)(?: [a-z]+)?", line)
        found.update({each for each in numbers if not any(each.startswith(fixed) for fixed in given)})
    assert not [number for number, times in found.items() if times > 1]


@pytest.mark.parametrize("name", DEMOS)
def test_it_speaks_as_it_should(name: str, demo_reports: dict[str, Path]) -> None:
    body = told(demo_reports[name])
    text = plain(body)
    assert not [phrase for phrase in (*BANNED, *TERMS) if re.search(phrase, text)]
    long = [line for line in sentences(body) if len(re.sub(r"\([^)]*\)", "", line).split()) > 25]
    assert not long


@pytest.mark.parametrize("name", DEMOS)
def test_every_factor_stands_in_every_part_of_its_measures(name: str, demo_reports: dict[str, Path]) -> None:
    trial = load(demo_reports[name].parents[2])
    parts = re.split(r"(?=<details><summary><h2>)", told(demo_reports[name]))
    for part in parts:
        if re.match(
            r"<details><summary><h2>(How soon|Crumbling|Fizz|What else)", part
        ) and "change (95" in plain(part):
            for factor in trial.settings.factors.values():
                levels = [
                    each for each in factor.levels or [] if each != (factor.control or factor.levels[0])
                ]
                assert all(level in plain(part).casefold() for level in levels)


def test_the_same_readings_make_the_same_bytes(demo_reports: dict[str, Path], tmp_path: Path) -> None:
    first = demo_reports["colour-ways"].parent
    again = write_report(shutil.copytree(shipped.demo("colour-ways"), tmp_path / "colour-ways")).parent
    drawn = sorted(path.name for path in (first / "figures").iterdir())
    assert drawn == sorted(path.name for path in (again / "figures").iterdir())
    for name in ("report.html", "findings.json", *(f"figures/{each}" for each in drawn)):
        # but for the hash of the record's own line in the ledger, which tells the time
        one, two = (
            re.sub(rb"<code>[0-9a-f]{64}</code>", b"", (at / name).read_bytes(), count=1)
            for at in (first, again)
        )
        assert one == two, name
