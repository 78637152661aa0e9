"""Exact motion for each of the sixteen sets of closed contacts.

Between contact changes the two masses are linear: M x'' + C x' + K x = f(s). Writing q for the stripper face
less the strip thickness and x = (q, zs), the solution over a block is a polynomial answer to the polynomial
forcing plus four exponentials. Time runs in units of one cell of the slide's motion.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from .base import DEGREE
from .system import GRAVITY, Array, Bodies, IntArray, Side

ComplexArray = NDArray[np.complex128]
Number = TypeVar("Number", np.float64, np.complex128)

MODES = 16
POWERS = DEGREE + 1
CLOSED = np.array([[mode >> side & 1 for side in Side] for mode in range(MODES)], dtype=bool)
"""Which contacts press in each mode, shape (16, 4); bit `side` of the mode number."""

# A mass free of all springs would have a double zero eigenvalue and no eigenbasis. It is lent this much
# stiffness, (rad per cell)^2, about the place where the block starts: its way in the cell changes by a few
# parts in a million. The two differ so that the masses never share an eigenvalue.
_LEAST = np.array([1.0e-6, 1.7e-6])
# Critical damping has no eigenbasis either; this keeps a damping ratio of exactly 1 off it.
_OFF_CRITICAL = 1.0 + 1e-9


@dataclass(frozen=True)
class Modes:
    """Tables, one row a variant and mode: row = 16 variant + mode.

    Parameters
    ----------
    rates : ndarray, shape (m, 4)
        Eigenvalues [1/cell].
    shapes : ndarray, shape (m, 4, 4)
        Eigenvectors of (q, zs, q', zs') in rows.
    into : ndarray, shape (m, 4, 4)
        From a state to the amplitudes of the eigenvectors.
    answer : ndarray, shape (m, 4, 6, 7)
        Polynomial answer (state, power) to the forcing (six powers on the stripper, constant on the strip).
    base_stiffness, base_damping : ndarray, shape (m,)
        What the slide's height and speed put on the stripper [N/m], [N cell/m].
    constant : ndarray, shape (m, 2)
        Constant forces on stripper and strip, gas springs left out [N].
    hair : ndarray, shape (m, 2)
        Stiffness lent to a free body, to be balanced where a block starts [N/m].
    """

    rates: ComplexArray
    shapes: ComplexArray
    into: ComplexArray
    answer: Array
    base_stiffness: Array
    base_damping: Array
    constant: Array
    hair: Array

    def take(self, variant: IntArray, mode: IntArray) -> "Modes":
        """One row for each block."""
        row = variant * MODES + mode
        return Modes(
            self.rates.take(row, axis=0),
            self.shapes.take(row, axis=0),
            self.into.take(row, axis=0),
            self.answer.take(row, axis=0),
            self.base_stiffness.take(row),
            self.base_damping.take(row),
            self.constant.take(row, axis=0),
            self.hair.take(row, axis=0),
        )


def _eigen(mass: Array, damping: Array, stiffness: Array) -> tuple[ComplexArray, ComplexArray]:
    """Eigenvalues and eigenvectors of M x'' + C x' + K x = 0; matrices of shape (..., d, d), M diagonal."""
    d = mass.shape[-1]
    first = np.zeros((*damping.shape[:-2], 2 * d, 2 * d))
    first[..., :d, d:] = np.eye(d)
    first[..., d:, :d] = -stiffness / mass[..., :, None]
    first[..., d:, d:] = -damping / mass[..., :, None]
    rates, shapes = np.linalg.eig(first)
    return rates.astype(complex), shapes.astype(complex)


