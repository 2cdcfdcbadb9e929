"""The page of every number that virtual blood rests on, from the code."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator

from stanch.virtual import blood
from stanch.virtual.blood import contact, tissue_factor, xa_inhibitor
from stanch.virtual.blood.network import Reaction
from stanch.virtual.blood.records import Constant


def modules() -> Iterator[tuple[str, str, tuple[Constant, ...]]]:
    """Name, first line of the docstring and constants of every module that has some."""
    for found in sorted(pkgutil.iter_modules(blood.__path__), key=lambda m: m.name):
        source = importlib.import_module(f"{blood.__name__}.{found.name}")
        constants = getattr(source, "CONSTANTS", ())
        if constants:
            yield found.name, (source.__doc__ or "").partition("\n")[0], constants


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|")


def _row(*cells: object) -> str:
    return "| " + " | ".join(_cell(cell) for cell in cells) + " |"


def _reactions(reactions: tuple[Reaction, ...]) -> Iterator[str]:
    yield from ("| reaction | forward | reverse |", "|---|---|---|")
    for r in reactions:
        yield _row(f"`{r.name}`", f"{r.forward:.4g}", "" if r.reverse is None else f"{r.reverse:.4g}")


def page(generated: str) -> str:
    """The Markdown text."""
    lines = [
        "# Constants of virtual blood",
        "",
        generated,
        "",
        "Every number that virtual blood rests on, from the code. *published*: read in, or computed from, the source",
        "named. *calibrated*: set by us so that results are plausible; the source says against what. *choice*: the",
        "literature leaves it open; those that a scenario can set are [choices](blood-choices.md). How the parts work:",
        "[](../explanation/virtual-thrombin.md), [](../explanation/virtual-blood.md).",
        "",
    ]
    head = ["| constant | value | unit | origin | source |", "|---|---|---|---|---|"]
    for name, about, constants in modules():
        lines += [f"## {name}", "", about, "", *head]
        lines += [_row(f"`{c.key}`", f"{c.value:.6g}", c.unit, c.origin, c.source) for c in constants]
        lines.append("")
    own = tissue_factor.network().reactions
    joined = tuple(r for r in contact.network().reactions if r not in own)
    for title, source, reactions in (
        ("Reactions of the tissue-factor pathway", tissue_factor.SOURCE, own),
        ("Reactions of contact activation", contact.SOURCE, joined),
        ("Binding of a direct inhibitor of factor Xa", xa_inhibitor.SOURCE, xa_inhibitor.network().reactions),
    ):
        lines += [f"## {title}", ""]
        lines += [f"{source}. Rate constants as printed, in M⁻¹ s⁻¹ for two reactants and s⁻¹ for one.", ""]
        lines += [*_reactions(reactions), ""]
    lines += [
        "## Concentrations of normal plasma",
        "",
        tissue_factor.SOURCE + ".",
        "",
        "| species | mol/m³ |",
        "|---|---|",
        *(_row(f"`{name}`", f"{value:.4g}") for name, value in tissue_factor.NORMAL.items()),
        "",
    ]
    return "\n".join(lines)
