"""From which probability on a sample counts as sailed, in one place for whoever uses it."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Bools = NDArray[np.bool_]

SURE: Final = 0.9
"""Only what was sailed with this probability enters polar, losses and scores."""


def is_under_way(samples: pd.DataFrame) -> Bools:
    """Whether she goes at all, under sail or engine; everywhere where no state was found.

    Parameters
    ----------
    samples : DataFrame, n rows
        ``state``, if it was found.

    Returns
    -------
    array of bool, shape (n,)
    """
    if "state" not in samples:
        return np.ones(len(samples), dtype=bool)
    return np.asarray(samples["state"].to_numpy(dtype=object) != "stopped", dtype=bool)


def is_sailed(samples: pd.DataFrame, least: float = SURE, slowed: bool = False) -> Bools:
    """Whether a sample was sailed, probably enough and not slowed on purpose.

    Parameters
    ----------
    samples : DataFrame, n rows
        ``state``; where there are ``sailing_probability`` and ``doing``, by them.
    least : float
        Probability asked for.
    slowed : bool
        Whether what was slowed on purpose counts too.
    """
    if "state" not in samples:
        return np.ones(len(samples), dtype=bool)
    out = samples["state"].to_numpy(dtype=object) == "sailing"
    if "sailing_probability" in samples:
        out &= samples["sailing_probability"].to_numpy(dtype=float) >= least
    if "doing" in samples and not slowed:
        out &= samples["doing"].to_numpy(dtype=object) == "sailing"
    return np.asarray(out, dtype=bool)
