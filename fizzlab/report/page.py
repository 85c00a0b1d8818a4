"""The pieces of a report: how a notebook shows them, how `from_notebook` makes the page of them.

Each piece shows itself as HTML, which is gathered again, so that the notebook is the only source of the page.
"""

from __future__ import annotations

import base64
import datetime as dt
import io
import os
import pickle
import re
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cache, cached_property
from html import escape, unescape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self
from urllib.parse import quote

from fizzlab.errors import FizzlabError, Unforeseen
from fizzlab.language import ENGLISH, dated, listed, say, speaking, spoken, wording
from fizzlab.trial.opening import exchanged

if TYPE_CHECKING:
    import pandas as pd
    from jinja2 import Environment
    from matplotlib.figure import Figure

    from fizzlab.records import Report

FINDINGS_TYPE = "application/vnd.fizzlab.report.findings+json"
PICTURE_KEY = "fizzlab"

#: Stands for a picture that is handed on undrawn, by the name of its file in that folder, which ends so.
HANDED_TYPE, PICTURES, HANDED = "application/vnd.fizzlab.report.picture", "pictures", ".picture"

#: Where the front page ends, and what is folded begins.
FRONT_END = '<hr class="front-end">'

#: How the topic of a finding begins that stands for what could not be worked out.
FAILED = "failed."

#: The heading of what ends a part: how its numbers came about, folded once more.
WORKED = "how_this_worked"

Bundle = tuple[dict[str, Any], dict[str, Any]]

_UNITS = re.compile(r"(?<=\d) (?=(?:h|min|days|g|kPa|mm|cm|s|°C|%)(?![\w]))")


def unbroken(text: str) -> str:
    """A text for HTML: escaped, and with no line break between a number and its unit."""
    return _UNITS.sub("\u00a0", escape(text))


@cache
def templates() -> Environment:
    """The templates of pages and of pieces, which speak."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    found = Environment(loader=PackageLoader("fizzlab.report"), autoescape=True, undefined=StrictUndefined)
    found.filters |= {"unbroken": lambda text: Markup(unbroken(str(text))), "quote": quote}
    found.filters["base64"] = lambda image: base64.b64encode(image).decode()
    found.globals.update(say=say, wording=wording)
    return found


def rendered(page: str, **told: Any) -> str:
    """A page by the name of its template."""
    return templates().get_template(page).render(told)


@dataclass(frozen=True)
class Finding:
    """One sentence of the answer with the numbers it was made from.

    `topic` is a short stable name: ``"changed.dry_h.colour[lake]"``. `level` is the coverage of the interval,
    and `kind` whether the truth lies in it ("confidence") or the next batch ("prediction").
    """

    topic: str
    sentence: str
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    level: float = 0.95
    kind: str = "confidence"
    df: float | None = None
    batches: int = 0
    beyond_tried: bool = False


class Piece:
    """What shows itself in a notebook; HTML in a maker's text is shown as it was typed, never obeyed."""

    method: bool = False  # does it tell how a part was worked out, at the end of it?
    language: str

    def __new__(cls, *_: object, **__: object) -> Self:
        made = super().__new__(cls)
        object.__setattr__(made, "language", spoken())  # shown in it too, whenever that is
        return made

    def html(self) -> str:
        """The piece as HTML, by the macro of its name; empty where it shows nothing."""
        macros = templates().get_template("pieces.html").module
        return str(getattr(macros, type(self).__name__.lower())(self))

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        with speaking(self.language):
            html = self.html()
        return {"text/plain": re.sub(r"<[^>]*>", " ", html), **({"text/html": html} if html else {})}, {}


@dataclass(frozen=True)
class Prose(Piece):
    """A text in Markdown."""

    text: str

    def html(self) -> str:
        return markdown(self.text)


@dataclass(frozen=True)
class Notes(Piece):
    """A list of short sentences; `kind` ("answer", "next", "caution" or "plain") says how it stands out."""

    lines: Sequence[str]
    kind: str = "plain"
    method: bool = False


@dataclass(frozen=True)
class Grid(Piece):
    """A table of cells, shown with `str`, and a caption above it."""

    rows: pd.DataFrame
    caption: str = ""
    method: bool = False


@dataclass(frozen=True)
class Findings(Piece):
    """Sentences with their numbers for findings.json; `kind` is as of `Notes`, or "silent": not shown."""

    findings: Sequence[Finding]
    kind: str = "answer"
    method: bool = False

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        data, about = super()._repr_mimebundle_()
        return {**data, FINDINGS_TYPE: [asdict(finding) for finding in self.findings]}, about


