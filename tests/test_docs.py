"""The pages hold together: links lead somewhere, every page is named, and commands in them are real."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from fizzlab.cli.main import main

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
TESTED = {str(page.relative_to(ROOT)): page for page in PAGES}


def anchors(page: Path) -> set[str]:
    """The anchors that GitHub makes of headings."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    found: set[str] = set()
    for heading in re.findall(r"^#+ (.+)$", text, re.MULTILINE):
        words = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).strip().lower()
        found.add(re.sub(r"[^\w\- ]", "", words).replace(" ", "-"))
    return found


@pytest.mark.parametrize("name", TESTED)
def test_links_lead_somewhere(name: str) -> None:
    page = TESTED[name]
    text = re.sub(r"```.*?```|`[^`]*`", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for link in re.findall(r"(?<!\\)\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), f"{name}: {link}"
        assert target.is_relative_to(ROOT), f"{name}: {link}"
        if anchor:
            assert anchor in anchors(target), f"{name}: {link}"


def test_every_page_is_named_in_the_list_of_pages() -> None:
    listed = (ROOT / "docs" / "README.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").rglob("*.md"):
        name = page.relative_to(ROOT / "docs").as_posix()
        assert name == "README.md" or f"]({name})" in listed, name


@pytest.mark.parametrize("page", sorted((ROOT / "docs" / "methods").glob("*.md")), ids=lambda page: page.stem)
def test_every_method_says_where_it_is_checked(page: Path) -> None:
    assert "](../validation.md#" in page.read_text(encoding="utf-8")


def commands(page: Path) -> list[list[str]]:
    """Words after `fizzlab` in blocks of shell, and in code within a line."""
    text = page.read_text(encoding="utf-8")
    lines = [line for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL) for line in block.splitlines()]
    found = []
    for line in lines:
        for part in line.split("&&"):
            words = shlex.split(part, comments=True)
            if words and Path(words[0]).name == "fizzlab":
                found.append(words[1:])
    for code in re.findall(r"`(fizzlab [^`\n]+)`", text):
        found.append(shlex.split(code)[1:])
    return found


@pytest.mark.parametrize("name", TESTED)
def test_commands_are_real(name: str) -> None:
    for words in commands(TESTED[name]):
        command: click.Command = main
        rest = words
        while isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
            assert rest[0] in command.commands, f"{name}: fizzlab {shlex.join(words)}"
            command, rest = command.commands[rest[0]], rest[1:]
        rest = [word for word in rest if word not in ("--help", "-h")]
        # raises on an option that does not exist; whether a folder does is not asked
        command.make_parser(click.Context(command)).parse_args(list(rest))


def test_the_readme_has_commands_to_look_at() -> None:
    assert len(commands(ROOT / "README.md")) >= 5


def test_the_page_on_the_library_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    text = (ROOT / "docs" / "library.md").read_text(encoding="utf-8")
    names: dict[str, object] = {}
    exec("\n".join(re.findall(r"```python\n(.*?)```", text, re.DOTALL)), names)
    assert str(names["error_said"]).startswith("touch checks: it has no column hours")
