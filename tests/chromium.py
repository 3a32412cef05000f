"""Where Debian's Chromium is, and how it is started: it asks nobody anything by itself."""

from __future__ import annotations

import shutil

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
