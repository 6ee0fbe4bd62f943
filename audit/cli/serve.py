"""`pullaudit serve`: browse the archive in a web browser on this machine."""

from __future__ import annotations

import click

from audit.cli import options


@click.command("serve", params=options.of("serve"))
def command(archive: str, host: str, port: int, token: str | None, most_mb: int) -> None:
    """Show cars, nights, trends and the duty response of an archive as web pages, and screen logs
    dropped there.

    It answers this machine only. There is no encryption: to reach it from elsewhere, put it behind
    something that has.
    """
    from audit.database import shown
    from audit.service.web.web import MEGABYTE, serve

    def ready(address: str) -> None:
        click.echo(f"Serving {shown(archive)} on {address} (Ctrl+C ends it).")

    serve(archive, host=host, port=port, token=token, most_bytes=most_mb * MEGABYTE, ready=ready)
