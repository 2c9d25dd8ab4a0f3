"""Engine sounds, and sounds that are none, whose truth is known: for tests and benchmarks alone.

Written apart from whatever listens to them: an engine is a crankshaft that turns, valves that open
at angles of the cycle, pipes that ring, and a telephone that hears only part of it.
"""
