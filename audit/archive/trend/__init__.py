"""How a car moves over its nights."""
