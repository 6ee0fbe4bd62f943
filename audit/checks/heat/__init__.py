"""Charge, coolant and oil temperature, and their recovery."""
