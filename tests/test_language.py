"""Another language is a file: every sentence of a report comes from it, and fits where it is said."""

from __future__ import annotations

import ast
import datetime as dt
import json
import re
import shutil
import string
import sys
import tomllib
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any, get_args

import pytest
from click.testing import CliRunner

sys.path.append(str(Path(__file__).parent / "faults"))

import weird
from kept_trial import entry_of

from fizzlab import language
from fizzlab.bench.buttons import Bench
from fizzlab.bench.logbook import Logbook, practice_folder
from fizzlab.cli.main import main
from fizzlab.design.kinds import KINDS
from fizzlab.language import listed, say, speaking, texts
from fizzlab.measures import TABLES
from fizzlab.models.censored import Failure
from fizzlab.records import versions
from fizzlab.report import page
from fizzlab.trial import shipped
from fizzlab.trial.folder import load
from fizzlab.trial.settings import read_settings

PACKAGE = Path(language.__file__).parents[1]
FILE = language.HERE / "en.toml"


def slots(text: Any) -> set[str]:
    """What fills a text, in any of its plural forms."""
    forms = text if isinstance(text, list) else [text]
    return {name for form in forms for _, name, _, _ in string.Formatter().parse(form) if name}


#: What says a text by its name, which stands first.
SAYING = ("say", "cannot", "lines", "problem", "refuse")


