"""The search on scores whose optimum is known, with nothing of the press in them."""

from __future__ import annotations

import numpy as np
import pytest

from crankclock.api import open_scenario
from crankclock.studies.search import Archive, Effort, combinations, search
from crankclock.studies.space import Space, Vary

SCENARIO = open_scenario("shelf-bracket").scenario


def box(*lists: tuple[float, ...], ranges: int = 0) -> Space:
    keys = [Vary(f"list{k}", None, each[0], min(each), max(each), each, 1e-3) for k, each in enumerate(lists)]
    keys += [Vary(f"range{k}", None, 0.5, 0.0, 1.0, (), 1e-4) for k in range(ranges)]
    return Space(tuple(keys), SCENARIO, "metric")


def ridge(points: np.ndarray) -> np.ndarray:
    """Two rules that bind at once: along the ridge neither key alone gains anything."""
    x, y = points[:, 0], points[:, 1]
    return 10.0 * np.abs(x - y) - 0.5 * (x + y) + 4.0 * np.maximum(x + y - 1.46, 0.0)


def test_along_a_ridge() -> None:
    found = search(box(ranges=2), ridge, 0, Effort(256))
    assert found.scores.min() == pytest.approx(-0.73, abs=2e-3)


def test_lists_are_tried_to_the_last() -> None:
    space = box((1.0, 2.0, 5.0), (0.0, 4.0))
    found = search(space, lambda points: points[:, 0] * (points[:, 1] - 3.0), 0, Effort(64))
    assert combinations(space) == 6.0
    assert len(found.scores) == 6
    assert found.best()[0].tolist() == [5.0, 0.0]
    assert combinations(box((1.0, 2.0), ranges=1)) == np.inf


def test_more_keys_than_a_grid_can_hold() -> None:
    target = np.array([0.21, 0.87, 0.5, 0.66, 0.05])

    def score(points: np.ndarray) -> np.ndarray:
        return np.abs(points[:, 1:] - target).max(axis=1) + 0.2 * np.abs(points[:, 0] - 3.0)

    found = search(box((1.0, 2.0, 3.0, 4.0), ranges=5), score, 0, Effort(1024))
    assert found.scores.min() < 0.01
    assert found.best()[0][0] == 3.0


def test_the_same_seed_the_same_points() -> None:
    def score(points: np.ndarray) -> np.ndarray:
        return np.sin(9.0 * points).sum(axis=1)

    one, two, other = (search(box(ranges=5), score, seed, Effort(256)) for seed in (3, 3, 4))
    assert np.array_equal(one.points, two.points)
    assert np.array_equal(one.scores, two.scores)
    assert not np.array_equal(one.points[:300], other.points[:300])


def test_nothing_is_asked_twice_and_every_value_can_be_set() -> None:
    asked: list[bytes] = []

    def score(points: np.ndarray) -> np.ndarray:
        asked.extend(point.tobytes() for point in points)
        return ridge(points)

    found = search(box(ranges=2), score, 0, Effort(256))
    assert len(asked) == len(set(asked)) == len(found.scores)
    steps = found.points / 1e-4
    assert np.allclose(steps, np.round(steps), atol=1e-6)
    assert found.points.min() >= 0.0
    assert found.points.max() <= 1.0


def test_the_archive_answers_in_the_order_asked() -> None:
    archive = Archive(1)
    points = np.array([[2.0], [1.0], [2.0], [-0.0], [0.0]])
    assert archive.ask(lambda each: 10.0 * each[:, 0], points).tolist() == [20.0, 10.0, 20.0, 0.0, 0.0]
    assert archive.ask(lambda _: pytest.fail("asked again"), points[:2]).tolist() == [20.0, 10.0]
    assert archive.best(2)[:, 0].tolist() == [0.0, 1.0]
