"""One turn of the crank, by every reading of it."""

from crankclock.cycle.course import Places, RunningCourse
from crankclock.cycle.motion import Motion
from crankclock.cycle.passes import PilotPass, Span, TapPass
from crankclock.cycle.running import running_needs
from crankclock.cycle.tap_pass import travel_ends
from crankclock.cycle.turn import READINGS, Cycle, Reading, Readings, running_cycle, turn

__all__ = [
    "READINGS",
    "Cycle",
    "Motion",
    "PilotPass",
    "Places",
    "Reading",
    "Readings",
    "RunningCourse",
    "Span",
    "TapPass",
    "running_cycle",
    "running_needs",
    "travel_ends",
    "turn",
]