def calls(*saying: str) -> Iterator[tuple[str, set[str] | None]]:
    """Every sentence that code says by its name, and what fills it, as far as that is written there."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            called = node.func if isinstance(node, ast.Call) else None
            if isinstance(called, ast.Name) and called.id in (saying or SAYING):
                assert isinstance(node, ast.Call)
                filled = {each.arg for each in node.keywords}
                known = None if None in filled else {str(name) for name in filled}
                name = node.args[0]
                names = [name.body, name.orelse] if isinstance(name, ast.IfExp) else [name]
                yield from ((str(n.value), known) for n in names if isinstance(n, ast.Constant))


def named(code: str) -> set[str]:
    """Patterns of the names that code makes of a word and what it knows, such as ``not_.*`` of a kind."""
    found = set()
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.JoinedStr):
            parts = [each.value if isinstance(each, ast.Constant) else None for each in node.values]
            if all(part is None or re.fullmatch(r"\w+|raters: ", str(part)) for part in parts):
                found.add("".join(".*" if part is None else str(part) for part in parts))
    return {pattern for pattern in found if len(pattern) > 5}


def test_every_sentence_that_is_said_is_there_and_filled() -> None:
    said = list(calls())
    assert len(said) > 300
    assert [name for name, _ in said if name not in texts("en")] == []
    short = [(name, slots(texts("en")[name]) - known) for name, known in said if known is not None]
    assert [each for each in short if each[1]] == []


def test_no_name_stands_twice_and_none_is_idle() -> None:
    entries = tomllib.loads(FILE.read_text(encoding="utf-8"))
    names = [name for each in entries.values() for name, text in each.items() if not isinstance(text, dict)]
    assert len(names) == len(set(names))
    code = [path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")]
    made = set().union(*map(named, code))
    data = [path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.[ht][to]m[l]") if path != FILE]
    whole = "".join((*code, *data))
    quoted = {*re.findall(r"['\"]([^'\"\s]+)(?=['\"])", whole)}
    idle = [name for name in names if name not in quoted]
    assert [name for name in idle if not any(re.fullmatch(each, name) for each in made)] == []


def test_every_reason_of_a_likelihood_is_there_and_every_refusal_says_what_would_help() -> None:
    for kind in get_args(Failure):
        assert slots(texts("en")[f"likelihood_{kind}"]) <= {"columns"}
    refusals = dict(tomllib.loads(FILE.read_text(encoding="utf-8"))["cannot"])
    refusals |= {name: texts("en")[name] for name, _ in calls("problem", "refuse", "cannot")}
    forms = [form for text in refusals.values() for form in (text if isinstance(text, list) else [text])]
    assert len(forms) > 150
    assert [form for form in forms if not re.fullmatch(r"[^\n]+\n[^\n]+", form)] == []


@pytest.mark.parametrize("other", [name for name in language.languages() if name != "en"] or ["en"])
def test_a_language_fills_its_sentences_as_english_does(other: str) -> None:
    english = texts("en")
    assert {
        n: slots(t) - slots(english[n]) for n, t in texts(other).items() if slots(t) - slots(english[n])
    } == {}


def test_plurals_and_lists_are_the_languages_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plural = "n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2"
    polish = f'[rules]\nplural = "{plural}"\nlist_and = "{{first}} i {{last}}"\n'
    polish += '[count]\nn_days = ["{n} dzień", "{n} dni", "{n} dnia"]\n'
    (tmp_path / "pl.toml").write_text(polish, encoding="utf-8")
    shutil.copy(FILE, tmp_path)
    monkeypatch.setattr(language, "HERE", tmp_path)
    with speaking("pl"):
        assert [say("n_days", n=n) for n in (1, 3, 5)] == ["1 dzień", "3 dni", "5 dnia"]
        assert listed(["a", "b", "c"]) == "a, b i c"
        assert say("n_pieces", n=5) == "5 pieces"  # not translated, so in English, by its plural
    assert say("n_days", n=3) == "3 days"


def test_an_unknown_language_is_refused(tmp_path: Path) -> None:
    text = (shipped.demo("cores") / "trial.toml").read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(f'language = "xx"\n{text}', encoding="utf-8")
    _, problems = read_settings(tmp_path)
    assert [problem.what for problem in problems] == ["no report is written in “xx”; the languages are: en."]


def loud(text: Any, name: str) -> Any:
    """A text in capitals, but for what is filled in."""
    if isinstance(text, list):
        return [loud(each, name) for each in text]
    if name in ("plural", "html_lang", "weekday_clock"):
        return text
    parts = []
    for said, field, spec, conversion in string.Formatter().parse(text):
        parts.append(said.upper().replace("{", "{{").replace("}", "}}"))
        if field is not None:
            parts.append(f"{{{field}{f'!{conversion}' if conversion else ''}{f':{spec}' if spec else ''}}}")
    return "".join(parts)


DATA = ("measures.toml", "recipe/steps.toml", "trial/questions.toml")


def data_texts(entries: Any, key: str = "") -> Iterator[str]:
    """The texts of a data file: what a maker reads of it."""
    if isinstance(entries, dict):
        for name, each in entries.items():
            yield from data_texts(each, "words" if key == "choices" else name)
    elif isinstance(entries, list):
        for each in entries:
            yield from data_texts(each, key)
    elif isinstance(entries, str) and key in (
        "meaning",
        "label",
        "words",
        "note",
        "say",
        "do",
        "do_tried",
        "why",
    ):
        yield entries


def write_loud(to: Path) -> None:
    """A toy language: English in capitals, the texts of the data files too."""
    data = (tomllib.loads((PACKAGE / name).read_text(encoding="utf-8")) for name in DATA)
    known = dict.fromkeys(text for each in data for text in data_texts(each))
    assert not known.keys() & texts("en").keys()
    lines = ["[data]", *(f"{json.dumps(text)} = {json.dumps(text.upper())}" for text in known)]
    for section, entries in tomllib.loads(FILE.read_text(encoding="utf-8")).items():
        plain = {name: text for name, text in entries.items() if not isinstance(text, dict)}
        groups = {section: plain} | {f"{section}.{n}": e for n, e in entries.items() if isinstance(e, dict)}
        for head, each in groups.items():
            lines += [f"[{head}]", *(f"{json.dumps(n)} = {json.dumps(loud(t, n))}" for n, t in each.items())]
    to.write_text("\n".join(lines), encoding="utf-8")


def of_the_maker(folder: Path) -> Iterator[str]:
    """What a report of a trial takes over as its maker wrote it, and the names of files and programs."""
    trial = load(folder)
    settings = trial.settings
    yield from (settings.title, settings.question, settings.place, settings.made_by, settings.code)
    for name, factor in settings.factors.items():
        yield from (settings.label(name), *(factor.levels or ()))
    yield from (asked.label for asked in settings.responses.values())
    for name, table in trial.tables.items():
        yield from (name, name.replace("_", " "))
        for rows in (table.rows, table.left_out):
            for column in {"note", "reason", "leave_out", "rater"} & set(rows):
                yield from map(str, rows[column].dropna())
    yield from (name.replace("_", " ") for name in trial.absent())
    yield from (name for each in settings.lots.items() for name in (each[0].replace("_", " "), *each[1]))
    yield from (each for written in settings.deviations for each in (written.what, written.why or ""))
    yield from (path.name for path in folder.iterdir())
    yield from (f"{name} {version}" for name, version in versions().items())
    yield from ("SHA-256", "report.html")


@pytest.fixture
def toy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A toy language beside English."""
    files = tmp_path / "files"
    files.mkdir()
    shutil.copy(FILE, files)
    write_loud(files / "toy.toml")
    monkeypatch.setattr(language, "HERE", files)
    texts.cache_clear()
    return "toy"


