"""One spelling a sail set."""

import numpy as np
import pytest

from sailanalysis.core.sails import sail_set, sail_sets


@pytest.mark.parametrize(("text", "reefs", "spelled"), [
    ("jib+main", "", "main+jib"), ("main + jib", "0", "main+jib"), ("main+jib", "1", "main 1 reef+jib"),
    ("jib+main", "2", "main 2 reefs+jib"), ("jib", "2", "jib"), ("", "1", ""), ("main+main", "", "main"),
    ("reefed main+jib", "1", "reefed main+jib"), ("staysail+Code 0+mainsail", "", "mainsail+Code 0+staysail"),
    (" main  +  storm   jib ", "3", "main 3 reefs+storm jib")])
def test_sets_are_spelled_alike(text, reefs, spelled):
    assert sail_set(text, reefs) == spelled
    assert sail_set(spelled) == spelled  # what is spelled stays so


def test_many_at_once():
    sets = np.array(["jib+main", "main+jib", "", None], dtype=object)
    assert sail_sets(sets).tolist() == ["main+jib", "main+jib", "", ""]
    assert sail_sets(sets, np.array(["1", "0", "1", ""], dtype=object)).tolist() == [
        "main 1 reef+jib", "main+jib", "", ""]


def test_a_reef_of_the_crew_log_is_part_of_the_set():
    import pandas as pd

    from sailanalysis.core.model import CrewEntry, CrewLog
    from sailanalysis.wind.crewcolumns import sails_column

    index = pd.date_range("2026-06-01 10:00", periods=6, freq="10s", tz="UTC")
    start = index[0].timestamp()
    crew = CrewLog((CrewEntry(start + 10, "sails", "jib+main"), CrewEntry(start + 20, "reef", "1"),
                    CrewEntry(start + 40, "reef", "0")))
    assert sails_column(crew, pd.DataFrame(index=index)).tolist() == [
        "", "main+jib", "main 1 reef+jib", "main 1 reef+jib", "main+jib", "main+jib"]
