"""The sensor tests, one file a test."""
