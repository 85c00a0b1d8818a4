"""Which browser the end-to-end tests look with, and what it finds in the way of a reader."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)

#: The script of axe-core, which .ci/run fetches: AXE_CORE names it, or the npm package lies in this folder.
AXE = Path(os.environ.get("AXE_CORE", "node_modules/axe-core/axe.min.js"))

needs_axe = pytest.mark.skipif(not AXE.is_file(), reason="axe-core is not installed")


def barriers(page: Any, within: str = "") -> list[str]:
    """What axe-core finds in a page, or a part of it: each rule, and where it is broken first."""
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("within => axe.run(within || document, {resultTypes: ['violations']})", within)
    return [
        f"{rule['id']} ({len(rule['nodes'])} times): {rule['nodes'][0]['html']}"
        for rule in found["violations"]
    ]
