"""One night: its logs audited, put together, and the verdict."""
