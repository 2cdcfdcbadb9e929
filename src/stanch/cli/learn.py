"""``stanch learn``: a kinetic prior from the laboratory's own runs."""

from __future__ import annotations

from pathlib import Path

import click

from stanch.cli.options import assay_option, overwrite_option, progress, read_text, seed_option

__all__ = ["command"]


@click.command("learn")
@click.argument("out", metavar="PRIOR")
@click.argument("recordings", metavar="REC...", nargs=-1, required=True)
@assay_option
@seed_option
@overwrite_option
def command(out: str, recordings: tuple[str, ...], assay_path: str | None, seed: int, overwrite: bool) -> None:
    """Learn what forecasts rest on from whole runs of one assay.

    Every second recording makes the library, the others tell how far forecasts have to be stretched: at least 40 of
    each. Runs that are shorter than the longest are left out.

    \b
    Example:
      stanch learn ours.prior.npz runs/*.h5
    """
    from stanch.cli.outputs import check_files
    from stanch.own_runs import learn_from
    from stanch.readings.assay import load_assay
    from stanch.readings.forecast.store import save_prior

    check_files([out], inputs=[*recordings, assay_path], overwrite=overwrite)
    assay = None
    if assay_path is not None:
        assay = load_assay(read_text(assay_path, "assay document"), where=Path(assay_path).name)
    with progress("learning") as tell:
        prior = learn_from(recordings, assay, seed=seed, progress=tell)
    stored = save_prior(out, prior, overwrite=overwrite)
    click.echo(f"{out}: {stored.origin.words}. SHA-256 {stored.sha256}")
