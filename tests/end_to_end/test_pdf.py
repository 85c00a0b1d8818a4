"""The report as a PDF: pages numbered and headed, nothing lost or torn, nothing left where it fails."""

from __future__ import annotations

import os
import re
import shutil
import signal
import stat
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pypdf import PageObject, PdfReader
from pypdf.generic import DictionaryObject

from fizzlab.cli.main import main
from fizzlab.report import pdf as printing

MakeTrial = Callable[..., Path]
DEMOS = ["binder", "colour-ways", "season"]
MM_OF_POINT = 25.4 / 72


def _installed() -> Path | None:
    try:
        return printing.find_browser()
    except printing.NotPrinted:
        return None


BROWSER = _installed()
needs_browser = pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")


def _plain(text: str) -> str:
    """Letters and digits only: a line break or a ligature in the PDF is no difference."""
    return re.sub(r"[\W_]+", "", unicodedata.normalize("NFKC", text))


def _inner(html: str, tag: str) -> list[str]:
    found = re.findall(rf"<{tag}\b[^>]*>(.*?)</{tag}>", html, flags=re.DOTALL)
    return [_plain(unescape(re.sub(r"<[^>]+>", "", text))) for text in found]


@dataclass(frozen=True)
class Printed:
    """A PDF with the text of its pages, which takes long to get."""

    pdf: PdfReader
    texts: list[str]

    @property
    def plain(self) -> list[str]:
        return [_plain(text) for text in self.texts]


def _read(path: Path) -> Printed:
    pdf = PdfReader(path)
    return Printed(pdf, [sheet.extract_text() for sheet in pdf.pages])


@pytest.fixture(scope="module")
def printed(demo_reports: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Printed]:
    home = tmp_path_factory.mktemp("pdf")
    for name, paper in zip(DEMOS, ("a4", "letter", "a4"), strict=True):
        printing.print_pdf(demo_reports[name], home / f"{name}.pdf", paper=paper, whole=True)  # type: ignore[arg-type]
    assert sorted(path.name for path in home.iterdir()) == [f"{name}.pdf" for name in DEMOS]
    return {name: _read(home / f"{name}.pdf") for name in DEMOS}


@needs_browser
@pytest.mark.parametrize(("name", "width", "height"), [("binder", 210, 297), ("colour-ways", 215.9, 279.4)])
def test_paper_is_the_one_asked_for(
    name: str, width: float, height: float, printed: dict[str, Printed]
) -> None:
    for sheet in printed[name].pdf.pages:
        assert float(sheet.mediabox.width) * MM_OF_POINT == pytest.approx(width, abs=0.5)
        assert float(sheet.mediabox.height) * MM_OF_POINT == pytest.approx(height, abs=0.5)


@needs_browser
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", ["cores", *DEMOS])
def test_the_front_page_is_one_sheet(
    name: str, paper: printing.Paper, demo_reports: dict[str, Path], tmp_path: Path
) -> None:
    printing.print_pdf(demo_reports[name], tmp_path / "front.pdf", paper=paper)
    (sheet,) = _read(tmp_path / "front.pdf").plain
    html = demo_reports[name].read_text(encoding="utf-8")
    front = html[html.index('<div class="front">') : html.index('<div class="detail">')]
    assert all(text in sheet for tag in ("h1", "h2", "li", "figcaption") for text in _inner(front, tag))


@needs_browser
@pytest.mark.parametrize("name", DEMOS)
def test_every_page_says_which_it_is(name: str, printed: dict[str, Printed]) -> None:
    pages = printed[name].texts
    assert len(pages) > 3
    for number, page in enumerate(pages, start=1):
        text = " ".join(page.split())
        assert f"page {number} of {len(pages)}" in text
        assert re.search(rf"Record {name}-1 · \d{{1,2}} [A-Z][a-z]+ 20\d\d", text)
        assert (f"Trial {name}" in text) == (number > 1)  # the first page has the head of the report


@needs_browser
@pytest.mark.parametrize("name", DEMOS)
def test_nothing_is_lost_and_what_belongs_together_stays_together(
    name: str, printed: dict[str, Printed], demo_reports: dict[str, Path]
) -> None:
    html = demo_reports[name].read_text(encoding="utf-8")
    pages = printed[name].plain
    for tag in ("h1", "h2", "h3", "figcaption", "li", "caption"):
        for text in _inner(html, tag):
            assert any(text in page for page in pages), f"{tag} torn or lost: {text}"
    for heading in _inner(html, "h2") + _inner(html, "h3"):
        assert not any(page.endswith(heading) for page in pages), f"{heading} is the last thing on a page"
    for row in _inner(html, "tr"):
        assert any(row in page for page in pages), f"row torn or lost: {row}"
    assert min(map(len, pages)) > 250, "a page is nearly empty"


