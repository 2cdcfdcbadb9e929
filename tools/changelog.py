"""Move the fragments of ``changelog.d/`` into CHANGELOG.md: ``python tools/changelog.py VERSION DATE``.

Without arguments it prints what would be written. A fragment is one sentence; its file name may begin with
``breaking-`` or ``fixed-``, anything else is an addition or a change.
"""

from __future__ import annotations

import datetime
import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
MARK = "<!-- versions -->\n"
HEADINGS = {"breaking": "Breaking", "fixed": "Fixed", "": "Added and changed"}


def fragments(root: Path) -> list[Path]:
    """The fragment files, in order of their names."""
    return sorted(p for p in (root / "changelog.d").glob("*.md") if p.name != "README.md")


def problems(path: Path) -> list[str]:
    """What is wrong with a fragment."""
    text = path.read_text(encoding="utf-8").strip()
    found = []
    if not text or "\n\n" in text or text.startswith(("#", "-", "*")):
        found.append("one sentence is wanted, without heading or bullet")
    if not text.endswith("."):
        found.append("a sentence ends with a full stop")
    return [f"{path.name}: {problem}" for problem in found]


def section(version: str, date: str, paths: list[Path]) -> str:
    """The text of one version."""
    sorted_in: dict[str, list[str]] = {kind: [] for kind in HEADINGS}
    for path in paths:
        kind = path.name.partition("-")[0]
        text = " ".join(path.read_text(encoding="utf-8").split())
        sorted_in[kind if kind in HEADINGS else ""].append(f"- {text}")
    lines = [f"## {version} ({date})", ""]
    for kind, heading in HEADINGS.items():
        if sorted_in[kind]:
            lines += [f"### {heading}", "", *sorted_in[kind], ""]
    return "\n".join(lines)


def release(root: Path, version: str, date: str) -> None:
    """Write the version into CHANGELOG.md and remove its fragments."""
    paths = fragments(root)
    faults = [fault for path in paths for fault in problems(path)]
    if not re.fullmatch(r"\d+\.\d+\.\d+", version):
        faults.append(f"version: got {version}; allowed: three numbers, as in 0.2.0")
    try:
        datetime.date.fromisoformat(date)
    except ValueError:
        faults.append(f"date: got {date}; allowed: as in 2027-01-31")
    if not paths:
        faults.append("changelog.d: there is nothing to write")
    changelog = root / "CHANGELOG.md"
    text = changelog.read_text(encoding="utf-8")
    if f"\n## {version} " in text:
        faults.append(f"version: {version} is in CHANGELOG.md already")
    if faults:
        raise SystemExit("\n".join(f"changelog: {fault}" for fault in faults))
    before, mark, after = text.partition(MARK)
    changelog.write_text(f"{before}{mark}\n{section(version, date, paths)}{after}", encoding="utf-8")
    for path in paths:
        path.unlink()


if __name__ == "__main__":
    if len(sys.argv) == 3:
        release(ROOT, sys.argv[1], sys.argv[2])
    elif len(sys.argv) == 1:
        print(section("next", "not yet", fragments(ROOT)))
    else:
        raise SystemExit("usage: changelog.py [VERSION DATE]")
