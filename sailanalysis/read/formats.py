"""The formats that can be read: one registry, which recognising and reading share.

A format is a module or package with two functions, ``recognise`` and ``read``. Those of this
package are listed in :data:`BUILT_IN`; an installed package adds its own by an entry point of the
group :data:`GROUP`, whose value is such a module.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from importlib.metadata import entry_points
from typing import BinaryIO, Final, Protocol, cast

from sailanalysis.read.reading import ReadContext, Reading

BUILT_IN: Final = ("nmea0183", "signalk", "nmea2000", "gpx", "csv")
"""Packages and modules of ``sailanalysis.read``; of equal claims the earlier one's holds."""
GROUP: Final = "sailanalysis.formats"
HEAD_BYTES: Final = 1 << 18
"""How much of a file is looked at; further blocks only while all was empty or rubbish."""
LINES_LOOKED_AT: Final = 2000


@dataclass(frozen=True)
class Head:
    """The first bytes of a file, as UTF-8 or plain bytes, cut into what recognising looks at.

    Attributes
    ----------
    start : bytes
        At most 64 KB, without a byte order mark.
    lines : tuple of bytes
        At most :data:`LINES_LOOKED_AT` lines that are not blank.
    remarks : int
        How many of them begin with ``#``.
    is_markup : bool
        Whether it is XML or HTML; then there are no lines.
    """

    start: bytes
    lines: tuple[bytes, ...]
    remarks: int
    is_markup: bool

    @classmethod
    def of(cls, data: bytes) -> Head:
        """Cut up the first bytes of a file.

        Parameters
        ----------
        data : bytes
            A last line that the end of a whole block has cut is left out.

        Returns
        -------
        Head
        """
        is_cut = len(data) >= HEAD_BYTES
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            data = data.decode("utf-16", "replace").encode("utf-8", "replace")
        text = data.removeprefix(b"\xef\xbb\xbf")
        opening = text[:65536].lstrip(b"\0 \t\r\n")
        # The CAN utilities write <0x09f80115>.
        is_markup = opening[:1] == b"<" and not opening.startswith(b"<0x")
        lines = [] if is_markup else [
            line for line in re.split(rb"[\r\n]+", text) if line.strip(b"\0 \t")]
        if is_cut and len(lines) > 1:
            lines.pop()
        del lines[LINES_LOOKED_AT:]
        remarks = sum(line.lstrip()[:1] == b"#" for line in lines)
        return cls(text[:65536], tuple(lines), remarks, is_markup)

    def is_enough(self, count: float) -> bool:
        """Whether so many lines of a format outweigh all others: a tenth of them, or twenty.

        Parameters
        ----------
        count : float

        Returns
        -------
        bool
        """
        return count >= 1 and (count * 10 >= len(self.lines) - self.remarks or count >= 20)


class Format(Protocol):
    """What a format's module offers."""

    def recognise(self, head: Head) -> float:
        """How many of the lines looked at are in this format; below 1 for a mere guess."""

    def read(self, handle: BinaryIO, context: ReadContext) -> Reading:
        """Read a log: stream the handle, never seek, never raise for poor content."""


@cache
def formats() -> dict[str, Format]:
    """Every format by name: those of this package, then those of installed packages.

    Returns
    -------
    dict of str to Format
    """
    known = {name: cast(Format, import_module(f"sailanalysis.read.{name}")) for name in BUILT_IN}
    for entry in entry_points(group=GROUP):
        known.setdefault(entry.name, cast(Format, entry.load()))
    return known
