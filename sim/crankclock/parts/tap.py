"""The tap on its press-driven spindle: where the first thread is, for every head placement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from crankclock.parts.numbers import Floats
from crankclock.parts.strip import Strip


@dataclass(frozen=True)
class Tap:
    """A tap, its hole and where its head is carried.

    Parameters
    ----------
    name : str
        Its name in the scenario.
    diameter, pitch : float or array, shape (n,)
        Nominal diameter and pitch [m]; single start, so the lead is the pitch.
    chamfer : float or array, shape (n,)
        Length [m] of the chamfer (lead).
    height : float or array, shape (n,)
        Threaded height [m].
    extra : float or array, shape (n,)
        Depth [m] beyond threaded height and chamfer that the default engagement height gives.
    clearance : float or array, shape (n,)
        Rest clearance [m] of the first thread to the face the contract names for the placement.
    point : float or array, shape (n,)
        Unthreaded tip [m] ahead of the first thread.
    mount : {"die", "stripper", "lifter"}
    side : {"above", "below"}
        The side of the strip the tap enters from.
    flange_toward : bool
        True where an extruded hole's flange points toward the tap, so that it meets the hole sooner.
    """

    name: str
    diameter: Floats
    pitch: Floats
    chamfer: Floats
    height: Floats
    extra: Floats
    clearance: Floats
    point: Floats
    mount: Literal["die", "stripper", "lifter"]
    side: Literal["above", "below"]
    flange_toward: bool

    @property
    def wanted_depth(self) -> Floats:
        """Depth [m] at which every thread of the hole is fully cut: threaded height and chamfer."""
        return self.height + self.chamfer

    @property
    def flange_up(self) -> bool:
        """True where an extruded hole's flange stands above the strip, False where it hangs below."""
        return self.flange_toward == (self.side == "above")

    def rest_gap(self, strip: Strip, slide: Floats, underside: Floats, face: Floats) -> Floats:
        """Gap [m] between first thread and the face it enters, with the spindle at home.

        Parameters
        ----------
        slide, underside, face : float or array
            Heights [m] of the slide, the strip's underside and the stripper's face.
        """
        if self.mount == "die":
            gap = (strip.lift - underside if self.side == "above" else underside) + self.clearance
        elif self.mount == "stripper":
            gap = face - (underside + strip.thickness) + self.clearance
        else:
            gap = self.clearance + 0.0 * slide
        return gap - (self.height - strip.thickness) if self.flange_toward else gap


@dataclass(frozen=True)
class PressSpindle:
    """A spindle turned by the slide's travel.

    Parameters
    ----------
    gearing : float or array, shape (n,)
        Turns per length of travel [1/m].
    engage_height : float or array, shape (n,)
        Drive travel coordinate q [m] at which it starts to turn on the way down.
    backlash : float or array, shape (n,)
        Backlash at the spindle [turns].
    reference : {"head", "die"}
        "head": turned by the travel between slide and what carries the head; "die": by the slide over the die.
    """

    gearing: Floats
    engage_height: Floats
    backlash: Floats
    reference: Literal["head", "die"]

    @property
    def lost_travel(self) -> Floats:
        """Drive travel [m] that passes after reversal before the spindle follows."""
        return self.backlash / self.gearing

    @property
    def home_height(self) -> Floats:
        """Drive travel coordinate [m] at which the spindle is home on the way up."""
        return self.engage_height + self.lost_travel

    def travel(self, tap: Tap, strip: Strip, slide: Floats, underside: Floats, face: Floats) -> Floats:
        """Drive travel coordinate q [m]: what turns the spindle, for heights [m] of slide, strip and stripper."""
        if self.reference == "die" or tap.mount == "die":
            return slide
        if tap.mount == "stripper":
            return slide - (face - strip.thickness)
        return slide - underside

    def slide_height(self, tap: Tap, strip: Strip, travel: Floats) -> Floats:
        """Slide height [m] at which the rigid drive travel coordinate is `travel` [m] (the inverse of `travel`).

        Plus infinity where it never gets there: a stripper-mounted head's q stops at the stripper travel.
        """
        if self.reference == "die" or tap.mount == "die":
            return travel
        if tap.mount == "stripper":
            return np.where(np.asarray(travel) <= strip.travel, travel, np.inf)
        return np.where(np.asarray(travel) <= strip.travel, travel, travel + strip.lift)

    def turns(self, travel: Floats) -> Floats:
        """Turns from home on the way down at a drive travel coordinate [m]."""
        return self.gearing * np.maximum(self.engage_height - travel, 0.0)

    def turns_back(self, travel: Floats, lowest: Floats) -> Floats:
        """Turns from home on the way up, `lowest` [m] being the coordinate at which the drive reversed."""
        return self.turns(np.maximum(travel - self.lost_travel, lowest))
