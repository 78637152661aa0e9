"""Pilots and punches: tools that go straight in and out of the strip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.parts.numbers import TIE, Floats
from crankclock.parts.strip import Strip


@dataclass(frozen=True)
class Tool:
    """A pilot or a punch.

    Parameters
    ----------
    name : str
        Its name in the scenario.
    mount : {"slide", "stripper"}
        What carries it.
    reach : float or array, shape (n,)
        Tip below the die face at nominal BDC (slide), or beyond the stripper face (stripper) [m].
    nose : float or array, shape (n,)
        Length [m] of the tapered nose above the tip; the full diameter starts there. 0 for a punch.
    """

    name: str
    mount: Literal["slide", "stripper"]
    reach: Floats
    nose: Floats = 0.0

    def tip(self, slide: Floats, stripper_face: Floats) -> Floats:
        """Height [m] of the tip above the die face."""
        return (slide if self.mount == "slide" else stripper_face) - self.reach

    def passing_height(self, strip: Strip, above_tip: Floats = 0.0) -> Floats:
        """Slide height [m] at which the point `above_tip` [m] over the tip passes the top of the strip.

        A stripper-borne point that does not stand out of the stripper never does: minus infinity.
        A slide-borne point that would pass while the strip itself is on its way between lifter height and die
        face at the same speed ties with the raised strip, the earlier entry.
        """
        reach = self.reach - above_tip
        if self.mount == "stripper":
            return np.where(reach < -TIE, -np.inf, strip.touch_height + np.maximum(reach, 0.0))
        clamped = reach + strip.thickness
        return np.where(clamped >= strip.clamp_height - TIE, clamped + strip.lift, clamped)
