"""Which column is the clock, and seconds from it."""
