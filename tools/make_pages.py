"""Write the reference pages that come from the code: nomenclature, units, command line.

``python tools/make_pages.py`` writes them; a test fails when one is stale.
"""

from __future__ import annotations

import ast
import inspect
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import blood_page
import click
import coverage_page
import forecast_page
import patients_page
import rheology_page
import unseen_page

from stanch.cli.main import main as command_line
from stanch.quantities import QUANTITIES, UNITS
from stanch.verify.protocol import Option

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"
GENERATED = "<!-- Written by tools/make_pages.py from the code; do not edit. -->"
WIDTH = 100

SYMBOLS = (
    ("G, G'", "storage modulus; for a Kelvin-Voigt medium the modulus", "Pa"),
    ("G*", "complex modulus at an angular frequency", "Pa"),
    ("η", "viscosity of the Kelvin-Voigt medium", "Pa·s"),
    ("ρ", "density of the sample", "kg/m^3"),
    ("F", "peak body force of the push", "N/m^3"),
    ("R, H", "radius of the well, depth of the sample", "m"),
    ("a", "push radius, the force falling as exp(−r²/a²)", "m"),
    ("L", "push length, the force falling as exp(−(z/L)²)", "m"),
    ("w", "beam radius, the pulse-echo energy sensitivity falling as exp(−r²/w²)", "m"),
    ("λₙ", "eigenvalue of the Stokes operator of the well", "1/m^2"),
    ("cₙ", "coupling of force and beam to row n of the spectral table", "1"),
    ("δ, τ", "deviation of the speckle weighting from the beam's mean, and its prior standard deviation", "1"),
    ("M", "number of independent speckle cells in the tracking gate", "1"),
    ("y", "ln(G + 10 Pa), the scale on which curves are smoothed", "1"),
    ("Λ", "logarithm of the ratio of two wells at one clot age", "1"),
)


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> Iterator[str]:
    """A Markdown table."""
    yield f"| {' | '.join(head)} |"
    yield f"|{'---|' * len(head)}"
    yield from (f"| {' | '.join(row)} |" for row in rows)


def nomenclature() -> str:
    """Quantities and symbols."""
    rows = [(f"`{q.key}`", q.label, q.unit, f"`{q.ucum}`", q.meaning) for q in QUANTITIES.values()]
    lines = [
        "# Nomenclature",
        "",
        GENERATED,
        "",
        "One word, one quantity, one unit. The key is the same in Python, TOML, JSON and CSV; a column or key that",
        "holds a number carries its unit, as in `time_s`. Inside Python every number is in SI units.",
        "",
        *table(("key", "label", "unit at the surface", "UCUM", "meaning"), rows),
        "",
        "## Symbols in formulas",
        "",
        *table(("symbol", "meaning", "unit"), list(SYMBOLS)),
        "",
    ]
    return "\n".join(lines)


def units() -> str:
    """The fixed table of units."""
    rows = [(u.text, u.kind, f"{u.scale:.12g}", f"`{u.ucum}`") for u in UNITS.values()]
    lines = [
        "# Units",
        "",
        GENERATED,
        "",
        'A quantity in a document is text: a number, a space if wanted, and one of these units, as in `"40 MHz"`. A',
        "number without a unit, or with one of another kind, is refused. A UCUM library checks every code.",
        "",
        *table(("unit", "kind", "SI units in one", "UCUM"), rows),
        "",
        "Degrees Celsius (`Cel`, `°C`) have their zero at 273.15 K. International units and decibels are taken as",
        "they are: neither has a fixed relation to SI units.",
        "",
    ]
    return "\n".join(lines)


def command_reference() -> str:
    """The help of every command."""
    lines = [
        "# Command line",
        "",
        GENERATED,
        "",
        "`./stanch` from a checkout, `stanch` where it is installed, `python -m stanch` where it can be imported.",
        "See also the [exit codes](exit-codes.md).",
        "",
    ]
    settings = {**command_line.context_settings, "max_content_width": WIDTH, "terminal_width": WIDTH}
    context = click.Context(command_line, info_name="stanch", **settings)
    lines += _help(command_line, context, 2)
    return "\n".join(lines)


def _help(command: click.Command, context: click.Context, level: int) -> Iterator[str]:
    yield f"{'#' * level} `{context.command_path}`"
    yield ""
    yield "```text"
    yield from (line.rstrip() for line in command.get_help(context).splitlines())
    yield "```"
    yield ""
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            child = command.get_command(context, name)
            if child is not None:
                inner = click.Context(
                    child, info_name=name, parent=context, max_content_width=WIDTH, terminal_width=WIDTH
                )
                yield from _help(child, inner, level + 1)


