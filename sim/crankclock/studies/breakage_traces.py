"""What each harm leaves behind, as probabilities; and how well a measurement tells.

None of these numbers has a published source: they are common practice put into figures, meant to rank causes, and the
report says so wherever they count.
"""

from __future__ import annotations

from collections.abc import Mapping

THREAD: Mapping[str, Mapping[str, float]] = {
    "pulled": {"oval": 0.75, "torn": 0.15, "short": 0.02, "clean": 0.08},
    "risen": {"oval": 0.08, "torn": 0.70, "short": 0.10, "clean": 0.12},
    "astray": {"oval": 0.20, "torn": 0.15, "short": 0.05, "clean": 0.60},
    "overloaded": {"oval": 0.05, "torn": 0.35, "short": 0.15, "clean": 0.45},
    "bottomed": {"oval": 0.05, "torn": 0.30, "short": 0.30, "clean": 0.35},
    "shallow": {"oval": 0.03, "torn": 0.07, "short": 0.85, "clean": 0.05},
    "dragged": {"oval": 0.20, "torn": 0.15, "short": 0.10, "clean": 0.55},
}
"""The last threaded hole, by harm."""

BENT: Mapping[str, float] = {
    "pulled": 0.90, "risen": 0.60, "astray": 0.75, "overloaded": 0.08, "bottomed": 0.10, "shallow": 0.30,
    "dragged": 0.60,
}  # fmt: skip
"""A flat, leaning fracture rather than a twisted one."""

SEEN: Mapping[str, Mapping[str, float]] = {
    "strip_lifted": {"pulled": 0.10, "risen": 0.75, "astray": 0.10, "overloaded": 0.10, "bottomed": 0.20,
                     "shallow": 0.05, "dragged": 0.15},
    "pilot_holes_drawn": {"pulled": 0.50, "risen": 0.08, "astray": 0.75, "overloaded": 0.05, "bottomed": 0.05,
                          "shallow": 0.05, "dragged": 0.35},
    "mark_beside_hole": {"pulled": 0.10, "risen": 0.10, "astray": 0.60, "overloaded": 0.03, "bottomed": 0.03,
                         "shallow": 0.03, "dragged": 0.40},
    "chips_packed": {"pulled": 0.10, "risen": 0.15, "astray": 0.10, "overloaded": 0.50, "bottomed": 0.30,
                     "shallow": 0.10, "dragged": 0.10},
}  # fmt: skip
"""What is seen at strip and tap, by harm."""

BY_CAUSE: Mapping[str, tuple[float, Mapping[str, float]]] = {
    "dry": (0.10, {"hole-dry": 0.90}),
    "burr": (0.15, {"hole-small": 0.50}),
    "slug": (0.07, {"stock-thick": 0.30, "lift-raised": 0.30, "bdc-high": 0.20}),
    "feed_short": (0.08, {"feed-long": 0.80, "strip-slips": 0.85, "feeder-slow": 0.40, "valve-slow": 0.30,
                          "feed-late": 0.30, "feed-settles-late": 0.40}),
    "backlash_felt": (0.12, {"backlash-grown": 0.85}),
    "past_life": (0.20, {"tap-dull": 0.80}),
}  # fmt: skip
"""What is seen, by cause: the probability for any other cause, then those of the causes it points to."""

CHANGED = (0.60, 0.15)
"""Probability that what a cause is about was changed lately, where it is the cause and where it is not."""

INCIDENTAL = 0.05
"""Probability that a measured value is off for no reason that matters."""

ERRORS: Mapping[str, tuple[float, float]] = {
    "rate": (0.0, 0.01),
    "thickness": (2e-5, 0.0),
    "lift": (1e-4, 0.0),
    "hole": (2e-5, 0.0),
    "stripper_travel": (3e-4, 0.0),
    "spring_force": (0.0, 0.04),
    "lifter_force": (0.0, 0.05),
    "feed_start": (0.035, 0.0),
    "feed_latency": (3e-3, 0.0),
    "feed_speed": (0.0, 0.04),
    "feed_length": (1e-4, 0.0),
    "release_latency": (3e-3, 0.0),
    "pilot_penetration": (2e-4, 0.0),
    "bdc_shift": (5e-5, 0.0),
    "rest_clearance": (1e-4, 0.0),
    "engage_height": (2e-4, 0.0),
    "gearing": (0.0, 0.01),
    "backlash": (0.09, 0.0),
}
"""How far a measurement lies off as a rule, setting and reading together: in SI, and as a share of the value."""
