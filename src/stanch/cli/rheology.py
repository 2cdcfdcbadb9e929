"""``stanch rheology``: which medium the pushes of a recording speak for."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stanch.cli.options import overwrite_option, progress, staged_input
from stanch.media import MODELS

if TYPE_CHECKING:
    from stanch.media import ModelName

__all__ = ["command"]


@click.command("rheology")
@click.argument("recording", metavar="REC")
@click.option("--well", "wells", metavar="NAME", multiple=True, help="Only this well; may be given again.")
@click.option(
    "--frequency",
    metavar="QUANTITY",
    help='At which moduli are stated, as in "100 Hz"; by default as the assay document in the recording says.',
)
@click.option(
    "--models", metavar="LIST", default=",".join(MODELS), show_default=True, help="Media, with commas between."
)
@click.option(
    "--pushes",
    type=click.IntRange(1),
    default=60,
    show_default=True,
    help="Pushes of each well to compare, spread over the run.",
)
@click.option("--all-pushes", is_flag=True, help="Compare every push.")
@click.option("--json", "json_path", metavar="FILE", help="Write every push, unrounded, as JSON; - is stdout.")
@overwrite_option
def command(
    recording: str,
    wells: tuple[str, ...],
    frequency: str | None,
    models: str,
    pushes: int,
    all_pushes: bool,
    json_path: str | None,
    overwrite: bool,
) -> None:
    """Weigh media against each other: which do the pushes speak for?

    And from when on? Every push is fitted with every medium. Storage modulus and loss tangent are stated at the
    frequency of the assay and at 1 Hz, where a rheometer oscillates; the frames of a push say little or nothing
    there.

    \b
    Example:
      stanch rheology run.h5 --well base --frequency "100 Hz" --json media.json
    """
    from stanch.cli.outputs import check_files, write_files
    from stanch.errors import UsageError
    from stanch.quantities import parse_quantity
    from stanch.report.rival_media import dumps, summary
    from stanch.rival_media import compare_media

    check_files([json_path], inputs=[recording], overwrite=overwrite)
    at = None if frequency is None else parse_quantity(frequency, "frequency", "--frequency")
    if at is not None and at <= 0:
        raise UsageError("--frequency", got=frequency, allowed="more than zero")
    named = _models(models)
    with staged_input(recording, ".h5") as path, progress("comparing") as tell:
        stated, found = compare_media(
            path, wells=wells, models=named, frequency=at, pushes=None if all_pushes else pushes, progress=tell
        )
    if json_path == "-":
        sys.stdout.write(dumps(found, stated))
        return
    if json_path is not None:
        write_files([(Path(json_path), dumps(found, stated))], overwrite=overwrite)
    click.echo(summary(found, stated))


def _models(text: str) -> tuple[ModelName, ...]:
    from stanch.errors import UsageError

    named = [word.strip() for word in text.split(",") if word.strip()]
    known = tuple(name for name in MODELS if name in named)
    wrong = [word for word in named if word not in MODELS]
    if wrong or len(known) < 2:
        raise UsageError("--models", got=text, allowed=f"two or more of {', '.join(MODELS)}, with commas between")
    return known
