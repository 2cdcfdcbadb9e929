"""``stanch forecast``: what the wells of a recording are heading for."""

from __future__ import annotations

from pathlib import Path

import click

from stanch.cli.options import assay_option, overwrite_option, read_text, seed_option, staged_input

__all__ = ["command"]


@click.command("forecast")
@click.argument("recording", metavar="REC")
@click.option(
    "--at",
    "times",
    metavar="TIME",
    multiple=True,
    help='Time since activation, as in "10 min"; may be given again. Pushes after it are not looked at.'
    " By default the last push.",
)
@assay_option
@click.option(
    "--prior", "prior_path", metavar="FILE", help="What stanch learn wrote; by default a virtual population's."
)
@click.option("--json", "json_path", metavar="FILE", help="Write the forecasts as JSON; - is stdout.")
@seed_option
@overwrite_option
def command(
    recording: str,
    times: tuple[str, ...],
    assay_path: str | None,
    prior_path: str | None,
    json_path: str | None,
    seed: int,
    overwrite: bool,
) -> None:
    """Forecast readings of curves that are still growing.

    Early modulus and plateau of each well and retention of each pair, with 95 % intervals. REC may still be written
    to. A forecast is not a reading.

    \b
    Example:
      stanch forecast run.h5 --at "5 min" --at "10 min"
    """
    from stanch.cli.outputs import check_files, write_files
    from stanch.outlook import look_ahead
    from stanch.quantities import parse_quantity
    from stanch.readings.assay import load_assay
    from stanch.readings.forecast.store import load_prior, shipped_prior
    from stanch.report.outlook import outlook_json, outlook_text

    check_files([json_path], inputs=[recording, assay_path, prior_path], overwrite=overwrite)
    at = [parse_quantity(text, "time", "--at") for text in times]
    assay = None
    if assay_path is not None:
        assay = load_assay(read_text(assay_path, "assay document"), where=Path(assay_path).name)
    prior = shipped_prior() if prior_path is None else load_prior(prior_path)
    with staged_input(recording, ".h5") as path:
        found = look_ahead(path, prior, assay, at=at, seed=seed)
    if json_path == "-":
        click.echo(outlook_json(found), nl=False)
        return
    if json_path is not None:
        write_files([(Path(json_path), outlook_json(found))], overwrite=overwrite)
    click.echo(outlook_text(found))
