"""One turn of the crank, by every reading of it."""

from crankclock.cycle.tap_pass import Span, TapPass
from crankclock.cycle.turn import Cycle, Motion, PilotPass, Reading, Readings, turn

__all__ = ["Cycle", "Motion", "PilotPass", "Reading", "Readings", "Span", "TapPass", "turn"]