class Picture(Piece):
    """A figure, called `name` in the record, with a caption, and a text `alt` for those who cannot see it.

    It is drawn when it is shown; where pictures are handed on, by the process that started the kernel.
    """

    def __init__(self, name: str, figure: Figure, caption: str, alt: str, *, method: bool = False) -> None:
        from fizzlab.models.plotting import settings

        self.name, self.caption, self.alt, self.method = name, caption, alt, method
        self.figure, self.style = figure, settings()
        for text in figure.findobj(lambda artist: hasattr(artist, "set_parse_math")):
            text.set_parse_math(False)  # type: ignore[attr-defined]  # a label with $ is no formula
        if "matplotlib.pyplot" in sys.modules:  # else the notebook would show it a second time
            sys.modules["matplotlib.pyplot"].close(figure)
        self.handed_on = ""
        if folder := exchanged(PICTURES):
            with suppress(Exception):  # what cannot be handed on is drawn here
                self.handed_on = _hand_on(self, folder)

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        if self.handed_on:
            return {HANDED_TYPE: self.handed_on}, {}
        with speaking(self.language):
            png = base64.b64encode(self.images[1]).decode()
            data = {"text/html": self.html(), "image/png": png, "text/plain": f"[{self.alt}]"}
        return data, {PICTURE_KEY: self.name}

    @cached_property
    def images(self) -> tuple[bytes, bytes]:
        """The figure as SVG and as PNG."""
        from matplotlib import rc_context

        with rc_context(self.style):  # else the names inside the SVG would be drawn by lot
            engine = self.figure.get_layout_engine()
            if engine is not None:  # settled once, not for each kind
                engine.execute(self.figure)
                self.figure.set_layout_engine("none")  # None would be the style's own again
            return _drawn(self.figure, "svg"), _drawn(self.figure, "png")


@dataclass(frozen=True)
class Photos(Piece):
    """Small photographs, JPEG, each with its caption."""

    shots: Sequence[tuple[str, bytes]]


def _hand_on(picture: Picture, folder: Path) -> str:
    """Lay a picture into the folder, all of it or nothing; the name of its file."""
    name, held = f"{len(list(folder.glob(f'*{HANDED}'))):03}{HANDED}", folder / "writing"
    with held.open("wb") as file:
        _Pickler(file).dump(picture)
    os.replace(held, folder / name)
    return name


class _Pickler(pickle.Pickler):
    """Matplotlib's transforms know who follows them by addresses: by those where they are read, not ours."""

    def reducer_override(self, thing: Any) -> Any:
        from matplotlib.transforms import TransformNode

        if isinstance(thing, TransformNode):
            return *thing.__reduce_ex__(pickle.HIGHEST_PROTOCOL)[:3], None, None, _at_home
        return NotImplemented


def _at_home(node: Any, state: dict[str, Any]) -> None:
    node.__setstate__({**state, "_parents": {id(parent): parent for parent in state["_parents"].values()}})


def _drawn(figure: Figure, kind: str) -> bytes:
    out = io.BytesIO()
    metadata = {"Date": None} if kind == "svg" else {"Software": None}
    figure.savefig(out, format=kind, dpi=160, metadata=metadata)
    return out.getvalue()


def parted(pieces: Iterable[object], worked: Sequence[object] = ()) -> list[object]:
    """The pieces of a part, then under a heading of their own `worked` and those that tell of the method."""
    shown, method = list[object](), list[object]()
    for piece in pieces:
        (method if getattr(piece, "method", False) else shown).append(piece)
    told = [*worked, *method]
    return [*shown, *([f"### {say(WORKED)}", *told] if told else [])]


class Part(list[object]):
    """A section of a report, its pieces in reading order; at the end of a notebook's cell it shows itself."""

    @property
    def findings(self) -> pd.DataFrame:
        """The numbers behind its sentences: topic, sentence, estimate, low, high, unit and so on."""
        import pandas as pd

        rows = [asdict(one) for each in self if isinstance(each, Findings) for one in each.findings]
        return pd.DataFrame(rows)

    def bundles(self) -> Iterator[Bundle]:
        """What each piece shows: a plain text is Markdown, None shows nothing."""
        for piece in self:
            shown: Any = Prose(piece) if isinstance(piece, str) else piece
            try:
                if shown is not None:
                    yield shown._repr_mimebundle_()
            except Exception as error:
                yield failed(type(shown).__name__, error)._repr_mimebundle_()

    def _ipython_display_(self) -> None:
        from IPython.display import display

        for data, about in self.bundles():
            display(data, metadata=about, raw=True)  # type: ignore[no-untyped-call]


