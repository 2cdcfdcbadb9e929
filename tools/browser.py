"""Find a Chromium for the browser tests, or install Debian's where that is allowed."""

from __future__ import annotations

import os
import shutil
import subprocess

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
PACKAGES = ("chromium", "libatomic1", "fonts-dejavu-core")


def find() -> str | None:
    """Path of a browser that runs: ``STANCH_BROWSER`` first, then the usual names."""
    for name in (os.environ.get("STANCH_BROWSER"), *NAMES):
        path = shutil.which(name) if name else None
        if path and _runs(path):
            return path
    return None


def find_or_install() -> tuple[str | None, str]:
    """A browser's path or None, and the reason where something is to be said."""
    found = find()
    if found:
        return found, ""
    if not shutil.which("apt-get"):
        return None, "none installed, and no apt-get to install one"
    if os.geteuid() != 0:
        return None, f"none installed; as root: apt-get install {' '.join(PACKAGES)}"
    env = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    install = ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *PACKAGES]
    for command in (["apt-get", "update", "-qq"], install):
        done = subprocess.run(
            command, env=env, stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace", check=False
        )
        if done.returncode != 0 and command is install:
            last = (done.stderr.strip().splitlines() or ["no message"])[-1]
            return None, f"apt-get could not install it: {last}"
    found = find()
    return found, "" if found else "installed, but it does not start"


def _runs(path: str) -> bool:
    try:
        done = subprocess.run(
            [path, "--version"], capture_output=True, stdin=subprocess.DEVNULL, timeout=60, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0
