"""The inbox service."""
