"""``stanch recover``: what is readable of a damaged or unfinished recording, as a new one."""

from __future__ import annotations

import click

from stanch.cli.options import overwrite_option

__all__ = ["command"]


@click.command("recover")
@click.argument("recording", metavar="REC")
@click.option("--out", metavar="NEW", required=True, help="The recording to write.")
@overwrite_option
def command(recording: str, out: str, overwrite: bool) -> None:
    """Copy every intact push of a recording to a new file.

    \b
    Example:
      stanch recover broken.h5 --out rescued.h5
    """
    from stanch.recording.container import recover

    report = recover(recording, out, overwrite=overwrite)
    click.echo(str(report))