def failed(name: str, error: Exception) -> Findings:
    """What stands in the place of a part that failed, so that the others do not fail with it."""
    reason = error if isinstance(error, FizzlabError) else Unforeseen(f"“{part_name(name)}”", error)
    return Findings([Finding(FAILED + name, str(reason))], "caution")


def part_name(name: str) -> str:
    """What a part, or a measure, is called where it failed."""
    return str(wording(f"page.part.{name}", wording(f"measure.{name}.label", name.replace("_", " "))))


def lost_in(findings: Iterable[Mapping[str, Any]]) -> list[str]:
    """What could not be worked out, by the findings of a report."""
    topics = dict.fromkeys(str(each["topic"]) for each in findings)
    return [f"“{part_name(topic.removeprefix(FAILED))}”" for topic in topics if topic.startswith(FAILED)]


def markdown(text: str) -> str:
    """Markdown to HTML with any HTML in it escaped."""
    import mistune

    return _UNITS.sub("\u00a0", str(mistune.create_markdown(escape=True, plugins=["table"])(text)).strip())


@dataclass(frozen=True)
class PageContent:
    """What an executed notebook shows: HTML of the body, PNG and SVG by figure name, the findings."""

    body: str
    pictures: dict[str, tuple[bytes, str]]
    findings: list[dict[str, Any]]


def from_notebook(cells: Iterable[Any]) -> PageContent:
    """Gather the Markdown and the displayed pieces of an executed notebook, but for ``lab-only`` cells."""
    body, pictures, findings = list[str](), dict[str, tuple[bytes, str]](), list[dict[str, Any]]()
    for cell in cells:
        if "lab-only" in cell["metadata"].get("tags", []):
            continue
        if cell["cell_type"] == "markdown":
            body.append(markdown(cell["source"]))
        for output in cell.get("outputs", []):
            data, name = output.get("data", {}), output.get("metadata", {}).get(PICTURE_KEY)
            findings += data.get(FINDINGS_TYPE, [])
            html = data.get("text/html", "")
            body += [html] if html else []
            if name:
                svg = base64.b64decode(html.partition("base64,")[2].partition('"')[0]).decode()
                pictures[name] = (base64.b64decode(data["image/png"]), svg)
    return PageContent("\n".join(body), pictures, findings)


def verdict_of(html: str) -> list[str]:
    """The sentences of the verdict of a report's page, as plain text."""
    said = re.search(r'<section class="verdict".*?</section>', html, re.DOTALL)
    lines = re.findall("<p>(.*?)</p>", said[0]) if said else []
    return [unescape(re.sub("<[^>]*>", "", line)).replace("\u00a0", " ") for line in lines]


def _folded(part: str) -> str:
    """A part of the page behind its heading and the first thing that it says."""
    heading, end, rest = part.partition("</h2>")
    said = re.search(r'<ul class="notes answer"><li>(.*?)</li>', rest)
    gist = ""
    if said:  # told once: what stands in the summary does not stand in the part
        gist = f'<span class="gist">{said[1]}</span>'
        rest = rest.replace(said[0], '<ul class="notes answer">', 1).replace(
            '<ul class="notes answer"></ul>', ""
        )
    worked = f"<h3>{say(WORKED)}</h3>"
    rest, _, method = rest.partition(worked)
    fold = f"<details><summary>{worked}</summary>{method}</details>" if method.strip() else ""
    return f"<details><summary>{heading}{end}{gist}</summary>{rest}{fold}</details>"


def html_page(shown: PageContent, *, title: str, stamp: Report, place: str, language: str = ENGLISH) -> str:
    """One self-contained HTML page; every printed page of it says what `stamp` says of the record."""
    if not re.fullmatch(r"[\w-]+", stamp.record):
        raise ValueError(f"{stamp.record!r} goes into a style sheet: plain letters, digits and hyphens only")
    front, end, rest = shown.body.rpartition(FRONT_END)
    with speaking(language):
        if lost := lost_in(shown.findings):
            note = Notes([say("could_not", names=listed(lost))], "caution").html()
            front, rest = (front + note, rest) if end else (front, note + rest)
        first, *parts = re.split(r"(?=<h2>)", rest)
        closing = re.sub("<h2>.*?</h2>", "", parts.pop(), count=1) if parts else ""
        body = first + "\n".join(_folded(part) if end else part for part in parts)
        told = {"front": front + end, "body": body, "closing": closing, "title": title, "stamp": stamp}
        return rendered("page.html", **told, place=place, date=dated(dt.date.fromisoformat(stamp.date)))
