"""The numeric kit: arrays in, numbers out; no cars and no thresholds."""
