"""Tolerances: exact cases within their own interval, honest where nothing fails, the same whoever does the work."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from crankclock.cli import run
from crankclock.errors import InputError, UnfinishedError
from crankclock.report import tolerance_data, tolerance_files, tolerance_words
from crankclock.rules import RULES
from crankclock.scenario.fields import In
from crankclock.scenario.load import Loaded, open_scenario
from crankclock.scenario.paths import value_at
from crankclock.scenario.schema import Table, markers
from crankclock.studies import tolerance_batch
from crankclock.studies.ceiling import Bench
from crankclock.studies.store import Store
from crankclock.studies.tolerance import Tolerances, Wish, header, tolerance
from crankclock.studies.tolerance_batch import Name, counted, judged, names_of
from crankclock.studies.tolerance_rates import AtRate, RuleRisk
from crankclock.studies.tolerance_risk import estimate, least_supported
from crankclock.studies.tolerance_sample import points, spread_of
from crankclock.studies.variants import evaluate
from crankclock.studies.work import Crew

DEMO = "latch-plate-in-its-limits"
LIFT: Name = ("feed-starts-after-lift", None)


def study(loaded: Loaded, **wish: Any) -> Tolerances:
    with Crew() as crew:
        return tolerance(loaded, Wish(**{"samples": 2**12, "low": 1.0, "high": 1.0, **wish}), crew)


def rule(at: AtRate | None, name: Name) -> RuleRisk:
    assert at is not None
    return next(each for each in at.rules if (each.rule, each.subject) == name)


def truncated(below: float) -> float:
    """Share of a normal distribution cut off at three standard deviations that lies below so many of them."""
    return float(stats.truncnorm(-3.0, 3.0).cdf(below))


def feeder(offset_deg: float, tolerance_text: str) -> Loaded:
    """A feed that starts so long after the pilot is out; by hand no latency counts, so its margin is linear in it."""
    name = "shelf-bracket"
    base = open_scenario(name)
    row = next(row for row in evaluate(base.scenario, {}, "hand").rows if row.rule.name == "feed-starts-after-tools")
    leaves = float(base.scenario.feeder.start) - float(row.margin[0])  # type: ignore[union-attr,arg-type]
    start = math.degrees(leaves) + offset_deg
    return open_scenario(name, (f"feeder.start={start!r} deg {tolerance_text}",))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("offset", "text", "exact"),
    [
        (0.5, "± 3 deg", truncated(-0.5)),
        (2.0, "± 3 deg", truncated(-2.0)),
        (2.7, "± 3 deg", truncated(-2.7)),
        (1.0, "± 3 deg uniform", 1.0 / 3.0),
        (0.0, "+2/-1 deg", truncated(-1.0)),  # about the middle, half a degree higher, and sigma half a degree
        (2.0, "+0/-3 deg uniform", 1.0 / 3.0),
    ],
)
def test_one_input_and_a_linear_margin(seed: int, offset: float, text: str, exact: float) -> None:
    loaded = feeder(offset, text)
    found = study(loaded, reading="hand", seed=seed, samples=2**10).at_rate
    assert found is not None
    for each in (found.overall, rule(found, ("feed-starts-after-tools", "pilot:p1")).estimate):
        assert each.low <= exact <= each.high
        assert each.probability == pytest.approx(exact, abs=0.01)
        assert each.low > 0.0 or exact < 0.01


def test_nothing_fails_is_no_proof_of_never() -> None:
    found = study(feeder(4.0, "± 3 deg"), reading="hand")
    assert found.at_rate is not None
    assert found.at_rate.overall.failing == 0
    assert found.at_rate.overall.high == pytest.approx(least_supported(2**12), rel=1e-9)
    assert found.verdict == "undecided"
    assert not found.borne
    assert found.wanted == 2**19
    said = " ".join(tolerance_words.headline(found))
    assert "4,096 samples cannot show a risk of 1 in 100,000, only 1 in 1,111" in said
    assert "524,288 samples (--samples 2^19)" in said
    assert "A risk of 1 in 1,111 is borne up to 60.0 /min" in said


def test_a_risk_that_the_sample_shows() -> None:
    found = study(feeder(4.0, "± 3 deg"), reading="hand", risk=1e-3)
    assert found.verdict == "pass"
    assert found.borne


def test_a_risk_that_is_exceeded() -> None:
    found = study(feeder(0.5, "± 3 deg"), reading="hand", risk=0.1)
    assert found.verdict == "fail"
    assert not found.borne


def test_a_core_rule_that_is_not_judged_is_no_pass() -> None:
    text = (Path(open_scenario("shelf-bracket").source.path)).read_text(encoding="utf-8")
    text = re.sub(r"\[feeder\](.|\n)*?(?=\[pilot\.p1\])", "", text)
    text = re.sub(r"\[sensor(.|\n)*", "", text).replace('lift = "1.2 mm"', 'lift = "1.2 mm ± 0.01 mm"')
    found = _of_text(text, risk=0.01)
    assert ("feed-ends-in-time", None) in found.unjudged
    assert found.verdict == "incomplete"
    assert not found.borne
    assert "INCOMPLETE" in tolerance_words.as_text(found)


def _of_text(text: str, **wish: Any) -> Tolerances:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.toml"
        path.write_text(text, encoding="utf-8")
        return study(open_scenario(str(path)), reading="rigid", samples=2**8, **wish)


def test_the_interval_holds_what_it_says() -> None:
    """Shares of a sum of four normal quantities, of 100 seeds each: at 95 % 95 are expected, 5 sigma less is 84."""
    for exact in (0.3, 0.02, 1e-3):
        bound, inside = 2.0 * stats.norm.ppf(exact), 0
        for seed in range(100):
            sums = (stats.norm.ppf(points(seed, 0, k, 4, 0, 128)).sum(axis=1) for k in range(16))
            found = estimate(np.array([np.count_nonzero(each < bound) for each in sums]), 128)
            inside += found.low <= exact <= found.high
        assert inside >= 84


def rates() -> Tolerances:
    """A cutting speed that grows with the rate, which alone has a tolerance: 70 /min is just permitted."""
    base = open_scenario("shelf-bracket")
    row = next(row for row in evaluate(base.scenario, {}, "rigid").rows if row.rule.name == "cut-speed")
    peak = (float(base.scenario.strip.properties.cutting_speed) - float(row.margin[0])) * 70.0 / 55.0  # type: ignore[union-attr,arg-type]
    settings = ("press.rate=55 /min ± 6 %", f"strip.properties.cutting_speed={60.0 * peak!r} m/min",
                "tap.m4.drive.acceleration_max=3000 /s^2")  # fmt: skip
    loaded = open_scenario("shelf-bracket", settings)
    return study(loaded, reading="rigid", risk=1e-3, low=50.0 / 60.0, high=90.0 / 60.0)


def test_the_rate_at_a_risk_against_its_closed_form() -> None:
    """The rate times its tolerance passes 70 /min with a probability that the truncated normal gives."""
    found = rates()

    def exact(rate: float) -> float:
        return 1.0 - truncated(3.0 * (70.0 / 60.0 / rate - 1.0) / 0.06)

    assert found.rate_at_risk is not None
    held, above = found.rate_at_risk.rate, found.rate_at_risk.above
    assert held is not None
    assert above is not None
    assert exact(held) <= 1e-3 < exact(above)
    assert above - held == pytest.approx(2.0 / 60.0, abs=1e-9)  # one step
    assert held * 60.0 == pytest.approx(66.0, abs=1e-9)
    for each in found.rates:
        assert each.overall.low <= exact(each.rate) <= each.overall.high
    assert [each.rate for each in found.rates] == sorted(each.rate for each in found.rates)
    full = {each.rate for each in found.rates if each.overall.count == 2**12}
    assert {held, above, found.rate} >= full >= {held, found.rate}


def test_indices_of_a_margin_that_adds_up() -> None:
    """The press's full depth is the sum of what moves the head and the strip: shares by the squares of the tolerances.

    Depth = advance - clearance - lift, wanted depth = thickness + ..., each with slope -1.
    """
    settings = tuple(
        f"{path}={text}"
        for path, text in {
            "press.rate": "68 /min",
            "press.bdc_shift": "0 mm",
            "stripper.travel": "36 mm",
            "stripper.spring.main.force": "2.4 kN",
            "stripper.spring.main.end_force": "3.4 kN",
            "feeder.start": "277 deg",
            "feeder.latency": "10 ms",
            "feeder.pilot_release.latency": "6 ms",
            "tap.m5.hole": "4.65 mm",
            "tap.m5.drive.backlash": "20 deg",
        }.items()
    )
    found = study(open_scenario(DEMO, settings), reading="rigid")
    assert found.spread.paths == ("strip.thickness", "strip.lift", "tap.m5.rest_clearance")
    each = next(each for each in found.sensitivities if each.rule == "full-thread")
    squares = np.array([0.06, 0.15, 0.20]) ** 2
    for influence, share in zip(each.indices.inputs, squares / squares.sum(), strict=True):
        assert influence.first.low - 0.01 <= share <= influence.first.high + 0.01
        assert influence.total.value == pytest.approx(share, abs=0.02)
        assert influence.slope == pytest.approx(-1.0, abs=1e-6)
    sigma = 1e-3 * math.sqrt(squares.sum()) / 3.0 * math.sqrt(0.97334)
    assert each.indices.deviation == pytest.approx(sigma, rel=0.01)
    assert each.leading == 2
    assert each.movable(found.spread) == 2
    assert each.halved(2) == pytest.approx(each.spare / math.sqrt(1.0 - 0.75 * squares[2] / squares.sum()), rel=0.02)
    shift = each.shift(2, 4.0)
    assert shift is not None
    moved = open_scenario(DEMO, (*settings, f"tap.m5.rest_clearance={0.6 + 1e3 * shift!r} mm ± 0.2 mm"))
    again = next(each for each in study(moved, reading="rigid").sensitivities if each.rule == "full-thread")
    assert again.spare == pytest.approx(4.0, abs=0.05)


def values(loaded: Loaded, **own: list[float]) -> dict[str, Any]:
    count = len(next(iter(own.values())))
    found = {path.replace("__", "."): np.array(each) for path, each in own.items()}
    return {"press.rate": np.full(count, float(loaded.scenario.press.rate)), **found}


def test_what_cannot_happen_fails() -> None:
    """A pilot that never reaches the strip locates at no angle: no margin, and so it fails, without the others."""
    loaded = open_scenario("shelf-bracket")
    tried = values(loaded, pilot__p1__penetration=[0.058, -0.005, 0.058])
    found = judged(loaded.scenario, "rigid", tried)
    row = found.names.index(("pilots-before-tools", None))
    assert np.isnan(found.margins[row, 1])
    assert list(found.fails[row]) == [False, True, False]
    assert list(found.broken) == [False, True, False]
    packed = counted(loaded.scenario, "rigid", tried, 3, keep=False)
    assert list(packed["failing"][row]) == [0, 1, 0]
    assert list(packed["broken"]) == [0, 1, 0]
    assert names_of(packed["names"]) == found.names


def test_a_crank_that_cannot_turn_fails_every_rule() -> None:
    loaded = open_scenario("long-blank-single-strokes")
    found = judged(loaded.scenario, "rigid", {"press.rate": np.array([float(loaded.scenario.press.rate), 30.0])})
    assert list(found.broken) == [False, True]
    assert found.fails[:, 1].all()


def test_a_sample_that_cannot_be_worked_out_takes_no_other_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = open_scenario("shelf-bracket")

    class Balks(Bench):
        def judge(self, which: Any, rates: Any) -> Any:
            if np.any(self.values["strip.thickness"] > 1.6e-3):
                raise UnfinishedError("contacts without end")
            return super().judge(which, rates)

    monkeypatch.setattr(tolerance_batch, "Bench", Balks)
    found = judged(loaded.scenario, "rigid", values(loaded, strip__thickness=[1.5e-3, 1.7e-3, 1.4e-3, 1.55e-3, 1.5e-3]))
    assert list(found.broken) == [False, True, False, False, False]
    assert found.fails[:, 1].all()
    assert not found.fails[:, [0, 2, 3, 4]].any()
    alone = judged(loaded.scenario, "rigid", values(loaded, strip__thickness=[1.7e-3]))
    assert list(alone.broken) == [True]


def test_defaults_that_follow_a_tolerance_are_told() -> None:
    loaded = open_scenario("shelf-bracket", ("tap.m4.rest_clearance=0.5 mm ± 0.1 mm",))
    found = study(loaded, reading="rigid", samples=2**8)
    assert any(note.startswith("tap.m4.drive.engage_height is not given: it is set once") for note in found.notes)
    assert not any("engage_height" in note for note in study(open_scenario(DEMO), samples=2**8, reading="rigid").notes)


def test_the_same_whoever_does_the_work_and_however_much_is_kept() -> None:
    loaded = open_scenario(DEMO)
    wish: Mapping[str, Any] = {"samples": 2**10, "reading": "rigid", "low": 1.0, "high": 1.05}
    one = study(loaded, **wish)
    with Crew(2) as crew:
        two = tolerance(loaded, Wish(**wish), crew)
    assert tolerance_data.as_json(one) == tolerance_data.as_json(two)
    kept = study(loaded, **wish, keep=True)
    assert tolerance_data.as_json(kept) == tolerance_data.as_json(one)
    assert tolerance_data.as_json(study(loaded, **wish, seed=1)) != tolerance_data.as_json(one)
    assert kept.table is not None
    assert kept.at_rate is not None
    assert int(kept.table.judged.broken.sum()) == kept.at_rate.overall.failing


def test_a_file_serves_more_samples_and_another_span(tmp_path: Path) -> None:
    loaded = feeder(2.0, "± 3 deg")
    small = Wish(samples=2**14, reading="hand", low=1.0, high=1.0)
    large = Wish(samples=2**15, reading="hand", low=1.0, high=1.0)
    assert header(loaded, small) == header(loaded, large)
    with Store(tmp_path / "s", header(loaded, small)) as store, Crew(store=store) as crew:
        tolerance(loaded, small, crew)
        before = set(store.done)
        found = tolerance(loaded, large, crew)
        new = set(store.done) - before
    assert tolerance_data.as_json(found) == tolerance_data.as_json(study(loaded, **vars(large)))
    assert sum(key.endswith("0+1024") and "rate 0.91" in key for key in before) == 16
    assert not any(key.endswith("/0+1024") and "rate 0.91" in key for key in new)


def test_chunks_give_what_single_samples_give() -> None:
    """Margins of the demo's samples do not depend on which others they are worked out with."""
    loaded = open_scenario(DEMO)
    spread = spread_of(loaded)
    samples = spread.values(points(0, 0, 0, spread.size, 0, 16), float(loaded.scenario.press.rate))
    together = judged(loaded.scenario, "running", samples)
    for k in (0, 7, 15):
        one = judged(loaded.scenario, "running", {path: each[k : k + 1] for path, each in samples.items()})
        assert one.names == together.names
        assert one.margins[:, 0] == pytest.approx(together.margins[:, k], rel=1e-6, abs=1e-8, nan_ok=True)
        assert list(one.fails[:, 0]) == list(together.fails[:, k])


