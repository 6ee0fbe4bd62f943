"""What is kept: every night of every car, and how each car moves over its nights."""
