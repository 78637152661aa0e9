"""Reading threads as the trade writes them, and refusing everything else with a reason."""

from __future__ import annotations

import dataclasses
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankclock.handbook.thread_tables import CHAMFER_FORMS, COARSE, FINE, METRIC, UNC, UNF, UNIFIED
from crankclock.handbook.threads import THREADS, Thread, ThreadError, parse

WRITTEN = {
    "M4x0.7": ["M4x0.7", "M4 x 0.7", "M4×0.7", "m4X0.7", "M4", " M4 ", "M4x0.70", "M4.0x.7", "M 4", "M4-0.7"],
    "M5x0.8": [
        "M5",
        "M5x0.8",
        "M5x0.8-6H",
        "M5-6H",
        "M5x0.8-6HX",
        "M5x0.8 - 4H5H",
        "M5 6H",
        "M5\u00a0x\u00a00.8",
    ],
    "M8x1": ["M8x1", "M8 x 1.0", "M8x1-6H", "M8-1"],
    "#10-32 UNF": [
        "#10-32 UNF",
        "10-32",
        "No. 10-32",
        "no.10-32UNF",
        "# 10 - 32 unf - 2B",
        ".190-32",
        "#10 UNF",
    ],
    "1/4-20 UNC": [
        "1/4-20",
        '1/4"-20 UNC',
        "1/4”-20",
        "1/4 in-20",
        "1/4 in. - 20 UNC",
        "1/4 inch-20",
        ".250-20",
        "0.25-20",
        "1/4-20 UNC-2B",
        "1/4-20-2B",
        "1/4-20 UNC 3B",
        "1/4–20 UNC",
        "1/4 UNC",
        "¼-20",
    ],
    "5/16-18 UNC": ["5/16-18", ".3125-18", ".312-18", ".313-18"],
}


@pytest.mark.parametrize(("wanted", "text"), [(name, text) for name, texts in WRITTEN.items() for text in texts])
def test_reads_what_the_trade_writes(wanted: str, text: str) -> None:
    assert parse(text).designation == wanted


@pytest.mark.parametrize(
    ("text", "says", "nearest"),
    [
        ("M4x0.9", "M4 has no pitch 0.9 mm", "M4x0.7"),
        ("M4x-0.7", "not read", "M4x0.7"),
        ("M4x0", "M4 has no pitch 0 mm", "M4x0.7"),
        ("M8x1,25", "decimal comma", "M8x1.25"),
        ("M4,0", "decimal comma", None),
        ("M4.3", "no size M4.3", "M4.5x0.75"),
        ("M99", "no size M99", "M20x2.5"),
        ("1/4-20 UNF", "20 threads per inch on 1/4 is UNC, not UNF", "1/4-28 UNF"),
        ("#10-24 UNF", "is UNC, not UNF", "#10-32 UNF"),
        ("1/4-19", "1/4 has no 19 threads per inch", "1/4-20 UNC"),
        ("1/4-28 UNEF", "series UNEF is not in the tables", "1/4-28 UNF"),
        ("1/4", "threads per inch missing", "1/4-20 UNC"),
        ("10", "threads per inch missing", "#10-24 UNC"),
        ("11/32-20", "no size 11/32 inch", "3/8-16 UNC"),
        ("4/16-20", "no size 4/16 inch", "1/4-20 UNC"),
        ("1/0-20", "no size 1/0 inch", None),
        (".251-20", "no size .251 inch", "1/4-20 UNC"),
        (".3124-18", "no size .3124 inch", "5/16-18 UNC"),
        ("#1-64", "no number size #1", "#2-56 UNC"),
        ("M8x1-LH", "left-hand", "M8x1"),
        ("M8 left hand", "left-hand", None),
        ("1/4-20 UNC-2B-LH", "left-hand", "1/4-20 UNC"),
        ("M16xPh3P1.5", "multi-start", "M16x1.5"),
        ("M4x0.7-6g", "class 6g is a screw's", "M4x0.7"),
        ("1/4-20 UNC-2A", "class 2A is a screw's", "1/4-20 UNC"),
        ("M4x0.7-2B", "class 2B is not one of a tapped hole such as 6H", "M4x0.7"),
        ("1/4-20-6H", "class 6H is not one of a tapped hole such as 2B", "1/4-20 UNC"),
        ("M4²", "not read", None),
        ("M1²", "not read", None),
        ("4x0.7", "not read", "M4x0.7"),
        ("M4x0.7 M5", "not read", None),
        ("NPT 1/4", "not read", None),
        ("", "nothing given", None),
        (" \t\n", "nothing given", None),
        ("M4" * 500, "longer than", None),
        ("\ud800\x00", "not read", None),
    ],
)
def test_refuses_with_reason_and_nearest(text: str, says: str, nearest: str | None) -> None:
    with pytest.raises(ThreadError) as caught:
        parse(text)
    message = str(caught.value)
    assert says in message
    assert "expected a metric thread such as M4x0.7" in message
    assert repr(text)[:40].rstrip("'\"") in message, "the message must show what was given"
    assert len(message) < 400
    if nearest is not None:
        assert nearest in message.partition("nearest: ")[2].split(", ")