def quantities(table: Table, prefix: str = "") -> Iterator[str]:
    """Paths of all that is given as one quantity."""
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if isinstance(value, Table):
            yield from quantities(value, f"{prefix}{name}.")
        elif isinstance(value, dict):
            for thing, below in value.items():
                yield from quantities(below, f"{prefix}{name}.{thing}.")
        elif isinstance(value, float) and any(isinstance(each, In) for each in markers(field)):
            yield f"{prefix}{name}"


@pytest.mark.parametrize("name", ["shelf-bracket", "two-taps-on-the-stripper"])
def test_any_quantity_may_be_the_only_one_with_a_tolerance(name: str) -> None:
    scenario = open_scenario(name).scenario
    rate = float(scenario.press.rate)
    for path in quantities(scenario):
        nominal = float(value_at(scenario, path))  # type: ignore[arg-type]
        tried = {"press.rate": np.full(3, rate), path: (nominal or 1e-5) * np.array([1.0, 1.01, 0.995])}
        together = judged(scenario, "rigid", tried)
        one = judged(scenario, "rigid", {key: each[1:2] for key, each in tried.items()})
        assert one.names == together.names, path
        assert one.margins[:, 0] == pytest.approx(together.margins[:, 1], rel=1e-6, abs=1e-8, nan_ok=True), path


