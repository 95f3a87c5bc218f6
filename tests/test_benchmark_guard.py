"""The guard over the ratios of speed: it holds, complains, and misses nothing."""

import importlib
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

guard = importlib.import_module("table")
timing = importlib.import_module("timing")


def row(name, ours_s, peer_s):
    return timing.Row(name, ours_s, "peer", peer_s, "any", "command")


@pytest.fixture
def kept(tmp_path, monkeypatch):
    monkeypatch.setattr(guard, "KEPT", tmp_path / "ratios.csv")
    guard.keep([row("reading", 1.0, 20.0), row("a day, with costs", 5.0, 1.0)])


def test_same_ratio_on_a_slower_machine_holds(kept):
    assert guard.fallen([row("reading", 7.0, 140.0), row("a day, with costs", 50.0, 10.0)]) == []


def test_fallen_by_half_or_missing_is_said(kept):
    assert guard.fallen([row("reading", 1.0, 9.9)]) == [
        "reading, against peer: the ratio is 9.9, it was 20",
        "a day, with costs, against peer: not measured"]


def test_not_a_number_does_not_pass(kept):
    rows = [row("reading", 1.0, float("nan")), row("a day, with costs", 5.0, 1.0)]
    assert len(guard.fallen(rows)) == 1


def test_a_new_job_needs_no_kept_ratio(kept):
    rows = [row("reading", 1.0, 20.0), row("a day, with costs", 5.0, 1.0), row("new", 9.0, 1.0)]
    assert guard.fallen(rows) == []


@pytest.mark.parametrize(("second", "said"), [(19.0, 0), (9.0, 1)])
def test_only_what_falls_twice_is_complained_of(kept, monkeypatch, second, said):
    sound = [row("a day, with costs", 5.0, 1.0)]
    asked = []

    def again(names, small):
        asked.extend(names)
        return {name: [row("reading", 1.0, second)] for name in names}

    monkeypatch.setattr(guard, "measure", again)
    complaints = guard.held({"bench_reading": [row("reading", 1.0, 9.0)], "bench_day": sound})
    assert len(complaints) == said
    assert asked == ["bench_reading"]
