"""The running reading's integrator: against SciPy, its own step, energy, and plain statics."""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from crankclock.dynamics import Coil, Gas, Run, Side, System, run

GRAVITY = 9.80665
SYSTEMS = 30
EVENT_TOLERANCE = 0.02  # deg, what the model asks for
STEP_TOLERANCE = 0.005  # deg, what halving the step may change


def eccentric(stroke, rod):
    """In-line eccentric, dial 0 at TDC, height above BDC; works on arrays and on floats alike."""
    r = 0.5 * stroke

    def motion(angle):
        c, s = np.cos(angle), np.sin(angle)
        root = np.sqrt(rod * rod - (r * s) ** 2)
        return rod + r + r * c - root, -r * s + r * r * s * c / root

    return motion


def turning(motion, speed, uneven=0.0):
    """The same in time: mean crank speed [rad/s], crank angle w t - uneven sin w t."""

    def slide(time):
        height, slope = motion(speed * time - uneven * np.sin(speed * time))
        return height, slope * speed * (1.0 - uneven * np.cos(speed * time))

    return slide


@dataclass(frozen=True)
class Case:
    """One variant as plain floats."""

    stroke: float
    rod: float
    rate: float
    travel: float
    lift: float
    thickness: float
    stripper: float
    strip: float
    stiffness: float
    damping: float
    lifter_force: float
    lifter_rate: float
    coil: tuple[float, float] | None = None
    gas: tuple[float, float, float] | None = None
    uneven: float = 0.0

    @property
    def speed(self) -> float:
        return self.rate * 2.0 * math.pi / 60.0

    def run(self, cells: int = 12) -> Run:
        return run(self.system(), self.slide(), 60.0 / self.rate, cells)

    def slide(self) -> Callable:
        return turning(eccentric(self.stroke, self.rod), self.speed, self.uneven)

    def system(self) -> System:
        springs = [Coil(*self.coil)] if self.coil else []
        springs += [Gas(*self.gas)] if self.gas else []
        return System(
            self.stripper, self.strip, springs, self.lifter_force, self.lifter_rate,
            self.stiffness, self.damping, self.thickness, self.lift, self.travel,
        )  # fmt: skip


NAMED = Case(
    stroke=0.120, rod=0.480, rate=60.0, travel=0.040, lift=0.0012, thickness=0.0015, stripper=42.0, strip=1.4,
    stiffness=300e6, damping=0.5, lifter_force=300.0, lifter_rate=10e3,
    coil=(6000.0, 54e3), gas=(6000.0, (1.0 - 2.0 / 2.9) / 0.050, 1.0),
)  # fmt: skip


def random_case(number: int) -> Case:
    """Stiff and soft contacts, bounce, coil and gas, every tenth without lift, every seventh with weak lifters;
    under every fourth the crank turns unevenly."""
    g = np.random.default_rng(1000 + number)
    stroke = g.uniform(0.08, 0.16)
    travel = stroke * g.uniform(0.2, 0.45)
    count = g.uniform(4, 10)
    rated = travel * g.uniform(1.1, 1.5)
    coil = (count * g.uniform(500, 3000), count * g.uniform(10e3, 60e3))
    gas = (count * g.uniform(1000, 3000), (1.0 - 1.0 / g.uniform(1.2, 1.6)) / rated, g.uniform(1.0, 1.4))
    return Case(
        stroke=stroke,
        rod=stroke * g.uniform(2.5, 5.0),
        rate=math.exp(g.uniform(math.log(20.0), math.log(400.0))),
        travel=travel,
        lift=0.0 if number % 10 == 0 else g.uniform(0.5e-3, 4e-3),
        thickness=g.uniform(0.5e-3, 3e-3),
        stripper=g.uniform(15.0, 60.0),
        strip=g.uniform(0.4, 3.0),
        stiffness=10.0 ** g.uniform(8.0, 9.0),
        damping=10.0 ** g.uniform(math.log10(0.05), 0.0),
        lifter_force=0.0 if number % 7 == 0 else g.uniform(100.0, 600.0),
        lifter_rate=g.uniform(2e3, 15e3),
        coil=coil if number % 3 != 1 else None,
        gas=gas if number % 3 != 0 else None,
        uneven=g.uniform(0.02, 0.15) if number % 4 == 3 else 0.0,
    )


