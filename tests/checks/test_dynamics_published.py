"""Springs and contacts against published figures and closed forms.

Gravity in the program is 9.80665 m/s^2; where a source takes another value, its figure is scaled by the law
it follows from and the scaling stands beside it.
"""

import math

import numpy as np
import pytest

from crankclock.dynamics import Coil, Gas, Run, Side, System
from crankclock.dynamics.blocks import Tables, prepare
from crankclock.dynamics.stepping import Front, at_rest, march
from crankclock.dynamics.system import GRAVITY, Bodies

FAR = 5.0  # m, out of reach


def still(time):
    """A slide that does not move, far up: stripper and hanger are out of the way."""
    return np.full_like(time, 2.0 * FAR), np.zeros_like(time)


def strip_alone(mass: float, stiffness: float, damping: float, seconds: float) -> Tables:
    """A bare strip over the die face. c is taken from the stripper's mass, so the stripper weighs the same."""
    system = System(mass, mass, [Coil(1.0, 0.0)], 0.0, 0.0, stiffness, damping, 0.0, FAR, 0.0)
    return prepare(system, still, np.array([seconds]), 24)


def released(tables: Tables, height: float) -> Run:
    """Let the strip go from a height above the die face."""
    front = at_rest(tables)
    start = Front(front.cell, front.start, front.state.copy(), np.array([1 << Side.HANGER]))
    start.state[0, 1] = height
    return Run(tables, march(tables, start))


def test_mass_dropped_on_a_spring():
    """2 kg from 0.2 m onto 1225 N/m: 9.758 cm, computed from energy, m g (h + x) = k x^2 / 2, with g = 9.8."""
    mass, drop, rate = 2.0, 0.2, 1225.0
    reading = released(strip_alone(mass, rate, 0.0, seconds=0.5), drop)
    least, _ = reading.extremes(lambda m: m.strip, 0.0, reading.period)

    def deepest(g: float) -> float:
        return (mass * g + math.sqrt((mass * g) ** 2 + 2.0 * rate * mass * g * drop)) / rate

    assert deepest(9.8) == pytest.approx(0.09758, abs=5e-6)
    assert -least[0] == pytest.approx(deepest(GRAVITY), abs=5e-6)


def restitution(zeta: float) -> float:
    """Share of speed kept by a spring and dashpot that let go when their force is gone.

    Schwager and Poeschel, "Coefficient of restitution and linear-dashpot model revisited", Granular Matter 9
    (2007) 465 (from memory; the form is derived anew here: x = v e^(-bt) sin(wt)/w leaves when k x + c x' = 0).
    """
    b, w = zeta, math.sqrt(1.0 - zeta * zeta)
    leave = math.pi - math.atan2(2.0 * b * w, w * w - b * b)
    return math.exp(-b / w * leave)


@pytest.mark.parametrize("zeta", [0.05, 0.2, 0.5, 0.7])
def test_rebound_speed_of_spring_and_dashpot(zeta):
    reading = released(strip_alone(1.0, 1e11, zeta, seconds=0.5), 0.2)
    span = reading.pressing(Side.DIE)
    # Just before the touch: at it, the dashpot is already braking.
    into = reading.at(span.start[0] - 1e-10).strip_speed[0]
    out = reading.at(span.end[0]).strip_speed[0]
    assert -out / into == pytest.approx(restitution(zeta), rel=1e-4)


def test_default_damping_gives_back_about_a_third_of_the_speed():
    """Contact damping 0.5: about 0.3 of the landing speed, as the model says."""
    assert restitution(0.5) == pytest.approx(0.3, abs=0.005)


def test_bouncing_mass_comes_to_rest():
    """h 1.5 m, e 0.7, g 9.8: rests at 3.1353 s, sqrt(2h/g) (1 + e)/(1 - e).

    Source prints 3.135 s (Wolfram Demonstrations Project, bouncing ball). Times scale with 1/sqrt(g).
    Tolerance half the last printed digit.
    """
    low, high = 0.0, 0.7
    for _ in range(60):
        zeta = 0.5 * (low + high)
        low, high = (zeta, high) if restitution(zeta) > 0.7 else (low, zeta)
    reading = released(strip_alone(1.0, 1e11, zeta, seconds=4.0), 1.5)
    span = reading.pressing(Side.DIE)
    bounces = np.sum(~np.isnan(span.start))
    assert bounces > 20
    rest = span.start[bounces - 1, 0]
    assert rest * math.sqrt(GRAVITY / 9.8) == pytest.approx(3.1353, abs=5e-4)


