"""The troubleshooter: case files, least severities, stories, what cannot be explained, what to look at next."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crankclock.cli import run
from crankclock.errors import InputError
from crankclock.report import breakage_files, breakage_words
from crankclock.scenario.case import find_case, open_case, read_case, shipped_cases
from crankclock.scenario.files import shipped
from crankclock.scenario.load import Loaded, open_scenario
from crankclock.scenario.paths import with_values
from crankclock.studies.breakage import Breakage, breakage, event_ids, grouped, probabilities, weighed
from crankclock.studies.breakage_causes import KINDS, causes, untried
from crankclock.studies.breakage_collisions import HARMS
from crankclock.studies.breakage_fit import Fit
from crankclock.studies.breakage_next import looks
from crankclock.studies.breakage_profile import Profiles, profiles
from crankclock.studies.breakage_steps import GIVES, steps
from crankclock.studies.breakage_traces import BENT, BY_CAUSE, SEEN, THREAD
from crankclock.studies.check import check

PLANTED = {
    "bracket-feed-moved": ("shelf-bracket", "feed-early"),
    "latch-worn-bolts": ("latch-plate-in-its-limits", "stripper-travel-lost"),
    "hinge-one-spring-down": ("hinge-nothing-to-spare", "backlash-grown:m3"),
    "clamp-dry-hole": ("extruded-hole-flange-up", "hole-dry:m5"),
    "hinge-tap-set-long": ("hinge-nothing-to-spare", "tap-long:m3"),
}


@pytest.fixture(scope="module")
def bracket() -> Loaded:
    return open_scenario("shelf-bracket")


@pytest.fixture(scope="module")
def known(bracket: Loaded) -> Profiles:
    scenario = bracket.resolved()[0]
    return profiles(scenario, "m4", causes(scenario, "m4"), events=("tap:m4.leave", "feed.start"))


def case_file(tmp_path: Path, text: str) -> str:
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_there_are_at_least_sixteen_kinds_of_cause_each_with_range_trace_and_look() -> None:
    assert len(KINDS) >= 16
    assert len({kind.name for kind in KINDS}) == len(KINDS)
    for kind in KINDS:
        assert kind.trace
        assert kind.look
        assert kind.basis
        assert kind.most > 0.0 or kind.name == "gearing-other"


def test_probabilities_of_traces_are_probabilities() -> None:
    harms = {harm.name for harm, _ in HARMS.values()}
    for row in THREAD.values():
        assert sum(row.values()) == pytest.approx(1.0)
    assert set(THREAD) == harms
    assert set(BENT) == harms
    for chances in SEEN.values():
        assert set(chances) == harms
        assert all(0.0 < each < 1.0 for each in chances.values())
    names = {kind.name for kind in KINDS}
    assert all(set(own) <= names for _, own in BY_CAUSE.values())


def test_every_mistake_of_a_case_file_is_told_at_once(bracket: Loaded, tmp_path: Path) -> None:
    text = """
    [stop]
    rate = "55"
    [broke]
    tap = "m5"
    angle = "200 deg"
    event = "feed.strat"
    [found]
    slug = "yes"
    springs_lost = 7
    thred = "oval"
    [observed]
    "tap:m4.leaves" = "230 deg"
    [measured]
    hole = "3.7 s"
    """
    scenario = bracket.resolved()[0]
    with pytest.raises(InputError) as wrong:
        open_case(case_file(tmp_path, text), scenario, event_ids(scenario))
    told = {each.where: each.expected for each in wrong.value.problems}
    assert set(told) == {"stop.rate", "broke.tap", "broke.event", "found.slug", "found.springs_lost", "found.thred",
                         "observed.tap:m4.leaves", "measured.hole"}  # fmt: skip
    assert "thread" in told["found.thred"]
    assert "tap:m4.leave" in told["observed.tap:m4.leaves"]
    assert "m4" in told["broke.tap"]


def test_the_starter_case_reads_and_is_not_overwritten(tmp_path: Path, bracket: Loaded) -> None:
    path = tmp_path / "broken.toml"
    assert run(["new", "--case", str(path)]) == 0
    assert run(["new", "--case", str(path)]) == 2
    scenario = bracket.resolved()[0]
    assert open_case(str(path), scenario, event_ids(scenario)).tap == "m4"
    uncommented = path.read_text(encoding="utf-8").replace('# event = "feed.start"\n', "\n")
    lines = [line[2:] if line.startswith("# ") and "=" in line else line for line in uncommented.splitlines()]
    (tmp_path / "all.toml").write_text("\n".join(lines), encoding="utf-8")
    assert open_case(str(tmp_path / "all.toml"), scenario, event_ids(scenario)).notes == ()


def test_an_empty_case_and_an_unknown_one() -> None:
    assert read_case({})[1] == []
    with pytest.raises(InputError, match="bracket-feed-moved"):
        find_case("no-such-case")


def test_shipped_cases_are_no_scenarios() -> None:
    assert set(PLANTED) == set(shipped_cases())
    assert not set(shipped_cases()) & set(shipped())


def breaks(loaded: Loaded, known: Profiles, name: str, severity: float) -> bool:
    """Whether a rule that harms the tap fails in a check of its own, as it runs."""
    cause = next(each.cause for each in known.causes if each.cause.name == name)
    values = {path: float(each[0]) for path, each in cause.values(np.array([severity])).items()}
    found = check(replace(loaded, scenario=with_values(known.scenario, values)))
    failing = [each for each in found.findings if each.status == "fail" and each.rule in HARMS]
    return any(each.by_reading.get("running", -1.0) < 0.0 for each in failing)


@pytest.mark.parametrize(
    "name",
    ["rate-raised", "feed-early", "strip-slips", "release-slow", "pilots-short", "lift-raised", "stripper-travel-lost",
     "tap-long:m4", "tap-short:m4", "engages-early:m4", "tap-dull:m4"],
)  # fmt: skip
def test_the_least_severity_is_where_a_check_of_its_own_begins_to_fail(
    bracket: Loaded, known: Profiles, name: str
) -> None:
    least = next(each.least for each in known.causes if each.cause.name == name)
    assert least is not None
    assert not breaks(bracket, known, name, 0.98 * least)
    assert breaks(bracket, known, name, 1.02 * least)


def test_the_least_severity_of_a_feed_that_starts_early_in_closed_form(known: Profiles) -> None:
    """The feed may start no sooner than the pilots leave: 277 deg + 12 ms at 55 /min, less where they leave."""
    found = next(each for each in known.causes if each.cause.name == "feed-early")
    leaves = next(each for each in check(open_scenario("shelf-bracket")).events if each.id == "pilot:p1.leave").angle
    start = np.radians(277.0) + 2.0 * np.pi * 55.0 / 60.0 * 12e-3
    assert leaves is not None
    assert found.least == pytest.approx(start - leaves, rel=0.01)


def test_what_breaks_nothing_has_no_least_severity(bracket: Loaded, known: Profiles) -> None:
    idle = [each.cause.name for each in known.causes if each.least is None]
    assert "spring-lost:main" in idle
    assert not breaks(bracket, known, "spring-lost:main", 5.0)


def test_what_cannot_be_tried_is_named_with_its_reason() -> None:
    scenario = open_scenario("hinge-nothing-to-spare").resolved()[0]
    told = " ".join(untried(scenario, "m3"))
    assert "pilot release slow (feeder.pilot_release.latency is not given)" in told
    assert "hole undersize (the estimate of this tap's torque does not count the hole)" in told
    cut = open_scenario("shelf-bracket", ("tap.m4.kind=cut", "tap.m4.hole=3.3 mm")).resolved()[0]
    assert "hole undersize" not in " ".join(untried(cut, "m4"))


@pytest.fixture(scope="module")
def stories() -> dict[str, Breakage]:
    return {case: breakage(open_scenario(scenario), case) for case, (scenario, _) in PLANTED.items()}


@pytest.mark.parametrize("case", sorted(PLANTED))
def test_a_story_names_its_planted_cause_first_or_second(stories: dict[str, Breakage], case: str) -> None:
    found = stories[case]
    names = [each.profile.cause.name for suspect in found.suspects[:2] for each in suspect.fits]
    assert found.explained
    assert PLANTED[case][1] in names


def test_evidence_that_points_the_wrong_way_is_told_to_explain_nothing(stories: dict[str, Breakage]) -> None:
    assert "stripper springs lost" in stories["hinge-one-spring-down"].idle_hints


def test_probabilities_add_up(stories: dict[str, Breakage]) -> None:
    for found in stories.values():
        assert sum(each.probability for each in found.suspects) + found.unexplained == pytest.approx(1.0)


def test_steps_are_in_order_and_hold_the_moment_the_tap_gives(stories: dict[str, Breakage]) -> None:
    found = stories["bracket-feed-moved"]
    assert found.lead is not None
    ran = steps(found.cycles[0], found.lead)
    assert [each.angle for each in ran] == sorted(each.angle for each in ran)
    by_event = {each.event: each for each in ran}
    assert GIVES in by_event
    assert by_event["feed.start"].angle < by_event["tap:m4.leave"].angle
    assert by_event["tap:m4.touch"].depth == pytest.approx(0.0, abs=1e-6)
    assert by_event["feed.end"].fed == pytest.approx(0.04, abs=1e-6)


def asked(known: Profiles, tmp_path: Path, text: str) -> tuple[tuple[Fit, ...], list[float]]:
    opened = open_case(case_file(tmp_path, text), known.scenario, event_ids(known.scenario))
    fits = weighed(known, opened)
    return fits, [float(each) for each in probabilities(fits, len(known.causes))]


def test_contradictory_evidence_is_unexplained(known: Profiles, tmp_path: Path) -> None:
    """Broken at 20 deg, where the tap is home and the strip rests; nothing in the table does that."""
    text = """
    broke = { angle = "20 deg", fracture = "twisted", fragment = "7 mm" }
    found = { thread = "oval", strip_lifted = true, pilot_holes_drawn = false, feed_short = false }
    observed = { "feed.start" = "281 deg", "tap:m4.leave" = "228 deg" }
    measured = { stripper_travel = "40 mm", lift = "1.2 mm", rest_clearance = "0.5 mm", feed_start = "277 deg" }
    """
    _, shares = asked(known, tmp_path, text)
    assert shares[-1] > 0.5


def test_an_impossible_case_says_so_and_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A cycle that no cause in the table breaks: the rules that could say more lack their data."""
    text = """
    broke = { angle = "20 deg", fracture = "twisted", fragment = "7 mm" }
    found = { thread = "oval", strip_lifted = true, pilot_holes_drawn = false }
    measured = { stripper_travel = "40 mm", lift = "1.2 mm", rest_clearance = "0.5 mm", feed_start = "277 deg" }
    """
    assert run(["breakage", "shelf-bracket", case_file(tmp_path, text), "--reading", "rigid"]) == 1
    told = capsys.readouterr().out
    assert "UNEXPLAINED" in told
    assert "tap.m4.drive.torque_max" in told
    assert "Without masses and springs" in told
    assert max(len(line) for line in told.splitlines()) <= 80


