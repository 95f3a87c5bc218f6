"""Recorded logs that live beside the checkout; tests skip where they are absent."""

import json
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parents[2] / "shared" / "logs"


def real_log(name: str) -> Path:
    """Folder of one recorded log, or skip the test with the reason."""
    folder = FOLDER / name
    if not folder.is_dir():
        pytest.skip(f"recorded log {name} is not beside this checkout")
    return folder


def expected(name: str) -> dict:
    """The labels that go with a recorded log."""
    return json.loads((real_log(name) / "expected.json").read_text(encoding="utf-8"))
