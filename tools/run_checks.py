"""Run the project's checks one after another and print what each took."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from browser import find_or_install

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = Path(sys.executable).parent
LABELS = "tests/project/test_labels.py"


@dataclass(frozen=True)
class Step:
    """One check: its name and the commands that must all succeed."""

    name: str
    commands: tuple[tuple[str, ...], ...]


def python_module(module: str, *arguments: str) -> tuple[str, ...]:
    return (sys.executable, "-P", "-m", module, *arguments)


STEPS = (
    Step("lint", ((str(SCRIPTS / "ruff"), "check", "."), (str(SCRIPTS / "ruff"), "format", "--check", "."))),
    Step("types", (python_module("mypy"),)),
    Step("imports", ((str(SCRIPTS / "lint-imports"), "--no-cache"),)),
    Step("docs", (python_module("sphinx", "-W", "--keep-going", "-q", "-b", "html", "docs", "docs/_build/html"),)),
    Step("labels", (python_module("pytest", LABELS),)),
    Step("tests", (python_module("pytest", "-n", "2", "--durations=10", f"--deselect={LABELS}"),)),
)


def environment() -> dict[str, str]:
    """One thread per numerical library: two test processes share two cores; byte code is kept for the timings."""
    chosen = dict(os.environ)
    chosen.pop("PYTHONDONTWRITEBYTECODE", None)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        chosen.setdefault(name, "1")
    chosen.setdefault("NUMBA_NUM_THREADS", "2")
    chosen["PATH"] = f"{SCRIPTS}{os.pathsep}{chosen.get('PATH', os.defpath)}"
    return chosen


def run(step: Step, env: dict[str, str]) -> tuple[bool, float]:
    print(f"\n== {step.name}", flush=True)
    start = time.monotonic()
    good = True
    for command in step.commands:
        code = subprocess.run(command, cwd=ROOT, env=env, stdin=subprocess.DEVNULL, check=False).returncode
        good = good and code == 0
    return good, time.monotonic() - start


def main(names: list[str]) -> int:
    known = {step.name: step for step in STEPS}
    wrong = [name for name in names if name not in known]
    if wrong:
        print(f"check: no step {wrong[0]!r}; the steps are {', '.join(known)}", file=sys.stderr)
        return 2
    steps = [known[name] for name in names] or list(STEPS)
    env = environment()
    if any(step.name == "tests" for step in steps):
        found, why = find_or_install()
        print(f"check: browser: {found or 'none'}{f' ({why})' if why else ''}", flush=True)
        if found:
            env["STANCH_BROWSER"] = found
    results = {step.name: run(step, env) for step in steps}
    print("\n== summary")
    for name, (good, seconds) in results.items():
        print(f"{name:<8} {'ok' if good else 'FAILED':<7} {seconds:6.1f} s")
    failed = sum(not good for good, _ in results.values())
    print(f"check: {len(results) - failed} passed, {failed} failed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
