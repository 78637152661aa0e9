"""Many strokes as plain data: JSON, and the first run's log as CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any

from crankclock import __version__
from crankclock.report.data import SCHEMA, assumption
from crankclock.report.numbers import number
from crankclock.studies.strokes import CAUTION, Strokes
from crankclock.studies.strokes_faults import Fault
from crankclock.studies.strokes_line import Causes, Entry, Halt
from crankclock.studies.strokes_runs import SURE, Share, Tally, Variant


def as_data(found: Strokes) -> dict[str, Any]:
    """The runs as JSON-ready data; the log leaves out strokes in which nothing but the usual happens."""
    first = found.first
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": found.loaded.name,
        "title": found.title,
        "input_sha256": found.loaded.source.digest,
        "overrides": list(found.loaded.overrides),
        "reading": found.reading,
        "rate_per_min": number(found.rate, "1/min"),
        "mode": "single-stroke" if found.single else "continuous",
        "strokes": found.wish.strokes,
        "runs": found.runs,
        "whole": found.whole,
        "seed": found.wish.seed,
        "without_sensors": list(found.wish.without),
        "sound": found.sound,
        "verdict_without_faults": found.verdict,
        "failing_without_faults": list(found.failing),
        "restless_without_faults": found.restless,
        "agreement": {
            "strokes": found.agreement.strokes,
            "events": found.agreement.events,
            "missing": found.agreement.missing,
            "most_deg": number(found.agreement.most, "deg"),
        },
        "faults": [_fault(each) for each in found.faults],
        "first_run": {
            "stop": None if first.halt is None else _halt(first.halt, found),
            "bad_parts": len({stroke for stroke, _ in first.bad}),
            "hits": len(first.hits),
            "log": [_entry(each) for each in found.told],
        },
        "confidence": SURE,
        "variants": [_variant(each) for each in found.variants],
        "assumed": [assumption(each, found.units) for each in found.assumed],
        "notes": list(found.notes),
        "caution": CAUTION,
    }


def as_json(found: Strokes) -> str:
    """The runs as JSON text."""
    return json.dumps(as_data(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def as_csv(found: Strokes) -> str:
    """Every line of the first run's log; angles count from the TDC that starts the stroke."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["stroke", "dial [deg]", "time [ms]", "kind", "who", "what"])
    for each in found.first.log:
        dial, time = number(each.dial, "deg"), number(each.time, "ms")
        table.writerow([each.stroke, dial, time, each.kind, each.who, each.what])
    return text.getvalue()


def _fault(fault: Fault) -> dict[str, Any]:
    return {
        "fault": fault.text,
        "kind": fault.kind,
        "name": fault.name,
        "stroke": fault.stroke,
        "rate_per_stroke": None if fault.stroke is not None else fault.rate,
        "lasting": fault.of.lasting,
        "does": fault.of.does,
        "seen_by": fault.of.seen,
    }


def _halt(halt: Halt, found: Strokes) -> dict[str, Any]:
    rest = halt.rest

    def causes(these: Causes) -> list[str]:
        return [found.faults[k].text for k, _ in sorted(these)]

    def place(name: str, pair: tuple[float, float]) -> dict[str, Any]:
        return {f"{name}_deg": number(found.dial(halt.stroke, pair[0]), "deg"), f"{name}_ms": number(pair[1], "ms")}

    return {
        "sensor": halt.sensor,
        "stroke": halt.stroke,
        "causes": causes(halt.causes),
        "own_faults": causes(halt.own),
        "nuisance": not halt.causes,
        **place("signal", rest.signal),
        **place("brake", rest.grip),
        **place("rest", rest.rest),
        "stopping_angle_deg": number(rest.rest[0] - rest.signal[0], "deg"),
        "protects": halt.protects,
        "reached": halt.reached,
        "spare_deg": number(halt.spare, "deg") if math.isfinite(halt.spare) else None,
        "passed": [f"{each.who}.{each.what}" for each in found.passed],
    }


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "stroke": entry.stroke,
        "deg": number(entry.dial, "deg"),
        "ms": number(entry.time, "ms"),
        "kind": entry.kind,
        "who": entry.who,
        "what": entry.what,
    }


def _share(share: Share, by_chance: bool = True) -> dict[str, Any]:
    interval = share.interval if by_chance else None
    return {
        "count": share.count,
        "of": share.of,
        "probability": [round(each, 9) for each in interval] if interval is not None else None,
    }


def _variant(variant: Variant) -> dict[str, Any]:
    return {
        "sensors": list(variant.watching),
        "stopped": _share(variant.stopped, variant.by_chance),
        "nuisance_stops": _share(variant.nuisance, variant.by_chance),
        "not_in_time": _share(variant.late, variant.by_chance),
        "spoilt": _share(variant.spoilt, variant.by_chance),
        "faults": [_tally(each, variant.by_chance) for each in variant.tallies],
    }


def _tally(tally: Tally, by_chance: bool) -> dict[str, Any]:
    return {
        "fault": tally.fault.text,
        "struck": _share(tally.struck, by_chance),
        "escaped": _share(tally.escaped, by_chance),
        "bad_parts": tally.bad,
        "bad_parts_after": tally.further,
        "hits": tally.hits,
        "stopped_by": {name: count for name, count in tally.seen.items() if count},
        "nuisance_stops": tally.nuisance,
    }
