"""Trials: did a change of trim, sails or boards help?

`judge_trials` compares boat speed before and after each change that the crew log marks;
`pool_trials` puts repeats of the same change together, over one day or many.
"""

from sailanalysis.trials.changes import COLUMNS, VERDICTS, TrialsResult, judge_trials
from sailanalysis.trials.judge import Judged, TrialTrace, judge_sides
from sailanalysis.trials.pool import pool_trials, same_thing

__all__ = [
    "COLUMNS", "VERDICTS", "Judged", "TrialTrace", "TrialsResult", "judge_sides", "judge_trials",
    "pool_trials", "same_thing",
]
