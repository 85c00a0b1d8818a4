"""Which browser the end-to-end tests look with."""

from __future__ import annotations

import shutil

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
