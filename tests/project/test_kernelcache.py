"""Compiled kernels find a folder on any machine, or none is asked for."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from stanch import kernelcache

NOWHERE = Path("/nonexistent/package")


@pytest.fixture(autouse=True)
def _clean(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(kernelcache.VARIABLE, raising=False)


def test_writable_package_needs_nothing(tmp_path: Path) -> None:
    assert kernelcache.prepare(tmp_path) is None
    assert kernelcache.VARIABLE not in os.environ


def test_the_users_own_choice_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(kernelcache.VARIABLE, "/chosen")
    assert kernelcache.prepare(NOWHERE) is None
    assert os.environ[kernelcache.VARIABLE] == "/chosen"


def test_unwritable_package_uses_the_cache_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STANCH_CACHE", str(tmp_path / "kept"))
    assert kernelcache.prepare(NOWHERE) == str(tmp_path / "kept" / "kernels")
    assert (tmp_path / "kept" / "kernels").is_dir()
    assert os.environ[kernelcache.VARIABLE] == str(tmp_path / "kept" / "kernels")


def test_kernels_compile_and_are_reloaded_with_neither_package_nor_cache_folder(tmp_path: Path) -> None:
    blocked = tmp_path / "a file, not a folder"
    blocked.touch()
    program = (
        "from pathlib import Path\n"
        "from stanch import kernelcache\n"
        f"folder = kernelcache.prepare(Path({str(NOWHERE)!r}))\n"
        "import numba\n"
        "assert numba.config.CACHE_DIR == folder, folder\n"
        "print(folder)\n"
    )
    env = {k: v for k, v in os.environ.items() if k not in (kernelcache.VARIABLE, "HOME")}
    env["STANCH_CACHE"] = str(blocked)
    done = subprocess.run([sys.executable, "-c", program], env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    folder = Path(done.stdout.strip())
    assert "stanch-kernels-" in folder.name
    assert not folder.exists(), "the passing folder is removed at exit"


def test_importing_the_package_is_enough(tmp_path: Path) -> None:
    program = f"import os\nos.access = lambda *_: False\nimport stanch\nprint(os.environ[{kernelcache.VARIABLE!r}])\n"
    env = {k: v for k, v in os.environ.items() if k != kernelcache.VARIABLE} | {"STANCH_CACHE": str(tmp_path)}
    done = subprocess.run([sys.executable, "-c", program], env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "stanch-kernels-" in done.stdout, "with no folder at all that can be written, a passing one"