@pytest.mark.parametrize("other", [None, 4, 4.0, b"M4", ["M4"]])
def test_refuses_what_is_not_text(other: object) -> None:
    with pytest.raises(ThreadError, match="not a text"):
        parse(other)  # type: ignore[arg-type]


def test_coarse_pitch_may_be_written_or_left_out() -> None:
    for thread in THREADS:
        if thread.series == COARSE:
            assert parse(thread.designation.partition("x")[0]) == parse(thread.designation) == thread
    assert parse("M5x0.8") == parse("M5")
    assert parse("M8x1") != parse("M8")


@pytest.mark.parametrize("thread", THREADS, ids=lambda thread: thread.designation)
def test_every_row_reads_back_and_is_sound(thread: Thread) -> None:
    assert parse(thread.designation) == thread
    assert parse(thread.designation.replace("x", "×").lower().replace("#", "No. ")) == thread
    assert thread.source
    assert 0.0 < thread.pitch == thread.lead < thread.diameter / 3.0
    assert thread.minor_diameter < thread.pitch_diameter < thread.diameter
    assert thread.diameter - thread.pitch_diameter == pytest.approx(0.649519 * thread.pitch, rel=1e-6)
    assert thread.height == pytest.approx(0.866025 * thread.pitch, rel=1e-6)


def test_tables_cover_the_range_once() -> None:
    assert len({thread.designation for thread in THREADS}) == len(THREADS) == len(METRIC) + len(UNIFIED)
    ends = {
        COARSE: ("M2x0.4", "M20x2.5"),
        FINE: ("M2x0.25", "M20x1"),
        UNC: ("#2-56 UNC", "3/4-10 UNC"),
        UNF: ("#2-64 UNF", "3/4-16 UNF"),
    }
    for series, first_and_last in ends.items():
        names = [thread.designation for thread in THREADS if thread.series == series]
        assert (names[0], names[-1]) == first_and_last
    sizes = {row.diameter_mm for row in METRIC}
    assert sizes == {row.diameter_mm for row in METRIC if row.series == COARSE}, "one coarse pitch for every size"
    assert all(unc.size == unf.size for unc, unf in zip(UNIFIED[::2], UNIFIED[1::2], strict=True))


def test_fine_is_finer_than_coarse() -> None:
    coarse = {thread.diameter: thread.pitch for thread in THREADS if thread.series in (COARSE, UNC)}
    assert all(thread.pitch < coarse[thread.diameter] for thread in THREADS if thread.series in (FINE, UNF))


def test_a_thread_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        parse("M4").pitch = 1.0  # type: ignore[misc]


def test_chamfer_forms_are_ranges() -> None:
    assert all(0.0 < least < greatest for least, greatest in CHAMFER_FORMS.values())


def outcome(text: str) -> Thread | None:
    """Parse, allowing the one error there may be."""
    try:
        return parse(text)
    except ThreadError:
        return None


@given(st.text(max_size=80))
def test_any_text_is_a_thread_or_a_thread_error(text: str) -> None:
    assert outcome(text) in (None, *THREADS)


@given(st.text(alphabet='Mm#Nno.0123456789/-xX× "UNCFinBH6,¼L', max_size=24))
def test_near_misses_are_a_thread_or_a_thread_error(text: str) -> None:
    assert outcome(text) in (None, *THREADS)


@given(st.sampled_from(THREADS), st.integers(0, 12), st.text(alphabet="0123456789.x-/#UF\u0663²,", max_size=2))
def test_an_edited_designation_never_becomes_another_size_unseen(thread: Thread, at: int, new: str) -> None:
    """Whatever is read must be spelled by the digits given: no size or pitch comes from nowhere."""
    name = thread.designation
    edited = name[:at] + new + name[at + 1 :]
    read = outcome(edited)
    if read is not None:
        for number in re.findall(r"[0-9]+", read.designation.partition("x")[0].partition(" ")[0]):
            assert number.lstrip("0") in edited


@given(
    st.decimals(1, 21, places=2, allow_nan=False, allow_infinity=False),
    st.decimals("0.1", 3, places=2, allow_nan=False, allow_infinity=False),
)
def test_only_tabled_diameter_and_pitch_are_read(diameter: Decimal, pitch: Decimal) -> None:
    tabled = any(row.diameter_mm == float(diameter) and row.pitch_mm == float(pitch) for row in METRIC)
    assert (outcome(f"M{diameter}x{pitch}") is not None) == tabled


@given(st.integers(1, 13), st.integers(1, 100))
def test_only_tabled_counts_are_read(number: int, count: int) -> None:
    tabled = any(row.size == f"#{number}" and row.threads_per_inch == count for row in UNIFIED)
    assert (outcome(f"#{number}-{count}") is not None) == tabled
    assert outcome(f"#{number}-{count}") == outcome(f"{number}-{count}")
