"""Telling a waiting person what goes on: one line on a terminal, nothing elsewhere."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType
from typing import TextIO


class Progress:
    """A stage name, and a share where it is known; calling it costs next to nothing.

    Used as ``progress("reading", 0.4)`` by whoever works; shows nothing itself.
    """

    def __call__(self, stage: str, share: float | None = None) -> None:
        """Say which stage is under way and, where known, how much of it is done (0-1)."""

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        """Nothing to clean up."""


class TerminalProgress(Progress):
    """Writes one line, rewritten in place, once the work has taken two seconds."""

    def __init__(self, stream: TextIO | None = None, patience_s: float = 2.0) -> None:
        self.stream = stream or sys.stderr
        self.patience_s = patience_s
        self._state: tuple[str, float | None] = ("starting", None)
        self._began = time.monotonic()
        self._stop = threading.Event()
        self._width = 0
        self._thread = threading.Thread(target=self._show, daemon=True)

    def __call__(self, stage: str, share: float | None = None) -> None:
        """Remember the stage; the line follows within a second."""
        self._state = (stage, share)

    def __enter__(self) -> TerminalProgress:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        """Wipe the line."""
        self._stop.set()
        self._thread.join(timeout=1.0)
        if self._width:
            self.stream.write("\r" + " " * self._width + "\r")
            self.stream.flush()

    def _show(self) -> None:
        while not self._stop.wait(0.25):
            elapsed = time.monotonic() - self._began
            if elapsed < self.patience_s:
                continue
            stage, share = self._state
            done = f" {100 * share:.0f} %" if share is not None else ""
            line = f"{stage} …{done} ({elapsed:.0f} s)"
            self.stream.write("\r" + line.ljust(self._width))
            self.stream.flush()
            self._width = max(self._width, len(line))


def progress_for(stream: TextIO, quiet: bool) -> Progress:
    """A terminal gets a line, anything else silence."""
    return TerminalProgress(stream) if not quiet and stream.isatty() else Progress()
