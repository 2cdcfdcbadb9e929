"""Browser tests: skipped with a reason where there is no browser, failed where CI is set, run where there is one."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROBE = """
def test_page(offline_page):
    offline_page.goto("data:text/html,<title>seen</title><img src='http://127.0.0.1:9/x.png'>")
    assert offline_page.title() == "seen"
    assert offline_page.asked_outside == ["http://127.0.0.1:9/x.png"]
"""


def _run(folder: Path, **env: str) -> tuple[int, str]:
    (folder / "test_probe.py").write_text(PROBE)
    kept = {k: v for k, v in os.environ.items() if k not in ("CI", "STANCH_BROWSER", "PYTEST_ADDOPTS")}
    command = [sys.executable, "-m", "pytest", "-p", "conftest", "-rs", "-c", os.devnull, "--rootdir", folder, folder]
    done = subprocess.run(
        command,
        cwd=folder,
        env=kept | {"PYTHONPATH": str(ROOT)} | env,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def test_without_a_browser_it_is_skipped_with_a_reason(tmp_path: Path) -> None:
    code, said = _run(tmp_path, PATH="/nonexistent")
    assert code == 0, said
    assert "1 skipped" in said
    assert "no Chromium" in said


def test_without_a_browser_it_fails_where_ci_is_set(tmp_path: Path) -> None:
    code, said = _run(tmp_path, PATH="/nonexistent", CI="true")
    assert code == 1, said
    assert "no Chromium" in said


@pytest.mark.browser
def test_with_a_browser_the_page_sees_what_is_asked_from_outside(chromium: object, tmp_path: Path) -> None:
    assert chromium
    code, said = _run(tmp_path)
    assert code == 0, said
    assert "1 passed" in said
