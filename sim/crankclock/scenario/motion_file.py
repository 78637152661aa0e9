"""A slide's motion from a CSV file: dial angle and height, the first line naming their units."""

from __future__ import annotations

import csv
import hashlib
import re
from dataclasses import dataclass, replace
from typing import Any

from pydantic_core import PydanticCustomError

from crankclock.errors import InputError, Problem
from crankclock.scenario.fields import In, told
from crankclock.scenario.files import Source, Tree, content, inside, text_of
from crankclock.scenario.schema import Points
from crankclock.units import UnitError, read

KEY = "press.slide.file"
WHAT = "the name of a CSV file"
HEADER = "angle [deg],height [mm]"
COLUMNS = (("angle", "angle"), ("height", "length"))
"""Name and dimension of each column."""

PLAIN = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
MOST_ROWS = 10_000
TOLD = 5


@dataclass(frozen=True)
class MotionFile:
    """What a scenario's motion file holds.

    Attributes
    ----------
    points : tuple of pairs, or None
        Dial angle [rad] and height [m]; None where the file cannot be read.
    data : bytes
        The file as it stands.
    problems : tuple of Problem
    """

    points: Points | None
    data: bytes = b""
    problems: tuple[Problem, ...] = ()

    def counted(self, source: Source) -> Source:
        """The source with this file in its digest."""
        return replace(source, digest=hashlib.sha256(bytes.fromhex(source.digest) + self.data).hexdigest())


def motion_file(tree: Tree, source: Source) -> MotionFile | None:
    """Read the motion file that a tree names; None where it names none that counts."""
    press = tree.get("press")
    slide = press.get("slide") if isinstance(press, dict) else None
    if not isinstance(slide, dict) or slide.get("kind") != "table":
        return None
    name = slide.get("file")
    if not isinstance(name, str) or not name.strip():
        return None
    if "points" in slide:
        both = Problem(KEY, told(name), "either press.slide.points or press.slide.file, not both")
        return MotionFile(None, problems=(both,))
    data = b""
    try:
        path = inside(source.root, source.path, name, KEY, WHAT)
        data = content(path, KEY, "a CSV file")
        points, problems = _rows(text_of(data, KEY, "CSV"))
    except InputError as wrong:
        return MotionFile(None, data, wrong.problems)
    return MotionFile(None if problems else points, data, tuple(problems))


def _rows(text: str) -> tuple[Points, list[Problem]]:
    lines = list(csv.reader(text.splitlines()))
    at = next((k for k, line in enumerate(lines) if any(cell.strip() for cell in line)), None)
    if at is None:
        return (), [Problem(KEY, "an empty file", f"a first line {HEADER}, then rows of numbers")]
    units = _units(lines[at])
    if units is None:
        given = f"line {at + 1}: {told(','.join(lines[at]))}"
        want = f"a first line that names two columns and their units, such as {HEADER} or angle [deg],height [in]"
        return (), [Problem(KEY, given, want)]
    points: list[tuple[float, float]] = []
    problems: list[Problem] = []
    for k, line in enumerate(lines[at + 1 :], at + 2):
        if not any(cell.strip() for cell in line):
            continue
        row = _row(line, units, k)
        if isinstance(row, Problem):
            problems.append(row)
        else:
            points.append(row)
    if len(points) > MOST_ROWS:
        problems.append(Problem(KEY, f"{len(points)} rows", f"at most {MOST_ROWS} rows"))
    if len(problems) > TOLD:
        more = Problem(KEY, f"{len(problems) - TOLD} more lines like these", "two plain numbers a line")
        problems = [*problems[:TOLD], more]
    return tuple(points), problems


def _units(header: list[str]) -> tuple[str, ...] | None:
    """The units that the first line gives its two columns."""
    found = []
    if len(header) != len(COLUMNS):
        return None
    for cell, (name, dimension) in zip(header, COLUMNS, strict=True):
        match = re.fullmatch(rf"\s*{name}\s*\[([^\[\]]*)\]\s*", cell, re.IGNORECASE)
        try:
            if match is None or read(f"1 {match[1]}", dimension).tolerance is not None:
                return None
        except UnitError:
            return None
        found.append(match[1])
    return tuple(found)


def _row(line: list[str], units: tuple[str, ...], at: int) -> tuple[float, float] | Problem:
    given = f"line {at}: {told(','.join(line))}"
    if len(line) != len(COLUMNS) or not all(PLAIN.fullmatch(cell.strip()) for cell in line):
        want = "two plain numbers with a comma between them and a decimal point, their units in the first line alone"
        return Problem(KEY, given, want)
    try:
        angle, height = (
            In(dimension).read(f"{cell.strip()} {unit}")
            for cell, unit, (_, dimension) in zip(line, units, COLUMNS, strict=True)
        )
    except PydanticCustomError as wrong:
        context: dict[str, Any] = wrong.context or {}
        return Problem(KEY, given, str(context.get("expected", "two plain numbers")))
    return angle, height
