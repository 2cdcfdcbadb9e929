"""The wheel carries what the source has: data, schemas, the typed mark, the command; and it runs from elsewhere."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "src" / "stanch"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 0, done.stderr
    return next(folder.glob("*.whl"))


def test_every_file_of_the_package_is_in_it(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        f"stanch/{path.relative_to(PACKAGE).as_posix()}"
        for path in PACKAGE.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert wanted <= names
    assert "stanch/py.typed" in names


def test_it_runs_from_elsewhere(wheel: Path, tmp_path: Path) -> None:
    zipfile.ZipFile(wheel).extractall(tmp_path / "site")
    program = (
        f"import sys; sys.path.insert(0, {str(tmp_path / 'site')!r}); sys.argv = ['stanch', '--version']\n"
        "import stanch, stanch.cli.main\n"
        f"assert stanch.__file__.startswith({str(tmp_path)!r}), stanch.__file__\n"
        "stanch.cli.main.run()\n"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", program], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout.split(",")[0]) == (0, "stanch"), done.stderr


def test_the_command_is_registered(wheel: Path) -> None:
    archive = zipfile.ZipFile(wheel)
    entry = next(name for name in archive.namelist() if name.endswith("entry_points.txt"))
    assert "stanch = stanch.cli.main:run" in archive.read(entry).decode()
