"""One thing that fails takes nothing else with it: try, tell why, put something in its place.

The traceback goes to the logger ``sailanalysis`` (level debug), which ``--debug`` shows.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

from sailanalysis.core.errors import SailAnalysisError

Made = TypeVar("Made")


def attempt(work: Callable[[], Made], instead: Callable[[str], Made]) -> Made:
    """What ``work`` makes, or what ``instead`` makes of the reason why it could not.

    Parameters
    ----------
    work : callable
    instead : callable
        Given one clause in words, without a full stop.

    Raises
    ------
    MemoryError
        Going on would only meet it again.
    """
    try:
        return work()
    except MemoryError:
        raise
    except Exception as error:
        logging.getLogger("sailanalysis").debug("left out after an error", exc_info=True)
        return instead(reason(error))


def reason(error: Exception) -> str:
    """Why something failed: the program's own words, or the kind of error."""
    text = " ".join(str(error).split()).rstrip(".")[:200]
    if isinstance(error, SailAnalysisError):
        return text
    return f"a mistake in the program ({type(error).__name__}{f': {text}' if text else ''})"
