"""Every shipped scenario tells its story: the verdict, what goes wrong and by which reading, and what cures it."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass

import pytest

from crankclock.cycle import Reading
from crankclock.scenario.files import shipped, shipped_folder
from crankclock.scenario.load import open_scenario
from crankclock.studies.check import Check, Finding, check
from crankclock.studies.margins import Margin, margins

Found = tuple[str, str | None, str]
"""Rule, subject and the reading by which it is worst."""

# A stripper that still lies on the strip when it is fed has no room over it: tight, beside the rules that fail.
ON_THE_STRIP_AT_SPEED: Found = ("stripper-clears-strip", None, "running")
ON_THE_STRIP_BY_HAND: Found = ("stripper-clears-strip", None, "hand")


@dataclass(frozen=True)
class Story:
    """What a scenario is to show, and the settings that its comment gives as the cure."""

    verdict: str
    fails: frozenset[Found] = frozenset()
    tight: frozenset[Found] = frozenset()
    cure: tuple[str, ...] = ()


STORIES = {
    "shelf-bracket": Story("pass"),
    "seat-plate-from-below": Story("pass"),
    "deep-tray-on-lifters": Story("pass"),
    "extruded-hole-flange-up": Story("pass"),
    "two-taps-on-the-stripper": Story("pass"),
    "link-drive-quick-return": Story("pass"),
    "servo-dwell": Story("pass"),
    "long-blank-single-strokes": Story("pass"),
    "gauge-plate-own-motor": Story("pass"),
    "latch-plate-in-its-limits": Story("pass"),
    "thin-cover-bounces": Story(
        "fail",
        fails=frozenset(
            {
                ("clamped-while-tapping", "tap:m3", "running"),
                ("tap-clear-of-strip", "tap:m3", "running"),
                ("cut-speed", "tap:m3", "running"),
                ("clamp-force", "tap:m3", "running"),
            }
        ),
        cure=("stripper.spring.main.force=900 N",),
    ),
    "hinge-nothing-to-spare": Story(
        "tight",
        tight=frozenset(
            {
                ("feed-starts-after-tools", "pilot:p1", "hand"),
                ("pilots-before-clamp", None, "running"),
                ("tap-clear-of-strip", "tap:m3", "running"),
                ("open-height", None, "running"),
            }
        ),
    ),
    "feed-too-soon": Story(
        "fail",
        fails=frozenset(
            {
                ("feed-starts-after-tools", "tap:m8", "hand"),
                ("feed-starts-after-tools", "pilot:p1", "hand"),
                ("feed-starts-after-lift", None, "hand"),
                ("strip-up-in-time", None, "running"),
            }
        ),
        tight=frozenset({ON_THE_STRIP_AT_SPEED}),
        cure=("feeder.start=278 deg",),
    ),
    "reground-stripper": Story(
        "fail",
        fails=frozenset(
            {
                ("clamped-while-tapping", "tap:m5", "running"),
                ("tap-clear-of-strip", "tap:m5", "running"),
                ("clamp-force", "tap:m5", "running"),
            }
        ),
        cure=("stripper.travel=44 mm",),
    ),
    "timed-at-speed-only": Story(
        "fail",
        fails=frozenset(
            {
                ("feed-starts-after-tools", "pilot:p1", "hand"),
                ("feed-starts-after-lift", None, "hand"),
            }
        ),
        tight=frozenset({ON_THE_STRIP_BY_HAND}),
        cure=("feeder.start=275 deg",),
    ),
}


MODES = ("single-stroke", "continuous")


def checked(name: str, *settings: str) -> Check:
    return check(open_scenario(name, settings))


def with_status(result: Check, status: str) -> set[Found]:
    return {(each.rule, each.subject, each.reading) for each in result.findings if each.status == status}


def angles(name: str) -> dict[str, float]:
    """Dial angle [rad] of every event that happens at speed."""
    return {each.id: each.rigid for each in checked(name).events if each.rigid is not None}


def test_every_shipped_scenario_has_a_story() -> None:
    assert set(shipped()) == set(STORIES)


@pytest.mark.parametrize("name", STORIES)
def test_verdict_and_what_goes_wrong(name: str) -> None:
    story, result = STORIES[name], checked(name)
    assert result.verdict == story.verdict
    assert with_status(result, "fail") == story.fails
    assert with_status(result, "tight") == story.tight


@pytest.mark.parametrize("name", STORIES)
def test_no_core_rule_is_left_unjudged(name: str) -> None:
    assert [each.rule for each in checked(name).findings if each.core and each.status == "not judged"] == []


@pytest.mark.parametrize("name", [name for name, story in STORIES.items() if story.cure])
def test_the_cure_in_the_comment_makes_it_pass(name: str) -> None:
    assert checked(name, *STORIES[name].cure).verdict == "pass"
    text = (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8")
    comment = text.partition("title =")[0]
    value = STORIES[name].cure[0].partition("=")[2].split()[0]
    assert "Cure:" in comment
    assert value in comment.partition("Cure:")[2]


def test_timed_at_speed_only_is_sound_at_speed() -> None:
    readings = checked("timed-at-speed-only").readings
    by_reading: dict[str, list[bool]] = {"rigid": [], "hand": []}
    for each in margins(readings, "rigid"):
        if isinstance(each, Margin):
            for judged in each.by_reading:
                by_reading[judged.cycle.reading].append(bool(judged.fails))
    assert not any(by_reading["rigid"])
    assert any(by_reading["hand"])


def test_feed_too_soon_fails_at_speed_as_well() -> None:
    at = angles("feed-too-soon")
    assert at["tap:m8.touch"] < at["feed.start"] < at["tap:m8.leave"]


def test_single_strokes_give_a_slow_feeder_the_time_it_needs() -> None:
    """The feed ends while the press stands at the top; running on, the pilots come down on a moving strip."""
    single, running_on = (checked("long-blank-single-strokes", f"press.mode={mode}") for mode in MODES)
    assert single.readings.rigid.feed is not None
    crank, feed = single.machine.crank, single.readings.rigid.feed
    assert feed.end / (2.0 * math.pi) == pytest.approx(1.0, abs=1e-12)
    assert crank.turn_time < feed.end_time < crank.turn_time + crank.pause
    assert crank.turn_time + crank.pause == pytest.approx(60.0 / 35.3, rel=1e-3)  # the comment's 35 a minute
    fails = {each.rule for each in running_on.findings if each.status == "fail"}
    assert "feed-ends-in-time" in fails
    assert fails <= {"feed-ends-in-time", "stripper-clears-strip"}  # what comes down on a moving strip
    assert feed.stop_time - feed.start_time == pytest.approx(0.563, abs=5e-4)


def test_the_reground_stripper_comes_down_after_the_tap_and_goes_up_before_it() -> None:
    at = angles("reground-stripper")
    assert at["tap:m5.touch"] < at["stripper.touch"]
    assert at["strip.raised"] < at["tap:m5.leave"]


def test_shared_press_is_merged_under_the_rate_of_the_job() -> None:
    scenario = open_scenario("two-taps-on-the-stripper").scenario
    shared = tomllib.loads((shipped_folder() / "shared" / "press-60t-long-stroke.toml").read_text(encoding="utf-8"))
    assert shared["slide"]["stroke"] == "140 mm"
    assert scenario.press.slide.stroke == pytest.approx(0.140)
    assert scenario.press.rate == pytest.approx(50 / 60)


@pytest.mark.parametrize("name", STORIES)
def test_every_file_names_its_schema_and_tells_its_story(name: str) -> None:
    text = (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8")
    tree = tomllib.loads(text)
    assert text.startswith("#:schema ./scenario.schema.json\n")
    assert tree["title"]
    assert tree["units"] in ("metric", "inch")
    assert sum(line.startswith("# ") for line in text.partition("title =")[0].splitlines()) >= 4


@pytest.mark.parametrize("reading", ["hand", "rigid"])
def test_the_thin_cover_is_sound_by_hand_and_with_everything_rigid(reading: Reading) -> None:
    assert check(open_scenario("thin-cover-bounces"), reading).verdict == "pass"


def test_the_seat_plate_s_springs_last_a_million_strokes_and_not_two() -> None:
    def life(*settings: str) -> Finding:
        return next(each for each in checked("seat-plate-from-below", *settings).findings if each.rule == "spring-life")

    once, twice = life(), life("stripper.spring.red.life=2000000")
    assert once.status == "pass"
    assert "47 days at 21,000 a day" in once.says
    assert twice.status == "fail"
    text = (shipped_folder() / "seat-plate-from-below.toml").read_text(encoding="utf-8").partition("title =")[0]
    assert "every\n# 47 days" in text
    assert "stripper.spring.red.life = 2000000" in text


def test_the_motor_of_the_gauge_plate_cannot_keep_up_at_sixty() -> None:
    fast = checked("gauge-plate-own-motor", "press.rate=60 /min")
    assert {rule for rule, *_ in with_status(fast, "fail")} >= {"clamped-while-tapping", "tap-clear-of-strip"}