def _uncoupled(mass: Array, damping: Array, stiffness: Array) -> tuple[ComplexArray, ComplexArray]:
    """The same where the masses do not touch: one body at a time, so that equal eigenvalues do no harm."""
    rates = np.zeros((*mass.shape[:-1], 4), dtype=complex)
    shapes = np.zeros((*mass.shape[:-1], 4, 4), dtype=complex)
    for body in range(2):
        one = slice(body, body + 1)
        rate, shape = _eigen(mass[..., one], damping[..., one, one], stiffness[..., one, one])
        columns = slice(2 * body, 2 * body + 2)
        rates[..., columns] = rate
        shapes[..., body, columns] = shape[..., 0, :]
        shapes[..., body + 2, columns] = shape[..., 1, :]
    return rates, shapes


def _answer(mass: Array, damping: Array, stiffness: Array) -> Array:
    """Polynomial solution for unit forcings, by equating powers from the highest down."""
    solve = np.linalg.inv(stiffness)
    places = np.zeros((*stiffness.shape[:-2], POWERS + 2, 2, POWERS + 1))
    forcing = np.zeros((POWERS, 2, POWERS + 1))
    forcing[np.arange(POWERS), 0, np.arange(POWERS)] = 1.0
    forcing[0, 1, POWERS] = 1.0
    for j in reversed(range(POWERS)):
        slope = (j + 1) * places[..., j + 1, :, :]
        bend = (j + 1) * (j + 2) * places[..., j + 2, :, :]
        places[..., j, :, :] = solve @ (forcing[j] - damping @ slope - mass[..., :, None] * bend)
    powers = np.arange(1.0, POWERS + 1)[:, None, None]
    states = np.concatenate([places[..., :POWERS, :, :], powers * places[..., 1 : POWERS + 1, :, :]], axis=-2)
    return np.ascontiguousarray(np.swapaxes(states, -3, -2))


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

    stiffness = np.zeros((*hanger.shape, 2, 2)) + np.zeros((k.shape[0], 1, 1, 1))
    stiffness[..., 0, 0] = springs + k * (hanger + strip)
    stiffness[..., 1, 1] = lifters + k * (strip + die + stop)
    stiffness[..., 0, 1] = stiffness[..., 1, 0] = -k * strip
    damping = np.zeros_like(stiffness)
    damping[..., 0, 0] = c[:, :1] * (hanger + strip)
    damping[..., 1, 1] = c[:, 1:2] * (strip + die) + c[:, 3:] * stop
    damping[..., 0, 1] = damping[..., 1, 0] = -c[:, 1:2] * strip
    mass = np.broadcast_to(mass[:, None, :], (k.shape[0], MODES, 2))

    apart, together = ~CLOSED[:, Side.STRIPPER], CLOSED[:, Side.STRIPPER]
    rates = np.zeros((k.shape[0], MODES, 4), dtype=complex)
    shapes = np.zeros((k.shape[0], MODES, 4, 4), dtype=complex)
    rates[:, apart], shapes[:, apart] = _uncoupled(mass[:, apart], damping[:, apart], stiffness[:, apart])
    rates[:, together], shapes[:, together] = _eigen(mass[:, together], damping[:, together], stiffness[:, together])

    constant = np.zeros((k.shape[0], MODES, 2))
    constant[..., 0] = (-b.stripper_mass * GRAVITY - b.coil_force)[:, None]
    constant[..., 1] = (-b.strip_mass * GRAVITY + b.lifter_force)[:, None]
    constant[..., 1] += (b.lifter_rate[:, None] + k * stop) * b.lift[:, None]
    hair = np.stack([springs - spring_rate[:, None], lifters - b.lifter_rate[:, None]], axis=-1)
    return Modes(
        rates=_rows(rates),
        shapes=_rows(np.swapaxes(shapes, -1, -2)),
        into=_rows(np.linalg.inv(shapes).astype(complex)),
        answer=_rows(_answer(mass, damping, stiffness)),
        base_stiffness=_rows(spring_rate[:, None] + k * hanger),
        base_damping=_rows(c[:, :1] * hanger),
        constant=_rows(constant),
        hair=_rows(hair),
    )


def _rows(table: NDArray[Number]) -> NDArray[Number]:
    return np.ascontiguousarray(table.reshape(-1, *table.shape[2:]))
