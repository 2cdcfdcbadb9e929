"""Every folder of published/ says what its source is and has a check."""

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = sorted(p for p in (ROOT / "published").iterdir() if p.is_dir() and not p.name.startswith(("_", ".")))
KEYS = {"title", "citation", "doi", "licence", "status", "note"}


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda p: p.name)
def test_source_is_named_and_checked(folder: Path) -> None:
    source = tomllib.loads((folder / "source.toml").read_text(encoding="utf-8"))
    assert set(source) == KEYS
    assert all(isinstance(value, str) for value in source.values())
    assert all(source[key].strip() for key in KEYS - {"doi"})
    assert source["status"] in {"seen", "memory", "computed"}
    assert source["doi"] == "" or source["doi"].startswith("10.")
    slug = folder.name.replace("-", "_")
    check = folder / f"test_{slug}.py"
    assert check.is_file()
    text = check.read_text(encoding="utf-8")
    assert "def test_" in text
    assert text.startswith(('"""', 'r"""')), "the source is named in the first lines"


def test_values_stand_beside_their_source() -> None:
    lonely = [f.name for f in FOLDERS if not [p for p in f.iterdir() if p.suffix in (".csv", ".toml", ".dat")]]
    assert lonely == []
