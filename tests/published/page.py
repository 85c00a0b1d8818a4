"""Make docs/validation.md: `python tests/published/page.py` runs the checks here and writes what they found.

What they found is kept in found.json, so that a check run by itself, on any worker, can tell whether the page
still says what it says.
"""

from __future__ import annotations

import json
from functools import cache
from math import ceil, floor, log10
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
RECORD = HERE / "found.json"
PAGE = HERE.parents[1] / "docs" / "validation.md"
COMMAND = "python tests/published/page.py"
Told = dict[str, Any]
Record = dict[str, list[Told]]

COLUMNS = ("source", "what", "outside", "ours", "differs", "allowed", "relative")
PLAIN: dict[str, Any] = {"ensure_ascii": False}

WRITING = object()
"""Registered as a plugin while the record is written instead of compared."""
FOUND: Record = {}

# heading, page of the method, modules
TOPICS: list[tuple[str, str | None, list[str]]] = [
    ("Units", "recipe.md", ["test_units_measures"]),
    ("Air", "air.md", ["test_air_humidity"]),
    ("Clocks", None, ["test_export_clocks"]),
    ("Recipe", "recipe.md", ["test_recipe_chemistry"]),
    ("Curves", "curves.md", ["test_curves_nist"]),
    ("Drying", "drying_curve.md", ["test_drying_weighings"]),
    ("Touch checks", "dry_time.md", ["test_touch_survreg", "test_touch_lifelines", "test_touch_mixed"]),
    ("Crumble", "crumble.md", ["test_crumble_agreement", "test_crumble_drops"]),
    ("Fizz", "fizz.md", ["test_fizz_curves", "test_fizz_lifetimes"]),
    (
        "Effects",
        "effects.md",
        [
            "test_effects_nist",
            "test_effects_blocks",
            "test_effects_split_plots",
            "test_effects_surfaces",
            "test_effects_sequential",
        ],
    ),
    ("Choose", "choose.md", ["test_choose_desirability"]),
    ("Season", "season.md", ["test_season_pooling"]),
    ("Drift", "season.md", ["test_drift_charts"]),
    ("Records", "records.md", ["test_records_hash"]),
    (
        "Design",
        "design.md",
        [
            "test_design_fractions",
            "test_design_surfaces",
            "test_design_optimal",
            "test_design_blends_and_blocks",
        ],
    ),
    ("Power", "power.md", ["test_power_exact", "test_power_schedule"]),
    ("Repeatability", "repeatability.md", ["test_repeatability_studies"]),
]

# strongest first: short name, long name
KINDS = {
    "certified": ("certified", "Certified or defined value"),
    "standard": ("standard, handbook", "Standard or handbook"),
    "publication": ("published example", "Published example"),
    "program": ("program, public data", "Another program, on public data or on a stated plan"),
    "invented": ("program, made-up data", "Another program on made-up readings"),
    "trade": ("trade", "Said by the trade"),
    "theory": (
        "mathematics",
        "No outside value but mathematics: a definition, theorem, law or exhaustive search",
    ),
}

OPENING = f"""# What the numbers are checked against

A program that reckons can be wrong without looking wrong. So the main results of fizzlab are compared with
values that do not come from it: certified ones, standards and handbooks, examples printed in books and
papers, and other programs on the same readings. Some are held to mathematics instead, which is no outside
value. This page lists those comparisons. It is written by `{COMMAND}`, from the checks in
`tests/published/`, which run with all other tests; a check that changes without this page is a failed test.
Do not edit it by hand.

"""

READING = """
- **outside** is the value of the source, **ours** is fizzlab's, to as many digits. Of more than four numbers
  in one row the first two and the last are shown. For mathematics the column is called **expected**: what a
  definition, theorem or law asks for, worked out here or by hand, so that it shows a slip but not a wrong
  method.
- **differs by** is the largest difference in the row, rounded up, when this page was written; **allowed** is
  what every run of the tests holds it to. *0.03 %* and *2 in 10⁹* are shares of the outside value; a number
  alone is in the unit of the row. A row without them is not a number against a number: the same table, a
  number between two others, a statement.
- Within a topic the strongest sources come first. "Certified" means a value published for testing programs,
  or exact by definition. A program that agrees on public data shows that two programs do the same sums, not
  that the sums are the right ones; what speaks for the method stands on its page.
- **Seen** says how the value came here. "Run for this check" means that we ran the program named, in the
  version named; the script or command stands below, and the tests do not need that program. A script prints
  the values under the names of the tests and of the rows. "There" means in the source itself or a copy of it.
  A value that we know only because somebody else quotes it says who does. What is from memory says so.

How many rows a topic has, by the kind of source:
"""


@cache
def read_record() -> Record:
    """Return what each test found when the page was written."""
    if not RECORD.exists():
        return {}
    kept = json.loads(RECORD.read_text(encoding="utf-8"))
    sources = kept["sources"]
    return {
        test: [dict(zip(COLUMNS, (sources[row[0]], *row[1:]), strict=True)) for row in rows]
        for test, rows in kept["tests"].items()
    }


def _kept(record: Record) -> str:
    """A record as JSON, each source once and each row on a line."""
    sources: list[Told] = []
    tests = []
    for test, rows in record.items():
        lines = []
        for row in rows:
            if row["source"] not in sources:
                sources.append(row["source"])
            lines.append(
                json.dumps([sources.index(row["source"]), *(row[key] for key in COLUMNS[1:])], **PLAIN)
            )
        tests.append(f"{json.dumps(test, **PLAIN)}: [\n" + ",\n".join(lines) + "]")
    listed = ",\n".join(json.dumps(source, **PLAIN) for source in sources)
    return '{"sources": [\n' + listed + '],\n"tests": {\n' + ",\n".join(tests) + "}}\n"


