"""The strip and the stripper that presses it on the die face, as rigid bodies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crankclock.parts.numbers import Floats


@dataclass(frozen=True)
class Strip:
    """Strip and stripper, following the slide without inertia.

    Parameters
    ----------
    thickness : float or array, shape (n,)
        Stock thickness [m].
    lift : float or array, shape (n,)
        Height [m] at which the lifters carry the strip for feeding; 0 for none.
    travel : float or array, shape (n,)
        Stripper travel: its compression at nominal BDC [m].
    """

    thickness: Floats
    lift: Floats
    travel: Floats

    @property
    def touch_height(self) -> Floats:
        """Slide height [m] at which the stripper meets the raised strip."""
        return self.travel + self.lift

    @property
    def clamp_height(self) -> Floats:
        """Slide height [m] at which the strip lies clamped on the die face."""
        return self.travel

    def underside(self, slide: Floats) -> Floats:
        """Height [m] of the strip's underside above the die face at a slide height [m]."""
        return np.minimum(np.maximum(slide - self.travel, 0.0), self.lift)

    def stripper_face(self, slide: Floats) -> Floats:
        """Height [m] of the stripper's face above the die face at a slide height [m]."""
        return np.maximum(slide - self.travel, 0.0) + self.thickness
