"""``stanch expect``: what an assay would read of a virtual sample."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stanch.cli.options import assay_option, overwrite_option, read_text, stream_path

if TYPE_CHECKING:
    from stanch.virtual.expectation import Expectation

__all__ = ["command"]

PICTURES = (".svg", ".png")


@click.command("expect")
@click.argument("scenario", metavar="SCENARIO")
@assay_option
@click.option("--json", "json_path", metavar="FILE", help="Write everything, unrounded, as JSON; - is stdout.")
@click.option("--csv", "csv_path", metavar="FILE", help="Write readings and contrasts beside their limits as CSV.")
@click.option("--figure", "figure_path", metavar="FILE", help="Draw the modulus curves, as .svg or .png.")
@overwrite_option
def command(
    scenario: str,
    assay_path: str | None,
    json_path: str | None,
    csv_path: str | None,
    figure_path: str | None,
    overwrite: bool,
) -> None:
    """Say what an assay would read of a virtual sample.

    There is no echo and no measurement error in it. SCENARIO is a TOML document, as for stanch simulate; - is
    stdin. Readings and contrasts stand beside the limits of the assay document that it names.

    \b
    Example:
      stanch expect patient.toml --assay assay.toml --figure curves.svg
    """
    import sys

    from stanch.cli.outputs import check_files
    from stanch.errors import UsageError
    from stanch.readings.assay import load_assay
    from stanch.report.expectation import dumps, summary
    from stanch.virtual.expectation import expect

    outputs = [json_path, csv_path, figure_path]
    check_files(outputs, inputs=[scenario, assay_path], overwrite=overwrite)
    if figure_path is not None and Path(figure_path).suffix.lower() not in PICTURES:
        raise UsageError(f"--figure {figure_path}", got=Path(figure_path).suffix or "no ending", allowed=".svg, .png")
    if stream_path(scenario) and assay_path is not None and stream_path(assay_path):
        raise UsageError("--assay -", got="stdin for two documents", allowed="one of them", do="Name a file.")
    source: str | Path = read_text("-", "scenario") if stream_path(scenario) else Path(scenario)
    assay = None
    if assay_path is not None:
        assay = load_assay(read_text(assay_path, "assay document"), where=Path(assay_path).name)
    found = expect(source, assay)
    _write(found, json_path, csv_path, figure_path, overwrite)
    if json_path == "-":
        sys.stdout.write(dumps(found))
    else:
        click.echo(summary(found))


def _write(
    found: Expectation, json_path: str | None, csv_path: str | None, figure_path: str | None, overwrite: bool
) -> None:
    """Write every file; when one fails none is renamed into place."""
    from contextlib import ExitStack

    from stanch.files import replacing
    from stanch.report.expectation import as_csv, dumps

    with ExitStack() as stack:
        for path, make in ((json_path, dumps), (csv_path, as_csv)):
            if path is not None and not stream_path(path):
                beside = stack.enter_context(replacing(Path(path), overwrite=overwrite))
                beside.write_text(make(found), encoding="utf-8", newline="")
        if figure_path is not None:
            beside = stack.enter_context(replacing(Path(figure_path), overwrite=overwrite))
            _draw(found, beside, Path(figure_path).suffix.lower())


def _draw(found: Expectation, path: Path, ending: str) -> None:
    from stanch.figures.expectation import expectation_figure
    from stanch.figures.style import styled, to_svg

    figure = expectation_figure(found)
    if ending == ".svg":
        path.write_text(to_svg(figure), encoding="utf-8")
    else:
        with styled():
            figure.savefig(path, format="png", dpi=200, facecolor="white")
