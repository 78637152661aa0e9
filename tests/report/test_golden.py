"""`reports/` holds what the program says of each shipped scenario; a change of behaviour shows in its diff.

Regenerate with `crankclock report --all reports` and read the diff before committing it.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from crankclock.api import check, shipped
from crankclock.report.data import as_data
from crankclock.report.words import as_text

REPORTS = Path(__file__).resolve().parents[2] / "reports"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
HASH = "input_sha256"


def same(found: Any, kept: Any, where: str = "") -> None:
    """Equal, numbers within a millionth."""
    if isinstance(kept, dict):
        assert set(found) == set(kept), where
        for name in kept:
            same(found[name], kept[name], f"{where}.{name}")
    elif isinstance(kept, list):
        assert len(found) == len(kept), where
        for at, each in enumerate(kept):
            same(found[at], each, f"{where}[{at}]")
    elif isinstance(kept, float):
        assert found == pytest.approx(kept, rel=1e-6, abs=2e-6), where
    elif not where.endswith((HASH, ".crankclock")):
        assert found == kept, where


@pytest.mark.parametrize("name", shipped())
def test_json_is_as_kept(name: str) -> None:
    kept = json.loads((REPORTS / name / "verdict.json").read_text(encoding="utf-8"))
    same(as_data(check(name)), kept)


@pytest.mark.parametrize("name", shipped())
def test_text_is_as_kept(name: str) -> None:
    kept = (REPORTS / name / "verdict.txt").read_text(encoding="utf-8")
    found = as_text(check(name))
    assert NUMBER.sub("#", found) == NUMBER.sub("#", kept)
    pairs = zip(NUMBER.findall(found), NUMBER.findall(kept), strict=True)
    # A last printed place may round either way on another machine.
    assert all(abs(float(a) - float(b)) <= 0.011 or a == b for a, b in pairs)


def test_no_report_without_a_scenario() -> None:
    assert sorted(path.name for path in REPORTS.iterdir() if path.is_dir()) == shipped()
    assert all((REPORTS / name / "chart.svg").is_file() for name in shipped())
