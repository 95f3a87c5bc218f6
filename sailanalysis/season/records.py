"""The records that the archive's parts hand to each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from sailanalysis.core.errors import SailAnalysisError


class ArchiveError(SailAnalysisError):
    """The season archive cannot be used as it stands: says which folder and what to do."""


class DamagedError(ArchiveError):
    """A filed day, or the index, is not what was written."""


@dataclass(frozen=True)
class RawFile:
    """A log that a day was made from."""

    path: str
    sha256: str
    bytes: int


@dataclass(frozen=True)
class Entry:
    """A filed day as the index lists it.

    Attributes
    ----------
    day_id : str
        ``YYYY-MM-DD-HHMM``, UTC, of the first sample; with ``-2`` and so on where two days began
        in one minute.
    boat_key, boat : str
        The boat's name made comparable, and as written; empty where nobody gave it.
    start_s, end_s : float
        Seconds since 1970 UTC of the first and last sample.
    part : str
        Which sailing of its logs the day is, where they hold several; else empty.
    folder : str
        Name under ``days/``.
    content : str
        Digest of everything filed but the time of filing.
    seal : str
        Digest of the folder's list of files; empty for a day of an older format.
    filed_s : float
    software : str
        Version of the program that filed it.
    summary, calibration : str
        JSON.
    raw_files : tuple of RawFile
    """

    day_id: str
    boat_key: str
    boat: str
    start_s: float
    end_s: float
    part: str
    folder: str
    content: str
    seal: str
    filed_s: float
    software: str
    summary: str
    calibration: str
    raw_files: tuple[RawFile, ...] = ()

    @property
    def date(self) -> str:
        """``YYYY-MM-DD``."""
        return self.day_id[:10]

    @property
    def filed_on(self) -> str:
        """Date and time of filing, UTC."""
        return str(pd.Timestamp(self.filed_s, unit="s").strftime("%Y-%m-%d %H:%M"))


@dataclass(frozen=True)
class Filed:
    """What became of a day that was filed.

    Attributes
    ----------
    day_id : str
    replaced : tuple of Entry
        Days that gave way to it.
    kept : tuple of str
        Of those, the folders kept under ``lost/`` because they hold time that the new day lacks.
    unchanged : bool
        The very same day stood there already.
    """

    day_id: str
    replaced: tuple[Entry, ...] = ()
    kept: tuple[str, ...] = ()
    unchanged: bool = False


@dataclass(frozen=True)
class Fault:
    """Something in the archive that is not as it should be.

    Attributes
    ----------
    code : str
        ``index-missing``, ``index-damaged``, ``index-old``, ``day-not-listed``, ``day-gone``,
        ``day-damaged``, ``day-superseded``, ``day-unproved``, ``unfinished``, ``foreign``.
    where : str
        The day's id, or the folder's or file's name.
    detail : str
    """

    code: str
    where: str
    detail: str = ""


@dataclass(frozen=True)
class ArchivedDay:
    """One filed day.

    Attributes
    ----------
    day_id : str
    date : str
    boat : str
        Name, empty where nobody gave it.
    tables : dict of str to DataFrame
        By the names of ``TABLES``.
    record : dict
        ``summary, calibration, findings, boat, crew, settings, inputs, rate_hz, wind_source``.
    raw_files : tuple of RawFile
    folder : Path
    """

    day_id: str
    date: str
    boat: str
    tables: dict[str, pd.DataFrame]
    record: dict[str, Any]
    raw_files: tuple[RawFile, ...]
    folder: Path
    _samples: Callable[[list[str] | None], pd.DataFrame] = field(repr=False)

    def samples(self, columns: list[str] | None = None) -> pd.DataFrame:
        """Read the day's samples, indexed by time.

        Raises
        ------
        DamagedError
            If the file is not the one that was filed.
        """
        return self._samples(columns)
