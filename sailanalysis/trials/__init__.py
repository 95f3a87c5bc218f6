"""Trials: did a change of trim, sails or boards help?

`judge_trials` compares boat speed before and after each change that the crew log marks;
`find_events` and `place_marks` say when it happened, `whole_shift` whether a whole crew log is off;
`judge_sail_choice` says where another sail set is known to be faster, and what that cost;
`pool_trials` puts repeats of the same change together, over one day or many.
"""

from sailanalysis.trials.changes import COLUMNS, VERDICTS, TrialsResult, judge_trials
from sailanalysis.trials.choice import ChoiceItem, SailChoice, judge_sail_choice
from sailanalysis.trials.events import (
    PlacedMark,
    SeenEvent,
    WholeShift,
    find_events,
    place_marks,
    whole_shift,
)
from sailanalysis.trials.judge import Judged, TrialTrace, judge_sides
from sailanalysis.trials.pool import pool_trials, same_thing

__all__ = [
    "COLUMNS", "VERDICTS", "ChoiceItem", "Judged", "PlacedMark", "SailChoice", "SeenEvent",
    "TrialTrace", "TrialsResult", "WholeShift", "find_events", "judge_sail_choice", "judge_sides",
    "judge_trials", "place_marks", "pool_trials", "same_thing", "whole_shift",
]