@pytest.mark.parametrize(
    ("wish", "where"),
    [
        ({"samples": 3000}, "--samples"),
        ({"samples": 2**7}, "--samples"),
        ({"samples": 2**20, "keep": True}, "--samples"),
        ({"risk": 0.0}, "--risk"),
        ({"risk": 1.0}, "--risk"),
        ({"low": 2.0, "high": 1.0}, "--from, --to"),
    ],
)
def test_wishes_that_cannot_be(wish: dict[str, Any], where: str) -> None:
    with pytest.raises(InputError) as wrong:
        study(open_scenario(DEMO), **wish)
    assert [each.where for each in wrong.value.problems] == [where]


def test_the_demo_tells_its_story() -> None:
    """Threads that come out short, for the head's height above all; set twice as closely, none does."""
    found = study(open_scenario(DEMO), reading="rigid", samples=2**12)
    assert found.at_rate is not None
    assert [each.rule for each in found.at_rate.rules if each.estimate.failing] == ["full-thread"]
    assert 5e-4 < found.at_rate.overall.probability < 3e-3
    assert found.spread.paths[found.sensitivities[0].leading] == "tap.m5.rest_clearance"
    cure = open_scenario(DEMO, ("tap.m5.rest_clearance=0.6 mm ± 0.1 mm",))
    cured = study(cure, reading="rigid", samples=2**12).at_rate
    assert cured is not None
    assert cured.overall.failing == 0