@needs_browser
@pytest.mark.parametrize("name", DEMOS)
def test_a_figure_stands_on_the_page_of_its_caption(
    name: str, printed: dict[str, Printed], demo_reports: dict[str, Path]
) -> None:
    html = demo_reports[name].read_text(encoding="utf-8")
    alts = [_plain(unescape(alt)) for alt in re.findall(r'<img [^>]*alt="([^"]*)"', html)]
    pages = printed[name].plain
    drawn = _pages_of_figures(printed[name].pdf)
    assert set(drawn) == set(alts)  # a screen reader finds every figure in the PDF too
    for alt, caption in zip(alts, _inner(html, "figcaption"), strict=True):
        assert caption in pages[drawn[alt]]


def _pages_of_figures(pdf: PdfReader) -> dict[str, int]:
    """Page of each figure by its text for screen readers, from the tags of the PDF."""
    found: dict[str, int] = {}
    todo: list[Any] = [pdf.root_object["/StructTreeRoot"]]
    while todo:
        node = todo.pop().get_object()
        if isinstance(node, list):
            todo.extend(node)
        elif isinstance(node, DictionaryObject):
            if "/Alt" in node:
                number = pdf.get_page_number(PageObject(pdf, node.raw_get("/Pg")))
                found[_plain(str(node["/Alt"]))] = number if number is not None else -1
            if "/K" in node:
                todo.append(node["/K"])
    return found


@needs_browser
@pytest.mark.parametrize("name", DEMOS)
def test_a_table_that_goes_on_says_its_columns_again(
    name: str, printed: dict[str, Printed], demo_reports: dict[str, Path]
) -> None:
    html = demo_reports[name].read_text(encoding="utf-8")
    pages = printed[name].plain
    for table in re.findall(r"<table>.*?</table>", html, flags=re.DOTALL):
        head, *rows = _inner(table, "tr")
        caption = _inner(table, "caption")
        spread = _run_of_pages(pages, rows)
        assert all(head in pages[number] for number in spread)
        assert not caption or caption[0] in pages[min(spread)]


def _run_of_pages(pages: list[str], rows: list[str]) -> list[int]:
    """The shortest run of pages that holds all rows of a table."""
    for length in range(1, 4):
        for first in range(len(pages) - length + 1):
            numbers = list(range(first, first + length))
            if all(any(row in pages[number] for number in numbers) for row in rows):
                return numbers
    raise AssertionError("the table is spread over more than three pages, or a row is missing")


@needs_browser
@pytest.mark.slow
def test_a_record_holds_the_pdf_on_the_paper_of_the_trial(make_trial: MakeTrial) -> None:
    folder = make_trial()
    toml = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(f'paper = "letter"\n{toml}', encoding="utf-8")
    result = CliRunner().invoke(main, ["report", str(folder), "--pdf"])
    assert result.exit_code == 0, result.output
    record = folder / "records" / "quay-1"
    assert result.stdout.splitlines() == [str(record / "report.html"), str(record / "report.pdf")]
    pdf = PdfReader(record / "report.pdf")
    assert float(pdf.pages[0].mediabox.width) * MM_OF_POINT == pytest.approx(215.9, abs=0.5)
    assert "Record quay-1" in pdf.pages[-1].extract_text()
    assert not [path.name for path in record.iterdir() if path.name.startswith(".")]
    verified = CliRunner().invoke(main, ["records", "verify", str(folder)])
    assert verified.exit_code == 0, verified.output
    (record / "report.pdf").write_bytes((record / "report.pdf").read_bytes() + b" ")
    assert "report.pdf" in CliRunner().invoke(main, ["records", "verify", str(folder)]).stdout


