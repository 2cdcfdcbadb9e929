"""The command line: one group, one file per command, one place where errors become exit codes."""

from __future__ import annotations

import logging
import os
import sys
from typing import Any

import click

from stanch.errors import StanchError
from stanch.version import __version__

__all__ = ["main", "run"]

EXIT_CODES = """\b
Exit codes:
  0    done
  1    a fault of ours
  2    the call cannot be meant
  3    something handed in is wrong
  4    stored data is not what was written
  5    nothing could be read
  130  interrupted"""

COMMANDS = (
    "demo",
    "simulate",
    "expect",
    "population",
    "convert",
    "inspect",
    "recover",
    "analyse",
    "rheology",
    "forecast",
    "learn",
    "verify",
    "selfcheck",
)


class LazyGroup(click.Group):
    """Imports a command's module only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Commands in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of this name, or None."""
        if cmd_name not in COMMANDS:
            return None
        module = __import__(f"stanch.cli.{cmd_name}", fromlist=["command"])
        command: click.Command = module.command
        return command


@click.group(cls=LazyGroup, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="stanch")
@click.option("-v", "--verbose", count=True, help="Say more on stderr; twice for debugging.")
def main(verbose: int) -> None:
    """An open bench for assays that read the shear modulus of clotting blood.

    For research and assay development; not a medical device.
    """
    level = (logging.WARNING, logging.INFO, logging.DEBUG)[min(verbose, 2)]
    logging.basicConfig(level=level, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("stanch").setLevel(level)
    for noisy in ("matplotlib", "numba", "fontTools"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


def run(args: list[str] | None = None) -> None:
    """Run the command line and leave with a documented exit code.

    Parameters
    ----------
    args : list of str, optional
        Instead of the process's own arguments.
    """
    sys.exit(_run(args))


def _run(args: list[str] | None) -> int:
    try:
        outcome: Any = main.main(args=args, prog_name="stanch", standalone_mode=False)
        sys.stdout.flush()
        return outcome if isinstance(outcome, int) else 0
    except StanchError as error:
        _say(error)
        return error.exit_code
    except click.UsageError as error:
        hint = f" See: {error.ctx.command_path} --help" if error.ctx else ""
        _line(f"stanch: {error.format_message()}{hint}")
        return 2
    except click.ClickException as error:
        _line(f"stanch: {error.format_message()}")
        return 2
    except (KeyboardInterrupt, click.Abort):
        _line("stanch: interrupted; nothing was left behind.")
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        _line("stanch: out of memory. Close other programs or analyse fewer wells at once.")
        return 1
    except OSError as error:
        name = f" {error.filename}" if error.filename else ""
        _line(f"stanch: {error.strerror or error}:{name}. Check the path, its rights and the free space.")
        return 3
    except Exception as error:
        if logging.getLogger("stanch").isEnabledFor(logging.INFO):
            logging.getLogger("stanch").exception("internal fault")
        _line(f"stanch: a fault of ours: {type(error).__name__}: {error}. Run with -v for the traceback and report it.")
        return 1


def _say(error: StanchError) -> None:
    _line(f"stanch: {error}")


def _line(text: str) -> None:
    print(" ".join(text.split()), file=sys.stderr)
