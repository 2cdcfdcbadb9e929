"""Fragments are sentences, and a release collects them."""

import tomllib
from pathlib import Path

import changelog
import pytest

import stanch

ROOT = Path(__file__).resolve().parents[2]


def test_every_fragment_is_a_sentence() -> None:
    assert [fault for path in changelog.fragments(ROOT) for fault in changelog.problems(path)] == []


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "changelog.d").mkdir()
    (tmp_path / "CHANGELOG.md").write_text(
        f"# Changelog\n\n{changelog.MARK}\n## 0.1.0 (2026-01-01)\n", encoding="utf-8"
    )
    return tmp_path


def test_a_release_takes_all_fragments_in_their_groups(root: Path) -> None:
    (root / "changelog.d" / "onset.md").write_text("Onset can be\nread.\n")
    (root / "changelog.d" / "fixed-crash.md").write_text("No crash on an empty file.\n")
    changelog.release(root, "0.2.0", "2027-01-31")
    text = (root / "CHANGELOG.md").read_text()
    assert "## 0.2.0 (2027-01-31)\n\n### Fixed\n\n- No crash on an empty file.\n" in text
    assert "\n\n### Added and changed\n\n- Onset can be read.\n" in text
    assert text.index("0.2.0") < text.index("0.1.0")
    assert changelog.fragments(root) == []


@pytest.mark.parametrize(
    ("version", "date", "fragment", "said"),
    [
        ("0.2", "2027-01-31", "A change.", "three numbers"),
        ("0.2.0", "31.1.2027", "A change.", "as in 2027-01-31"),
        ("0.1.0", "2027-01-31", "A change.", "already"),
        ("0.2.0", "2027-01-31", "No full stop", "full stop"),
        ("0.2.0", "2027-01-31", "# Heading.", "one sentence"),
    ],
)
def test_a_wrong_release_changes_nothing(root: Path, version: str, date: str, fragment: str, said: str) -> None:
    (root / "changelog.d" / "x.md").write_text(fragment)
    before = (root / "CHANGELOG.md").read_text()
    with pytest.raises(SystemExit, match=said):
        changelog.release(root, version, date)
    assert (root / "CHANGELOG.md").read_text() == before
    assert (root / "changelog.d" / "x.md").exists()


def test_a_release_of_nothing_is_refused(root: Path) -> None:
    with pytest.raises(SystemExit, match="nothing to write"):
        changelog.release(root, "0.2.0", "2027-01-31")


def test_the_version_is_the_same_everywhere() -> None:
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"\nversion: {stanch.__version__}\n" in citation
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert "version" in project["dynamic"]
