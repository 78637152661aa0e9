"""A tolerance study as a workbook: the risk, the rates, what to tighten, and every sample."""

from __future__ import annotations

import datetime
import importlib
import io
from collections.abc import Iterable, Sequence
from typing import Any

from crankclock.errors import InputError, Problem
from crankclock.report.tolerance_data import as_data, sample_columns, sample_rows
from crankclock.report.tolerance_words import headline
from crankclock.studies.check import CAUTION
from crankclock.studies.tolerance import Tolerances

Cells = Sequence[Any]
OPTIONS = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
"""A title that looks like a formula stays a title."""

RISK = ("rule", "subject", "failing", "samples", "probability", "low (95 %)", "high (95 %)",
        "nominal margin", "least margin", "unit of the margins")  # fmt: skip
RATES = ("rate [1/min]", "failing", "samples", "probability", "low (95 %)", "high (95 %)")
KEYS = ("rule", "subject", "mean margin", "standard deviation", "unit of the margin", "key", "alone", "low (95 %)",
        "high (95 %)", "in all", "low (95 %)", "high (95 %)", "slope", "unit of the slope", "shift for the risk",
        "unit of the shift")  # fmt: skip


def render(found: Tolerances) -> bytes:
    """The bytes of an .xlsx file; the same study gives the same bytes.

    Raises
    ------
    InputError
        The extra for it is not installed.
    """
    try:
        workbook: Any = importlib.import_module("xlsxwriter").Workbook
    except ImportError:
        raise InputError([Problem("-o", ".xlsx", 'the extra for it: pip install "crankclock[sheet]"')]) from None
    buffer, data = io.BytesIO(), as_data(found)
    with workbook(buffer, OPTIONS) as book:
        book.set_properties({"title": found.title, "created": datetime.datetime(2000, 1, 1)})  # the same every time
        bold = book.add_format({"bold": True})
        for name, head, rows in _sheets(found, data):
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 0)
            sheet.set_column(0, len(head) - 1, 18)
            sheet.write_row(0, 0, head, bold)
            for k, row in enumerate(rows, 1):
                sheet.write_row(k, 0, row)
    return buffer.getvalue()


def _sheets(found: Tolerances, data: dict[str, Any]) -> Iterable[tuple[str, Cells, Iterable[Cells]]]:
    here = data["at_rate"]
    yield "Summary", ("key", "value"), _summary(found, data)
    yield "Risk", RISK, [] if here is None else [_risk(each) for each in here["findings"]]
    yield "Rates", RATES, [(each["rate_per_min"], *_estimate(each)) for each in data["rates"]]
    yield "What to tighten", KEYS, [row for each in data["sensitivities"] for row in _keys(each)]
    if found.table is not None:
        yield "Samples", sample_columns(found), sample_rows(found)


def _summary(found: Tolerances, data: dict[str, Any]) -> list[Cells]:
    names = ("scenario", "title", "crankclock", "input_sha256", "reading", "rate_per_min", "seed", "samples", "verdict",
             "risk", "risk_supported", "samples_needed")  # fmt: skip
    tolerances = [
        (f"{each['path']} [{each['unit']}]", f"{each['value']:g} +{each['plus']:g}/-{each['minus']:g} {each['shape']}")
        for each in data["tolerances"]
    ]
    told = [("overrides", each) for each in data["overrides"]] + [("says", each) for each in headline(found)]
    notes = [("note", each) for each in (*data["notes"], CAUTION)]
    return [*((name, data[name]) for name in names), *tolerances, *told, *notes]


def _estimate(each: dict[str, Any]) -> Cells:
    return each["failing"], each["samples"], each["probability"], each["low"], each["high"]


def _risk(each: dict[str, Any]) -> Cells:
    margin = each["margin"]
    return each["rule"], each["subject"], *_estimate(each), margin["nominal"], margin["least"], margin["unit"]


def _keys(each: dict[str, Any]) -> Iterable[Cells]:
    for key in each["keys"]:
        yield (
            *(each[name] for name in ("rule", "subject", "mean", "standard_deviation", "unit")),
            key["path"],
            *(key[order][end] for order in ("first", "total") for end in ("value", "low", "high")),
            *(key[name] for name in ("slope", "slope_unit", "shift_for_risk", "shift_unit")),
        )
