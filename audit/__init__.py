"""pullaudit: audits datalogs of a turbocharged car and says clear, hold or stop."""

__version__ = "0.1.0"

# gc.set_threshold: what a start loads stays until the end, so that looking through it again and
# again for what nobody holds any more costs a tenth of the screening of one log and frees nothing.
COLLECT = (50_000, 20, 20)
