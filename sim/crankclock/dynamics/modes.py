"""Exact motion for each set of closed contacts.

Between contact changes the two masses are linear: M x'' + C x' + K x = f(s). Writing q for the stripper face
less the strip thickness and x = (q, zs), the solution over a block is a polynomial answer to the polynomial
forcing plus four functions of the free motion. Time runs in units of one cell of the slide's motion.

The free motion is held in two pairs. A pair of complex eigenvalues a +- ib gives e^(as) cos bs and e^(as) sin bs,
a real pair e^(as) and e^(a's): four times e^(as) sin(bs + phase).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .base import DEGREE
from .system import GRAVITY, Array, Bodies, IntArray, Side

ComplexArray = NDArray[np.complex128]

MODES = 12
"""Of the sixteen sets of the four contacts those without both die face and lifter stop: the lowest numbers."""
POWERS = DEGREE + 1
FREE = 4
"""Functions of the free motion; the powers follow them."""
STATE = 4
"""q, zs, q', zs'."""
SIDES = len(Side)
CLOSED = np.array([[mode >> side & 1 for side in Side] for mode in range(MODES)], dtype=bool)
"""Which contacts press in each mode, shape (12, 4); bit `side` of the mode number."""

# A ringing below this amplitude [m] cannot take a contact across its threshold unseen by more than itself:
# far below what counts as a graze.
QUIET = 1e-9
PER_MODE = 16
"""Samples of each of the four functions in a block."""
SPAN = 0.45 * PER_MODE  # rad of a swing in a block

# A mass free of all springs would have a double zero eigenvalue and no eigenbasis. It is lent this much
# stiffness, (rad per cell)^2, about the place where the block starts: its way in the cell changes by a few
# parts in a million. The two differ so that the masses never share an eigenvalue.
_LEAST = np.array([1.0e-6, 1.7e-6])
# Critical damping has no eigenbasis either; this keeps a damping ratio of exactly 1 off it.
_OFF_CRITICAL = 1.0 + 1e-9

# Power k of the forcing (row) into power j of the answer (column): which part, and how many times.
_LOWER = np.arange(POWERS)[:, None] - np.arange(POWERS)
_WHICH = np.where(_LOWER >= 0, _LOWER, POWERS)
_WHICH_SPEED = np.where(_LOWER >= 1, _LOWER - 1, POWERS)
_FACTORIAL = np.cumprod(np.maximum(np.arange(POWERS), 1)).astype(float)
TIMES = _FACTORIAL[:, None] / _FACTORIAL
_DEPTHS = np.array([[-1.0, -1.0, 0.0, 0.0], [0.0, 1.0, -1.0, 1.0]])  # (q, zs) to the depths in order of `Side`


@dataclass(frozen=True)
class Local:
    """What a block needs to know of its variant and mode, one row a block.

    Parameters
    ----------
    rates : ndarray, shape (m, 12)
        Real parts [1/cell], swings [rad/cell] (0 for a real pair) and phases [rad] of the four functions.
    pace : ndarray, shape (m, 3, 4)
        How closely the four functions have to be watched: what their pair's size [m] is to be multiplied with
        before it is compared with 1 (0 where the pair's other function stands for both), their time constants,
        and the time that samples of a swing may span [cells].
    solution : ndarray, shape (m, 11, 40)
        From (state, forcing) to the coefficients (four states, ten functions) of the motion. The forcing is that
        on the stripper in six powers, then the constant one on the strip.
    drive : ndarray, shape (m, 6)
        What the slide's height and speed put on the stripper [N/m], [N cell/m]; constant forces on stripper and
        strip, gas springs left out [N]; stiffness lent to a free stripper and strip, to be balanced where a
        block starts [N/m].
    guards : ndarray, shape (m, 8, 4)
        From the state to two values of every contact, of which the lesser tells when it changes: see `wrong_side`.
    hanger : ndarray, shape (m, 2, 2)
        What the slide's height and speed add to the hanger's two values.
    lifter : ndarray, shape (m,)
        What the strip lift adds to the lifter stop's.
    """

    rates: Array
    pace: Array
    solution: Array
    drive: Array
    guards: Array
    hanger: Array
    lifter: Array


@dataclass(frozen=True)
class Modes:
    """Tables, one row a variant and mode: row = 12 variant + mode.

    Parameters
    ----------
    rates, pace, drive, guards, hanger, lifter
        As in `Local`.
    shapes, into : ndarray, shape (m, 4, 4)
        States (rows) of the free motions, real and imaginary part of a pair side by side; and back.
    matrices : ndarray, shape (m, 8)
        Masses m1, m2, damping c11, c12, c22 and stiffness k11, k12, k22, in cells.
    """

    rates: Array
    pace: Array
    drive: Array
    guards: Array
    hanger: Array
    lifter: Array
    shapes: Array
    into: Array
    matrices: Array

    @cached_property
    def solution(self) -> Array:
        """As in `Local`."""
        parts, constant = _answers(self.matrices)
        solution = np.zeros((constant.shape[0], STATE + POWERS + 1, STATE, FREE + POWERS))
        for body in range(2):
            solution[:, STATE:-1, body, FREE:] = parts[:, body, _WHICH] * TIMES
            solution[:, STATE:-1, body + 2, FREE:] = parts[:, body, _WHICH_SPEED] * TIMES
            solution[:, -1, body, FREE] = constant[:, body]
        free = _free(self.rates, self.shapes, self.into)
        solution[:, :STATE, :, :FREE] = free
        by_start = solution[:, STATE:, :, FREE] @ free.reshape(-1, STATE, STATE * FREE)
        solution[:, STATE:, :, :FREE] = -by_start.reshape(-1, POWERS + 1, STATE, FREE)
        return solution.reshape(-1, STATE + POWERS + 1, STATE * (FREE + POWERS))

    def take(self, row: IntArray) -> Local:
        """One row for each block."""
        return Local(
            self.rates.take(row, axis=0),
            self.pace.take(row, axis=0),
            self.solution.take(row, axis=0),
            self.drive.take(row, axis=0),
            self.guards.take(row, axis=0),
            self.hanger.take(row, axis=0),
            self.lifter.take(row),
        )


def _coupled(mass: Array, damping: Array, stiffness: Array) -> tuple[ComplexArray, ComplexArray]:
    """Eigenvalues and eigenvectors of M x'' + C x' + K x = 0, pairs side by side; M is diagonal."""
    first = np.zeros((*mass.shape[:-1], STATE, STATE))
    first[..., :2, 2:] = np.eye(2)
    first[..., 2:, :2] = -stiffness / mass[..., :, None]
    first[..., 2:, 2:] = -damping / mass[..., :, None]
    rates, shapes = np.linalg.eig(first)
    order = np.argsort(rates.imag == 0.0, axis=-1, kind="stable")
    return (
        np.take_along_axis(rates, order, axis=-1).astype(complex),
        np.take_along_axis(shapes, order[..., None, :], axis=-1).astype(complex),
    )


def _uncoupled(mass: Array, damping: Array, stiffness: Array) -> tuple[ComplexArray, ComplexArray]:
    """The same where the masses do not touch: one body at a time, so that equal eigenvalues do no harm."""
    rates = np.empty((*mass.shape[:-1], FREE), dtype=complex)
    shapes = np.zeros((*mass.shape[:-1], STATE, FREE), dtype=complex)
    for body in range(2):
        middle = -0.5 * damping[..., body, body] / mass[..., body]
        root = np.sqrt(middle * middle - stiffness[..., body, body] / mass[..., body] + 0j)
        pair = slice(2 * body, 2 * body + 2)
        rates[..., pair] = np.stack([middle + root, middle - root], axis=-1)
        shapes[..., body, pair] = 1.0
        shapes[..., body + 2, pair] = rates[..., pair]
    return rates, shapes


def _answers(matrices: Array) -> tuple[Array, Array]:
    """What the places' polynomials are made of, shape (m, 2, 7), and what a constant force on the strip adds.

    Forced by t^k / k! on the stripper, M x'' + C x' + K x has the answer u(k) + u(k-1) t + u(k-2) t^2 / 2 + ... with
    K u(0) = e, K u(1) = -C u(0), K u(m) = -C u(m-1) - M u(m-2). The seventh is 0, for powers that do not come up.
    """
    m1, m2, c11, c12, c22, k11, k12, k22 = matrices.T
    det = k11 * k22 - k12 * k12
    parts = np.zeros((det.size, 2, POWERS + 1))
    for m in range(POWERS):
        (q, zs), (q2, zs2) = parts[..., m - 1].T, parts[..., m - 2].T
        f1 = (m == 0) - c11 * q - c12 * zs - m1 * q2
        f2 = -c12 * q - c22 * zs - m2 * zs2
        parts[:, 0, m] = (k22 * f1 - k12 * f2) / det
        parts[:, 1, m] = (k11 * f2 - k12 * f1) / det
    return parts, np.stack([-k12 / det, k11 / det], axis=-1)


def _real(rates: ComplexArray, shapes: ComplexArray) -> tuple[Array, Array]:
    """Rates and shapes as `Modes` holds them."""
    swinging = rates[..., ::2].imag != 0.0
    phase = np.full(rates.shape, 0.5 * np.pi)
    phase[..., 1::2][swinging] = 0.0
    start = np.empty(shapes.shape)
    start[..., ::2] = shapes[..., ::2].real
    start[..., 1::2] = np.where(swinging[..., None, :], shapes[..., ::2].imag, shapes[..., 1::2].real)
    return np.concatenate([rates.real, np.repeat(rates[..., ::2].imag, 2, axis=-1), phase], axis=-1), start


def _free(rates: Array, shapes: Array, into: Array) -> Array:
    """Free motion (state, function) from a unit start in each state (first)."""
    # x = f (c p + d q) + g (d p - c q) for a swinging pair, f c p + g d q for a real one.
    back = np.swapaxes(into, -1, -2)
    c, d = back[:, :, None, ::2], back[:, :, None, 1::2]
    p, q = shapes[:, None, :, ::2], shapes[:, None, :, 1::2]
    swings = (rates[:, FREE : 2 * FREE : 2] > 0.0)[:, None, None, :]
    free = np.empty((rates.shape[0], STATE, STATE, FREE))
    free[..., ::2] = c * p + np.where(swings, d * q, 0.0)
    free[..., 1::2] = np.where(swings, d * p - c * q, d * q)
    return free


def build(bodies: Bodies, spring_rate: Array, cell_time: Array) -> Modes:
    """Tables for every variant and mode.

    Parameters
    ----------
    bodies : Bodies
    spring_rate : ndarray, shape (n,)
        Linear part of all springs on the stripper [N/m].
    cell_time : ndarray, shape (n,)
        Unit of time [s].
    """
    b = bodies
    k = b.stiffness[:, None]
    mass = np.stack([b.stripper_mass, b.strip_mass], axis=-1) / cell_time[:, None] ** 2
    c = b.damping.T / cell_time[:, None] * _OFF_CRITICAL
    hanger, strip, die, stop = (CLOSED[:, side].astype(float) for side in Side)
    floor = _LEAST * mass
    springs = np.maximum(spring_rate[:, None], floor[:, :1] * (1.0 - hanger))
    lifters = np.maximum(b.lifter_rate[:, None], floor[:, 1:] * (1.0 - np.maximum(die, stop)))

    stiffness = np.zeros((k.shape[0], MODES, 2, 2))
    stiffness[..., 0, 0] = springs + k * (hanger + strip)
    stiffness[..., 1, 1] = lifters + k * (strip + die + stop)
    stiffness[..., 0, 1] = stiffness[..., 1, 0] = -k * strip
    damping = np.zeros_like(stiffness)
    damping[..., 0, 0] = c[:, :1] * (hanger + strip)
    damping[..., 1, 1] = c[:, 1:2] * (strip + die) + c[:, 3:] * stop
    damping[..., 0, 1] = damping[..., 1, 0] = -c[:, 1:2] * strip
    mass = np.broadcast_to(mass[:, None, :], (k.shape[0], MODES, 2))

    drive = np.zeros((k.shape[0], MODES, 6))
    drive[..., 0] = spring_rate[:, None] + k * hanger
    drive[..., 1] = c[:, :1] * hanger
    drive[..., 2] = (-b.stripper_mass * GRAVITY - b.coil_force)[:, None]
    drive[..., 3] = (-b.strip_mass * GRAVITY + b.lifter_force)[:, None]
    drive[..., 3] += (b.lifter_rate[:, None] + k * stop) * b.lift[:, None]
    drive[..., 4] = springs - spring_rate[:, None]
    drive[..., 5] = lifters - b.lifter_rate[:, None]
    rates, shapes = _real(*_eigen(mass, damping, stiffness))
    lag = (b.lag / cell_time).T[:, None, :]
    widest = lag.max(axis=2)[:, :, None]
    guards, hanging = _guards(np.broadcast_to(lag, (k.shape[0], MODES, SIDES)))
    lifter = -np.where(CLOSED[:, Side.LIFTER], -1.0, 1.0) * b.lift[:, None]
    halves = [each[..., i, j] for each in (damping, stiffness) for i, j in ((0, 0), (0, 1), (1, 1))]
    matrices = np.stack([mass[..., 0], mass[..., 1], *halves], axis=-1)
    into = np.asarray(np.linalg.inv(shapes))
    tables = (rates, _pace(rates, widest), drive, guards, hanging, lifter, shapes, into, matrices)
    return Modes(*(_rows(table) for table in tables))


def _pace(rates: Array, lag: Array) -> Array:
    decay, swing, phase = rates[..., :FREE], rates[..., FREE : 2 * FREE], rates[..., 2 * FREE :]
    gain = (1.0 + lag * np.abs(decay)) * (1.0 + lag * swing) / QUIET
    with np.errstate(divide="ignore"):
        span = SPAN / swing
    return np.stack([np.where(phase > 0.0, gain, 0.0), 1.0 / np.maximum(-decay, 1e-12), span], axis=-2)


def _eigen(mass: Array, damping: Array, stiffness: Array) -> tuple[ComplexArray, ComplexArray]:
    apart, together = ~CLOSED[:, Side.STRIPPER], CLOSED[:, Side.STRIPPER]
    rates = np.zeros((*mass.shape[:2], FREE), dtype=complex)
    shapes = np.zeros((*mass.shape[:2], STATE, FREE), dtype=complex)
    rates[:, apart], shapes[:, apart] = _uncoupled(mass[:, apart], damping[:, apart], stiffness[:, apart])
    rates[:, together], shapes[:, together] = _coupled(mass[:, together], damping[:, together], stiffness[:, together])
    return rates, shapes


def _guards(lag: Array) -> tuple[Array, Array]:
    """How states and slide go into the two values of each contact; `lag` c/k of shape (n, 12, 4) [cells].

    An open contact closes when its depth d and force d + (c/k) d' are both above 0; a closed one opens when
    the force is gone, which is before d is.
    """
    ones = np.ones_like(lag)
    by_depth = np.stack([np.where(CLOSED, -ones, ones)] * 2, axis=-1)
    by_rate = np.stack([np.where(CLOSED, -lag, 0.0), np.where(CLOSED, -lag, lag)], axis=-1)
    into = np.stack([by_depth, by_rate], axis=-1)  # contact, value, (depth, rate)
    guards = np.einsum("bs,...svd->...vsdb", _DEPTHS, into)
    return guards.reshape(*lag.shape[:2], 2 * SIDES, STATE), into[..., Side.HANGER, :, :]


def _rows(table: Array) -> Array:
    return np.ascontiguousarray(table.reshape(-1, *table.shape[2:]))
