"""What a hostile or broken file can make the readers do: nothing beyond these limits.

Memory stays within about three times the decompressed size of a log; a compressed file may not
grow without end; a line may not.
"""

from __future__ import annotations

import gzip
import io
import os
import zlib
from pathlib import Path
from typing import BinaryIO, Final

from sailanalysis.core.errors import Finding

PIECE_BYTES: Final = 1 << 20
"""Size of the pieces a log is read in: about the size of a core's own cache."""
MAX_LINE_BYTES: Final = 1 << 16
"""The longest line any log format needs is a few kilobytes."""
MAX_RATIO: Final = 200
"""Text logs compress 4 to 20 times; a log of one repeated sentence about 100 times."""
RATIO_FREE_BYTES: Final = 64 << 20
"""Below this size a high ratio harms nobody."""
MAX_DECOMPRESSED_BYTES: Final = 8 << 30
"""Some sixty days at 10 Hz in one file."""


class LimitedGzip(io.RawIOBase):
    """A gzip file read as a stream; stops at a limit or at damage and says so in ``stopped``."""

    def __init__(self, path: Path) -> None:
        self._file = gzip.open(path, "rb")  # noqa: SIM115
        self._packed = os.stat(path).st_size
        self._given = 0
        self.stopped: Finding | None = None
        self._name = path.name

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer) -> int:  # type: ignore[no-untyped-def]
        """Fill the buffer; at a limit or at damaged data the stream ends."""
        if self.stopped is not None:
            return 0
        limit = min(MAX_DECOMPRESSED_BYTES, max(RATIO_FREE_BYTES, MAX_RATIO * self._packed))
        try:
            data = self._file.read1(min(len(buffer), limit - self._given))
        except (EOFError, OSError, zlib.error) as fault:
            self.stopped = Finding(
                "damaged-compression",
                f"{self._name}: the compressed data breaks off or is damaged after "
                f"{self._given / 1e6:.1f} MB ({fault}); what stands before that was read.")
            return 0
        if not data and self._given >= limit:
            self.stopped = Finding(
                "decompression-limit",
                f"{self._name}: {self._packed / 1e6:.1f} MB unpack to more than "
                f"{limit / 1e6:.0f} MB; only that much was read. No log compresses so far: "
                "check where the file comes from.")
            return 0
        buffer[: len(data)] = data
        self._given += len(data)
        return len(data)

    def close(self) -> None:
        """Close the file below too."""
        self._file.close()
        super().close()


def is_gzip(path: Path) -> bool:
    """Whether a file is gzip by its first bytes."""
    with open(path, "rb") as handle:
        return handle.read(2) == b"\x1f\x8b"


def open_log(path: Path) -> BinaryIO:
    """Open a log for streaming, unpacking gzip by content.

    Returns
    -------
    BinaryIO
        Its ``raw`` is a :class:`LimitedGzip` for a packed file.
    """
    if is_gzip(path):
        return io.BufferedReader(LimitedGzip(path), PIECE_BYTES)
    return open(path, "rb")


def stopped_by(handle: BinaryIO) -> Finding | None:
    """The finding of a stream that a limit or damage has ended early."""
    return getattr(getattr(handle, "raw", None), "stopped", None)
