"""The timing chart of one cycle: the crank clock, and beside it the turn unrolled. One sheet, A4 landscape."""

from __future__ import annotations

import io
import string
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from crankclock.cycle import Reading, running_needs
from crankclock.report.clock import HALF, draw_clock
from crankclock.report.curves import draw_curves
from crankclock.report.panels import Scene
from crankclock.report.rings import rings
from crankclock.report.style import (
    BODY,
    GREY,
    HEAD,
    INK,
    MM_PER_INCH,
    PAPER,
    SHEET,
    SMALL,
    TINY,
    house_style,
    place,
    write,
)
from crankclock.rules.base import Words
from crankclock.studies.check import CAUTION, Check, Finding, Verdict
from crankclock.studies.overlaps import Overlap, overlaps
from crankclock.studies.traces import traces
from crankclock.units import System, show

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STEP_DEG = 0.2
MARGIN, RIGHT = 8.0, 172.0
LIST_LINES = 10
QUIET: dict[Verdict, tuple[str, str]] = {
    "pass": ("No rule that was judged is broken.", ""),
    "tight": ("No rule that was judged is broken; these are tight:", "tight"),
    "incomplete": ("Not a pass: core rules could not be judged.", "not judged"),
    "fail": ("", ""),
}
"""What stands in place of broken rules, and the status of the findings then named."""
KEY = (
    "On the dial: pilots light by the nose, dark by the full diameter; taps thin while the spindle is away from home, "
    "light in the strip, dark in the cut; feed light while it settles; strip thin on its way; "
    "clamp light in a bounce, arrowhead at a short one; cross ticks: by hand, where that differs."
)
READ: Mapping[Reading, str] = {
    "hand": "turned over by hand",
    "rigid": "mechanism rigid",
    "running": "masses and springs",
}
VERDICTS: dict[Verdict, tuple[str, str, str]] = {
    "pass": ("PASS", PAPER, "#00795a"),
    "tight": ("TIGHT", "#f0d9a8", INK),
    "fail": ("FAIL", "#9b2c00", PAPER),
    "incomplete": ("INCOMPLETE", "#c8c8c8", INK),
}


def draw(check: Check, system: System | None = None) -> Figure:
    """Draw the timing chart of a check.

    Parameters
    ----------
    check : Check
    system : {"metric", "inch"}, optional
        Units of the lengths; the check's own by default.

    Returns
    -------
    matplotlib.figure.Figure
        Fresh, A4 landscape, not known to pyplot.
    """
    from matplotlib.figure import Figure

    spoken = system or check.units
    with house_style():
        figure = Figure(figsize=(SHEET[0] / MM_PER_INCH, SHEET[1] / MM_PER_INCH), facecolor=PAPER)
        curves = traces(check.cycle, STEP_DEG)
        lettered = list(zip(string.ascii_uppercase, overlaps(check), strict=False))
        _head(figure, check, spoken)
        draw_clock(place(figure, MARGIN + 6.0, 21.0, 2 * HALF, 2 * HALF), check, rings(check, curves), lettered)
        _list(figure, check, lettered, spoken)
        rigid = check.readings.rigid.at(curves.angle) if check.reading == "running" else None
        draw_curves(figure, Scene(check, curves, rigid, spoken, lettered), RIGHT, 20.0, SHEET[0] - RIGHT - 7.0, 167.0)
        _foot(figure, check)
        return figure


def render(check: Check, suffix: Literal["png", "svg"], system: System | None = None) -> bytes:
    """The chart as the bytes of a PNG or SVG file; the same check gives the same bytes."""
    figure = draw(check, system)
    buffer = io.BytesIO()
    metadata = {"Date": None, "Title": _title(check)} if suffix == "svg" else {"Title": _title(check)}
    with house_style():
        figure.savefig(buffer, format=suffix, metadata=metadata)
    return buffer.getvalue()


def save(check: Check, path: Path, system: System | None = None) -> None:
    """Write the chart to a .png or .svg file.

    Raises
    ------
    ValueError
        Another suffix.
    """
    kinds: dict[str, Literal["png", "svg"]] = {".png": "png", ".svg": "svg"}
    if path.suffix.lower() not in kinds:
        raise ValueError(f"a chart is a .png or an .svg file, not {path.suffix or 'one without a suffix'}")
    path.write_bytes(render(check, kinds[path.suffix.lower()], system))


def _title(check: Check) -> str:
    """The title without what cannot be printed, which an SVG must not hold."""
    return "".join(letter if letter.isprintable() else " " for letter in check.title)