# -- an independent integration -------------------------------------------------------------------------------


Change = tuple[float, int, bool]
OPEN, PRESSING, SLACK = range(3)


def scipy_changes(case: Case, face: float, strip: float) -> list[Change]:
    """Every change of a contact force, from SciPy at rtol 1e-10: (degrees of the turn's time, contact, on)."""
    w, uneven, k, r, rod = case.speed, case.uneven, case.stiffness, 0.5 * case.stroke, case.rod
    heavy = 2.0 * case.damping * math.sqrt(k * case.stripper)
    light = 2.0 * case.damping * math.sqrt(k * case.strip)
    damping = (heavy, heavy, heavy, light)

    def depths(t: float, x: np.ndarray) -> list[tuple[float, float]]:
        zf, zs, vf, vs = x.tolist()
        a, turn = w * t - uneven * math.sin(w * t), w * (1.0 - uneven * math.cos(w * t))
        c, s = math.cos(a), math.sin(a)
        root = math.sqrt(rod * rod - (r * s) ** 2)
        y, v = rod + r + r * c - root, turn * (-r * s + r * r * s * c / root)
        return [
            (y + case.thickness - case.travel - zf, v - vf),
            (zs + case.thickness - zf, vs - vf),
            (-zs, -vs),
            (zs - case.lift, vs),
        ]

    def rate(t: float, x: np.ndarray, states: list[int]) -> list[float]:
        d, strip, (vf, vs) = depths(t, x), float(x[1]), x[2:].tolist()
        force = [k * d[i][0] + damping[i] * d[i][1] if states[i] == PRESSING else 0.0 for i in range(4)]
        u = -d[0][0]
        spring = case.coil[0] + case.coil[1] * u if case.coil else 0.0
        if case.gas:
            spring += case.gas[0] * (1.0 - case.gas[1] * u) ** -case.gas[2]
        lifters = case.lifter_force + case.lifter_rate * (case.lift - strip)
        return [
            vf,
            vs,
            (force[0] + force[1] - spring) / case.stripper - GRAVITY,
            (force[2] - force[1] - force[3] + lifters) / case.strip - GRAVITY,
        ]

    def room(i: int, d: tuple[float, float], state: int) -> tuple[float, int]:
        """How far a contact is from its next change, and into what."""
        force = d[0] + damping[i] / k * d[1]
        if state == OPEN:
            return -d[0], PRESSING
        if state == PRESSING:
            return force, SLACK
        return (d[0], OPEN) if d[0] < -force else (-force, PRESSING)

    end = 2.0 * math.pi / w
    t, x = 0.0, np.array([face, strip, 0.0, 0.0])
    states = [PRESSING if d[0] > 0.0 else OPEN for d in depths(t, x)]
    changes: list[Change] = []
    while t < end:

        def nearest(t: float, x: np.ndarray, states: list[int]) -> float:
            return min(room(i, d, states[i])[0] for i, d in enumerate(depths(t, x)))

        nearest.terminal, nearest.direction = True, -1  # type: ignore[attr-defined]
        found = solve_ivp(
            rate, (t, end), x, "LSODA", rtol=1e-10, atol=1e-14, max_step=0.05 / w, events=nearest, args=(states,)
        )
        t, x = float(found.t[-1]), found.y[:, -1]
        if found.status != 1:
            break
        now = depths(t, x)
        rooms = [room(i, now[i], states[i]) for i in range(4)]
        least = min(space for space, _ in rooms)
        for i, (space, after) in enumerate(rooms):
            if space <= least + 1e-15:
                if PRESSING in (states[i], after):
                    changes.append((math.degrees(w * t), i, after == PRESSING))
                states[i] = after
    return changes


