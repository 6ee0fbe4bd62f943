"""What the web pages show: rows of the archive, put into words and charts."""
