"""The documentation: generated pages are fresh, what it names exists, its examples run."""

import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import make_pages
import pytest

import stanch
from stanch import errors
from stanch.recording.maps import parse_map

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
PAGES = sorted(
    p for p in [*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "CONTRIBUTING.md"] if "_build" not in p.parts
)
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.M | re.S)


def _blocks(page: Path, language: str) -> list[str]:
    return [m[2] for m in BLOCK.finditer(page.read_text(encoding="utf-8")) if m[1] == language]


@pytest.mark.parametrize("name", make_pages.PAGES)
def test_generated_page_is_fresh(name: str) -> None:
    written = (make_pages.DOCS / name).read_text(encoding="utf-8")
    assert written == make_pages.PAGES[name](), "run: python tools/make_pages.py"


def test_exit_codes_page_has_every_error_and_its_code() -> None:
    page = (DOCS / "reference" / "exit-codes.md").read_text(encoding="utf-8")
    rows = {int(m[1]): m[2] for m in re.finditer(r"^\| (\d+) \|.*\|(.*)\|$", page, re.M)}
    assert set(rows) == {0, 1, 2, 3, 4, 5, 130}
    for name in errors.__all__:
        assert f"`{name}`" in rows[getattr(errors, name).exit_code], name


def test_error_tree_is_drawn_as_it_is() -> None:
    for name in errors.__all__:
        kind = getattr(errors, name)
        line = next(line for line in (errors.__doc__ or "").splitlines() if re.search(rf"\b{name}\b", line))
        if "exit" in line:
            assert f"exit {kind.exit_code}" in line


@pytest.mark.parametrize("document", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_documents_shown_are_valid_toml(document: Path) -> None:
    for block in _blocks(document, "toml"):
        schema = tomllib.loads(block).get("schema", "")
        if schema.startswith("stanch.assay/"):
            assert stanch.load_assay(block, where=document.name).name
        elif schema.startswith("stanch.map/"):
            assert parse_map(tomllib.loads(block), where=document.name)


@pytest.mark.parametrize("document", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_files_named_in_a_page_exist(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    named = re.findall(r"`((?:tests|benchmarks|published|tools|examples|docs|src)/[\w./-]+?)(?:::\w+)?`", text)
    assert [name for name in named if not (ROOT / name).exists()] == []
    for path, function in re.findall(r"`(tests/[\w./-]+?)::(\w+)`", text):
        assert f"def {function}(" in (ROOT / path).read_text(encoding="utf-8"), f"{path}::{function}"


def test_every_hazard_has_a_control_and_a_test() -> None:
    lines = (DOCS / "hazards.md").read_text(encoding="utf-8").splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("| ")][1:]
    assert len(rows) >= 15
    assert [row[0] for row in rows if len(row) != 4 or not all(row)] == []
    assert [row[0] for row in rows if not re.search(r"`(?:tests|published)/", row[3])] == []


def test_nothing_in_the_pages_is_fetched_from_outside() -> None:
    built = DOCS / "_build" / "html"
    if not (built / "index.html").exists():
        subprocess.run(
            [sys.executable, "-m", "sphinx", "-q", "-b", "html", "docs", built],
            cwd=ROOT,
            check=True,
            stdin=subprocess.DEVNULL,
        )
    fetched = re.compile(
        r"<(?:script|img|iframe|source)\b[^>]*\bsrc=\"(?:https?:)?//|<link\b[^>]*\bhref=\"(?:https?:)?//"
    )
    pages = sorted(built.rglob("*.html"))
    assert len(pages) > 10
    assert [str(p.relative_to(built)) for p in pages if fetched.search(p.read_text(encoding="utf-8"))] == []
    styles = [p for p in built.rglob("*.css") if re.search(r"url\(['\"]?(?:https?:)?//", p.read_text(encoding="utf-8"))]
    assert styles == []


WITH_EXAMPLES = [p for p in PAGES if _blocks(p, "sh") or _blocks(p, "python")]


@pytest.mark.parametrize("document", WITH_EXAMPLES, ids=lambda p: str(p.relative_to(ROOT)))
def test_examples_run(document: Path, tmp_path: Path) -> None:
    """Blocks marked ``sh`` and ``python``, top to bottom, in one empty folder."""
    env = os.environ | {"STANCH_CACHE": str(tmp_path / "cache")}
    (tmp_path / "examples").symlink_to(ROOT / "examples")
    ran = 0
    for language, block in BLOCK.findall(document.read_text(encoding="utf-8")):
        commands = []
        if language == "python":
            commands = [[sys.executable, "-c", block]]
        elif language == "sh":
            joined = block.replace("\\\n", " ")
            commands = [_command(line) for line in joined.splitlines() if line.strip() and not line.startswith("#")]
        for command in filter(None, commands):
            done = subprocess.run(
                command, cwd=tmp_path, env=env, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False
            )
            assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
            ran += 1
    assert ran


def _command(line: str) -> list[str] | None:
    """The process for one line of shell: ours, or a Python script's; getting the source is the reader's."""
    words = shlex.split(line, comments=True)
    if not words or words[0] in ("git", "cd"):
        return None
    if words[0] in ("./stanch", "stanch"):
        return [sys.executable, "-P", "-m", "stanch", *words[1:]]
    if words[0] in ("python", ".venv/bin/python"):
        return [sys.executable, *words[1:]]
    raise AssertionError(f"a documented command that this test cannot run: {line}")


def test_every_example_is_run_by_a_page() -> None:
    shown = "\n".join(block for document in PAGES for block in _blocks(document, "sh"))
    examples = [path.relative_to(ROOT).as_posix() for path in (ROOT / "examples").rglob("*.py")]
    assert examples
    assert [name for name in examples if name not in shown] == []


def test_decisions_are_numbered_without_gaps() -> None:
    pages = sorted(p for p in (DOCS / "decisions").glob("*.md") if p.name != "index.md")
    assert [p.name[:5] for p in pages] == [f"{k:04d}-" for k in range(1, len(pages) + 1)]
    for k, decision in enumerate(pages, start=1):
        assert decision.read_text(encoding="utf-8").startswith(f"# {k}. ")