def test_a_scenario_without_tolerances_is_refused() -> None:
    with pytest.raises(InputError, match="no tolerance"):
        study(open_scenario("shelf-bracket"))


def test_the_running_reading_names_what_it_lacks() -> None:
    loaded = open_scenario("shelf-bracket", ("strip.lift=1.2 mm ± 0.1 mm",))
    loaded.scenario.stripper.mass = None
    with pytest.raises(InputError, match=r"stripper\.mass"):
        study(loaded, reading="running")


@pytest.fixture(scope="module")
def demo() -> Tolerances:
    return study(open_scenario(DEMO), reading="rigid", samples=2**10, low=0.5, high=1.6, keep=True)


def test_text_keeps_to_80_columns(demo: Tolerances) -> None:
    text = tolerance_words.as_text(demo)
    assert max(len(line) for line in text.splitlines()) <= 80
    for said in ("What fails at 68.0 /min", "What to tighten", "Over the rates [/min]", "Caution:", "seed 0"):
        assert said in text


@pytest.mark.parametrize(
    ("probability", "said"),
    [(0.0, "0 %"), (1.0, "100 %"), (0.5, "50.0 %"), (0.0123, "1.2 %"), (0.00123, "0.12 %"), (2.26e-6, "0.00023 %")],
)
def test_probabilities_in_percent(probability: float, said: str) -> None:
    assert tolerance_words.percent(probability) == said


