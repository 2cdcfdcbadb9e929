"""Sphinx: builds without a network; warnings are errors in ./check."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "src"))

import stanch  # noqa: E402

project = "Stanch"
author = "The Stanch maintainers"
copyright = "the Stanch maintainers, Apache-2.0"
version = release = stanch.__version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
myst_enable_extensions = ["deflist", "colon_fence"]
myst_heading_anchors = 3
exclude_patterns = ["_build", "pictures"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}

# Formulas stand as text: a renderer of them would be fetched from outside.
# G' is a storage modulus, not a G with a quotation mark.
smartquotes = False
html_theme = "furo"
html_title = "Stanch"
html_show_sourcelink = False
html_copy_source = False

autodoc_typehints = "none"
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True
# A type named in a docstring may be defined in two stages; which one is meant is clear to a reader.
suppress_warnings = ["ref.python"]


def write_python_reference(_app: Any) -> None:
    """One page per package of the source, so that the reference cannot lag behind it."""
    folder = HERE / "reference" / "python"
    folder.mkdir(exist_ok=True)
    pages: dict[str, list[str]] = {}
    for found in sorted(pkgutil.walk_packages(stanch.__path__, "stanch."), key=lambda m: m.name):
        parts = found.name.split(".")
        if any(part.startswith("_") for part in parts[1:]) or parts[1] == "cli":
            continue
        importlib.import_module(found.name)
        pages.setdefault(parts[1], []).append(found.name)
    wanted = {folder / f"{name}.rst": _page(name, modules) for name, modules in pages.items()}
    for old in set(folder.glob("*.rst")) - set(wanted):
        old.unlink()
    for path, text in wanted.items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


def _page(name: str, modules: list[str]) -> str:
    title = f"stanch.{name}"
    lines = [title, "=" * len(title), ""]
    for module in modules:
        if module != title:
            lines += [module, "-" * len(module), ""]
        lines += [f".. automodule:: {module}", "   :members:", "   :ignore-module-all:"]
        # A function that has the name of a module beside it can stand in the index only once.
        twice = sorted(other.rpartition(".")[2] for other in modules if other.rpartition(".")[0] == module)
        namesakes = [one for one in twice if inspect.isfunction(getattr(importlib.import_module(module), one, None))]
        lines += [f"   :exclude-members: {', '.join(namesakes)}", ""] if namesakes else [""]
    return "\n".join(lines)


def tidy_docstring(_app: Any, _what: str, name: str, obj: Any, _options: Any, lines: list[str]) -> None:
    """Number each docstring's references for itself, or with its module's; take a bar for the sign of a magnitude."""
    defined = any(re.match(r"\s*\.\. \[\d+\]", line) for line in lines)
    own = re.sub(r"\W", "-", name if defined else getattr(obj, "__module__", None) or name)
    for k, line in enumerate(lines):
        line = re.sub(r"^(\s*\.\. )\[(\d+)\]", rf"\1[#{own}-\2]", line)
        line = re.sub(r"\[(\d+)\]_", rf"[#{own}-\1]_", line)
        parts = re.split(r"(``.*?``)", line)
        parts[::2] = [part.replace("|", "\\|") for part in parts[::2]]
        lines[k] = "".join(parts)


def setup(app: Any) -> None:
    """Register the writer of the reference and the docstring reader."""
    app.connect("builder-inited", write_python_reference)
    app.connect("autodoc-process-docstring", tidy_docstring, priority=100)
