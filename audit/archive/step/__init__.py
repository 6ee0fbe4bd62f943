"""Boost against duty, and the next step."""