def test_where_nothing_breaks_it_says_so_and_draws_nothing(stories: dict[str, Breakage]) -> None:
    found = stories["bracket-feed-moved"]
    idle = tuple(replace(each, least=None, collisions=()) for each in found.profiles.causes)
    none = replace(found, suspects=(), pairs=None, unexplained=1.0, looks=(), cycles=(), lead=None,
                   profiles=replace(found.profiles, causes=idle))  # fmt: skip
    assert not none.explained
    told = breakage_words.as_text(none)
    assert "NOTHING in the table of causes breaks this cycle" in told
    assert "tap.m4.drive.torque_max" in told
    assert "--pairs tries two causes" in " ".join(told.split())
    with pytest.raises(InputError, match="nothing breaks this cycle"):
        breakage_files.render(none, None, ".png")


def test_the_same_case_gives_the_same_answer(known: Profiles, tmp_path: Path) -> None:
    text = 'broke = { angle = "226 deg" }\nfound = { thread = "oval" }'
    first, second = (asked(known, tmp_path, text) for _ in range(2))
    assert [each.profile.cause.name for each in first[0]] == [each.profile.cause.name for each in second[0]]
    assert first[1] == second[1]


def test_causes_that_nothing_tells_apart_are_one_group_until_something_does(known: Profiles, tmp_path: Path) -> None:
    def group(text: str) -> list[str]:
        fits, shares = asked(known, tmp_path, text)
        suspects = grouped(fits, shares[:-1])
        found = next(each for each in suspects if "tap-dull:m4" in [fit.profile.cause.name for fit in each.fits])
        return sorted(each.profile.cause.name for each in found.fits)

    twisted = 'broke = { angle = "140 deg", fracture = "twisted" }\n'
    assert group(twisted) == ["hole-dry:m4", "tap-dull:m4"]
    assert group(f'{twisted}found = {{ lubrication = "dry" }}') == ["tap-dull:m4"]


