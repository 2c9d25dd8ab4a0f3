"""Recordings of the car's own data, and the checks that put questions to them."""
