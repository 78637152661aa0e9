"""The running reading of a whole cycle: its limits, its data, one cycle against a batch, and guesses about contacts."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from crankclock.api import InputError, check, open_scenario, shipped
from crankclock.cli import run
from crankclock.cycle import Readings, RunningCourse, turn
from crankclock.scenario.build import build
from crankclock.scenario.defaults import resolve
from crankclock.scenario.files import shipped_folder
from crankclock.studies.contacts import CORNERS, other_contacts
from crankclock.studies.margins import Margin, margins

RUNNING = [name for name in shipped() if check(name).reading == "running"]
ONE = "thin-cover-bounces"


def readings(name: str, *settings: str) -> Readings:
    return turn(build(open_scenario(name, settings).resolved()[0]))


def degrees(found: Readings) -> dict[str, float]:
    assert found.running is not None
    return {key: math.degrees(float(angle)) for key, angle in found.running.events().items()}


# -- limits ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["shelf-bracket", "two-taps-on-the-stripper", "deep-tray-on-lifters"])
def test_turned_slowly_on_stiff_contacts_it_is_the_rigid_reading(name: str) -> None:
    """The plates still give by force over stiffness, micrometres here, and a strip counts as raised 0.05 mm early."""
    slow = readings(name, "press.rate=1 /min", "contact.stiffness=50000 kN/mm", "contact.damping=1")
    rigid = {key: math.degrees(float(angle)) for key, angle in slow.rigid.events().items()}
    running = degrees(slow)
    # `full` is the top of a flat curve: micrometres move it by degrees.
    sharp = [key for key in rigid if not key.startswith("strip.") and not key.endswith(".full")]
    for key in sharp:
        if key in ("feed.end", "feed.start") or math.isnan(rigid[key]):
            assert running[key] == pytest.approx(rigid[key], nan_ok=True)
        else:
            assert running[key] == pytest.approx(rigid[key], abs=0.02), key
    assert running["strip.settled"] == pytest.approx(rigid["strip.settled"], abs=0.3)


def test_hand_and_rigid_angles_do_not_depend_on_whether_it_runs() -> None:
    machine = build(open_scenario("shelf-bracket").resolved()[0])
    both, plain = turn(machine), turn(machine, running=False)
    assert plain.running is None
    for one, other in ((both.hand, plain.hand), (both.rigid, plain.rigid)):
        for key, angle in one.events().items():
            assert other.events()[key] == pytest.approx(angle, nan_ok=True)


def test_forces_at_bdc_are_the_springs_and_weight() -> None:
    """Statics at a crawl: springs, and weight, less nothing; on the die face also the strip's, less the lifters'."""
    found = readings("shelf-bracket", "press.rate=1 /min")
    assert found.running is not None
    course = found.running.motion.course
    assert isinstance(course, RunningCourse)
    bottom = course.run.at(np.array([30.0]))  # half of a minute
    gas = 6 * 2000.0 / (1.0 - (1.0 - 2.0 / 2.9) * bottom.compression[0] / 0.050)
    press = gas + 42.0 * 9.80665
    from crankclock.dynamics import Side

    assert bottom.contact_force(Side.STRIPPER)[0] == pytest.approx(press, rel=1e-3)
    assert bottom.contact_force(Side.DIE)[0] == pytest.approx(press + 1.4 * 9.80665 - 300.0 - 12.0, rel=1e-3)


# -- data -----------------------------------------------------------------------------------------------------

NEEDED = ("strip.mass", "strip.lifter_force", "stripper.mass", "stripper.spring")


@pytest.fixture
def without_masses(tmp_path):
    text = "\n".join(
        line
        for line in (shipped_folder() / "shelf-bracket.toml").read_text(encoding="utf-8").splitlines()
        if not line.startswith("mass =")
    )
    path = tmp_path / "light.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_the_data_it_is_rigid_and_says_so_loudly(without_masses, capsys) -> None:
    assert run(["check", str(without_masses)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "rigid reading only" in said
    assert "What it does at speed, with masses and springs, is not judged: strip.mass, stripper.mass not given" in said
    assert run(["check", str(without_masses), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["reading"] == "rigid"
    assert all(each["running_deg"] is None for each in told["events"])
    assert any("RIGID READING ONLY" in note for note in told["notes"])
    unjudged = {each["rule"]: each["missing"] for each in told["findings"] if each["status"] == "not judged"}
    assert unjudged["clamp-force"] == unjudged["strip-up-in-time"] == ["strip.mass", "stripper.mass"]


def test_asked_for_without_the_data_every_missing_key_is_named(without_masses) -> None:
    with pytest.raises(InputError) as wrong:
        check(without_masses, reading="running")
    assert {problem.where for problem in wrong.value.problems} == {"strip.mass", "stripper.mass"}
    assert run(["check", str(without_masses), "--reading", "running"]) == 2


def test_all_three_readings_stand_side_by_side(capsys) -> None:
    assert run(["check", ONE]) == 1
    said = capsys.readouterr().out
    head = next(line for line in said.splitlines() if line.strip().startswith("event"))
    assert head.split() == ["event", "time", "hand", "rigid", "running"]
    assert all(len(line) <= 80 for line in said.splitlines())
    assert run(["check", ONE, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    clamped = next(each for each in told["findings"] if each["rule"] == "clamped-while-tapping")
    assert set(clamped["margins"]) == {"hand", "rigid", "running"}
    assert clamped["margins"]["rigid"] > 20.0 > 0.0 > clamped["margins"]["running"] == clamped["margin"]["value"]


# -- one and many ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", RUNNING)
def test_a_batch_says_what_each_variant_says_alone(name: str) -> None:
    rates = (0.8, 1.0, 1.2)
    loaded = open_scenario(name)
    nominal = loaded.scenario.press.rate
    many = loaded.scenario.model_copy(deep=True)
    many.press.rate = nominal * np.array(rates)
    together = turn(build(resolve(many)[0]))
    assert together.running is not None
    found = {(each.rule.name, each.subject): each for each in margins(together) if isinstance(each, Margin)}
    for place, factor in enumerate(rates):
        one = loaded.scenario.model_copy(deep=True)
        one.press.rate = nominal * factor
        alone = turn(build(resolve(one)[0]))
        assert alone.running is not None
        for key, angle in alone.running.events().items():
            batch = np.broadcast_to(together.running.events()[key], (3,))[place]
            assert batch == pytest.approx(float(angle), abs=1e-7, nan_ok=True), key
        for each in margins(alone):
            if isinstance(each, Margin):
                mine = found[each.rule.name, each.subject]
                value = np.broadcast_to(mine.value, (3,))[place]
                assert value == pytest.approx(float(each.value), rel=1e-6, abs=1e-6, nan_ok=True), each.rule.name
                assert np.broadcast_to(mine.fails, (3,))[place] == each.fails, each.rule.name


# -- contacts are guesses -------------------------------------------------------------------------------------


def test_other_contacts_are_the_cycles_one_gets_by_setting_them() -> None:
    nominal = readings(ONE)
    batch = other_contacts(nominal.rigid).events()
    for place, corner in enumerate(CORNERS):
        alone = degrees(
            readings(
                ONE, f"contact.stiffness={500 * corner.stiffness} kN/mm", f"contact.damping={0.25 * corner.damping}"
            )
        )
        for key, angle in alone.items():
            told = math.degrees(np.broadcast_to(batch[key], (len(CORNERS),))[place])
            assert told == pytest.approx(angle, abs=1e-5, nan_ok=True), (corner, key)


def test_a_pass_that_other_contacts_turn_is_no_better_than_tight() -> None:
    settings = ("contact.damping=0.4",)
    found = check(ONE, *settings)
    held = next(each for each in found.findings if each.rule == "clamped-while-tapping")
    assert held.margin is not None
    assert held.allowance is not None
    assert held.margin > held.allowance  # sound by itself
    assert held.status == "tight"
    assert held.contacts is not None
    assert held.contacts.failing
    assert "It fails with contact" in held.says
    halved = check(ONE, "contact.damping=0.2")
    assert next(each for each in halved.findings if each.rule == "clamped-while-tapping").status == "fail"


def test_a_failure_that_other_contacts_cure_stays_a_failure_and_says_so() -> None:
    held = next(each for each in check(ONE).findings if each.rule == "clamped-while-tapping")
    assert held.status == "fail"
    assert "It passes with contact" in held.says