def test_json_has_plain_numbers(demo: Tolerances) -> None:
    data = json.loads(tolerance_data.as_json(demo))
    assert data["samples"] == 2**10
    assert data["tolerances"][0] == {"path": "press.rate", "value": 68.0, "minus": 2.04, "plus": 2.04,
                                     "unit": "/min", "shape": "normal"}  # fmt: skip
    assert {each["rule"] for each in data["at_rate"]["findings"]} <= {each.name for each in RULES}
    assert all(0.0 <= each["low"] <= each["probability"] <= each["high"] <= 1.0 for each in data["rates"])
    assert len(data["sensitivities"][0]["keys"]) == 13


def test_every_sample_as_csv_with_units(demo: Tolerances) -> None:
    head, *rows = csv.reader(io.StringIO(tolerance_data.as_csv(demo)))
    assert len(rows) == 2**10
    assert head[:3] == ["sample", "press.rate [/min]", "press.bdc_shift [mm]"]
    columns = dict(zip(head, zip(*rows, strict=True), strict=True))
    assert {"full-thread tap m5 [mm]", "tap-torque tap m5 [N*m]", "feeder.latency [ms]", "fails"} <= set(head)
    latency = np.array(columns["feeder.latency [ms]"], dtype=float)
    assert 8.0 <= latency.min() < 9.0 < 16.5 < latency.max() <= 18.0
    assert latency.mean() == pytest.approx(13.0, abs=0.05)
    depth = np.array(columns["full-thread tap m5 [mm]"], dtype=float)
    assert demo.at_rate is not None
    assert np.count_nonzero(depth < 0.0) == rule(demo.at_rate, ("full-thread", "tap:m5")).estimate.failing
    assert sum(int(each) for each in columns["fails"]) == demo.at_rate.overall.failing


