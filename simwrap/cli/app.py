"""The command line: ``simwrap COMMAND``; each group of commands has a module beside this one.

Tables for people by default, one JSON object with ``--json``. Exit codes: 0 done, 1 goals not met (``choose``), or a
rating exceeded or unstable (``check``), 2 bad input (one sentence on stderr), 3 the engine failed (its reason, the
netlist kept), 4 the computer has run out of something (room on a disk, files, processes, memory), 130 interrupted
(what is done is kept where a file was named). A reader that closes the pipe early (``| head``) ends a command quietly,
with 0.
"""

from __future__ import annotations

import contextlib
import sys
import warnings
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from simwrap.cli import output
from simwrap.errors import EXIT_BAD_INPUT, EXIT_INTERRUPTED, EXIT_SYSTEM, InputError, SimwrapError


class _PipeClosed(Exception):
    """The reader of the output has gone."""


class _Interrupted(Exception):
    """Somebody pressed Ctrl-C; the words say what is kept."""


class _Commands(TyperGroup):
    """The group of all commands: what typer would turn into an exit code by itself is told apart here."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise _PipeClosed from None
        except KeyboardInterrupt as stopped:
            raise _Interrupted(str(stopped)) from None

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands, each with its whole first sentence."""
        rows = []
        for name in self.list_commands(ctx):
            command = self.get_command(ctx, name)
            if command is not None and not command.hidden:
                rows.append((name, command.get_short_help_str(limit=1000)))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


app = typer.Typer(
    name="simwrap",
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

# typer carries its own copy of click, or uses the installed one: take the base of its errors.
_UsageError = typer.BadParameter.__mro__[1]
_ClickException: Any = _UsageError.__mro__[1]


def _tell_version(wanted: bool) -> None:
    if wanted:
        from simwrap import __version__

        print(f"simwrap {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def start(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and exit.", callback=_tell_version, is_eager=True)
    ] = False,
) -> None:
    """Simulate valve audio stages before soldering.

    The voltages in these circuits kill: see the README's cautions. `simwrap COMMAND -h` has the options of a command.
    Exit codes: 0 done; 1 goals not met (choose), or a rating exceeded or unstable (check); 2 bad input; 3 the simulator
    failed; 4 the computer has run out of something, such as room on a disk; 130 interrupted.
    """
    if context.invoked_subcommand is None:
        print(context.get_help())


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; never shows a traceback for what a user can cause."""
    output.prepare()
    warnings.showwarning = lambda message, *_: output.note(str(message))
    try:
        # They add their commands to the app.
        for name in ("measure", "amplifier", "bench", "sheet", "library", "design", "valve"):
            import_module(f"simwrap.cli.{name}_commands")
        command = typer.main.get_command(app)
        for word in arguments or ():  # a shell can't pass it, a program can
            if "\0" in word:
                raise InputError(f"{word!r} holds a NUL, which no name has")
        code = command.main(args=arguments, prog_name="simwrap", standalone_mode=False)
        sys.stdout.flush()
    except SimwrapError as fault:
        code = _said(fault, fault.exit_code)
    except _ClickException as fault:
        code = _said(fault.format_message(), EXIT_BAD_INPUT)
    except (typer.Abort, KeyboardInterrupt, _Interrupted) as stopped:
        code = _said(stopped if str(stopped) else "interrupted", EXIT_INTERRUPTED)
    except (BrokenPipeError, _PipeClosed):
        code = 0
    except OSError as fault:
        about = f"{fault.filename}: " if fault.filename else ""
        code = _said(f"the system refused something: {about}{fault.strerror or fault}", EXIT_SYSTEM)
    except ImportError as fault:  # of a library that there is no room for
        code = _said(f"a library can't be loaded: {fault}", EXIT_SYSTEM)
    except MemoryError:
        code = _said("there is not enough memory", EXIT_SYSTEM)
    output.close()
    sys.exit(code if isinstance(code, int) else 0)


def _said(words: object, code: int) -> int:
    """Say on stderr, in one line, why a command ended, and return its exit code."""
    with contextlib.suppress(BrokenPipeError):
        print(f"simwrap: {' '.join(str(words).split())}", file=sys.stderr)
    return code