def own_changes(reading: Run) -> list[Change]:
    out: list[Change] = []
    for side in Side:
        spans = reading.pressing(side)
        for times, on in ((spans.start, True), (spans.end, False)):
            inside = times[(times > 0.0) & (times < reading.period * (1.0 - 1e-12))]
            out += [(float(360.0 * time / reading.period[0]), int(side), on) for time in inside]
    return sorted(out)


@pytest.mark.parametrize("number", range(SYSTEMS))
def test_every_contact_change_agrees_with_scipy(number):
    """No graze among these systems: the sequences are the same, change for change."""
    case = random_case(number)
    reading = case.run()
    start = reading.at(0.0)
    theirs = sorted(scipy_changes(case, float(start.face[0]), float(start.strip[0])))
    ours = own_changes(reading)
    assert [change[1:] for change in ours] == [change[1:] for change in theirs]
    assert len(ours) >= 6
    worst = max(abs(a[0] - b[0]) for a, b in zip(ours, theirs, strict=True))
    assert worst < EVENT_TOLERANCE


@pytest.mark.parametrize("number", range(SYSTEMS))
def test_halving_the_step_moves_no_event(number):
    case = random_case(number)
    coarse, fine = case.run(12), case.run(24)
    for name, time in coarse.events.items():
        assert np.isnan(time) == np.isnan(fine.events[name]), name
        moved = np.degrees(np.abs(time - fine.events[name]) * case.speed)
        assert not moved > STEP_TOLERANCE, name


def batch_of(cases: list[Case]) -> tuple[System, Callable, np.ndarray]:
    def column(name: str) -> np.ndarray:
        return np.array([getattr(case, name) for case in cases])

    coils, gases = np.array([case.coil for case in cases]).T, np.array([case.gas for case in cases]).T
    system = System(
        column("stripper"), column("strip"), [Coil(*coils), Gas(*gases)], column("lifter_force"),
        column("lifter_rate"), column("stiffness"), column("damping"), column("thickness"), column("lift"),
        column("travel"),
    )  # fmt: skip
    speed = column("speed")
    return system, turning(eccentric(column("stroke"), column("rod")), speed, column("uneven")), 2.0 * np.pi / speed


def test_a_batch_says_what_each_variant_says_alone():
    cases = [random_case(number) for number in range(2, 45, 3)]
    together = run(*batch_of(cases))
    for place, case in enumerate(cases):
        alone = case.run()
        for name, time in alone.events.items():
            np.testing.assert_allclose(together.events[name][place], time[0], rtol=0, atol=1e-9)


# -- energy ---------------------------------------------------------------------------------------------------


def integral(reading: Run, value: Callable) -> float:
    """Gauss quadrature between neighbouring samples of the turn, among which is every contact change."""
    nodes, weights = np.polynomial.legendre.leggauss(6)
    times = np.unique(reading.samples.time[:, 0])
    low, width = times[:-1, None], np.diff(times)[:, None]
    at = low + 0.5 * width * (nodes + 1.0)
    return float(np.sum(0.5 * width * weights * value(reading.at(at.reshape(-1, 1))).reshape(at.shape)))


@pytest.mark.parametrize("number", [1, 2, 3, 9, 22, 27])
def test_the_slide_s_work_is_stored_or_dissipated(number):
    case = random_case(number)
    reading = case.run()
    work = integral(reading, lambda m: (m.contact_force(Side.HANGER) - m.spring_force) * m.slide_speed)
    absorbed = [integral(reading, lambda m, side=side: m.contact_force(side) * m.closing_speed(side)) for side in Side]
    into_springs = integral(reading, lambda m: m.spring_force * m.piston_speed)
    start, end = reading.at(0.0), reading.at(reading.period)

    def stored(m) -> float:
        return float(
            0.5 * case.stripper * m.face_speed[0] ** 2
            + 0.5 * case.strip * m.strip_speed[0] ** 2
            + GRAVITY * (case.stripper * m.face[0] + case.strip * m.strip[0])
            + case.lifter_force * (case.lift - m.strip[0])
            + 0.5 * case.lifter_rate * (case.lift - m.strip[0]) ** 2
        )

    lost = sum(absorbed) + into_springs + stored(end) - stored(start)
    busy = integral(reading, lambda m: np.abs(m.spring_force * m.slide_speed))
    assert abs(work - lost) < 1e-3 * max(sum(absorbed), 1e-4 * busy)
    assert all(energy > -1e-6 * busy for energy in absorbed)