def test_a_workbook_of_numbers(demo: Tolerances) -> None:
    data = tolerance_files.render(demo, ".xlsx")
    assert data == tolerance_files.render(demo, ".xlsx")
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        names = [each.get("name") for each in ET.fromstring(book.read("xl/workbook.xml")).iter() if each.get("sheetId")]
        sheet = ET.fromstring(book.read("xl/worksheets/sheet5.xml"))
    assert names == ["Summary", "Risk", "Rates", "What to tighten", "Samples"]
    space = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    rows = sheet.findall(f".//{space}row")
    assert len(rows) == 2**10 + 1
    cells = rows[1].findall(f"{space}c")
    assert [each.get("t") for each in cells] == [None] * len(cells)  # numbers, not text
    assert float(cells[1].findtext(f"{space}v") or "nan") == pytest.approx(68.0, rel=0.03)


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_the_same_chart_from_the_same_study(demo: Tolerances, suffix: str) -> None:
    data = tolerance_files.render(demo, suffix)
    assert data == tolerance_files.render(demo, suffix)
    if suffix == ".svg":
        text = "".join(ET.fromstring(data).itertext())
        assert "full-thread tap m5" in text
        assert "tap.m5.rest_clearance" in text
        assert "mathdefault" not in text


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    span = ["--from", "60 /min", "--to", "60 /min", "--samples", "2^8", "--reading", "rigid"]
    cure = ["--set", "tap.m5.rest_clearance=0.6 mm ± 0.1 mm"]
    assert run(["tolerance", DEMO, *span, *cure, "--risk", "0.05"]) == 0
    assert "BEARS THE RISK of 1 in 20" in capsys.readouterr().out
    assert run(["tolerance", DEMO, *span, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["verdict"] in ("fail", "undecided")
    for suffix in (".csv", ".txt"):
        assert run(["tolerance", DEMO, *span, "-o", str(tmp_path / f"o{suffix}")]) == 1
        assert (tmp_path / f"o{suffix}").stat().st_size > 1000
    assert run(["tolerance", DEMO, "--samples", "many"]) == 2
    assert run(["tolerance", DEMO, "-o", str(tmp_path / "o.pdf")]) == 2
    assert run(["tolerance", "shelf-bracket"]) == 2


def test_an_engagement_height_left_open_is_set_once() -> None:
    """Rest clearance off by its tolerance leaves the thread that much short: the height does not follow it."""
    loaded = open_scenario(
        "shelf-bracket", ("tap.m4.rest_clearance=0.5 mm ± 0.9 mm uniform", "tap.m4.extra_depth=0.7 mm")
    )
    found = study(loaded, samples=2**10, reading="rigid")
    assert found.at_rate is not None
    short = next(each for each in found.at_rate.rules if each.rule == "full-thread")
    assert short.estimate.probability == pytest.approx((0.9 - 0.7) / 1.8, abs=0.01)
