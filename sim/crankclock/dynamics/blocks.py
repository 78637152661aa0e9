"""Blocks of exact motion: their coefficients and evaluation.

A block is one variant's motion from a start within a cell, under one set of closed contacts. Its state at a
time s (in cells) after the start is ``basis(s) @ coefficients``, the basis being the four exponentials (real
and imaginary parts) and six powers.
"""

from dataclasses import dataclass
from math import comb

import numpy as np

from .base import Base, SlideMotion, fit
from .modes import CLOSED, POWERS, ComplexArray, Modes, build
from .system import Array, Bodies, IntArray, Side, System

_BINOMIAL = np.array([[comb(k, j) for k in range(POWERS)] for j in range(POWERS)], dtype=float)
_LIFT_POWER = np.maximum(np.arange(POWERS)[None, :] - np.arange(POWERS)[:, None], 0)
_FACTORS = np.arange(1.0, POWERS)
_EXPONENTS = np.arange(POWERS)

_DEPTHS = np.array([[-1.0, -1.0, 0.0, 0.0], [0.0, 1.0, -1.0, 1.0]])  # (q, zs) to the depths in order of `Side`
_GUARDS = np.block([np.eye(4), np.kron(np.eye(2), _DEPTHS)])


@dataclass(frozen=True)
class Tables:
    """All that a block's coefficients are made from; `gas_rate` [N/m], shape (n,), is the linear part of gas."""

    bodies: Bodies
    base: Base
    modes: Modes
    gas_rate: Array

    @property
    def has_gas(self) -> bool:
        """Whether any spring is not linear."""
        return len(self.bodies.gas_force) > 0


def prepare(system: System, slide: SlideMotion, period: Array, cells: int) -> Tables:
    """Tables of a system driven by a slide through turns of the times (n,) [s], each cut into `cells`."""
    bodies = Bodies.of(system, period.size)
    base = fit(slide, period, cells)
    ends = np.array([np.zeros_like(bodies.travel), np.maximum(bodies.travel, 1e-6)])
    gas_rate = np.asarray(np.diff(bodies.gas(ends)[0], axis=0)[0] / ends[1])
    return Tables(bodies, base, build(bodies, bodies.coil_rate + gas_rate, base.cell_time), gas_rate)


def powers(s: Array) -> Array:
    """1, s, s^2, ... s^5 on a new last axis."""
    return np.asarray(s[..., None] ** _EXPONENTS)


def basis(rates: ComplexArray, s: Array) -> Array:
    """Exponentials and powers at times s (m, k) of m blocks with rates (m, 4); shape (m, k, 14)."""
    out = np.empty((*s.shape, 8 + POWERS))
    waves = np.exp(rates[:, None, :] * s[:, :, None])
    out[..., :8] = waves.view(float)
    out[..., 8] = 1.0
    for j in range(1, POWERS):
        np.multiply(out[..., 7 + j], s, out=out[..., 8 + j])
    return out


def base_polynomial(tables: Tables, variant: IntArray, cell: IntArray, start: Array) -> Array:
    """y - X in powers of the time since the block's start, shape (m, 6); cells go on past the turn."""
    shift = powers(start).take(_LIFT_POWER, axis=1) * _BINOMIAL
    local = (shift @ tables.base.coefficients[variant, cell % tables.base.cells][:, :, None])[:, :, 0]
    local[:, 0] -= tables.bodies.travel[variant]
    return np.asarray(local)


def forcing(local: Modes, base: Array, softening: Array, state: Array) -> Array:
    """Force on the stripper in six powers, then the constant on the strip, shape (m, 7).

    `softening`, shape (m, 6), is what the springs push beyond the linear law, in powers of time; `state` the
    start of the block.
    """
    force = np.empty((base.shape[0], POWERS + 1))
    constant = local.constant + local.hair * state[:, :2]
    force[:, :POWERS] = local.base_stiffness[:, None] * base - softening
    force[:, : POWERS - 1] += (local.base_damping[:, None] * _FACTORS) * base[:, 1:]
    force[:, 0] += constant[:, 0]
    force[:, POWERS] = constant[:, 1]
    return force


@dataclass(frozen=True)
class Blocks:
    """m blocks ready to be evaluated.

    Parameters
    ----------
    rates : ndarray, shape (m, 4)
        Eigenvalues [1/cell].
    waves : ndarray, shape (m, 4, 4)
        Eigenvectors times amplitudes: eigenvalue (row) and state (column).
    coefficients : ndarray, shape (m, 14, 4)
        State against `basis`.
    """

    rates: ComplexArray
    waves: ComplexArray
    coefficients: Array

    def take(self, rows: IntArray | slice) -> "Blocks":
        """Some of the blocks."""
        return Blocks(self.rates[rows], self.waves[rows], self.coefficients[rows])

    def states(self, s: Array) -> Array:
        """(q, zs, q', zs') at times s (m, k) [cells] after the start, shape (m, k, 4)."""
        return np.asarray(basis(self.rates, s) @ self.coefficients)


def solve(local: Modes, state: Array, force: Array) -> Blocks:
    """The exact motion from states (m, 4) under forcings (m, 7), the modes' tables being one row a block."""
    answer = (local.answer @ force[:, None, :, None])[..., 0]
    amplitudes = local.into @ (state - answer[:, :, 0])[:, :, None]
    by_rate = local.shapes * amplitudes
    coefficients = np.empty((state.shape[0], 8 + POWERS, 4))
    coefficients[:, 0:8:2] = by_rate.real
    np.negative(by_rate.imag, out=coefficients[:, 1:8:2])
    coefficients[:, 8:] = answer.transpose(0, 2, 1)
    return Blocks(local.rates, by_rate, coefficients)


def with_guards(blocks: Blocks, base: Array, lift: Array) -> Array:
    """Coefficients that give the states and every contact's depth and its rate, shape (m, 14, 12)."""
    out = np.asarray(blocks.coefficients @ _GUARDS)
    out[:, 8:, 4 + Side.HANGER] += base
    out[:, 8:-1, 8 + Side.HANGER] += base[:, 1:] * _FACTORS
    out[:, 8, 4 + Side.LIFTER] -= lift
    return out


def wrong_side(values: Array, lag: Array, mode: IntArray) -> Array:
    """How far each contact is past its change, shape (m, k, 4) [m]: above 0 it must open or close.

    An open contact closes when its depth d and force d + (c/k) d' are both above 0; a closed one opens when
    the force is gone, which is before d is.
    """
    depth = values[..., 4:8]
    force = depth + lag[:, None, :] * values[..., 8:12]
    return np.where(CLOSED[mode][:, None, :], -force, np.minimum(depth, force))
