"""Blocks of exact motion: their coefficients and evaluation.

A block is one variant's motion from a start within a cell, under one set of closed contacts. Its state at a
time s (in cells) after the start is ``coefficients @ basis(s)``, the basis being the four functions of the free
motion and six powers.
"""

from dataclasses import dataclass
from math import comb

import numpy as np

from .base import Base, SlideMotion, fit
from .modes import FREE, POWERS, SIDES, STATE, Local, Modes, build
from .system import Array, Bodies, IntArray, Side, System, gas_law

_BINOMIAL = np.array([[comb(k, j) for k in range(POWERS)] for j in range(POWERS)], dtype=float)
_LIFT_POWER = np.maximum(np.arange(POWERS)[None, :] - np.arange(POWERS)[:, None], 0)
_FACTORS = np.arange(1.0, POWERS)
NODES = np.array([0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0])
TO_CUBIC = np.linalg.inv(NODES[:, None] ** np.arange(4))
_SOFT = slice(STATE, STATE + NODES.size)
_HANGER = slice(STATE + Side.HANGER, None, SIDES)
_LIFTER = slice(STATE + Side.LIFTER, None, SIDES)


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


def powers(s: Array, count: int = POWERS) -> Array:
    """1, s, s^2, ... on a new last axis."""
    out = np.empty((*s.shape, count))
    out[..., 0] = 1.0
    for j in range(1, count):
        np.multiply(out[..., j - 1], s, out=out[..., j])
    return out


def basis(rates: Array, s: Array) -> Array:
    """Free motion and powers at times s (m, k) of m blocks with rates (m, 12); shape (m, 10, k).

    Laid out with the functions first, so that every loop of numpy's is a long one.
    """
    out = np.empty((FREE + POWERS, *s.shape))
    free, rate = out[:FREE], rates.T[:, :, None]
    turned = rate[FREE : 2 * FREE] * s
    turned += rate[2 * FREE :]
    np.multiply(rate[:FREE], s, out=free)
    np.exp(free, out=free)
    free *= np.sin(turned, out=turned)
    out[FREE] = 1.0
    out[FREE + 1] = s
    for j in range(FREE + 2, FREE + POWERS):
        np.multiply(out[j - 1], s, out=out[j])
    return out.transpose(1, 0, 2)


def base_polynomial(tables: Tables, variant: IntArray, cell: IntArray, start: Array) -> Array:
    """y - X in powers of the time since the block's start, shape (m, 6); cells go on past the turn."""
    shift = powers(start).take(_LIFT_POWER, axis=1) * _BINOMIAL
    local = (shift @ tables.base.coefficients[variant, cell % tables.base.cells][:, :, None])[:, :, 0]
    local[:, 0] -= tables.bodies.travel[variant]
    return np.asarray(local)


@dataclass(frozen=True)
class Blocks:
    """m blocks ready to be evaluated.

    Parameters
    ----------
    rates : ndarray, shape (m, 12)
        Of the free motion, as in `Modes`.
    coefficients : ndarray, shape (m, 4, 10)
        State against `basis`.
    """

    rates: Array
    coefficients: Array

    def states(self, s: Array) -> Array:
        """(q, zs, q', zs') at times s (m, k) [cells] after the start, shape (m, 4, k)."""
        return np.asarray(self.coefficients @ basis(self.rates, s))


def launch(tables: Tables, local: Local, variant: IntArray, state: Array, base: Array, reach: Array) -> Blocks:
    """The motion of blocks from states (m, 4), the modes' tables being one row a block.

    Gas springs are linear plus a cubic in time that is fitted to their force along the motion first found with
    what they push at the start.

    Parameters
    ----------
    base : ndarray, shape (m, 6)
        `base_polynomial`.
    reach : ndarray, shape (m,)
        How far the blocks may go [cells].
    """
    drive = local.drive
    given = np.empty((variant.size, STATE + POWERS + 1))
    given[:, :STATE] = state
    forcing = given[:, STATE:]
    np.multiply(base, drive[:, :1], out=forcing[:, :POWERS])
    forcing[:, : POWERS - 1] += base[:, 1:] * (drive[:, 1:2] * _FACTORS)
    constant = drive[:, 2:4] + drive[:, 4:6] * state[:, :2]
    forcing[:, 0] += constant[:, 0]
    forcing[:, POWERS] = constant[:, 1]
    if not tables.has_gas:
        return Blocks(local.rates, _solved(local.solution, given))
    laws = _gas_laws(tables, variant)
    first = _beyond(laws, (state[:, 0] - base[:, 0])[:, None])
    forcing[:, 0] -= first[:, 0]
    coefficients = _solved(local.solution, given)
    s = reach[:, None] * NODES
    relative = coefficients[:, :1].copy()
    relative[:, 0, FREE:] -= base
    change = first - _beyond(laws, (relative @ basis(local.rates, s))[:, 0])
    correction = change @ TO_CUBIC.T / powers(reach, NODES.size)
    coefficients += _solved(local.solution[:, _SOFT], correction)
    return Blocks(local.rates, coefficients)


def _solved(solution: Array, given: Array) -> Array:
    return np.asarray(given[:, None] @ solution).reshape(-1, STATE, FREE + POWERS)


Laws = tuple[Array, Array, Array, Array]


def _gas_laws(tables: Tables, variant: IntArray) -> Laws:
    """Linear part of the gas springs (m, 1), and force, loss and exponent of each group (groups, m, 1)."""
    b = tables.bodies
    force, loss, exponent = (each[:, variant, None] for each in (b.gas_force, b.gas_loss, b.gas_exponent))
    return tables.gas_rate[variant, None], force, loss, exponent


def _beyond(laws: Laws, compression: Array) -> Array:
    """Gas force beyond its linear part at compressions (m, k) [N]."""
    linear, force, loss, exponent = laws
    return np.asarray(gas_law(force, loss, exponent, compression)[0].sum(axis=0) - linear * compression)


def with_guards(blocks: Blocks, local: Local, base: Array) -> Array:
    """Coefficients that give the states and both values of each contact, shape (m, 12, 10)."""
    out = np.empty((base.shape[0], STATE + 2 * SIDES, FREE + POWERS))
    out[:, :STATE] = blocks.coefficients
    np.matmul(local.guards, blocks.coefficients, out=out[:, STATE:])
    hanger = out[:, _HANGER, FREE:]
    hanger += local.hanger[:, :, :1] * base[:, None]
    hanger[:, :, :-1] += local.hanger[:, :, 1:] * (base[:, 1:] * _FACTORS)[:, None]
    out[:, _LIFTER, FREE] += local.lifter[:, None]
    return out


def wrong_side(values: Array) -> Array:
    """How far each contact is past its change, shape (m, 4, k) [m]: above 0 it must open or close."""
    return np.minimum(values[:, STATE : STATE + SIDES], values[:, STATE + SIDES :])
