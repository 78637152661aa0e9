"""The commented case file that `new --case` writes."""

CASE_STARTER = """\
# What was found after a tap broke. Leave out whatever you did not look at: every key may be left out, and a key that
# is there counts as evidence, also where it says that something was in order. Quantities carry their unit.
# crankclock breakage SCENARIO THIS-FILE ranks the causes and says what to look at next.
title = "M4 broken on the second shift"

[stop]
rate = "50 /min"                  # stroke rate at which it happened
# angle = "250 deg"               # dial angle where the press came to rest

[broke]
tap = "m4"                        # which tap, by its name in the scenario
# angle = "228 deg"               # dial angle at which it broke, if known; or the event:
# event = "feed.start"
# noise = "3 deg"                 # how well that angle is known
# fragment = "1.2 mm"             # how deep the fragment's first thread is past the face it entered
# fracture = "bent"               # "twisted" (spiral face) or "bent" (flat, leaning)

[found]
tap_broken = true                 # false: the tap is whole, only thread or part came out wrong
# thread = "oval"                 # the last hole: "oval", "torn", "short" or "clean"
# strip_lifted = false            # the strip was lifted with the tap
# pilot_holes_drawn = true
# mark_beside_hole = false        # the tap left a mark beside its hole
# chips_packed = false            # flutes full of chips, flakes or welded metal
# burr = false                    # at the hole to be threaded
# slug = false                    # on the die or the strip
# lubrication = "oiled"           # or "dry"
# springs_lost = 0                # stripper springs broken, missing or flat
# tap_strokes = 12000             # holes this tap had threaded
# tap_life = 30000                # holes a tap lasts here
# feed_short = false              # the strip did not lie at its feed length
# backlash_felt = false           # the spindle has more play by hand than it should

[observed]                        # dial angles of events, read off the running press or its log
# "feed.start" = "229 deg"
# "tap:m4.leave" = "231 deg"

[measured]                        # a value that is as drawn is evidence too
# thickness = "1.50 mm"
# lift = "1.2 mm"
# hole = "3.70 mm"
# stripper_travel = "40 mm"
# spring_force = "2 kN"           # of one, at the stripper's free position
# lifter_force = "300 N"
# feed_start = "268 deg"
# feed_latency = "12 ms"
# feed_speed = "60 m/min"
# feed_length = "40 mm"
# release_latency = "6 ms"
# pilot_penetration = "50 mm"
# bdc_shift = "0 mm"
# rest_clearance = "0.5 mm"
# engage_height = "32 mm"
# gearing = "0.236 /mm"
# backlash = "20 deg"

[changed]                         # what was changed lately: true, or false where certainly not
# rate = true
# press = false
# coil = false
# feeder = true
# stripper = false
# lifters = false
# pilots = false
# tap = false
# drive = false
# hole = false
# lubrication = false
"""
