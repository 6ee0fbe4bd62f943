"""Boost: over its target, short of it, swinging, and whether the solenoid rules it."""