def test_forced_response():
    """w_n 1, zeta 0.24, F/m 2 at w_d: amplitude 4.2597 (O'Reilly, Engineering Dynamics, 6.1, prints 4.26).

    The stripper on its hanger is the oscillator, the slide shakes it: base motion Y cos(wt) puts
    |k + i w c| Y on it. It is started on the steady motion and has to stay there for the whole turn.
    """
    zeta, mass = 0.24, 1.0
    w = math.sqrt(1.0 - zeta * zeta)
    push = complex(1.0, 2.0 * zeta * w)
    shake = 2.0 / abs(push)

    def slide(time):
        return 40.0 + shake * np.cos(w * time), -w * shake * np.sin(w * time)

    system = System(mass, 1.0, [Coil(1.0, 0.0)], 20.0, 0.0, 1.0, zeta, 0.0, 0.0, 0.0)
    tables = prepare(system, slide, np.array([2.0 * math.pi / w]), 24)
    front = at_rest(tables)
    answer = shake * push / complex(1.0 - w * w, 2.0 * zeta * w)
    middle = front.state[0, 0] - shake
    front.state[0, 0] = middle + answer.real
    front.state[0, 2] = -w * answer.imag * tables.base.cell_time[0]
    reading = Run(tables, march(tables, front))
    least, greatest = reading.extremes(lambda m: m.face, 0.0, reading.period)
    assert 0.5 * (greatest[0] - least[0]) == pytest.approx(4.2597, abs=5e-5)
    angle = np.linspace(0.0, 2.0 * math.pi, 37)[:, None]
    expected = middle + np.real(answer * np.exp(1j * angle))
    np.testing.assert_allclose(reading.at(angle / w).face, expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize(("exponent", "ratio"), [(1.0, 1.4286), (1.4, 1.6476)])
def test_gas_spring_force_at_four_fifths_of_its_travel(exponent, ratio):
    """Isothermal end force ratio 1.6: 1.4286 isothermal, 1.6476 at n = 1.4; computed from p V^n = const."""
    travel = 0.05
    gas = Gas(1000.0, (1.0 - 1.0 / 1.6) / travel, exponent)
    bodies = Bodies.of(System(1.0, 1.0, [gas], 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0), 1)
    force, slope = bodies.springs(np.array([0.8 * travel]))
    assert force[0] / 1000.0 == pytest.approx(ratio, abs=5e-5)
    above, _ = bodies.springs(np.array([0.8 * travel + 1e-7]))
    assert (above[0] - force[0]) / 1e-7 == pytest.approx(slope[0], rel=1e-5)


def test_two_springs_side_by_side_share_the_load():
    """Two nested springs, closed by 24.98884 and 9.98884 mm, carry 706.021 and 293.979 N.

    Bhandari, Design of Machine Elements, Ex. 10.19: wire 6 and 5 mm, mean coil 36 and 30 mm, 10 and 8 turns,
    81370 N/mm^2, the inner 15 mm shorter, 1000 N together.
    """
    outer, inner = (81370e6 * d**4 / (8.0 * D**3 * n) for d, D, n in ((6e-3, 36e-3, 10), (5e-3, 30e-3, 8)))
    gap, closed = 15e-3, 24.98884e-3
    system = System(1.0, 1.0, [Coil(0.0, outer), Coil(0.0, inner)], 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    both, slope = Bodies.of(system, 1).springs(np.array([closed - gap]))
    # Past the gap both close together; the outer brings what it took to get there.
    assert both[0] + outer * gap == pytest.approx(1000.0, abs=5e-3)
    assert slope[0] == pytest.approx(outer + inner, rel=1e-12)
    assert outer * closed == pytest.approx(706.021, abs=1e-3)
    assert inner * (closed - gap) == pytest.approx(293.979, abs=1e-3)