#: What is typed, or is the name of something: a file, a table, a column, a command, a kind, an option.
KEPT = r"""“.*?”|fizzlab (?:new|import|report|bench|upgrade|plan)\b.*?(?=[.:;]|$)|--[a-z-]+|\[[a-zA-Z._]+\]
|[a-z_0-9]+\.(?:csv|xlsx|toml|jsonl|ipynb)|\b[a-z]+(?:_[a-z]+)+\b|ml|mm|kg"""


def left(said: str, *known: str) -> list[str]:
    """The lines that have English in them, but for what is typed or is a name."""
    said = re.sub(KEPT, "", said, flags=re.VERBOSE)
    for name in sorted(known, key=len, reverse=True):
        said = re.sub(rf"(?<![a-z]){re.escape(name)}(?![a-z])", "", said)
    return [line.strip() for line in said.splitlines() if re.search("[a-z]{3}", line)]


SPOILT = {
    "runs": "run,day,colour,made_at,blind\nA1,1,peral,2026-01-05T09:00,417\nA01,1,dye,05/06/2026 09:00,417\n",
    "touch_checks": "run,piece,hours,dry\nA1,1,2,no\nA1,1,2,maybe\nA1,1,1:30,yes\nB7,1,-4,yes\nA1,,3,yes\n",
    "weighings": "run,piece,hours,mass_g,mas\nA1,1,0,1.234\nA1,1,2,150 g\n",
    "tumbles": "run,pieces,before_g,after_g\nA1,4,100,120\n",
    "room_log": "time,temp_c\n2026-01-05T09:00,70\n",
    "shelf": "run,piece,weeks\nA1,1,2\n",
}

BAD_TOML = """language = "toy"
code = "a b"
title = ""
colur = 1
[factors.colour]
levels = ["pearl", "dye", "Dye"]
control = "lake"
[plan]
kind = "comparing"
"""


def test_check_refuses_in_the_trials_language(toy: str, make_trial: Any) -> None:
    folder = make_trial()
    path = folder / "trial.toml"
    path.write_text(f'language = "toy"\n{path.read_text(encoding="utf-8")}', encoding="utf-8")
    for name, text in SPOILT.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["check", str(folder)])
    assert result.exit_code == 2
    assert result.output.count("\n") > 12
    assert "TO MEND FIRST; NOTHING WAS WRITTEN." in result.output
    names = re.findall(r"\w+", "runs colour pearl dye piece dry hours weeks blind mas seconds binder run")
    assert left(result.output, *names) == []
    path.write_text(BAD_TOML, encoding="utf-8")
    result = CliRunner().invoke(main, ["check", str(folder)])
    assert (result.exit_code, "KEY FACTORS" in result.output) == (2, False)
    assert "KEY colur: FIZZLAB KNOWS NO SUCH KEY." in result.output
    keys = ("colur", "code", "title", "factors.colour", "plan.kind", "question", "fizzlab upgrade FOLDER")
    assert left(result.output, *names, *KINDS, *keys) == []


def test_check_says_what_is_due_and_odd_in_the_trials_language(toy: str, tmp_path: Path) -> None:
    folder = tmp_path / "cores"
    shutil.copytree(shipped.demo("cores"), folder, ignore=shutil.ignore_patterns("records"))
    path = folder / "trial.toml"
    path.write_text(f'language = "toy"\n{path.read_text(encoding="utf-8")}', encoding="utf-8")
    (folder / "notes.csv").write_text("x\n1\n", encoding="utf-8")
    result = CliRunner().invoke(main, ["check", str(folder)])
    assert result.exit_code == 0
    assert "NO PROBLEMS." in result.output
    assert "NEXT: " in result.output
    assert left(result.output, *TABLES, str(folder)) == []


