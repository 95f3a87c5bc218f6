"""NMEA 0183 sentences, with or without receive times and TAG blocks before them."""

from __future__ import annotations

import re
from typing import BinaryIO, Final

from sailanalysis.read.formats import Head
from sailanalysis.read.reading import ReadContext, Reading

__all__ = ["read", "recognise"]

_SENTENCE: Final = re.compile(rb"[$!](?:[A-Z0-9]{5}|P[A-Z0-9]{2,15}),[^\r\n]*")


def recognise(head: Head) -> float:
    """How many lines hold something like a sentence.

    Parameters
    ----------
    head : Head

    Returns
    -------
    float
    """
    return sum(1 for line in head.lines if _SENTENCE.search(line[:4096]))


def read(handle: BinaryIO, context: ReadContext) -> Reading:
    """Channels of an NMEA 0183 log on the clock found from its time sentences.

    Parameters
    ----------
    handle : BinaryIO
        Read once, in pieces; never sought.
    context : ReadContext
        Its date, file name and modification time serve a log without a date.

    Returns
    -------
    Reading
        Sources are named by talker and type, ``GP RMC``; with a TAG block's source after it.
        A log whose time goes back (files joined out of order) gives several streams a source.
    """
    from sailanalysis.read.nmea0183.reader import read_nmea0183

    return read_nmea0183(handle, context)
