"""The two scripts, run for real in a small project of their own: no network, nothing but a Python."""

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import environment
import pytest

ROOT = Path(__file__).resolve().parents[2]
PYTHON_FOLDER = Path(sys.base_prefix) / "bin"
PINNED = re.compile(r"^([a-z0-9][a-z0-9._-]*)==([^ ;\\]+)(?: ; ([^\\]+?))? \\$", re.M)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A copy of the scripts around a package that prints its arguments; its locks are empty."""
    root = tmp_path / "a folder with spaces"
    (root / "src" / "stanch").mkdir(parents=True)
    (root / "src" / "stanch" / "__init__.py").touch()
    (root / "src" / "stanch" / "__main__.py").write_text(
        "import os, sys\nprint(sys.argv[1:], sys.prefix, os.getcwd(), sep='\\n')\nsys.exit(3)\n"
    )
    shutil.copy(ROOT / "stanch", root)
    shutil.copytree(ROOT / "tools", root / "tools", ignore=shutil.ignore_patterns("__pycache__"))
    (root / "requirements").mkdir()
    for kind in environment.KINDS:
        (root / "requirements" / f"{kind}.txt").write_text("# nothing\n")
    (root / "pyproject.toml").write_text("[project]\n")
    return root


def _start(project: Path, *arguments: str, cwd: Path | None = None, script: Path | None = None, **env: str):
    env = {"PATH": f"{PYTHON_FOLDER}:/usr/bin:/bin", "HOME": "/nonexistent"} | env
    return subprocess.Popen(
        [script or project / "stanch", *arguments],
        cwd=cwd or project,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _run(project: Path, *arguments: str, **options) -> tuple[int, list[str], str]:
    process = _start(project, *arguments, **options)
    out, err = process.communicate(timeout=120)
    return process.returncode, out.splitlines(), err


def test_first_use_makes_the_environment_and_the_second_does_not(project: Path, tmp_path: Path) -> None:
    code, out, err = _run(project, "a", "b c", "", cwd=tmp_path)
    assert code == 3, err
    assert out == ["['a', 'b c', '']", str(project / ".venv"), str(tmp_path)]
    assert "making .venv with Python" in err
    assert not (project / ".venv" / "unfinished").exists()
    assert not Path("/nonexistent").exists()
    code, out, err = _run(project, "again", PATH="/usr/bin:/bin")
    assert (code, out[0], err) == (3, "['again']", "")


def test_two_first_uses_at_once_both_work(project: Path) -> None:
    processes = [_start(project, str(n)) for n in range(2)]
    outcomes = [(*p.communicate(timeout=120), p.returncode) for p in processes]
    assert [code for _, _, code in outcomes] == [3, 3], outcomes
    assert sum("making .venv with Python" in err for _, err, _ in outcomes) == 1


def test_a_link_to_the_script_finds_the_project(project: Path, tmp_path: Path) -> None:
    (tmp_path / "bin").mkdir()
    link = tmp_path / "bin" / "stanch"
    link.symlink_to(os.path.relpath(project / "stanch", link.parent))
    code, out, err = _run(project, "x", script=link, cwd=tmp_path)
    assert (code, out[:2]) == (3, ["['x']", str(project / ".venv")]), err


def test_a_changed_lock_is_installed_and_a_changed_place_too(project: Path) -> None:
    _run(project)
    (project / "requirements" / "run.txt").write_text("# changed\n")
    assert "installing what `run` needs" in _run(project)[2]
    assert _run(project)[2] == ""
    moved = project.with_name("moved")
    project.rename(moved)
    code, out, err = _run(moved)
    assert (code, out[1]) == (3, str(moved / ".venv"))
    assert "installing" in err


def test_one_that_was_stopped_half_way_is_made_again(project: Path) -> None:
    _run(project)
    (project / ".venv" / "unfinished").touch()
    (project / ".venv" / "stamp.run").unlink()
    (project / ".venv" / "leftover").touch()
    code, _, err = _run(project)
    assert code == 3
    assert "making .venv with Python" in err
    assert not (project / ".venv" / "leftover").exists()


def test_a_module_in_the_current_folder_is_not_taken_for_one_of_ours(project: Path, tmp_path: Path) -> None:
    (tmp_path / "stanch.py").write_text("print('the wrong one')\n")
    code, out, _ = _run(project, "y", cwd=tmp_path)
    assert (code, out[0]) == (3, "['y']")


def test_no_python_is_said_in_one_line(project: Path, tmp_path: Path) -> None:
    tools = tmp_path / "bare"
    tools.mkdir()
    for name in ("sh", "cat", "cmp", "dirname", "readlink"):
        found = shutil.which(name)
        assert found is not None
        (tools / name).symlink_to(found)
    code, out, err = _run(project, PATH=str(tools))
    assert (code, out) == (1, [])
    assert err.startswith("stanch: no Python 3.11 or newer")
    assert err.count("\n") == 1
    assert not (project / ".venv").exists()


def test_an_old_python_is_passed_over(project: Path, tmp_path: Path) -> None:
    old = tmp_path / "old"
    old.mkdir()
    (old / "python3").write_text("#!/bin/sh\nexit 1\n")
    (old / "python3").chmod(0o755)
    code, _, err = _run(project, PATH=f"{old}:{PYTHON_FOLDER}:/usr/bin:/bin")
    assert code == 3, err


def test_another_pip_than_ours_is_refused(project: Path) -> None:
    wheel = project / "tools" / environment.PIP_WHEEL.name
    wheel.write_bytes(wheel.read_bytes() + b"x")
    code, out, err = _run(project)
    assert (code, out) == (1, [])
    assert "is not the file it should be" in err
    assert not (project / ".venv" / "stamp.run").exists()


def test_the_pip_we_ship_is_the_one_we_name() -> None:
    assert hashlib.sha256(environment.PIP_WHEEL.read_bytes()).hexdigest() == environment.PIP_SHA256


def test_shell_and_python_write_the_same_stamp() -> None:
    for kind in environment.KINDS:
        command = 'here=$1; . "$here/tools/environment.sh"; environment_stamp "$2"'
        shell = subprocess.run(["sh", "-c", command, "sh", environment.ROOT, kind], capture_output=True, check=True)
        assert shell.stdout == environment.stamp(kind)


def _pins(kind: str) -> set[tuple[str, str, str]]:
    text = environment.lock_file(kind).read_text(encoding="utf-8")
    return {(m[1], m[2], m[3] or "") for m in PINNED.finditer(text)}


@pytest.mark.parametrize("kind", environment.KINDS)
def test_lock_is_hashed_and_names_no_address(kind: str) -> None:
    text = environment.lock_file(kind).read_text(encoding="utf-8")
    assert "://" not in text
    assert "--index" not in text
    assert "--find-links" not in text
    blocks = re.split(r"\n(?=\S)", text.strip())
    assert len(blocks) == len(_pins(kind)) > 20
    assert all("--hash=sha256:" in block for block in blocks)


def test_locks_hold_every_requirement_and_agree() -> None:
    document = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    project, groups = document["project"], document["dependency-groups"]

    def names(requirements: list[str]) -> set[str]:
        found = {re.match(r"[A-Za-z0-9._-]+", text)[0] for text in requirements}  # type: ignore[index]
        return {re.sub(r"[-_.]+", "-", name).lower() for name in found}

    run, check = _pins("run"), _pins("check")
    assert names(project["dependencies"] + project["optional-dependencies"]["tables"]) <= {p[0] for p in run}
    assert names(groups["test"] + groups["docs"]) <= {p[0] for p in check}
    assert {pin[:2] for pin in run} <= {pin[:2] for pin in check}


def test_ci_runs_the_check_and_nothing_else() -> None:
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if line and not line.startswith("#")] == [
        'exec "$(dirname "${BASH_SOURCE[0]}")/../check"'
    ]


@pytest.mark.parametrize("script", ["stanch", "check", "tools/lock", ".ci/run"])
def test_scripts_can_be_run_and_are_sound_shell(script: str) -> None:
    path = ROOT / script
    assert os.access(path, os.X_OK)
    shell = "bash" if path.read_text(encoding="utf-8").startswith("#!/usr/bin/env bash") else "sh"
    subprocess.run([shell, "-n", path], check=True, stdin=subprocess.DEVNULL)