def test_the_bench_speaks_the_trials_language(toy: str, tmp_path: Path) -> None:
    folder = practice_folder(tmp_path)
    with speaking(toy):
        bench = Bench(Logbook(folder), lambda: dt.datetime(2026, 1, 5, 9).timestamp())
        bench.cards["touch_checks"].buttons["yes"].click()
        refused = bench.message.value
        bench.tray.index = 0
        bench.piece.value = "1"
        bench.go.click()
        parts = [refused, bench.message.value, bench.chosen.value, bench.caution.value, bench.status.value]
    for widget in _widgets(bench.view):
        parts += [getattr(widget, "description", ""), getattr(widget, "tooltip", None) or ""]
    said = "\n".join(
        re.sub(r"<style>.*?</style>|<script.*?</script>|<[^>]*>", "\n", p, flags=re.DOTALL) for p in parts
    )
    assert "NO TRAY IS CHOSEN." in said
    assert left(said, *TABLES, *(name.replace("_", " ") for name in TABLES), "bench", "mass") == []


def _widgets(view: Any) -> Iterator[Any]:
    yield view
    for child in getattr(view, "children", ()):
        yield from _widgets(child)


#: Rooms of which every text for a maker stands in the file of the language, and what is left out of them.
TRANSLATED = ("trial", "recipe", "bench", "cli")
LEFT = {"cli/records.py"}

#: What no maker reads: errors of a programmer, patterns, the help of the command.
UNSAID = {"ValueError", "KeyError", "TypeError", "AssertionError", "compile", "option", "command", "group"}

#: Names, though of several words: of kinds, of what trial.toml may say, of a sheet; the texts of columns that
#: a language has as data; and what is written into a notebook or a page as code.
NAMES = (
    r"isopropyl alcohol.*|month in words|rh and temperature|how to fill in|day of making|the code on the tray"
)
NAMES += (
    r"|when it was made, or is to be looked at|trial_folder: str = |  # the folder of the trial|<audio .*"
)


def english(path: Path) -> Iterator[tuple[int, str]]:
    """Texts of two plain words or more in code, but for docstrings and what no maker reads."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    unsaid = set[ast.AST]()
    for node in ast.walk(tree):
        called = node.func if isinstance(node, ast.Call) else None
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        if docstring or getattr(called, "id", getattr(called, "attr", "")) in UNSAID:
            unsaid |= set(ast.walk(node))
    for node in ast.walk(tree):
        text = node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""
        words = re.search(r"[a-z]{2,}[,;:]? [a-z]{2,}[,.;:]? |[a-z]{2,} [a-z]{2,}\.$", text)
        if words and node not in unsaid and not re.fullmatch(NAMES, text):
            yield node.lineno, text


@pytest.mark.parametrize("room", TRANSLATED)
def test_no_sentence_stands_in_the_code_of_a_room(room: str) -> None:
    found = {}
    for path in sorted((PACKAGE / room).rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        if name not in LEFT and (lines := list(english(path))):
            found[name] = lines
    assert found == {}


@pytest.mark.slow
def test_a_whole_report_in_a_toy_language_has_no_english_left(tmp_path: Path, toy: str) -> None:
    folder = tmp_path / "cores"
    shutil.copytree(shipped.demo("cores"), folder, ignore=shutil.ignore_patterns("records"))
    toml = folder / "trial.toml"
    toml.write_text('language = "toy"\n' + toml.read_text(encoding="utf-8"), encoding="utf-8")
    shown, stamp = weird.shown(folder), entry_of("cores-1")
    html = page.html_page(shown, title="T", stamp=stamp, place="", language="toy")
    heard = re.findall(r'(?:alt|aria-label)="([^"]*)"', html)
    body = re.sub(r"<style>.*?</style>|<img[^>]*>", "|", html, flags=re.DOTALL)
    svgs = (svg for _, svg in shown.pictures.values())
    drawn = [" ".join(map(str.strip, re.findall("<!--(.*?)-->", svg, re.DOTALL))) for svg in svgs]
    text = unescape("|".join([re.sub(r"<[^>]*>", "|", body), *heard, *drawn])).replace("\u00a0", " ")
    assert "KEEP emulsifier + pearl FOR NOW, FOR ITS DRY TIME: NEARLY EVERY NEW BATCH" in text
    for known in sorted(filter(None, of_the_maker(folder)), key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(known)}(?!\w)", "", text, flags=re.IGNORECASE)
    text = re.sub(r"[0-9a-f]{16,}|fizzlab next\s*(--do \w+)?", "", text)  # checksums, and what is typed
    assert [line.strip() for line in text.split("|") if re.search("[a-z]{3}", line)] == []
