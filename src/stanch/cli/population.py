"""``stanch population``: a table of virtual patients."""

from __future__ import annotations

import click

from stanch.cli.options import overwrite_option, progress, seed_option

__all__ = ["command"]


@click.command("population")
@click.argument("out", metavar="CSV")
@click.option(
    "--kind",
    "kinds",
    metavar="KIND=COUNT",
    multiple=True,
    required=True,
    help="How many of a kind, as in healthy=100; may be given again. Kinds: healthy, low fibrinogen, low platelets,"
    " heparin, dilution, lysis, mixture, unusable.",
)
@click.option(
    "--serial", type=click.IntRange(1, 1000), default=1, show_default=True, help="Samples of each virtual patient."
)
@click.option("--scenario", metavar="FILE", help="Scenario document whose wells are read; by default the demo assay's.")
@click.option("--processes", type=click.IntRange(1, 256), default=1, show_default=True, help="How many work at once.")
@seed_option
@overwrite_option
def command(
    out: str, kinds: tuple[str, ...], serial: int, scenario: str | None, processes: int, seed: int, overwrite: bool
) -> None:
    """Draw virtual patients and write their true readings.

    Each row holds the blood of one sample and what an assay would read of it without error. Virtual blood teaches
    and tests an assay; it does not predict a patient.

    \b
    Example:
      stanch population people.csv --kind healthy=120 --kind heparin=20 --seed 7
    """
    from pathlib import Path

    from stanch.cli.outputs import check_files, write_files
    from stanch.virtual.blood import population
    from stanch.virtual.population_table import demo_bench, patient_table, scenario_bench

    check_files([out], inputs=[scenario], overwrite=overwrite)
    wanted = [_kind(text) for text in kinds]
    bench = demo_bench() if scenario is None else scenario_bench(scenario)
    people = [
        one for kind, count in wanted for person in population.serial(kind, count, serial, seed) for one in person
    ]
    with progress("drawing") as tell:
        text = patient_table(people, bench, processes=processes, progress=tell)
    if out == "-":
        click.echo(text, nl=False)
        return
    write_files([(Path(out), text)], overwrite=overwrite)
    click.echo(f"{out}: {len(people)} invented samples")


def _kind(text: str) -> tuple[str, int]:
    from stanch.errors import UsageError

    kind, sign, count = text.rpartition("=")
    if not sign or not count.strip().isdecimal() or len(count) > 7 or int(count) < 1:
        raise UsageError("--kind", got=text, allowed="KIND=COUNT, as in healthy=100")
    return kind.strip(), int(count)
