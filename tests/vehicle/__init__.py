"""A small vehicle whose truth is known at full rate, and loggers that see it as people's do.

Written apart from the checks: nothing here knows how they compute. From the parts to the question:
`throttle` (a plate with friction, springs, play and a controller), `hands` (what the foot does),
`engine` (idle, revs, stalls, trims, coolant, voltage) and `road` (drives) give signals; `measure`
takes the truth from them; `logger` reads them at 0.5 to 25 Hz with jitter, in the steps of the
numbers; `scenarios_*` make cars with one thing wrong, or nothing, as a `case`; `plans` says which
cars are put to which check, and plays a healthy car's whole job. Many throttles are computed at
once: their arrays are (cars, steps).
"""
