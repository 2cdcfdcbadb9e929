"""``stanch simulate``: a recording with known truth."""

from __future__ import annotations

import click

from stanch.cli.options import overwrite_option, progress, read_text, stream_path

__all__ = ["command"]


@click.command("simulate")
@click.argument("scenario", metavar="SCENARIO")
@click.option("--out", metavar="REC", required=True, help="The recording to write.")
@click.option("--truth", metavar="FILE", help="Write what was put in, as JSON.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=None, help="Instead of the scenario's own.")
@overwrite_option
def command(scenario: str, out: str, truth: str | None, seed: int | None, overwrite: bool) -> None:
    """Run a virtual instrument: demo data with known truth.

    SCENARIO is a TOML document; - is stdin.

    \b
    Example:
      stanch simulate gel.toml --out gel.h5 --truth gel.truth.json
    """
    from pathlib import Path

    from stanch.cli.outputs import check_files
    from stanch.virtual.simulate import simulate

    check_files([out, truth], inputs=[scenario], overwrite=overwrite)
    source: str | Path = read_text("-", "scenario") if stream_path(scenario) else Path(scenario)
    with progress("simulating") as tell:
        path = simulate(source, out, truth=truth, seed=seed, overwrite=overwrite, progress=tell)
    click.echo(str(path))
