"""Packing a trial and opening it elsewhere: whole, verified, and never anywhere else."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import pytest

from fizzlab.errors import BadInput
from fizzlab.records.pack import CONTENTS, pack, unpack

DEMO = Path(__file__).parents[1] / "data" / "demo" / "colour-ways"


@pytest.fixture
def packed(tmp_path: Path) -> Path:
    shutil.copytree(DEMO, tmp_path / "mine", ignore=shutil.ignore_patterns("records"))
    (tmp_path / "mine" / "photos").mkdir()
    (tmp_path / "mine" / "photos" / "B03.jpg").write_bytes(b"\xff\xd8 a photograph")
    return pack(tmp_path / "mine")[0]


def _contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_what_is_packed_comes_out_as_it_was(packed: Path, tmp_path: Path) -> None:
    folder, faults = unpack(packed, tmp_path / "elsewhere")
    assert _contents(folder) == _contents(tmp_path / "mine")
    assert "photos/B03.jpg" in _contents(folder)
    assert faults == []


def test_nothing_is_written_over(packed: Path, tmp_path: Path) -> None:
    before = packed.read_bytes()
    for again in (lambda: pack(tmp_path / "mine"), lambda: unpack(packed, tmp_path / "mine")):
        with pytest.raises(BadInput, match="there already"):
            again()
    assert packed.read_bytes() == before


def test_a_link_is_not_packed(packed: Path, tmp_path: Path) -> None:
    (tmp_path / "mine" / "notes.txt").symlink_to(DEMO / "trial.toml")
    with pytest.raises(BadInput, match="it is a link"):
        pack(tmp_path / "mine", tmp_path / "other.zip")
    assert not (tmp_path / "other.zip").exists()


@pytest.mark.parametrize(
    "name",
    ["../out.csv", "/out.csv", "a/../../out.csv", "c:out.csv", "a\\..\\out.csv", "con.csv", "a/", "x "],
)
def test_a_name_that_leads_elsewhere_is_refused(name: str, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as archive:
        archive.writestr(CONTENTS, json.dumps({"trial.toml": "0", name: "0"}))
        archive.writestr("trial.toml", "")
        archive.writestr(name, "x")
    (tmp_path / "in").mkdir()
    with pytest.raises(BadInput, match="leads elsewhere"):
        unpack(tmp_path / "evil.zip", tmp_path / "in" / "here")
    assert {path.name for path in tmp_path.rglob("*")} == {"evil.zip", "in"}


@pytest.mark.parametrize("change", ["altered", "more", "fewer", "no list", "cut"])
def test_a_spoilt_zip_leaves_nothing(change: str, packed: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(bad, "w") as new:
        for info in old.infolist():
            said = old.read(info)
            if info.filename == "runs.csv":
                said = said.replace(b"dye", b"lake") if change == "altered" else said
            if (info.filename, change) in (("runs.csv", "fewer"), (CONTENTS, "no list")):
                continue
            new.writestr(info.filename, said)
        if change == "more":
            new.writestr("more.csv", "")
    if change == "cut":
        bad.write_bytes(packed.read_bytes()[:-200])
    with pytest.raises(BadInput, match=r"bad\.zip"):
        unpack(bad)
    assert not (tmp_path / "bad").exists()
    assert not list(tmp_path.glob(".unpacking-*"))