def verification() -> str:
    """Every verification protocol with its options, from its own record."""
    from stanch.verify import PROTOCOLS, protocol

    lines = [
        "# Verification protocols",
        "",
        GENERATED,
        "",
        "`stanch verify PROTOCOL TABLE` from the command line, `stanch.verify.protocol(name)` from Python. Every",
        "protocol also takes `--decimal`, `--sheet`, `--json`, `--report` and `--overwrite`. Where an option may hold",
        "several values, give it again or part them with commas. No limit is built in: without one the report states",
        "numbers and no verdict. How tables are read: [](verification-files.md).",
        "",
    ]
    for name in PROTOCOLS:
        one = protocol(name)
        lines += [f"## {name}", "", f"*{one.question}*", "", one.summary, ""]
        rows = [_option_row(option) for option in one.options]
        lines += [*table(("option", "value", "default", "designs", "meaning"), rows), ""]
    return "\n".join(lines)


def _option_row(option: Option) -> tuple[str, ...]:
    value = ", ".join(f"`{choice}`" for choice in option.choices) or option.kind
    default = option.default
    if isinstance(default, tuple | list):
        default = ",".join(f"{part:g}" if isinstance(part, float) else str(part) for part in default)
    shown = "required" if option.required else f"`{default}`" if default not in (None, "", "()") else ""
    designs = ", ".join(option.designs)
    cells = (f"`--{option.name}`", value, shown, designs, option.help)
    return tuple(cell.replace("|", "\\|") for cell in cells)


def choices() -> str:
    """What virtual blood leaves to the user, from the record of its choices."""
    from dataclasses import fields

    from stanch.virtual.blood.choices import Choices

    said = re.split(r"\n(?=\w+ : )", inspect.cleandoc(Choices.__doc__ or "").partition("----------\n")[2])
    meaning = {}
    for part in said:
        head, _, text = part.partition("\n")
        meaning[head.partition(" : ")[0]] = " ".join(text.partition("\n\n")[0].split())
    rows = [(f"`{f.name}`", f"`{f.default}`", meaning[f.name].replace("|", "\\|")) for f in fields(Choices)]
    lines = [
        "# Choices of virtual blood",
        "",
        GENERATED,
        "",
        "What the literature leaves open: keys of `[blood.choices]` in scenario documents. Defaults are in SI; in",
        "the document a number is text with its unit, a share in per cent.",
        "",
        *table(("key", "default", "meaning"), rows),
        "",
    ]
    return "\n".join(lines)


def published_checks() -> str:
    """What ``published/`` holds, from each folder's own ``source.toml``."""
    lines = [
        "# Published checks",
        "",
        GENERATED,
        "",
        "Values from outside that this project has to meet, one folder per source under `published/`. `./check tests`",
        "runs them. *seen*: read in the source. *computed*: by a route other than the code under test. *memory*:",
        "recalled and not read, which may test arithmetic but not a fact.",
        "",
    ]
    for folder in sorted(p.parent for p in (ROOT / "published").glob("*/source.toml")):
        source = tomllib.loads((folder / "source.toml").read_text(encoding="utf-8"))
        lines += [f"## {source['title']}", ""]
        lines += [f"`published/{folder.name}`, *{source['status']}*. {source['citation']}"]
        if source["doi"]:
            lines += [f"doi:{source['doi']}"]
        lines += ["", source["note"], "", f"Licence: {source['licence']}.", ""]
    return "\n".join(lines)


def benchmarks() -> str:
    """What ``benchmarks/`` measures, from the first line of each script."""
    rows = []
    for path in sorted((ROOT / "benchmarks").glob("[!_]*.py")):
        said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        rows.append((f"`benchmarks/{path.name}`", said.partition("\n")[0].replace("|", "\\|")))
    lines = [
        "# Benchmarks and studies",
        "",
        GENERATED,
        "",
        "Each prints a table; `--help` says how large a run is. The tests hold reduced versions of them.",
        "",
        *table(("script", "measures"), rows),
        "",
    ]
    return "\n".join(lines)


PAGES = {
    "reference/nomenclature.md": nomenclature,
    "reference/units.md": units,
    "reference/command-line.md": command_reference,
    "reference/verification.md": verification,
    "reference/benchmarks.md": benchmarks,
    "reference/blood-choices.md": choices,
    "reference/verification-coverage.md": lambda: coverage_page.page(GENERATED),
    "reference/rheology-study.md": lambda: rheology_page.page(GENERATED),
    "reference/forecast-coverage.md": lambda: forecast_page.page(GENERATED),
    "reference/virtual-patients.md": lambda: patients_page.page(GENERATED),
    "reference/virtual-blood.md": lambda: blood_page.page(GENERATED),
    "reference/unseen-changes.md": lambda: unseen_page.page(GENERATED),
    "published-checks.md": published_checks,
}


if __name__ == "__main__":
    for name, write in PAGES.items():
        (DOCS / name).write_text(write(), encoding="utf-8")
