"""Which column is which channel."""
