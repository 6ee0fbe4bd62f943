"""pullaudit: audits datalogs of a turbocharged car and says clear, hold or stop."""

__version__ = "0.1.0"
