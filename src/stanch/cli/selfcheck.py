"""``stanch selfcheck``: evidence that this installation is whole and works on this machine."""

from __future__ import annotations

from pathlib import Path

import click

from stanch.cli.options import overwrite_option
from stanch.errors import StanchError

__all__ = ["command"]


@click.command("selfcheck")
@click.option("--json", "json_path", metavar="FILE", help="Write everything, unrounded, as JSON; - is stdout.")
@click.option("--report", "report_path", metavar="FILE", help="Write the report as one offline HTML file.")
@overwrite_option
def command(json_path: str | None, report_path: str | None, overwrite: bool) -> None:
    """Check this installation on this machine.

    The report is for the laboratory's own files. Published values are computed again, two virtual gels of known
    modulus go through the whole job, damage is planted and must be noticed; versions, machine and times are written
    down. It ends with exit code 1 when a check fails; the report is written all the same.

    \b
    Example:
      stanch selfcheck --report selfcheck.html
    """
    from stanch.cli.outputs import check_files, write_files
    from stanch.report.verification import dumps, render, summary
    from stanch.selfcheck import selfcheck

    check_files([json_path, report_path], inputs=[], overwrite=overwrite)
    account = selfcheck()
    texts = []
    if report_path is not None:
        texts.append((Path(report_path), render(account)))
    if json_path not in (None, "-"):
        texts.append((Path(str(json_path)), dumps(account)))
    write_files(texts, overwrite=overwrite)
    click.echo(dumps(account) if json_path == "-" else summary(account), nl=json_path != "-")
    failed = account.numbers["failed"]
    if failed:
        raise StanchError(
            "self-check",
            got=f"{failed} of {len(account.numbers['checks'])} checks failed",
            allowed="none",
            do="Do not use this installation; install again, and report it if that does not help.",
        )
