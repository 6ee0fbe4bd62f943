"""`pullaudit serve`: browse the archive in a web browser on this machine."""

from __future__ import annotations

import click


@click.command("serve")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="The archive: a folder, or postgresql://… of a server.",
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Where to listen. Any but this machine's own address needs --token.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8765,
    show_default=True,
    metavar="N",
    help="0 takes a free one.",
)
@click.option(
    "--token",
    envvar="PULLAUDIT_TOKEN",
    metavar="WORD",
    help="A word that has to be entered first, at least 16 characters; better from PULLAUDIT_TOKEN.",
)
@click.option(
    "--most-mb",
    type=click.IntRange(1, 2000),
    default=64,
    show_default=True,
    metavar="MB",
    help="Largest upload.",
)
def command(folder: str, host: str, port: int, token: str | None, most_mb: int) -> None:
    """Show cars, nights, trends and the duty response of an archive as web pages, and screen logs dropped there.

    It answers this machine only. There is no encryption: to reach it from elsewhere, put it behind something that has.
    """
    from audit.database import shown
    from audit.service.web.web import MEGABYTE, serve

    serve(
        folder,
        host=host,
        port=port,
        token=token,
        most_bytes=most_mb * MEGABYTE,
        ready=lambda address: click.echo(f"Serving {shown(folder)} on {address} (Ctrl+C ends it)."),
    )
