"""Mixture under load, and the fuel that feeds it."""
