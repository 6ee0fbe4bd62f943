"""The archive as pages in a browser."""
