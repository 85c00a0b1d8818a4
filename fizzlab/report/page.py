"""The pieces of a report: how they show in a notebook, and how a run notebook becomes one HTML page.

A notebook cell calls `show` with texts, `Picture`, `Grid` and `Findings`. Each knows how to display
itself in JupyterLab; `from_notebook` gathers them again from the executed notebook, so the notebook
is the only source of what stands in the page.
"""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from fizzlab.report.findings import Finding

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fizzlab.records import Stamp

FINDINGS_TYPE = "application/vnd.fizzlab.report.findings+json"
PICTURE_KEY = "fizzlab"

Bundle = tuple[dict[str, Any], dict[str, Any]]


@dataclass(frozen=True)
class Prose:
    """A text in Markdown; HTML inside it is shown as it was typed, never obeyed."""

    text: str

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        return {"text/html": markdown(self.text), "text/plain": self.text}, {}


@dataclass(frozen=True)
class Notes:
    """A list of short sentences, given as plain text.

    Parameters
    ----------
    lines : sequence of str
    kind : str
        ``"answer"``, ``"next"``, ``"caution"`` or ``"plain"``: how it stands out on the page.
    """

    lines: Sequence[str]
    kind: str = "plain"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        items = "".join(f"<li>{_said(line)}</li>" for line in self.lines)
        return {
            "text/html": f'<ul class="notes {escape(self.kind)}">{items}</ul>',
            "text/plain": "\n".join(f"- {line}" for line in self.lines),
        }, {}


@dataclass(frozen=True)
class Grid:
    """A table of text cells with a caption above it.

    Parameters
    ----------
    rows : DataFrame
        Cells are shown with `str`; format numbers before.
    caption : str
    """

    rows: pd.DataFrame
    caption: str = ""

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        head = "".join(f'<th scope="col">{escape(str(name))}</th>' for name in self.rows.columns)
        body = "".join(
            "<tr>" + "".join(f"<td>{_said(str(cell))}</td>" for cell in row) + "</tr>"
            for row in self.rows.itertuples(index=False)
        )
        caption = f"<caption>{_said(self.caption)}</caption>" if self.caption else ""
        table = f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        return {"text/html": f'<div class="grid">{table}</div>', "text/plain": self.rows.to_string()}, {}


@dataclass(frozen=True)
class Findings:
    """Sentences, carrying their numbers for ``findings.json``.

    Parameters
    ----------
    findings : sequence of Finding
    kind : str
        As for `Notes`; ``"silent"`` carries the numbers and shows nothing.
    """

    findings: Sequence[Finding]
    kind: str = "answer"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        shown = [] if self.kind == "silent" else [finding.sentence for finding in self.findings]
        html: dict[str, Any] = {"text/plain": ""}
        if shown:
            html, _ = Notes(shown, self.kind)._repr_mimebundle_()
        return {**html, FINDINGS_TYPE: [asdict(finding) for finding in self.findings]}, {}


class Picture:
    """A figure with a caption under it and a text for those who cannot see it.

    Parameters
    ----------
    name : str
        File name of the figure in the record, without ending.
    figure : matplotlib Figure
    caption : str
        What to see in it, in one or two sentences.
    alt : str
        What it shows, for a screen reader.
    """

    def __init__(self, name: str, figure: Figure, caption: str, alt: str) -> None:
        self.name, self.caption, self.alt = name, caption, alt
        figure.draw_without_rendering()
        figure.set_layout_engine(None)  # the layout is settled: no need to work it out again for each kind
        self.svg = _drawn(figure, "svg").decode()
        self.png = _drawn(figure, "png")

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Bundle:
        about = {"name": self.name, "caption": self.caption, "alt": self.alt}
        data = {
            "image/svg+xml": self.svg,
            "image/png": base64.b64encode(self.png).decode(),
            "text/plain": f"[{self.alt}]",
        }
        return data, {PICTURE_KEY: about}


_UNITS = re.compile(r"(?<=\d) (?=(?:h|min|days|g|kPa|mm|cm|s|°C|%)(?![\w]))")


def _said(text: str) -> str:
    """A text for HTML: escaped, and with no line break between a number and its unit."""
    return _UNITS.sub("\u00a0", escape(text))


