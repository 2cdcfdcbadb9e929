"""``stanch inspect``: what a recording holds."""

from __future__ import annotations

import click

from stanch.cli.options import staged_input

__all__ = ["command"]


@click.command("inspect")
@click.argument("recording", metavar="REC")
@click.option("--check", is_flag=True, help="Read every push and verify its checksum.")
def command(recording: str, check: bool) -> None:
    """Say what a recording holds, without changing it.

    \b
    Example:
      stanch inspect run.h5 --check
    """
    from stanch.errors import IntegrityError
    from stanch.recording.container import open_recording, verify
    from stanch.report.inspect import describe

    with staged_input(recording, ".h5") as path:
        with open_recording(path) as opened:
            click.echo(describe(opened))
        if check:
            problems = verify(path)
            if problems:
                raise IntegrityError(
                    f"recording {path}",
                    got="; ".join(str(p) for p in problems),
                    do="Recover it: stanch recover REC --out NEW.",
                )
            click.echo("Every committed push was read and its checksum agrees.")
