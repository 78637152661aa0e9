"""The bodies, springs and contacts of the running reading, and their force laws."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

GRAVITY = 9.80665
NEAR_TOP = 0.05e-3
"""Within this of the strip lift [m] the strip counts as raised."""
# Past this share of the compression at which the gas volume vanishes the force goes on along its tangent:
# the law has no meaning there, and the run must still end so that the spring-travel rule can say so.
SOLID_SHARE = 0.95


class Side(IntEnum):
    """The four one-sided contacts."""

    HANGER = 0
    STRIPPER = 1
    DIE = 2
    LIFTER = 3


@dataclass(frozen=True)
class Coil:
    """Coil springs on the stripper, summed over the group: F0 + k u.

    Parameters
    ----------
    force : array_like, shape (n,)
        Preload with the stripper on its hanger [N].
    rate : array_like, shape (n,)
        Rate of the whole group [N/m].
    """

    force: ArrayLike
    rate: ArrayLike


@dataclass(frozen=True)
class Gas:
    """Gas springs on the stripper, summed over the group: F0 (1 - q u)^-n.

    Parameters
    ----------
    force : array_like, shape (n,)
        Force with the stripper on its hanger [N].
    loss : array_like, shape (n,)
        q, the share of the gas volume lost per length of compression [1/m]; from a maker's isothermal end
        force ``q = (1 - force / end_force) / travel``.
    exponent : array_like, shape (n,)
        Polytropic exponent n: 1 isothermal, about 1.4 at speed.
    """

    force: ArrayLike
    loss: ArrayLike
    exponent: ArrayLike = 1.0


@dataclass(frozen=True)
class System:
    """Stripper and strip as two masses between slide, die face and lifters.

    Every number may be one value or an array over variants, shape (n,).

    Parameters
    ----------
    stripper_mass, strip_mass : array_like
        Masses [kg].
    springs : sequence of Coil or Gas
        What pushes the stripper down; each group takes the same compression. Below the hanger stop (u < 0,
        the give of the plates) their laws are continued.
    lifter_force, lifter_rate : array_like
        Lifters' force on the raised strip [N] and its growth as the strip goes down [N/m].
    stiffness, damping : array_like
        Of every contact: k [N/m] and the ratio zeta, c = 2 zeta sqrt(k m) with m the stripper's mass for
        hanger, strip and die face, the strip's for the lifter stop.
    thickness, lift, travel : array_like
        Strip thickness, strip lift (0 is legal) and stripper travel [m].
    """

    stripper_mass: ArrayLike
    strip_mass: ArrayLike
    springs: Sequence[Coil | Gas]
    lifter_force: ArrayLike
    lifter_rate: ArrayLike
    stiffness: ArrayLike
    damping: ArrayLike
    thickness: ArrayLike
    lift: ArrayLike
    travel: ArrayLike


def gas_law(force: Array, loss: Array, exponent: Array, compression: Array) -> tuple[Array, Array]:
    """Force of one group of gas springs [N] and its slope [N/m]; arguments broadcast."""
    share = loss * compression
    inside = np.minimum(share, SOLID_SHARE)
    push = force * (1.0 - inside) ** -exponent
    rise = push * exponent / (1.0 - inside)
    return push + rise * (share - inside), rise * loss


@dataclass(frozen=True)
class Bodies:
    """A `System` laid out over n variants: every field ends in the axis n. Built by `Bodies.of`."""

    stripper_mass: Array
    strip_mass: Array
    coil_force: Array
    coil_rate: Array
    gas_force: Array
    gas_loss: Array
    gas_exponent: Array
    lifter_force: Array
    lifter_rate: Array
    stiffness: Array
    damping: Array
    lag: Array
    thickness: Array
    lift: Array
    travel: Array

    @classmethod
    def of(cls, system: System, n: int) -> "Bodies":
        """Lay a system out; `damping` becomes c, shape (4, n) [N s/m], and `lag` c/k [s].

        Raises
        ------
        ValueError
            Where a mass or the contact stiffness is not positive, or another number is negative or not finite.
        """

        def wide(name: str, value: ArrayLike, positive: bool = False) -> Array:
            array = np.broadcast_to(np.asarray(value, dtype=float), (n,))
            if not np.all(np.isfinite(array) & (array > 0.0 if positive else array >= 0.0)):
                raise ValueError(f"{name} must be {'positive' if positive else 'zero or more'} and finite")
            return array

        def stacked(name: str, values: list[ArrayLike]) -> Array:
            return np.array([wide(name, value) for value in values]).reshape(len(values), n)

        coils = [s for s in system.springs if isinstance(s, Coil)]
        gases = [s for s in system.springs if isinstance(s, Gas)]
        stripper = wide("stripper mass", system.stripper_mass, positive=True)
        strip = wide("strip mass", system.strip_mass, positive=True)
        k = wide("contact stiffness", system.stiffness, positive=True)
        zeta = wide("contact damping", system.damping)
        c = 2.0 * zeta * np.sqrt(k * np.array([stripper, stripper, stripper, strip]))
        return cls(
            stripper_mass=stripper,
            strip_mass=strip,
            coil_force=stacked("coil force", [s.force for s in coils]).sum(axis=0),
            coil_rate=stacked("coil rate", [s.rate for s in coils]).sum(axis=0),
            gas_force=stacked("gas force", [s.force for s in gases]),
            gas_loss=stacked("gas loss", [s.loss for s in gases]),
            gas_exponent=stacked("gas exponent", [s.exponent for s in gases]),
            lifter_force=wide("lifter force", system.lifter_force),
            lifter_rate=wide("lifter rate", system.lifter_rate),
            stiffness=k,
            damping=c,
            lag=c / k,
            thickness=wide("thickness", system.thickness),
            lift=wide("lift", system.lift),
            travel=wide("travel", system.travel),
        )

    def gas(self, compression: Array) -> tuple[Array, Array]:
        """Gas force [N] and its slope [N/m] at compressions of shape (..., n) [m]."""
        force, slope = np.zeros_like(compression), np.zeros_like(compression)
        for f0, q, exponent in zip(self.gas_force, self.gas_loss, self.gas_exponent, strict=True):
            push, rise = gas_law(f0, q, exponent, compression)
            force += push
            slope += rise
        return force, slope

    def springs(self, compression: Array) -> tuple[Array, Array]:
        """Force of all springs [N] and its slope [N/m] at compressions of shape (..., n) [m]."""
        force, slope = self.gas(compression)
        return force + self.coil_force + self.coil_rate * compression, slope + self.coil_rate


def rest(bodies: Bodies, base: Array) -> tuple[Array, Array]:
    """Static equilibrium with the slide still.

    Parameters
    ----------
    bodies : Bodies
    base : ndarray, shape (n,)
        Height of the hanging stripper's upper strip limit, y - X [m]: slide above BDC less stripper travel.

    Returns
    -------
    q, zs : ndarray, shape (n,)
        Stripper face less strip thickness, and strip underside [m].

    Raises
    ------
    RuntimeError
        Where none is found.

    Notes
    -----
    The potential energy is convex and piecewise quadratic (gas aside), so Newton's method over the closed
    contacts ends after a few changes of the closed set. Should it cycle, each further step stops where the
    slope of the energy along it is least.
    """
    place = np.stack([base, np.minimum(bodies.lift, base)])
    for attempt in range(200):
        force, stiffness = _balance(bodies, base, place)
        step = _solve(stiffness, force)
        if np.all(np.abs(step) <= 1e-12):
            return place[0], place[1]
        if attempt >= _PLAIN:
            trials = place[:, None] + _SHARES[:, None] * step[:, None]
            slope = np.sum(_balance(bodies, base, trials)[0] * step[:, None], axis=0)
            step = step * _SHARES[np.argmin(np.abs(slope), axis=0)]
        place = place + step
    raise RuntimeError("no static equilibrium found at top dead centre")


_PLAIN = 8
_HAIR = 0.1  # N/m to a kilogram
_SHARES = 0.5 ** np.arange(24.0)


def _balance(bodies: Bodies, base: Array, place: Array) -> tuple[Array, tuple[Array, Array, Array]]:
    """Upward forces on stripper and strip at rest at (q, zs), shape (2, ..., n), and the stiffness matrix."""
    b, k = bodies, bodies.stiffness
    q, zs = place
    gaps = np.array([base - q, zs - q, -zs, zs - b.lift])
    hang, press, die, stop = k * np.maximum(gaps, 0.0)
    closed = k * (gaps > 0.0)
    spring, rate = b.springs(q - base)
    lifters = b.lifter_force + b.lifter_rate * (b.lift - zs)
    force = np.array(
        [
            hang + press - spring - b.stripper_mass * GRAVITY,
            die - press - stop + lifters - b.strip_mass * GRAVITY,
        ]
    )
    # A body in the air without a spring has no stiffness of its own: a hair of it keeps the matrix regular.
    stripper = rate + closed[0] + closed[1] + _HAIR * b.stripper_mass
    strip = b.lifter_rate + closed[1] + closed[2] + closed[3] + _HAIR * b.strip_mass
    return force, (stripper, closed[1], strip)


def _solve(stiffness: tuple[Array, Array, Array], force: Array) -> Array:
    k11, k12, k22 = stiffness
    det = k11 * k22 - k12 * k12
    return np.array([k22 * force[0] + k12 * force[1], k12 * force[0] + k11 * force[1]]) / det
