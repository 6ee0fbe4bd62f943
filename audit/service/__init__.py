"""Services around the archive: the inbox watcher and the web pages."""