def _head(figure: Figure, check: Check, system: System) -> None:
    word, face, ink = VERDICTS[check.verdict]
    write(figure, MARGIN, 7.0, textwrap.shorten(_title(check), 92, placeholder=" …"), HEAD, fontweight="bold")
    scenario = check.machine.scenario
    rate = show(float(check.machine.crank.rate), "rate", system)
    stroke = show(float(scenario.press.slide.stroke), "length", system)
    strip = show(float(scenario.strip.thickness), "length", system)
    lift = show(float(scenario.strip.lift), "length", system)
    facts = [
        f"{rate}, single strokes" if scenario.press.mode == "single-stroke" else rate,
        f"{check.reading} reading: {READ[check.reading]}",
        f"stroke {stroke}",
        f"strip {strip}, lift {lift}",
        check.loaded.name,
    ]
    write(figure, MARGIN, 13.6, "  ·  ".join(facts), BODY, color=INK)
    lacks = running_needs(check.machine)
    if lacks:
        said = f"Not as it runs: springs, bounce and inertia are not drawn or judged without {', '.join(lacks)}."
        write(figure, MARGIN, 17.6, said, SMALL, fontweight="bold")
    box = {"facecolor": face, "edgecolor": ink if face == PAPER else face, "boxstyle": "square,pad=0.35"}
    write(figure, SHEET[0] - MARGIN - 1.5, 8.0, word, HEAD + 1.0, ha="right", fontweight="bold", color=ink, bbox=box)


def _list(figure: Figure, check: Check, lettered: Sequence[tuple[str, Overlap]], system: System) -> None:
    """What is hatched, by letter; then what else fails; where nothing does, what is tight or not judged."""
    words = Words(system)
    lines = [(letter, _overlap_line(check, each, words)) for letter, each in lettered]
    drawn = {id(each.finding) for _, each in lettered}
    lines += [("–", _line(each, words)) for each in check.worst if each.status == "fail" and id(each) not in drawn]
    heading = "Broken rules (hatched where they overlap on the dial)"
    if not lines:
        heading, status = QUIET[check.verdict]
        rest = [each for each in check.worst if each.status == status and (each.core or status == "tight")]
        lines = [("–", _line(each, words)) for each in rest]
    top = 163.0
    write(figure, MARGIN, top, heading, BODY, fontweight="bold")
    if len(lines) > LIST_LINES:
        lines = [*lines[: LIST_LINES - 1], ("", f"and {len(lines) - LIST_LINES + 1} more: see the text report")]
    for k, (letter, text) in enumerate(lines):
        write(figure, MARGIN, top + 3.8 + 2.75 * k, letter, SMALL, fontweight="bold")
        write(figure, MARGIN + 4.0, top + 3.8 + 2.75 * k, textwrap.shorten(text, 136, placeholder=" …"), SMALL)


def _name(finding: Finding) -> str:
    return finding.rule + (f", {finding.subject.replace(':', ' ', 1)}" if finding.subject else "")


def _overlap_line(check: Check, overlap: Overlap, words: Words) -> str:
    finding = overlap.finding
    cycle = check.readings.chosen(finding.reading)
    by_hand = " by hand" if finding.reading == "hand" and check.reading != "hand" else ""
    span = f"{words.deg(overlap.start)} to {words.deg(overlap.end)}"
    return f"{_name(finding)}: {words.lag(cycle, overlap.size)}{by_hand}, {span}"


def _line(finding: Finding, words: Words) -> str:
    if finding.margin is None:
        return f"{_name(finding)}: {finding.says}"

    def say(size: float) -> str:
        said = words.deg(size) if finding.dimension == "angle" else words.say(size, finding.dimension)
        return said.replace("-", "−", 1)

    wanted = f" (allowance {say(finding.allowance)})" if finding.status == "tight" and finding.allowance else ""
    return f"{_name(finding)}: margin {say(finding.margin)}{wanted}"


def _foot(figure: Figure, check: Check) -> None:
    unjudged = [each for each in check.findings if each.status == "not judged"]
    core = sorted({each.rule for each in unjudged if each.core})
    said = f"{len(check.assumed)} values assumed, {len(unjudged)} rules not judged"
    said += f", among them {', '.join(core)}." if core else "; the text report names them."
    write(figure, MARGIN, 193.6, KEY, TINY, color=GREY)
    write(figure, MARGIN, 198.0, said, SMALL)
    write(figure, MARGIN, 201.4, f"Caution: {CAUTION}", SMALL)
