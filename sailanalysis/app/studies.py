"""The studies of a day, each on its own: one that fails leaves a finding and an empty place."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pandas as pd

from sailanalysis.app.tables import COLUMNS
from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.errors import Finding
from sailanalysis.core.isolation import attempt
from sailanalysis.core.model import Conditioned
from sailanalysis.day import STUDY_WORDS, StudyName

if TYPE_CHECKING:
    from sailanalysis.calibrate.estimate import Correction
    from sailanalysis.segment import States

Made = TypeVar("Made")
FAILED = "this study failed"


class Attempts:
    """Tries studies and keeps account of those that failed.

    Attributes
    ----------
    failed : dict of str to str
        Reason by study.
    """

    def __init__(self) -> None:
        self.failed: dict[StudyName, str] = {}

    def __call__(self, study: StudyName, work: Callable[[], Made],
                 instead: Callable[[], Made]) -> Made:
        """The study's result, or what stands in its place."""
        def fallen(why: str) -> Made:
            self.failed.setdefault(study, why)
            return instead()

        return attempt(work, fallen)

    def findings(self) -> list[Finding]:
        """A warning for each study that failed."""
        return [Finding("study-failed", f"{STUDY_WORDS[study]} could not be worked out: {why}. "
                        "Everything else stands; --debug shows where it failed.", missing=True)
                for study, why in self.failed.items()]


def samples_as_logged(conditioned: Conditioned) -> pd.DataFrame:
    """Logged channels without anything derived."""
    samples = conditioned.samples.reindex(columns=[*SAMPLE_COLUMNS, "boards"])
    for name in ("helm", "sails", "boards", "state"):
        samples[name] = pd.Series("", index=samples.index, dtype=object)
    return samples


def no_states(samples: pd.DataFrame) -> States:
    """Nobody knows what the boat did."""
    from sailanalysis.segment import States

    nothing = np.full(len(samples), "", dtype=object)
    return States(nothing, np.full(len(samples), np.nan), nothing)


def uncosted(maneuvers: pd.DataFrame) -> pd.DataFrame:
    """Maneuvers as found, none rated."""
    unknown = [name for name in COLUMNS["maneuvers"] if name not in maneuvers]
    out = maneuvers.reindex(columns=[*maneuvers.columns, *unknown])
    return out.assign(rated=False, why_not=FAILED, loss_m=np.nan, loss_m_low=np.nan,
                      loss_m_high=np.nan, loss_s=np.nan)


def no_corrections() -> dict[str, Correction]:
    """Nothing determined about any sensor."""
    from sailanalysis.calibrate.equations import WANTED

    return {name: {"value": None, "low": None, "high": None, "determined": False,
                   "why_not": FAILED, "count": 0, "seconds": 0.0} for name in WANTED}
