"""``stanch demo``: the whole job on a virtual sample."""

from __future__ import annotations

from pathlib import Path

import click

from stanch.cli.options import overwrite_option, progress, seed_option

__all__ = ["command"]


@click.command("demo")
@click.option(
    "--out", "folder", metavar="DIR", default="stanch-demo", show_default=True, help="Folder to write everything into."
)
@click.option("--verify", is_flag=True, help="Also write an invented verification study: tables and reports.")
@seed_option
@overwrite_option
def command(folder: str, verify: bool, seed: int, overwrite: bool) -> None:
    """Simulate, analyse and report an hour of six wells.

    The sample is invented and every output says so: demo data. Runs that find the folder's recording already there
    keep it and analyse it again.

    \b
    Examples:
      stanch demo --out tour
      stanch demo --verify
    """
    from importlib.resources import files

    from stanch.cli.outputs import Outputs
    from stanch.errors import UsageError
    from stanch.pipeline import analyse
    from stanch.report.text import summary
    from stanch.virtual.simulate import simulate

    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise UsageError(f"--out {target}", got="a file", allowed="a folder")
    target.mkdir(parents=True, exist_ok=True)
    recording = target / "recording.h5"
    truth = target / "truth.json"
    outputs = Outputs(
        json=str(target / "result.json"),
        tables=str(target / "tables"),
        report=str(target / "report.html"),
        overwrite=True,
    )
    outputs.check()
    if overwrite or not recording.exists():
        click.echo("Simulating six wells for an hour (demo data) ...", err=True)
        scenario = files("stanch.virtual") / "demo" / "scenario.toml"
        with progress("simulating") as tell:
            simulate(Path(str(scenario)), recording, truth=truth, overwrite=True, progress=tell)
    click.echo("Analysing ...", err=True)
    with progress("analysing") as tell:
        result = analyse(recording, seed=seed, progress=tell)
    outputs.write(result, recording)
    click.echo(summary(result))
    if verify:
        from stanch.cli.verification_study import write_study

        click.echo("Verifying the assay (demo data) ...", err=True)
        with progress("verifying") as tell:
            filed = write_study(target / "verification", recording, tell)
        click.echo(f"\n{len(filed)} verification reports: open {target / 'verification' / 'index.html'}.")
    click.echo(f"\nEverything is in {target}/ ; open {target / 'report.html'} first.")
