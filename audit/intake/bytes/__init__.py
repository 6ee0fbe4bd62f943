"""From a path to bytes: containers, encodings, tables that are no text."""