@needs_browser
def test_a_record_is_printed_later_beside_it(demo_reports: dict[str, Path], tmp_path: Path) -> None:
    record = shutil.copytree(demo_reports["season"].parent, tmp_path / "season-1")
    before = {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    result = CliRunner().invoke(main, ["pdf", str(record), "--paper", "Letter", "--whole"])
    assert (result.exit_code, result.stdout.strip()) == (0, str(tmp_path / "season-1.pdf"))
    assert len(PdfReader(tmp_path / "season-1.pdf").pages) > 3
    assert before == {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    again = CliRunner().invoke(main, ["pdf", str(record)])
    assert again.exit_code == 2
    assert "season-1.pdf is there already" in again.stderr


def test_printing_later_never_writes_into_a_record(demo_reports: dict[str, Path], tmp_path: Path) -> None:
    record = shutil.copytree(demo_reports["season"].parent, tmp_path / "season-1")
    inside = CliRunner().invoke(main, ["pdf", str(record), "--to", str(record / "report.pdf")])
    assert inside.exit_code == 2
    assert "A record is never changed" in inside.stderr
    nothing = CliRunner().invoke(main, ["pdf", str(tmp_path)])
    assert nothing.exit_code == 2
    assert "holds no report.html" in nothing.stderr


@pytest.mark.slow
def test_without_a_browser_the_record_is_whole_and_the_maker_is_told(
    make_trial: MakeTrial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(printing.NAMED, "no-such-browser")
    folder = make_trial()
    result = CliRunner().invoke(main, ["report", str(folder), "--pdf"])
    page = folder / "records" / "quay-1" / "report.html"
    assert result.exit_code == 2
    assert result.stdout.strip() == str(page)
    assert "names “no-such-browser”, which is no program on this computer" in result.stderr
    assert "The record was kept without a PDF, and is whole otherwise" in result.stderr
    assert (page.parent / "findings.json").is_file()
    assert not (page.parent / "report.pdf").exists()
    assert CliRunner().invoke(main, ["records", "verify", str(folder)]).exit_code == 0


def test_paper_without_pdf_is_refused(make_trial: MakeTrial) -> None:
    result = CliRunner().invoke(main, ["report", str(make_trial()), "--paper", "a4"])
    assert result.exit_code == 2
    assert "--pdf" in result.stderr


def test_no_browser_anywhere(tmp_path: Path) -> None:
    with pytest.raises(printing.NotPrinted, match="Chromium, Chrome, Edge or Brave, and none of them"):
        printing.find_browser({"PATH": str(tmp_path)}, system="win32")


def test_browsers_are_found_in_their_usual_places(tmp_path: Path) -> None:
    program = _program(tmp_path / "bin" / "brave-browser", "")
    assert printing.find_browser({"PATH": str(program.parent)}) == program
    named = _program(tmp_path / "mine", "")
    assert printing.find_browser({"PATH": str(program.parent), printing.NAMED: str(named)}) == named
    mac = _program(tmp_path / "Applications/Google Chrome.app/Contents/MacOS/Google Chrome", "")
    assert printing.find_browser({"PATH": "", "HOME": str(tmp_path)}, system="darwin") == mac


def _program(path: Path, body: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!{sys.executable}\n{body}", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


_TARGET = """
import pathlib, subprocess, sys, time
target = next(word.partition("=")[2] for word in sys.argv if word.startswith("--print-to-pdf="))
"""


@pytest.mark.skipif(os.name == "nt", reason="the stand-in browsers are scripts with a #! line")
@pytest.mark.parametrize(
    ("does", "said"),
    [
        ("sys.exit('the moon is in the way')", "printed nothing: the moon is in the way."),
        ("pass", "printed nothing: it did not say why."),
        ("pathlib.Path(target).write_text('%PDF-1.4 cut')", "a PDF that is not whole"),
        ("pathlib.Path(target).write_text('%PDF-1.4 Skia/PDF m120 %%EOF')", "is version 120"),
        ("subprocess.Popen(['sleep', '60']); time.sleep(60)", "had printed nothing after 1 s"),
    ],
)
def test_a_browser_that_fails_leaves_nothing(does: str, said: str, tmp_path: Path) -> None:
    browser = _program(tmp_path / "browser", _TARGET + does)
    html = tmp_path / "report.html"
    html.write_text("<html><head></head><body>A</body></html>", encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    (out / "report.pdf").write_text("an older one", encoding="utf-8")
    with pytest.raises(printing.NotPrinted) as raised:
        printing.print_pdf(html, out / "report.pdf", browser=browser, timeout_s=1)
    assert said in str(raised.value)
    assert [path.name for path in out.iterdir()] == ["report.pdf"]
    assert (out / "report.pdf").read_text(encoding="utf-8") == "an older one"


@pytest.mark.skipif(os.name == "nt", reason="the stand-in browsers are scripts with a #! line")
def test_the_sandbox_is_left_out_only_where_it_cannot_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    log = tmp_path / "log"
    note = f"open({str(log)!r}, 'a').write('without ' if '--no-sandbox' in sys.argv else 'with ')\n"
    whole = "pathlib.Path(target).write_text('%PDF-1.4 Skia/PDF m150 %%EOF')"
    refuses = "'--no-sandbox' in sys.argv or sys.exit('No usable sandbox!')\n"
    html = tmp_path / "report.html"
    html.write_text("<html><head></head><body>A</body></html>", encoding="utf-8")
    for name, body in (("sound", whole), ("boxed-in", refuses + whole)):
        browser = _program(tmp_path / name, _TARGET + note + body)
        printing.print_pdf(html, tmp_path / f"{name}.pdf", browser=browser)
    assert log.read_text() == "with with without "


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no SIGINT to a child in this way")
def test_ctrl_c_while_printing_ends_the_browser_and_leaves_nothing(tmp_path: Path) -> None:
    started = tmp_path / "started"
    browser = _program(
        tmp_path / "browser",
        f"import os, time\nopen({str(started)!r}, 'w').write(str(os.getpid()))\ntime.sleep(60)",
    )
    (tmp_path / "report.html").write_text("<html></html>", encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    child = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "fizzlab.cli.main",
            "pdf",
            str(tmp_path / "report.html"),
            "--to",
            str(out / "a.pdf"),
        ],
        env={**os.environ, printing.NAMED: str(browser)},
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),  # a shell's & would have it ignored
    )
    deadline = time.monotonic() + 30
    while not (started.exists() and started.read_text()) and time.monotonic() < deadline:
        time.sleep(0.05)
    child.send_signal(signal.SIGINT)
    _, said = child.communicate(timeout=30)
    assert child.returncode == 130, said
    assert list(out.iterdir()) == []
    with pytest.raises(ProcessLookupError):
        os.kill(int(started.read_text()), 0)
