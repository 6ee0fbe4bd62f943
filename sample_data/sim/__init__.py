"""A simulated turbo petrol car, its road, its sensors and its logger. Invented data, for the demo and tests."""
