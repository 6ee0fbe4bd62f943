"""Knock, traction, supply voltage and oil."""
