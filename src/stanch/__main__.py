"""``python -m stanch``."""

from stanch.cli.main import run

if __name__ == "__main__":
    run()
