"""``stanch analyse``: from a recording to readings, contrasts, findings and a report."""

from __future__ import annotations

from pathlib import Path

import click

from stanch.cli.options import assay_option, overwrite_option, progress, read_text, seed_option, staged_input

__all__ = ["command"]


@click.command("analyse")
@click.argument("recording", metavar="REC")
@assay_option
@click.option("--json", "json_path", metavar="FILE", help="Write the result as JSON; - is stdout.")
@click.option(
    "--tables", metavar="DIR", help="Write pushes.csv, curve.csv, readings.csv and contrasts.csv into a folder."
)
@click.option("--report", metavar="FILE", help="Write the report as one offline HTML file.")
@click.option(
    "--calibration", metavar="FILE", help="Calibration record (JSON): gives readings their systematic uncertainty."
)
@seed_option
@overwrite_option
def command(
    recording: str,
    assay_path: str | None,
    json_path: str | None,
    tables: str | None,
    report: str | None,
    calibration: str | None,
    seed: int,
    overwrite: bool,
) -> None:
    """Turn a recording into curves, readings and findings.

    Readings, contrasts and findings need an assay document, the recording's own or a given one.

    \b
    Example:
      stanch analyse run.h5 --assay assay.toml --json result.json --report report.html
    """
    from stanch.cli.outputs import Outputs
    from stanch.pipeline import analyse
    from stanch.readings.assay import load_assay

    outputs = Outputs(json=json_path, tables=tables, report=report, overwrite=overwrite)
    outputs.check()
    assay = None
    if assay_path is not None:
        assay = load_assay(read_text(assay_path, "assay document"), where=Path(assay_path).name)
    known = None
    if calibration is not None:
        from stanch.mechanics.calibrate import read_calibration

        known = read_calibration(read_text(calibration, "calibration record"), where=Path(calibration).name)
    with staged_input(recording, ".h5") as path:
        with progress("analysing") as tell:
            result = analyse(path, assay, calibration=known, seed=seed, progress=tell)
        outputs.write(result, path)
    if json_path != "-":
        from stanch.report.text import summary

        click.echo(summary(result))
