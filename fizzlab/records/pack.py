"""One zip of a whole trial with a list of checksums, and opening it elsewhere: as data, never as code."""

from __future__ import annotations

import json
import os
import re
import shutil
import zipfile
from collections.abc import Iterable
from pathlib import Path

from fizzlab.errors import refuse
from fizzlab.records.store import fingerprint, is_ignored
from fizzlab.records.verify import verify
from fizzlab.trial.folder import RECORDS, folder_there, refuse_records
from fizzlab.trial.placing import HIDDEN, changing, held, room_in
from fizzlab.trial.settings import FILE

#: In the zip: the checksum of each of its files.
CONTENTS = "fizzlab-pack.json"

MOST_FILES, MOST_BYTES = 20_000, 4_000_000_000

#: In a name: what leads out of the folder, or what some system keeps for itself or cannot write.
_AWKWARD = re.compile(
    r'[\\:*?"<>|\x00-\x1f]|(^|/)(/|$|\.fizzlab)|[. ](/|$)|(^|/)(con|prn|aux|nul|com\d|lpt\d)(\.|/|$)',
    re.IGNORECASE,
)

#: What a process, or a spreadsheet, holds in the folder for the time being.
_PASSING = (HIDDEN, "~$", ".~lock")


def pack(folder: Path, to: Path | None = None) -> tuple[Path, int]:
    """Write everything in a trial folder into a new zip, beside it if not said, and count its files."""
    folder_there(folder)
    refuse_records(folder)
    own = folder.resolve()
    target = (to or own.with_name(f"{own.name}.zip")).absolute()
    _free(target)
    if target.resolve().is_relative_to(own):
        raise refuse("pack_inside", str(target))
    with held(own), changing(target.parent) as making:  # nothing may be written meanwhile
        paths = [path for path in sorted(own.rglob("*")) if path.is_symlink() or path.is_file()]
        names = {
            path.relative_to(own).as_posix(): path for path in paths if not is_ignored(path.relative_to(own))
        }
        files = {
            name: path
            for name, path in names.items()
            if not any(part.startswith(_PASSING) for part in name.split("/"))
        }
        for path in filter(Path.is_symlink, files.values()):
            raise refuse("pack_link", str(path))
        prints = {name: fingerprint(path) for name, path in files.items()}
        _refuse(target, prints, sum(path.stat().st_size for path in files.values()))
        with zipfile.ZipFile(making / target.name, "x", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(CONTENTS, json.dumps(prints, indent=1, ensure_ascii=False))
            for name, path in files.items():
                archive.write(path, name)
        with room_in(target.parent) as tried:
            _take_out(making / target.name, tried)  # read back whole before it counts as a copy
        _free(target)
    return target, len(files)


def unpack(archive: Path, to: Path | None = None) -> tuple[Path, list[str]]:
    """Take a trial out of a zip into a new folder, and say what of its records does not agree.

    BadInput is raised, and nothing kept, where a file is not as it was packed or would land elsewhere.
    Nothing in it is run, and a link is never made.
    """
    target = to or archive.with_suffix("")
    _free(target)
    with changing(target) as making:
        _free(target)
        _take_out(archive, making)
        faults = [each.sentence for each in verify(making).faults] if (making / RECORDS).is_dir() else []
    return target, faults


def _take_out(archive: Path, into: Path) -> None:
    """Write the files of a zip under a new folder, each held to its checksum."""
    try:
        with zipfile.ZipFile(archive) as opened:
            sizes = [(info.filename, info.file_size) for info in opened.infolist()]
            _refuse(archive, [name for name, _ in sizes], sum(size for _, size in sizes))
            told = json.loads(opened.read(CONTENTS))
            names = {name for name, _ in sizes} - {CONTENTS}
            if not isinstance(told, dict) or FILE not in told or names != set(told):
                raise refuse("pack_not_listed", str(archive), contents=CONTENTS)
            for name, value in told.items():
                path = into / name
                path.parent.mkdir(parents=True, exist_ok=True)
                with opened.open(name) as source, path.open("xb") as file:
                    shutil.copyfileobj(source, file)  # never more than the size that was counted
                if fingerprint(path) != value:
                    raise refuse("pack_changed", str(archive), name=name)
    except (zipfile.BadZipFile, KeyError, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise refuse("pack_damaged", str(archive)) from error


def _refuse(where: Path, names: Iterable[str], size: int) -> None:
    """Refuse too much, names that lead elsewhere, and names that are one to some systems."""
    names = list(names)
    if len(names) > MOST_FILES or size > MOST_BYTES:
        raise refuse("pack_too_large", str(where), files=MOST_FILES, gb=MOST_BYTES // 10**9)
    bad = next(filter(_AWKWARD.search, names), "")
    if bad or "" in names:
        raise refuse("pack_name", str(where), name=bad)
    if len({name.casefold() for name in names}) < len(names):
        raise refuse("pack_capitals", str(where))


def _free(target: Path) -> None:
    if os.path.lexists(target):
        raise refuse("pack_there_already", str(target))
