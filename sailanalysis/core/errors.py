"""What goes wrong: exceptions for calls that cannot give a result, findings for poor data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


class SailAnalysisError(Exception):
    """A clear one-line reason why the result cannot be given (exit status 1)."""


class LogError(SailAnalysisError):
    """The logs cannot give the result: says which file or channel, how much, and what to do."""


class BoatFileError(SailAnalysisError):
    """The boat file or crew log cannot be used as it stands."""


@dataclass(frozen=True)
class Finding:
    """Something about the data that a reader of the result must know.

    Attributes
    ----------
    code : str
        Stable, short, kebab-case: ``stuck-sensor``, ``no-date``.
    message : str
        One or two sentences in a sailor's words: what, where, how much, what was done.
    level : {"note", "warning"}
        A warning also goes to stderr.
    channel : str or None
        The channel concerned.
    start_s, end_s : float or None
        When, seconds since 1970 UTC.
    share : float or None
        Share of the channel's samples concerned, 0-1.
    missing : bool
        True where a part of the result is missing for it: the exit status says so too.
    """

    code: str
    message: str
    level: Literal["note", "warning"] = "warning"
    channel: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    share: float | None = None
    missing: bool = False