def test_a_measured_value_moves_the_ranking(known: Profiles, tmp_path: Path) -> None:
    text = 'measured = { stripper_travel = "24.0 mm" }'
    fits, shares = asked(known, tmp_path, text)
    assert fits[0].profile.cause.name == "stripper-travel-lost"
    assert shares[0] > 0.7
    assert fits[0].profile.cause.known(fits[0].severity) == pytest.approx(0.024, abs=5e-4)


def test_what_to_look_at_next_never_asks_what_is_known_and_gains_most_first(known: Profiles, tmp_path: Path) -> None:
    text = 'broke = { angle = "140 deg" }\nfound = { thread = "clean", lubrication = "oiled" }'
    opened = open_case(case_file(tmp_path, text), known.scenario, event_ids(known.scenario))
    fits = weighed(known, opened)
    asked_ = looks(known, opened, fits, [float(each) for each in probabilities(fits, len(known.causes))])
    assert asked_
    assert not {each.name for each in asked_} & {"thread", "dry", "angle"}
    gains = [each.bits for each in asked_]
    assert gains == sorted(gains, reverse=True)


def test_a_question_between_two_causes_is_worth_its_entropy() -> None:
    """Two causes at even odds and an answer that is right 95 times in 100: 1 - H(0.95) = 0.714 bits."""
    from crankclock.studies.breakage_next import _asked, _entropy, _Question

    even = np.array([[0.5, 0.5]])
    question = _Question("key", "", np.array([[0.95, 0.05], [0.05, 0.95]]), ())
    right = 1.0 + 0.95 * np.log2(0.95) + 0.05 * np.log2(0.05)
    assert _entropy(even) - _entropy(_asked(even, question)) == pytest.approx(right, abs=1e-12)


