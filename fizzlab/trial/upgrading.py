"""What a trial.toml of an older version may say that this one no longer knows, and taking it out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tomlkit

from fizzlab.language import say
from fizzlab.trial.new import text_of
from fizzlab.trial.opening import FILE
from fizzlab.trial.placing import changing

#: Key, what it says where only that is no longer known, the last version that knew it, what follows.
GONE = (
    ("drying.distribution", None, "0.2", "now_log_normal"),
    ("drying.constant_loss_g_per_h", None, "0.2", "now_remaining_water"),
    ("drying.air", "rh and temperature", "0.2", "now_by_vpd"),
    ("crumble.tumble_scale", None, "0.1", "now_ratios"),
)


def upgrade(folder: Path) -> list[str]:
    """Take out of trial.toml what is no longer known; returns a sentence for each, none where all is well.

    Every other line stays as it was written. The old file is kept beside it, with its version in its name.
    """
    before = text_of(folder / FILE)
    document: Any = tomlkit.parse(before)
    said, versions = [], []
    for key, value, version, follows in GONE:
        section, _, name = key.partition(".")
        if name in document.get(section, {}) and value in (None, document[section][name]):
            del document[section][name]
            said.append(say("key_taken_out", key=key, follows=say(follows)))
            versions.append(version)
    if said:
        kept = folder / f"trial-{min(versions)}.toml"
        with changing(folder) as room:
            (room / kept.name).write_bytes(before.encode())
            (room / FILE).write_bytes(tomlkit.dumps(document).encode())
        said.append(say("file_as_it_was", name=kept.name))
    return said