# -- statics and edges ----------------------------------------------------------------------------------------


def test_turned_slowly_the_forces_are_the_static_ones():
    case = replace(NAMED, rate=1.0)
    bottom = case.run().at(math.pi / case.speed)
    spring = 6000.0 + 54e3 * bottom.compression + 6000.0 / (1.0 - case.gas[1] * bottom.compression)
    np.testing.assert_allclose(bottom.spring_force, spring, rtol=1e-12)
    press = spring + case.stripper * GRAVITY
    np.testing.assert_allclose(bottom.contact_force(Side.STRIPPER), press, rtol=1e-3)
    lifters = case.lifter_force + case.lifter_rate * case.lift
    np.testing.assert_allclose(bottom.contact_force(Side.DIE), press + case.strip * GRAVITY - lifters, rtol=1e-3)
    assert bottom.contact_force(Side.HANGER) == 0.0
    assert bottom.contact_force(Side.LIFTER) == 0.0


def test_it_starts_at_rest_in_balance():
    start = NAMED.run().at(0.0)
    hanging = NAMED.stripper * GRAVITY + start.spring_force
    np.testing.assert_allclose(start.contact_force(Side.HANGER), hanging, rtol=1e-9)
    lifters = NAMED.lifter_force + NAMED.lifter_rate * (NAMED.lift - start.strip)
    np.testing.assert_allclose(start.contact_force(Side.LIFTER), lifters - NAMED.strip * GRAVITY, rtol=1e-9)


def test_events_come_in_order_near_the_rigid_angles():
    reading = NAMED.run()
    order = ["stripper.touch", "stripper.clamped", "stripper.unclamped", "strip.raised", "strip.settled"]
    times = np.concatenate([reading.events[name] for name in order])
    assert np.all(np.diff(times) >= 0.0)
    touch, clamped = reading.at(times[0]), reading.at(times[1])
    give = 13e3 / NAMED.stiffness  # how far the hanger gives under preload and weight
    assert abs(touch.slide[0] - NAMED.travel - NAMED.lift) < give
    assert abs(clamped.slide[0] - NAMED.travel) < 0.3e-3
    np.testing.assert_allclose(touch.contact_force(Side.STRIPPER) > 0.0, True)


def test_motion_is_continuous_across_contact_changes():
    reading = random_case(22).run()
    changes = np.array([change[0] for change in own_changes(reading)]) / 360.0 * reading.period[0]
    before, after = (reading.at(changes[:, None] + shift) for shift in (-1e-9, 1e-9))
    np.testing.assert_allclose(before.strip, after.strip, rtol=0, atol=1e-8)
    np.testing.assert_allclose(before.face_speed, after.face_speed, rtol=0, atol=1e-3)


def test_a_strip_without_lift_lies_between_die_face_and_stop():
    reading = replace(NAMED, lift=0.0).run()
    events = reading.events
    assert events["stripper.touch"] <= events["stripper.clamped"] < events["stripper.unclamped"]
    assert events["strip.raised"] == events["strip.settled"] == events["stripper.unclamped"]


def test_a_strip_without_lifters_is_never_raised():
    reading = replace(NAMED, lifter_force=0.0, lifter_rate=0.0).run()
    assert np.isnan(reading.events["strip.raised"])
    assert np.isnan(reading.events["strip.settled"])
    assert reading.events["stripper.touch"] <= reading.events["stripper.clamped"]
    assert reading.at(0.0).strip < 0.0  # it lies on the die face


