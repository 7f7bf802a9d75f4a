"""The command line's root: registers the commands and turns every error into one line.

Exit codes: 0 done, 1 failed, 2 wrong usage, 3 done but a check failed, 70 a mistake of the
program's own (`tracer.cli.defect`), 130 interrupted, 143 (129) ended by the system's signal to
terminate (hang up).
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from tracer import __version__
from tracer.atomic import WRITTEN
from tracer.cli.console import EXIT_DONE, EXIT_FAILED, EXIT_INTERRUPTED, EXIT_USAGE, Console
from tracer.errors import TracerError, UsageError
from tracer.interruption import ending

__all__ = ["build_app", "run"]

#: command -> module of tracer.cli with a function of that name, in the order of the job
COMMANDS = (
    "cards", "trace", "holes", "bay", "arrange", "divide", "shelf", "cut", "check", "machines",
    "coupon", "trial", "swap", "inspect", "gaps", "restore", "known", "budget", "desk", "batch",
)  # fmt: skip


def _version(show: bool) -> None:
    if show:
        print(f"tracer {__version__}")
        raise typer.Exit


def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Photographs of tools on a flat sheet to outlines in mm and cutting files for foam."""


def build_app(commands: Sequence[str] = COMMANDS) -> typer.Typer:
    """The typer application with the named commands, each imported only when asked for."""
    app = typer.Typer(
        name="tracer",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        rich_markup_mode=None,
    )
    app.callback()(_root)
    for name in commands:
        module = importlib.import_module(f"tracer.cli.{name}")
        app.command(name)(getattr(module, name))
    return app


def run(arguments: Sequence[str]) -> int:
    """Run the command line; the only place where an error becomes a line and a code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a Windows pipe speaks cp1252 and would stop at the first other letter
            encoding = "utf-8" if "--json" in arguments else None
            stream.reconfigure(encoding=encoding, errors="replace")
    console = Console(as_json="--json" in arguments)
    ending.forget()
    try:
        code = _run(arguments, console)
    except BaseException as error:
        # what goes wrong on the way out is not what the person should hear of
        if not ending.number and not isinstance(error, KeyboardInterrupt):
            raise
        code = EXIT_INTERRUPTED
    if ending.number or code == EXIT_INTERRUPTED:
        console.interrupted(ending.what, ending.asked)
        return ending.exit_code
    return code


def _refuse_lost_folder() -> None:
    try:
        Path.cwd()
    except OSError as error:
        raise UsageError(
            "folder-gone",
            f"The folder in which the command was started cannot be used: {error.strerror}.",
            "It was deleted or renamed since, most likely: change to another one.",
        ) from None


def _run(arguments: Sequence[str], console: Console) -> int:
    try:
        _refuse_lost_folder()
        first = next((a for a in arguments if not a.startswith("-")), "")
        app = build_app([first] if first in COMMANDS else COMMANDS)
        # typer makes EXIT_INTERRUPTED of Ctrl-C in a command
        return int(app(args=list(arguments), prog_name="tracer", standalone_mode=False) or 0)
    except TracerError as error:
        console.error(error, WRITTEN.names)
        return error.exit_code
    except typer.TyperException as error:
        told = error.format_message()
        console.error(TracerError("usage", told if told[-1:] in ".?!" else f"{told}."))
        return EXIT_USAGE
    except typer.Abort:
        return EXIT_INTERRUPTED
    except BrokenPipeError:  # whoever read has gone; there is nobody to tell
        console.mute()
        return EXIT_DONE
    except MemoryError:
        told = "There is not enough memory for this photo."
        console.error(TracerError("out-of-memory", told), WRITTEN.names)
        return EXIT_FAILED
    except ImportError as error:
        if "libGL" in str(error) or "libglib" in str(error) or "libxcb" in str(error):
            console.error(
                TracerError(
                    "library-missing",
                    f"A system library is missing: {error}.",
                    "On Debian or Ubuntu: apt-get install libgl1 libglib2.0-0.",
                )
            )
            return EXIT_FAILED
        raise
