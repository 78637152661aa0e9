"""The rules of the cycle, one small module a family."""

from __future__ import annotations

from crankclock.rules import clamping, feed, pilots, press, sensors, spring_life, springs, tapping, torque
from crankclock.rules.base import Measured, Missing, Rule, Subject, Words

RULES: tuple[Rule, ...] = (
    *feed.RULES,
    *pilots.RULES,
    *clamping.RULES,
    *tapping.RULES,
    *torque.RULES,
    *press.RULES,
    *springs.RULES,
    *spring_life.RULES,
    *sensors.RULES,
)
"""Every rule, in the order reports list them where nothing else decides."""

__all__ = ["RULES", "Measured", "Missing", "Rule", "Subject", "Words"]