def test_a_stripper_already_on_the_strip_at_the_top_never_touches_it():
    reading = replace(NAMED, stroke=0.040).run()
    assert all(np.isnan(time) for time in reading.events.values())


def test_a_strip_that_settles_after_the_turn_is_followed_to_the_next_touch():
    case = replace(NAMED, rate=200.0, lifter_force=16.0, lifter_rate=100.0, lift=0.006)
    reading = case.run()
    assert reading.events["strip.raised"] < reading.period or reading.events["strip.settled"] > reading.period
    settled = np.degrees(reading.events["strip.settled"] * case.speed)
    assert 360.0 < settled < 360.0 + np.degrees(reading.events["stripper.touch"] * case.speed)


def test_the_held_span_ends_where_the_strip_is_the_play_above_the_die_face():
    reading = NAMED.run()
    span = reading.held(0.05e-3, math.pi / NAMED.speed)
    for time in (span.start, span.end):
        np.testing.assert_allclose(reading.at(time).strip, 0.05e-3, rtol=0, atol=1e-9)
    assert span.start < math.pi / NAMED.speed < span.end
    assert np.isnan(reading.held(0.05e-3, 0.0).start)


def test_crossings_are_found_to_a_thousandth_of_a_degree():
    reading = NAMED.run()
    found = reading.crossings(lambda m: m.slide - 0.030)
    height = reading.at(found.time).slide
    np.testing.assert_allclose(height, 0.030, rtol=0, atol=1e-6)
    np.testing.assert_array_equal(found.rising[:, 0], [False, True])


def test_the_peak_force_includes_the_jump_at_touch():
    """A dashpot's force jumps to c d' as contact is made; nothing later in this touch is as high."""
    case = replace(NAMED, damping=1.0, lift=0.0)
    reading = case.run()
    touch = reading.events["stripper.touch"]
    _, peak = reading.extremes(lambda m: m.contact_force(Side.STRIPPER), touch, touch + 1e-6)
    jump = 2.0 * math.sqrt(case.stiffness * case.stripper) * reading.at(touch).closing_speed(Side.STRIPPER)
    assert peak >= 0.999 * jump


def test_extremes_agree_with_a_dense_grid():
    reading = random_case(9).run()
    times = np.linspace(0.0, reading.period[0], 40_001)[:, None]
    dense = reading.at(times)
    least, greatest = reading.extremes(lambda m: m.compression, 0.0, reading.period)
    np.testing.assert_allclose(least, dense.compression.min(axis=0), rtol=0, atol=1e-8)
    np.testing.assert_allclose(greatest, dense.compression.max(axis=0), rtol=0, atol=1e-8)


def test_a_damping_ratio_of_one_and_equal_masses_are_no_special_case():
    case = replace(NAMED, damping=1.0, strip=42.0)
    near = replace(case, damping=1.0 + 1e-6, strip=42.0 * (1.0 + 1e-6))
    for name, time in case.run().events.items():
        np.testing.assert_allclose(time, near.run().events[name], rtol=0, atol=1e-5)


def test_gas_springs_pressed_past_their_volume_still_give_a_finite_run():
    case = replace(NAMED, gas=(6000.0, 1.2 / NAMED.travel, 1.0))
    reading = case.run()
    assert np.isfinite(reading.samples.strip[:, 0]).all()
    _, used = reading.extremes(lambda m: m.compression, 0.0, reading.period)
    assert used > NAMED.travel / 1.2  # where the volume is gone


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("strip", 0.0, "strip mass"),
        ("stiffness", -1.0, "contact stiffness"),
        ("lifter_force", -1.0, "lifter force"),
        ("thickness", math.nan, "thickness"),
        ("rate", -60.0, "period"),
        ("coil", (-1.0, 1.0), "coil force"),
    ],
)
def test_impossible_numbers_are_refused(key, value, says):
    assert key in {field.name for field in fields(Case)}
    with pytest.raises(ValueError, match=says):
        replace(NAMED, **{key: value}).run()


