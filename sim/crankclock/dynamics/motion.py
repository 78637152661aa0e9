"""What the bodies do at given times: places, speeds and the forces that follow from them."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .base import Base
from .system import Array, Bodies, Side


@dataclass(frozen=True)
class Motion:
    """Bodies and slide at some times; every field of one shape ending in n. SI units.

    Parameters
    ----------
    time : ndarray
        Since top dead centre [s].
    face, face_speed : ndarray
        Stripper face [m], [m/s].
    strip, strip_speed : ndarray
        Strip underside [m], [m/s].
    bodies, base : Bodies, Base
        Whose motion it is, and the slide.
    """

    time: Array
    face: Array
    face_speed: Array
    strip: Array
    strip_speed: Array
    bodies: Bodies
    base: Base

    @cached_property
    def _slide(self) -> tuple[Array, Array]:
        return self.base.at(self.time)

    @property
    def slide(self) -> Array:
        """Slide height above BDC [m]."""
        return self._slide[0]

    @property
    def slide_speed(self) -> Array:
        """[m/s]."""
        return self._slide[1]

    @property
    def compression(self) -> Array:
        """Compression u of the stripper's springs past the hanging position [m]."""
        return np.asarray(self.face - self.slide - self.bodies.thickness + self.bodies.travel)

    @property
    def piston_speed(self) -> Array:
        """du/dt [m/s]."""
        return np.asarray(self.face_speed - self.slide_speed)

    @property
    def spring_force(self) -> Array:
        """Sum of the stripper's springs [N]."""
        return self.bodies.springs(self.compression)[0]

    def contact_force(self, side: Side) -> Array:
        """Force in a contact, 0 or more [N]."""
        depth, rate = self._depth(side)
        push = self.bodies.stiffness * depth + self.bodies.damping[side] * rate
        return np.where(depth <= 0.0, 0.0, np.maximum(push, 0.0))

    def closing_speed(self, side: Side) -> Array:
        """How fast the sides of a contact press into each other [m/s]."""
        return self._depth(side)[1]

    def _depth(self, side: Side) -> tuple[Array, Array]:
        if side is Side.HANGER:
            return -self.compression, -self.piston_speed
        if side is Side.STRIPPER:
            return self.strip + self.bodies.thickness - self.face, self.strip_speed - self.face_speed
        if side is Side.DIE:
            return -self.strip, -self.strip_speed
        return self.strip - self.bodies.lift, self.strip_speed