def _drawn(figure: Figure, kind: str) -> bytes:
    out = io.BytesIO()
    metadata = {"Date": None} if kind == "svg" else {"Software": None}
    figure.savefig(out, format=kind, dpi=160, metadata=metadata)
    return out.getvalue()


def show(*pieces: object) -> None:
    """Display pieces of a report one under the other; a plain text is Markdown, None shows nothing."""
    from IPython.display import display

    for piece in pieces:
        if piece is not None:
            display(Prose(piece) if isinstance(piece, str) else piece)  # type: ignore[no-untyped-call]


def markdown(text: str) -> str:
    """Markdown to HTML with any HTML in it escaped.

    Examples
    --------
    >>> markdown("Dry *soon* <script>")
    '<p>Dry <em>soon</em> &lt;script&gt;</p>'
    """
    import mistune

    return _UNITS.sub("\u00a0", str(mistune.create_markdown(escape=True, plugins=["table"])(text)).strip())


@dataclass(frozen=True)
class Shown:
    """What an executed notebook shows.

    Parameters
    ----------
    body : str
        HTML of the page's body.
    pictures : dict
        ``(png bytes, svg text)`` by figure name.
    findings : list of dict
        The numbers behind the sentences.
    """

    body: str
    pictures: dict[str, tuple[bytes, str]]
    findings: list[dict[str, Any]]


def from_notebook(cells: Iterable[Any]) -> Shown:
    """Gather the pieces that the cells of an executed notebook show.

    Parameters
    ----------
    cells : iterable of notebook cells
        Code is not shown; a cell's Markdown and its displayed pieces are.
    """
    body: list[str] = []
    pictures: dict[str, tuple[bytes, str]] = {}
    findings: list[dict[str, Any]] = []
    for cell in cells:
        if cell["cell_type"] == "markdown" and "lab-only" not in cell["metadata"].get("tags", []):
            body.append(markdown(_joined(cell["source"])))
        for output in cell.get("outputs", []):
            data, about = output.get("data", {}), output.get("metadata", {}).get(PICTURE_KEY)
            findings += data.get(FINDINGS_TYPE, [])
            if about:
                png, svg = base64.b64decode(_joined(data["image/png"])), _joined(data["image/svg+xml"])
                pictures[about["name"]] = (png, svg)
                body.append(_figure(svg, about["caption"], about["alt"]))
            elif "text/html" in data:
                body.append(_joined(data["text/html"]))
    return Shown("\n".join(body), pictures, findings)


def _joined(text: str | list[str]) -> str:
    return text if isinstance(text, str) else "".join(text)


def _figure(svg: str, caption: str, alt: str) -> str:
    source = base64.b64encode(svg.encode()).decode()
    return (
        f'<figure><img src="data:image/svg+xml;base64,{source}" alt="{escape(alt)}">'
        f"<figcaption>{_said(caption)}</figcaption></figure>"
    )


def html_page(shown: Shown, *, title: str, stamp: Stamp, place: str) -> str:
    """One self-contained HTML page: nothing in it asks for another address.

    Parameters
    ----------
    shown : Shown
    title, place : str
        The trial's title and the workshop, for the head of the page.
    stamp : Stamp
        The record's name, who signed and on what day, which stand on every printed page, and the last hash of
        the ledger so far.
    """
    from jinja2 import Environment, PackageLoader

    if not re.fullmatch(r"[\w-]+", stamp.record):
        raise ValueError(f"{stamp.record!r} goes into a style sheet: plain letters, digits and hyphens only")
    template = Environment(loader=PackageLoader("fizzlab.report"), autoescape=True).get_template("page.html")
    body, closing = _last_section_apart(shown.body)
    date = f"{stamp.signed.date:%d %B %Y}"
    return template.render(body=body, closing=closing, title=title, stamp=stamp, place=place, date=date)


def _last_section_apart(body: str) -> tuple[str, str]:
    """The page without and from its last heading, which is kept together in print."""
    start = max(body.rfind("<h2>"), 0)
    return body[:start], body[start:]


def findings_json(shown: Shown) -> str:
    """The findings as JSON text, with no value that strict JSON forbids."""
    return json.dumps(shown.findings, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