def test_the_motion_is_known_to_reach_and_no_further():
    case = replace(NAMED, rate=200.0, lifter_force=16.0, lifter_rate=100.0, lift=0.006)
    reading = case.run()
    assert reading.reach > reading.events["strip.settled"]
    assert np.isfinite(reading.at(reading.reach).strip)
    for outside in (-0.01, 1.01):
        assert np.isnan(reading.at(outside * reading.reach).strip)
        assert np.isnan(reading.at(outside * reading.reach).slide)
    quiet = NAMED.run()
    assert quiet.period <= quiet.reach < 1.06 * quiet.period


# -- independence of resolution ---------------------------------------------------------------------------------


SHALLOW = 2e-6  # m, below which an extremum counts as a graze


@pytest.mark.parametrize("number", range(0, SYSTEMS, 2))
def test_a_pair_of_crossings_hidden_between_samples_is_found(number):
    """Levels just short of an extremum of slide, strip and face, counted on a dense grid."""
    reading = random_case(number).run()
    times = np.linspace(0.0, 1.0, 40_001)[:, None] * reading.period
    dense, rng, pairs = reading.at(times), np.random.default_rng(number), 0
    for name in ("slide", "strip", "face", "compression"):
        heights = getattr(dense, name)[:, 0]
        turns = np.flatnonzero(np.diff(heights[:-1]) * np.diff(heights[1:]) < 0.0) + 1
        for turn in rng.choice(turns, 4):
            up = heights[turn] > heights[turn - 1]
            level = heights[turn] + (-SHALLOW if up else SHALLOW)
            over = heights > level
            found = reading.crossings(lambda m, name=name, level=level: getattr(m, name) - level)
            crossings = np.count_nonzero(over[1:] != over[:-1])
            assert np.count_nonzero(~np.isnan(found.time)) >= crossings
            assert not np.any(np.abs(getattr(reading.at(found.time), name) - level) > 1e-9)
            pairs += crossings // 2
    assert pairs >= 8


@pytest.mark.parametrize("number", [5, 9, 13, 22])
def test_extremes_are_never_less_than_a_dense_grid_shows(number):
    reading = random_case(number).run()
    dense = reading.at(np.linspace(0.0, 1.0, 40_001)[:, None] * reading.period)
    for value in (
        lambda m: m.strip,
        lambda m: m.compression,
        lambda m: m.piston_speed,
        lambda m: m.contact_force(Side.DIE),
        lambda m: m.contact_force(Side.STRIPPER),
    ):
        least, greatest = reading.extremes(value, 0.0, reading.period)
        known = value(dense)
        assert greatest >= known.max() - 1e-6 * np.ptp(known)
        assert least <= known.min() + 1e-6 * np.ptp(known)


def test_what_is_read_off_does_not_depend_on_how_finely_it_is_read():
    coarse, fine = (random_case(9).run() for _ in range(2))
    few, many = np.linspace(0.0, 1.0, 11)[:, None], np.linspace(0.0, 1.0, 10_001)[:, None]
    a, b = coarse.at(few * coarse.period), fine.at(many * fine.period)
    np.testing.assert_allclose(a.strip, b.strip[::1000], rtol=0, atol=1e-12)
    for name, time in coarse.events.items():
        assert time == fine.events[name]


@pytest.mark.parametrize("size", [2, 9, 40])
def test_the_size_of_the_batch_changes_no_event(size):
    cases = [random_case(number) for number in range(2, 121, 3)]
    whole = run(*batch_of(cases)).events
    for first in range(0, len(cases), size):
        for name, time in run(*batch_of(cases[first : first + size])).events.items():
            np.testing.assert_allclose(time, whole[name][first : first + size], rtol=0, atol=1e-9)
