"""A small vehicle whose truth is known at full rate, and loggers that see it as people's do.

Written apart from the checks: nothing here knows how they compute. `throttle` (plate with friction,
spring and controller), `hands` (what the foot does), `engine` (idle, revs, trims, coolant,
voltage), `road` (drives), `measure` (the truth, from the full-rate signals), `logger` (rates,
jitter, steps of the numbers), `scenarios_*` (cars with one thing wrong, or nothing).
Many cars are computed at once: arrays are (cars, steps).
"""
