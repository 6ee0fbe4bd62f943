"""From bytes to columns: lines, dialect, header, cells."""
