"""``stanch verify``: the statistics a laboratory must show, one subcommand per protocol."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stanch.cli.options import overwrite_option, staged_input, stream_path
from stanch.errors import UsageError

if TYPE_CHECKING:
    from stanch.verify.protocol import Option, Protocol
    from stanch.verify.table import Table

__all__ = ["command"]

METAVARS = {
    "column": "COLUMN",
    "columns": "COLUMNS",
    "number": "NUMBER",
    "numbers": "NUMBERS",
    "count": "COUNT",
    "text": "TEXT",
    "texts": "TEXTS",
}
SHARED_OPTIONS = ("json", "report", "overwrite", "decimal", "sheet", "help")


class Number(click.types.FloatParamType):
    """A finite number on the command line."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a usage error."""
        found = super().convert(value, param, ctx)
        if not math.isfinite(found):
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return found


class ProtocolGroup(click.Group):
    """Makes the command of a protocol from its record, and only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Every protocol, in the order of the job."""
        from stanch.verify import PROTOCOLS

        return list(PROTOCOLS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of this protocol, or None."""
        found = _protocol(cmd_name)
        return None if found is None else _command(found)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Protocols with their questions, in full."""
        with formatter.section("Protocols"):
            found = [one for one in map(_protocol, self.list_commands(ctx)) if one is not None]
            formatter.write_dl([(one.name, one.question) for one in found])


@click.group("verify", cls=ProtocolGroup, subcommand_metavar="PROTOCOL TABLE [OPTIONS]")
def command() -> None:
    """Show that an assay performs: statistics from a table.

    Each protocol writes a report to file. TABLE is a CSV, TSV, Parquet or spreadsheet file with one header row; -
    is stdin. Cells such as <5 and >5 are understood as bounds, empty ones as missing. Columns are named by option.
    Where columns, numbers or texts may be several, give the option again or part them with commas.

    \b
    Example:
      stanch verify lots lots.csv --old lot_a --new lot_b --allowed 5 --unit Pa --report lots.html
    """


def _protocol(name: str) -> Protocol | None:
    from stanch.verify import PROTOCOLS, protocol

    return protocol(name) if name in PROTOCOLS else None


def _command(protocol: Protocol) -> click.Command:
    clash = sorted({option.name for option in protocol.options} & set(SHARED_OPTIONS))
    if clash:
        raise ValueError(f"{protocol.name}: --{clash[0]} belongs to every protocol")

    def run(table: str | None, **given: Any) -> None:
        _run(protocol, table, given)

    parameters: list[click.Parameter] = [_table_argument(protocol)]
    parameters += [_option(option) for option in protocol.options]
    made = click.Command(
        protocol.name,
        params=parameters,
        callback=run,
        help=f"{protocol.question}\n\n{protocol.summary}",
        short_help=protocol.question,
    )
    for decorate in SHARED:
        decorate(made)
    return made


def _table_argument(protocol: Protocol) -> click.Argument:
    metavar = "TABLE" if protocol.needs_table else "[TABLE]"
    return click.Argument(["table"], metavar=metavar, required=protocol.needs_table)


SHARED = (
    click.option("--decimal", type=click.Choice(["auto", ".", ","]), default="auto", help="Decimal mark of TABLE."),
    click.option("--sheet", metavar="NAME", help="Sheet of TABLE, where it is a spreadsheet with several."),
    click.option("--json", "json_path", metavar="FILE", help="Write everything, unrounded, as JSON; - is stdout."),
    click.option("--report", "report_path", metavar="FILE", help="Write the report as one offline HTML file."),
    overwrite_option,
)


def _option(option: Option) -> click.Option:
    several = option.kind in ("columns", "numbers", "texts")
    said = [option.help]
    if option.designs:
        said.append(f"Design: {', '.join(option.designs)}.")
    if option.required:
        said.append("[required]")
    elif option.default is not None and option.default != "" and option.default != ():
        said.append(f"[default: {_shown(option.default)}]")
    text = " ".join(said)
    if option.kind == "flag":
        names = f"--{option.name}/--no-{option.name}" if option.default is True else f"--{option.name}"
        return click.Option([names, option.key], is_flag=True, default=None, help=text)
    whole = click.IntRange(0, 2**63 - 1) if option.name == "seed" else click.INT
    kinds: dict[str, Any] = {"number": Number(), "count": whole, "choice": click.Choice(option.choices)}
    return click.Option(
        [f"--{option.name}", option.key],
        type=kinds.get(option.kind, click.STRING),
        multiple=several,
        metavar=METAVARS.get(option.kind),
        help=text,
    )


def _shown(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ",".join(map(_shown, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _run(protocol: Protocol, table_path: str | None, given: Mapping[str, Any]) -> None:
    from stanch.cli.outputs import check_files, write_files
    from stanch.report.verification import dumps, render, summary
    from stanch.verify.protocol import resolve
    from stanch.verify.reading import read_table

    own = {option.key: given[option.key] for option in protocol.options}
    json_path, report_path = given["json_path"], given["report_path"]
    overwrite = bool(given["overwrite"])
    if report_path is not None and stream_path(report_path):
        raise UsageError("--report -", got="the standard stream", allowed="a file name")
    check_files([json_path, report_path], inputs=[table_path], overwrite=overwrite)
    resolve(protocol, _parted(protocol, own, None))
    if own.get("recording") is not None:
        own["model"] = _analysed_again(own)
    with ExitStack() as stack:
        table = None
        if table_path is not None:
            path = stack.enter_context(staged_input(table_path, ".csv"))
            name = "stdin" if stream_path(table_path) else None
            table = read_table(path, decimal=given["decimal"], sheet=given["sheet"], name=name)
        account = protocol(table, **_parted(protocol, own, table))
    texts = []
    if report_path is not None:
        texts.append((Path(report_path), render(account)))
    if json_path not in (None, "-"):
        texts.append((Path(json_path), dumps(account)))
    write_files(texts, overwrite=overwrite)
    click.echo(dumps(account) if json_path == "-" else summary(account), nl=json_path != "-")


def _analysed_again(own: Mapping[str, Any]) -> Callable[[Mapping[str, Any]], float]:
    """The model of a budget whose inputs are settings of a recording."""
    from stanch.sensitivity import reading_model

    if own["model"] is not None:
        raise UsageError("option --model", got="given with a recording", allowed="one of the two", do="Leave one out.")
    if own["reading"] is None:
        raise UsageError("option --reading", got="nothing", allowed="a key such as plateau", do="Give it.")
    return reading_model(own["recording"], reading=own["reading"], well=own["well"], seed=own["seed"] or 0)


def _parted(protocol: Protocol, given: Mapping[str, Any], table: Table | None) -> dict[str, Any]:
    """Options given several times or with commas as one tuple; a column whose own name has a comma stays whole."""
    made: dict[str, Any] = dict(given)
    for option in protocol.options:
        value = given.get(option.key)
        if option.kind in ("columns", "numbers", "texts") and value:
            whole = table.columns if table is not None and option.kind == "columns" else {}
            parts = [part for one in value for part in ((one,) if one in whole else _split(option, one))]
            made[option.key] = tuple(_number(option, part) if option.kind == "numbers" else part for part in parts)
    return made


def _split(option: Option, value: str) -> list[str]:
    parts = [part.strip() for part in value.split(",")]
    if not all(parts):
        raise UsageError(f"option --{option.name}", got=value, allowed="values parted by single commas")
    return parts


def _number(option: Option, text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise UsageError(f"option --{option.name}", got=text, allowed="finite numbers, parted by commas")
    return found