def why_stale(old: list[Told], new: list[Told]) -> str | None:
    """Say why rows on the page are not those of a check any more, if so.

    Another machine differs in the last digits. So a difference is news only where it is ten times that on the
    page and comes within a tenth of what is allowed.
    """
    if len(old) != len(new):
        return f"{len(new)} rows, {len(old)} on the page"
    for before, now in zip(old, new, strict=True):
        fixed = ["source", "what", "allowed", "relative"] + ["outside"] * (not now["source"]["live"])
        for key in fixed:
            if before[key] != now[key]:
                return f"{key} of {now['what']!r}"
        if now["differs"] is not None and now["differs"] > max(10 * before["differs"], now["allowed"] / 10):
            return f"{now['what']!r} differs by {now['differs']:.1e}, on the page {before['differs']:.1e}"
    return None


def render(record: Record) -> str:
    """Return the page for a record."""
    parts = [OPENING + _kinds(record) + READING, _summary(record)]
    for title, method, modules in TOPICS:
        parts.append(f"## {title}\n")
        if method:
            parts.append(f"How it is worked out: [methods/{method}](methods/{method}).\n")
        rows = _rows(record, modules)
        sources = {json.dumps(row["source"]): row["source"] for row in rows}
        for source in sorted(sources.values(), key=lambda s: list(KINDS).index(s["kind"])):
            theirs = "expected" if source["kind"] == "theory" else "outside"
            parts += [_told(source), _table([row for row in rows if row["source"] == source], theirs)]
    return "\n".join(parts)


def _rows(record: Record, modules: list[str]) -> list[Told]:
    return [
        row
        for module in modules
        for name, rows in record.items()
        if name.startswith(f"{module}.py::")
        for row in rows
    ]


def _kinds(record: Record) -> str:
    rows = [row for tests in record.values() for row in tests]
    lines = ["| kind | rows | |", "|---|---:|---|"]
    for kind, (short, long) in KINDS.items():
        lines.append(f"| {short} | {sum(row['source']['kind'] == kind for row in rows)} | {long} |")
    return "\n".join(lines) + "\n"


def _summary(record: Record) -> str:
    kinds = [short for short, _ in KINDS.values()]
    lines = [f"| rows | {' | '.join(kinds)} |", "|---|" + "---:|" * len(kinds)]
    for title, _, modules in TOPICS:
        rows = _rows(record, modules)
        counts = [sum(row["source"]["kind"] == kind for row in rows) for kind in KINDS]
        anchor = title.lower().replace(" ", "-")
        lines.append(f"| [{title}](#{anchor}) | {' | '.join(str(c or '') for c in counts)} |")
    return "\n".join(lines) + "\n"


def _told(source: Told) -> str:
    seen = source["seen"]
    text = f"**{_plain(source['name'])}**  \n{KINDS[source['kind']][1]}. Seen: {_plain(seen)}.\n"
    if source["how"].endswith(".R"):
        return text + f"Script: [{source['how']}](../{source['how']}).\n"
    return text + (f"\n```\n{source['how']}\n```\n" if source["how"] else "")


def _table(rows: list[Told], theirs: str) -> str:
    lines = [f"| what | {theirs} | ours | differs by | allowed |", "|---|---|---|---:|---:|"]
    for row in rows:
        if row["differs"] is None:
            numbers = ["", ""]
        else:
            numbers = [_size(row["differs"], row["relative"]), _size(row["allowed"], row["relative"], 2)]
        cells = [*(_plain(row[key]) for key in ("what", "outside", "ours")), *numbers]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _plain(text: str) -> str:
    for mark in "\\|*_<[]":
        text = text.replace(mark, "\\" + mark)
    return text


def _size(value: float, relative: bool, digits: int = 1) -> str:
    """A difference, rounded up: 0.03 %, 2 in 10⁹, 0.0004, 4·10⁻⁷."""
    if value <= (1e-10 if relative else 1e-12):
        return "under 1 in 10¹⁰" if relative else "under 10⁻¹²"
    power = floor(log10(value))
    step = 10.0 ** (1 - digits)
    lead = float(f"{ceil(round(value / 10.0**power / step, 6)) * step:.6g}")
    if lead == 10:
        lead, power = 1.0, power + 1
    if power >= -4:
        return f"{100 * lead * 10.0**power:.6g} %" if relative else f"{lead * 10.0**power:.6g}"
    return f"{lead:g} in 10{_raised(-power)}" if relative else f"{lead:g}·10{_raised(power)}"


def _raised(power: int) -> str:
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def write() -> int:
    """Run the checks, then write the record and the page; return the exit code of the run."""
    code = pytest.main([str(HERE), "-n0", "-q", "--ignore", str(HERE / "test_page.py")], plugins=[WRITING])
    if code == 0:
        RECORD.write_text(_kept(FOUND), encoding="utf-8")
        PAGE.write_text(render(read_record()), encoding="utf-8")
        print(f"wrote {PAGE}")
    return int(code)


if __name__ == "__main__":
    from page import write as write_page  # this file as the conftest knows it, not as __main__

    raise SystemExit(write_page())
