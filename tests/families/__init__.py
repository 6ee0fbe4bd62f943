"""Unlike families of turbocharged cars: a simulator that knows only the trade, never the checks."""
