"""Night in, text out: terminal, JSON document, HTML. Nothing here decides anything."""
