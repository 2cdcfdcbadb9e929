"""Make or refresh ``.venv`` from a hashed lock; standard library only, nothing needed but Python 3.11.

``python tools/environment.py run`` installs what the command line needs, ``check`` adds what the tests need. Two at
once wait for each other; one that was stopped half-way is made again from the start.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import time
import venv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
UNFINISHED = VENV / "unfinished"
PIP_WHEEL = ROOT / "tools" / "pip-26.3-py3-none-any.whl"
PIP_SHA256 = "f3b60b20ffaadd4415ed7957212a38ac63fa4c5fa375bd0f4a797777940fad13"
KINDS = ("run", "check")


def say(text: str) -> None:
    print(f"stanch: {text}", file=sys.stderr, flush=True)


def lock_file(kind: str) -> Path:
    return ROOT / "requirements" / f"{kind}.txt"


def stamp(kind: str) -> bytes:
    """What the environment is made from; the same bytes as ``environment_stamp`` in environment.sh."""
    parts = [lock_file(kind), ROOT / "pyproject.toml", Path(__file__).resolve()]
    return os.fsencode(ROOT) + b"\n" + b"".join(p.read_bytes() for p in parts)


def up_to_date(kind: str) -> bool:
    try:
        return os.access(PYTHON, os.X_OK) and (VENV / f"stamp.{kind}").read_bytes() == stamp(kind)
    except OSError:
        return False


@contextmanager
def one_at_a_time() -> Iterator[None]:
    """Hold the folder of locks; the kernel lets go when the process ends, however it ends."""
    handle = os.open(ROOT / "requirements", os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say("another run is making .venv; waiting for it")
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def usable() -> bool:
    """Whether .venv holds a whole environment with a Python that runs and is new enough."""
    if UNFINISHED.exists() or not os.access(PYTHON, os.X_OK):
        return False
    question = "import sys; sys.exit(sys.version_info < (3, 11) or sys.prefix == sys.base_prefix)"
    return subprocess.run([PYTHON, "-I", "-c", question], capture_output=True, check=False).returncode == 0


def make() -> None:
    if VENV.is_symlink():
        raise SystemExit(f"stanch: {VENV} is a symbolic link. Remove it and run this again.")
    say(f"making .venv with Python {sys.version.split()[0]} (first use; later runs start at once)")
    if VENV.exists():
        shutil.rmtree(VENV)
    VENV.mkdir()
    UNFINISHED.touch()
    venv.EnvBuilder(symlinks=True, with_pip=False).create(VENV)


def installers() -> Iterator[tuple[str, list[str]]]:
    """Commands that can install into .venv, quickest first."""
    uv = shutil.which("uv")
    if uv:
        yield "uv", [uv, "pip", "install", "--quiet", "--python", str(PYTHON)]
    got = hashlib.sha256(PIP_WHEEL.read_bytes()).hexdigest()
    if got != PIP_SHA256:
        raise SystemExit(f"stanch: {PIP_WHEEL} is not the file it should be (sha256 {got}). Get it again from git.")
    pip = [str(PYTHON), f"{PIP_WHEEL}/pip", "install", "--quiet", "--no-input", "--disable-pip-version-check"]
    yield "pip", [*pip, "--no-warn-script-location"]


def install(kind: str) -> None:
    say(f"installing what `{kind}` needs from requirements/{kind}.txt (hashes are checked)")
    environment = {name: value for name, value in os.environ.items() if name not in ("PIP_TARGET", "PIP_PREFIX")}
    environment |= {"PIP_USER": "0", "PIP_REQUIRE_VIRTUALENV": "0", "PYTHONNOUSERSITE": "1"}
    environment.setdefault("UV_SYSTEM_CERTS", "1")  # as pip does; a workplace's own certificates are there
    options = ["--require-hashes", "--only-binary", ":all:", "-r", str(lock_file(kind))]
    failure = 1
    for name, command in installers():
        failure = subprocess.run(
            [*command, *options], env=environment, stdin=subprocess.DEVNULL, check=False
        ).returncode
        if failure == 0:
            return
        say(f"{name} could not install the lock (exit {failure})")
    raise SystemExit("stanch: the packages could not be installed; the lines above say why. Nothing else was changed.")


def point_at_source() -> None:
    """Make ``import stanch`` find this checkout."""
    site = subprocess.run(
        [PYTHON, "-I", "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.rstrip("\n")
    Path(site, "stanch_checkout.pth").write_bytes(os.fsencode(ROOT / "src") + b"\n")


def main(kind: str) -> None:
    with one_at_a_time():
        if up_to_date(kind):
            return
        start = time.monotonic()
        if not usable():
            make()
        UNFINISHED.touch()
        install(kind)
        point_at_source()
        kinds = KINDS if kind == "check" else (kind,)
        for done in kinds:
            (VENV / f"stamp.{done}").write_bytes(stamp(done))
        UNFINISHED.unlink()
        say(f".venv is ready ({time.monotonic() - start:.0f} s)")


if __name__ == "__main__":
    if len(sys.argv) != 2 or sys.argv[1] not in KINDS:
        raise SystemExit(f"usage: environment.py {'|'.join(KINDS)}")
    try:
        main(sys.argv[1])
    except KeyboardInterrupt:
        raise SystemExit(130) from None
