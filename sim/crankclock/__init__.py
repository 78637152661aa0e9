"""crankclock: press-cycle timing of tapping inside a progressive die."""

__version__ = "0.1.0"
