"""Opening a page in the browser of whoever sits before the machine."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def has_display() -> bool:
    """Whether somebody could see a window: a desktop, and no shell from elsewhere."""
    if os.environ.get("SSH_CONNECTION"):
        return False
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def open_page(page: Path | str) -> bool:
    """Open a page of this machine; False where there is no display, or no browser.

    Parameters
    ----------
    page : Path, or str
        A file, or an address on this machine.
    """
    if not has_display():
        return False
    import webbrowser

    try:
        return webbrowser.open(page if isinstance(page, str) else page.resolve().as_uri())
    except (OSError, webbrowser.Error):
        return False
