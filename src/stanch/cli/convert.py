"""``stanch convert``: foreign data to a recording."""

from __future__ import annotations

import click

from stanch.cli.options import overwrite_option

__all__ = ["command"]


@click.command("convert")
@click.argument("source", metavar="SOURCE")
@click.option("--map", "map_path", metavar="FILE", required=True, help="Map document: how to read the source.")
@click.option("--out", metavar="REC", required=True, help="The recording to write.")
@overwrite_option
def command(source: str, map_path: str, out: str, overwrite: bool) -> None:
    """Turn what other programs wrote into a recording.

    SOURCE is an .npz, .npy, .mat, .h5, .csv or .parquet file; the map document says what its arrays are, each
    quantity with its unit.

    \b
    Example:
      stanch convert gel.npz --map gel.map.toml --out gel.h5
    """
    from stanch.recording.convert import convert

    path = convert(source, map_path, out, overwrite=overwrite)
    click.echo(str(path))
