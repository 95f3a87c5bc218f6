"""NMEA 2000 captures as text: CAN frames or whole packets in the usual spellings."""

from __future__ import annotations

import re
from typing import BinaryIO, Final

from sailanalysis.read.formats import Head
from sailanalysis.read.reading import ReadContext, Reading

__all__ = ["read", "recognise"]

_HEX_RUN: Final = re.compile(rb"[0-9A-Fa-f]{8}|,\d{4,6},")


def recognise(head: Head) -> float:
    """How many lines are frames or packets; none where they are too few to be no chance.

    Parameters
    ----------
    head : Head

    Returns
    -------
    float
    """
    from sailanalysis.read.nmea2000.plain import read_line

    count = sum(1 for line in head.lines if len(line) <= 2000 and _HEX_RUN.search(line)
                and not isinstance(read_line(line), str))
    return count if head.is_enough(count) else 0


def read(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a text capture of an NMEA 2000 network.

    Parameters
    ----------
    handle : BinaryIO
        Read once, forwards.
    context : ReadContext

    Returns
    -------
    Reading
        One stream a channel, device and message; the source reads ``n2k ADDRESS PGN``, with the
        instance where a message has one. Tank levels are named ``tank:fuel 0`` and alike.
    """
    from sailanalysis.read.nmea2000.reader import read_nmea2000

    return read_nmea2000(handle, context)
