"""The commented starter file that `new` writes."""

from __future__ import annotations

import re

from crankclock.errors import InputError, Problem

STARTER = """\
#:schema ./scenario.schema.json
# A first scenario: change the values to your own press, strip and tap.
# Every quantity carries its unit: "1.5 mm", "3/8 in", "60 /min", "12 ms".
# crankclock explain KEY tells what a key means, such as: crankclock explain tap.m4.drive.gearing
title = "{title}"
units = "metric"                  # how reports speak: "metric" or "inch"

[press]
rate = "50 /min"
[press.slide]
kind = "eccentric"
stroke = "120 mm"
connecting_rod = "480 mm"         # leave it out for a plain sine motion
[press.limits]
rate_min = "20 /min"
rate_max = "120 /min"

[strip]
material = "low-carbon-steel"
thickness = "1.5 mm"
lift = "1.2 mm"                   # how far the lifters raise it to feed
pitch = "40 mm"                   # progression: the feed length
mass = "1.4 kg"                   # masses and springs are for the cycle as it runs, with bounce;
lifter_force = "300 N"            # leave them out and it is judged as a rigid mechanism only
lifter_rate = "10 N/mm"
[strip.properties]
cutting_speed = "55 m/min"        # what your shop runs this tap at; leave it out for a handbook's figure

[stripper]
travel = "40 mm"                  # its compression at the bottom of the stroke
mass = "40 kg"
clamp_force = "400 N"             # least force wanted on the strip while tapping
[stripper.spring.main]
kind = "gas"
count = 6
force = "2 kN"                    # of each, at rest
end_force = "2.9 kN"              # of each, at full rated travel
travel = "50 mm"                  # rated

[feeder]
kind = "servo"
start = "268 deg"                 # dial angle of the start command
latency = "12 ms"
speed = "60 m/min"
acceleration = "25 m/s^2"
settle = "8 ms"

[pilot.p1]
mount = "slide"
penetration = "50 mm"             # tip below the die face at the bottom of the stroke
nose = "4 mm"                     # tip to full diameter

[tap.m4]
thread = "M4x0.7"
kind = "form"
chamfer = 2                       # in pitches
rest_clearance = "0.5 mm"         # die-mounted above: first thread to the raised strip
mount = "die"
side = "above"
[tap.m4.drive]
kind = "press"
gearing = "0.236 /mm"             # turns per length of slide travel
travel = "60 mm"                  # what the drive is rated for
backlash = "20 deg"               # at the spindle
"""


def starter(title: str) -> str:
    """The starter file's text.

    Raises
    ------
    InputError
        The title cannot stand in a TOML text as it is.
    """
    if not re.fullmatch(r"[^\"\\\x00-\x1f\x7f]{1,200}", title):
        want = "up to 200 characters without quotes, backslashes and line breaks"
        raise InputError([Problem("--title", repr(title[:60]), want)])
    return STARTER.format(title=title)
