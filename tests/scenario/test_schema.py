"""The scenario's keys: the schema file is current, agrees with the program, and names every default."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import jsonschema
import numpy as np
import pytest

from crankclock.scenario.crosscheck import unused
from crankclock.scenario.defaults import ABSENT_MEANS, DEFAULTS
from crankclock.scenario.describe import explain, json_schema, json_schema_text
from crankclock.scenario.files import load, shipped_folder
from crankclock.scenario.load import check_tree, open_scenario
from crankclock.scenario.schema import keys
from crankclock.scenario.starter import STARTER
from reference.scenarios import random_scenario


def starter(**changes: str) -> dict[str, Any]:
    tree = tomllib.loads(STARTER.format(title="t"))
    for path, value in changes.items():
        at = tree
        *way, last = path.split("__")
        for part in way:
            at = at.setdefault(part, {})
        at[last] = value
    return tree


def test_schema_file_is_current() -> None:
    assert (shipped_folder() / "scenario.schema.json").read_text(encoding="utf-8") == json_schema_text()


def test_schema_is_valid_and_takes_what_the_program_takes() -> None:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in shipped_folder().glob("*.toml"):
        assert not list(validator.iter_errors(tomllib.loads(path.read_text(encoding="utf-8")))), path
    rng = np.random.default_rng(5)
    for _ in range(30):
        tree = random_scenario(rng, hostile=True)
        assert not list(validator.iter_errors(tree))
        assert not check_tree(tree)[1]


def test_schema_refuses_an_unknown_key_and_a_bare_number() -> None:
    validator = jsonschema.Draft202012Validator(json_schema())
    assert list(validator.iter_errors({"pres": {}}))
    assert list(validator.iter_errors({"press": {"rate": 60}}))


def test_every_default_belongs_to_a_key() -> None:
    known = {path for path, _ in keys()}
    assert set(DEFAULTS) <= known
    assert set(ABSENT_MEANS) <= known
    assert all(explain(path) for path in known)


def test_every_absent_default_is_listed_as_assumed() -> None:
    scenario, problems = check_tree(starter())
    assert not problems
    from crankclock.scenario.defaults import resolve

    resolved, assumed = resolve(scenario)
    by_path = {each.path: each for each in assumed}
    assert by_path["tap.m4.threaded_height"].value == resolved.strip.thickness
    assert by_path["strip.play"].value == pytest.approx(5e-5)
    assert "tap.m4.drive.backlash" not in by_path
    assert scenario.tap["m4"].threaded_height is None, "resolving must not change what was loaded"


def test_problem_paths_are_as_the_file_writes_them() -> None:
    tree = starter(tap__m4__drive__gearing="0.24 mm", tap__m4__nose="1 mm", pilot__p1__nose="4")
    found = {problem.where for problem in check_tree(tree)[1]}
    assert found == {"tap.m4.drive.gearing", "tap.m4.nose", "pilot.p1.nose"}


def test_what_a_kind_needs_is_asked_for_and_what_it_does_not_is_told() -> None:
    tree = starter(feeder__kind="cam", pilot__p1__mount="stripper")
    scenario, problems = check_tree(tree)
    assert {problem.where for problem in problems} == {"feeder.end", "pilot.p1.projection"}
    told = " ".join(unused(scenario))
    assert "feeder.speed" in told
    assert "pilot.p1.penetration" in told


def test_sensor_names_and_contradictions() -> None:
    tree = starter(sensor__s__watches="tap:m5", sensor__s__on="1 deg", sensor__s__off="2 deg")
    assert {problem.where for problem in check_tree(tree)[1]} == {"sensor.s.watches"}
    tree = starter(press__limits__rate_min="200 /min")
    assert {problem.where for problem in check_tree(tree)[1]} == {"press.limits.rate_min"}


def test_tolerances_are_kept_by_path(tmp_path: Any) -> None:
    path = tmp_path / "t.toml"
    path.write_text(
        STARTER.format(title="t").replace('thickness = "1.5 mm"', 'thickness = "1.50 mm ± 0.06 mm uniform"'),
        encoding="utf-8",
    )
    loaded = open_scenario(str(path))
    assert list(loaded.tolerances) == ["strip.thickness"]
    tolerance = loaded.tolerances["strip.thickness"]
    assert (tolerance.minus, tolerance.plus, tolerance.shape) == (pytest.approx(6e-5), pytest.approx(6e-5), "uniform")


def test_digest_covers_used_files(tmp_path: Any) -> None:
    (tmp_path / "a.toml").write_text('use = "b.toml"')
    (tmp_path / "b.toml").write_text('title = "x"')
    before = load(tmp_path / "a.toml").digest
    (tmp_path / "b.toml").write_text('title = "y"')
    assert load(tmp_path / "a.toml").digest != before
    assert json.dumps(load(tmp_path / "a.toml").tree) == '{"title": "y"}'
