"""Labels for trays and pieces: blind codes alone, where the paper has its labels, and a QR code."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import segno
from browsers import BROWSER
from click.testing import CliRunner, Result
from planned_trials import COLOUR, GUM, HEAD, RECIPE

from fizzlab.bench.planfiles import write_plan
from fizzlab.cli.main import main
from fizzlab.trial.folder import load

PLAN = '[plan]\nkind = "factorial"\nrepeats = 2\nbatches_per_day = 6\ntables = ["touch_checks"]\npieces = 2\n'
CODES = re.compile(r'<div class="code">(\d+)</div>\s*<div class="what">(tray|piece \d)</div>')
HERE = "http://192.168.1.5:8866/"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("quay")
    (made / "trial.toml").write_text(HEAD + COLOUR + GUM + PLAN + RECIPE, encoding="utf-8")
    write_plan(made)
    return made


@pytest.fixture
def labels(folder: Path) -> Callable[..., Result]:
    return lambda *options: CliRunner().invoke(main, ["labels", str(folder), *options])


def _page(folder: Path) -> str:
    return (folder / "labels.html").read_text(encoding="utf-8")


def _lengths(*pairs: tuple[float, float]) -> list[str]:
    named = zip(("--size", "--gap", "--margin"), pairs, strict=True)
    return [word for option, pair in named for word in (option, *map(str, pair))]


def _square(url: str) -> str:
    return str(segno.make(url, error="m", micro=False).svg_inline(omitsize=True))


def test_every_tray_and_piece_has_a_label_of_codes_alone(folder: Path, labels: Callable[..., Result]) -> None:
    result = labels()
    assert result.exit_code == 0, result.output
    assert result.output.strip() == str(folder / "labels.html")
    page, runs = _page(folder), load(folder).rows("runs")
    codes = sorted(runs["blind"])
    assert CODES.findall(page) == [(code, of) for code in codes for of in ("tray", "piece 1", "piece 2")]
    body = "<section" + page.partition("<section")[2]
    words = set(re.findall(r"\w+", re.sub("<[^>]+>", " ", body)))
    assert words == {*codes, "quay", "tray", "piece", "1", "2"}  # no batch, no day, no level
    assert "<svg" not in page
    assert "http" not in page


def test_the_order_of_labels_says_nothing_of_the_order_of_making(
    folder: Path, labels: Callable[..., Result]
) -> None:
    labels("--pieces", "0")
    runs = load(folder).rows("runs")
    assert [code for code, _ in CODES.findall(_page(folder))] == sorted(runs["blind"]) != list(runs["blind"])


@pytest.mark.parametrize(
    ("address", "before"),
    [
        (HERE, HERE + "?tray="),
        ("http://192.168.1.5:8866", HERE + "?tray="),
        ("https://harbour.local/bench?zoom=2&tray=1&token=abc", "https://harbour.local/bench?zoom=2&tray="),
    ],
)
def test_a_qr_code_opens_the_bench_at_the_tray(
    address: str, before: str, folder: Path, labels: Callable[..., Result]
) -> None:
    assert labels("--address", address, "--pieces", "1").exit_code == 0
    page = _page(folder)
    for code in load(folder).rows("runs")["blind"]:
        assert page.count(_square(before + code)) == 2  # of the tray and of its piece
    assert "token" not in page


Pair = tuple[float, float]
Stock = tuple[str, Pair, Pair, Pair, tuple[int, int]]  # paper, size, gap, margin, columns and rows

#: Common sheets of labels in mm: width, height, gap, margins, and how many across and down.
STOCK: list[Stock] = [
    ("a4", (70, 37), (0, 0), (0, 0), (3, 8)),
    ("a4", (63.5, 38.1), (2.5, 0), (7.2, 15.1), (3, 7)),
    ("a4", (99.1, 38.1), (2.5, 0), (4.6, 15.1), (2, 7)),
    ("a4", (38.1, 21.2), (2.5, 0), (4.7, 10.7), (5, 13)),
    ("letter", (66.7, 25.4), (3.2, 0), (4.7, 12.7), (3, 10)),
    ("letter", (101.6, 50.8), (4.8, 0), (3.9, 12.7), (2, 5)),
]


@pytest.mark.parametrize("stock", STOCK)
def test_common_sheets_hold_as_many_labels_as_they_have(
    stock: Stock, folder: Path, labels: Callable[..., Result]
) -> None:
    paper, size, gap, margin, grid = stock
    result = labels("--paper", paper, *_lengths(size, gap, margin), "--address", HERE)
    assert result.exit_code == 0, result.output
    page = _page(folder)
    assert f"repeat({grid[0]}, {float(size[0])}mm); grid-template-rows: repeat({grid[1]}," in page
    on_first = page.partition('aria-label="Sheet 1"')[2].partition("</section>")[0]
    assert on_first.count('class="label"') == min(grid[0] * grid[1], 36)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--size", "300", "20"), "no sheet holds a label of 300 x 20 mm"),
        (("--margin", "90", "0"), "no sheet holds a label of 70 x 37 mm between its margins."),
        (("--size", "0", "0"), "0.0 is not in the range 5<=x<=300"),
        (("--address", "harbour"), "“harbour” is no address."),
        (("--address", "ftp://harbour/"), "“ftp://harbour/” is no address."),
        (("--size", "30", "10", "--address", HERE), "on labels so small no phone reads its QR code."),
    ],
)
def test_what_cannot_be_printed_is_refused_and_leaves_the_page(
    options: tuple[str, ...], says: str, folder: Path, labels: Callable[..., Result]
) -> None:
    labels()
    before = _page(folder)
    result = labels(*options)
    assert result.exit_code == 2
    assert says in result.stderr
    assert _page(folder) == before


def test_batches_without_codes_are_refused(make_trial: Callable[..., Path]) -> None:
    result = CliRunner().invoke(main, ["labels", str(make_trial())])
    assert result.exit_code == 2
    assert "not every batch has a blind code of its own" in result.stderr


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")
@pytest.mark.parametrize("stock", STOCK)
def test_labels_stand_where_the_sheet_has_them(
    stock: Stock, folder: Path, labels: Callable[..., Result], browser: Any
) -> None:
    paper, size, gap, margin, grid = stock
    labels("--paper", paper, *_lengths(size, gap, margin), "--address", HERE)
    page = browser.new_page()
    page.emulate_media(media="print")
    page.goto((folder / "labels.html").as_uri())
    boxes = page.evaluate(
        "[...document.querySelectorAll('.sheet:first-child .label, .sheet .label')].map(label => {"
        " const sheet = label.parentElement.getBoundingClientRect(), own = label.getBoundingClientRect();"
        " return [own.left - sheet.left, own.top - sheet.top, own.width, own.height,"
        " label.scrollWidth - label.clientWidth, label.scrollHeight - label.clientHeight,"
        " ...[...label.querySelectorAll('.code, .what')].map(e => e.scrollWidth - e.clientWidth)] })"
    )
    page.close()
    wide, high = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[paper]
    left, top = (
        (whole - many * (one + space) + space) / 2
        for whole, many, one, space in zip((wide, high), grid, size, gap, strict=True)
    )
    assert left > -0.1
    assert top > -0.1
    for place, box in enumerate(boxes[: grid[0] * grid[1]]):
        across, down = place % grid[0], place // grid[0]
        mm = [value * 25.4 / 96 for value in box[:4]]
        wanted = [left + across * (size[0] + gap[0]), top + down * (size[1] + gap[1]), *size]
        assert mm == pytest.approx(wanted, abs=0.1)
        assert max(box[4:]) <= 0  # nothing is cut off