def test_the_command_in_json_and_as_a_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "section.svg"
    arguments = ["breakage", "shelf-bracket", "bracket-feed-moved", "--reading", "rigid", "--steps", "--json"]
    assert run([*arguments, "-o", str(picture)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == 1
    assert data["explained"] is True
    assert data["causes"][0]["cause"] == "feed-early"
    assert data["steps"][0]["deg"] >= 0.0
    assert "die face" in picture.read_text(encoding="utf-8")


def test_a_pair_explains_what_no_single_cause_does(tmp_path: Path, bracket: Loaded) -> None:
    """Backlash and lost stripper travel, each too little alone: together the strip rises against the tap."""
    text = """
    broke = { angle = "238 deg" }
    found = { thread = "torn", strip_lifted = true }
    measured = { stripper_travel = "30 mm", backlash = "620 deg", rest_clearance = "0.5 mm", lift = "1.2 mm" }
    """
    found = breakage(bracket, case_file(tmp_path, text), "rigid", with_pairs=True)
    assert found.pairs
    best, share = found.pairs[0]
    assert share > 0.5
    assert dict(zip((each.name for each in best.causes), best.severities, strict=True)) == {
        "stripper-travel-lost": pytest.approx(0.25, abs=0.01),
        "backlash-grown:m4": pytest.approx(np.radians(600.0), abs=np.radians(5.0)),
    }
    assert {each.name for each in best.causes} == {"stripper-travel-lost", "backlash-grown:m4"}
    singles = {each.cause.name: each.least for each in found.profiles.causes}
    for cause, severity in zip(best.causes, best.severities, strict=True):
        least = singles[cause.name]
        assert least is None or severity < least
