"""The group of all commands, their completion in a shell, and the exit status of every failure."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
from typing import Any, NoReturn

import click

from fillside.cli.table import COMMANDS, HEADINGS

FAILED, WRONG_USE = 1, 2
PACKAGE_OF = {
    "markdown_it": "markdown-it-py",
    "paho": "paho-mqtt",
    "pythonosc": "python-osc",
    "serial": "pyserial",
}
"""Packages whose name differs from that of their module."""

EXAMPLES = """\b
Try it without any lamp:
  fillside demo
Hold a rig, then in another terminal:
  fillside run studio.toml
  fillside balance 3:1          key three times the fill
  fillside trim fill -1/2       half a stop less fill, by hand
  fillside move desk            the subject goes to the desk
  fillside watch                ratio, face and levels, live
"""


class Failure(click.ClickException):
    """A failure other than the user's input; one line, exit status 1."""

    exit_code = FAILED


class WrongUse(click.ClickException):
    """A fault in the input, or in a file that it names; one line, exit status 2."""

    exit_code = WRONG_USE


class LazyGroup(click.Group):
    """Loads the module of a command when it is called, and lists all commands without loading any."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        module, _, name = entry.where.partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            raise WrongUse(f"there is no command {args[0]!r}{_nearest(args[0])}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for heading in HEADINGS:
            rows = [(name, entry.does) for name, entry in COMMANDS.items() if entry.heading == heading]
            with formatter.section(heading):
                formatter.write_dl(rows)


def _nearest(name: str) -> str:
    import difflib

    near = difflib.get_close_matches(name, COMMANDS, n=1)
    return f"; did you mean {near[0]}?" if near else "; `fillside --help` lists them all"


def _version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"fillside {version('fillside')}")
        ctx.exit()


@click.command(
    cls=LazyGroup,
    epilog=EXAMPLES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Print the version."
)
def fillside() -> None:
    """Hold the ratio of key to fill, and the exposure, on a face by dimming the lamps."""


@click.command(
    epilog="""\b
Examples:
  fillside completion bash > ~/.local/share/bash-completion/completions/fillside
  fillside completion zsh > ~/.zfunc/_fillside
  fillside completion fish > ~/.config/fish/completions/fillside.fish
"""
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """Print what makes your shell complete commands."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    assert kind is not None, "click knows the three shells"
    complete = kind(fillside, {}, "fillside", "_FILLSIDE_COMPLETE")
    # `source` would ask the installed bash for its version, which the text does not depend on.
    click.echo(kind.source_template % complete.source_vars())


def run(args: list[str] | None = None) -> NoReturn:
    """Run one command line, then exit with its status."""
    from fillside.cli.terminal import escaped_output

    with escaped_output():
        status = exit_status(args)
    sys.exit(status)


def exit_status(args: list[str] | None) -> int:
    try:
        result: Any = fillside.main(args, prog_name="fillside", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.ctx.get_help() if error.ctx else "", err=True)
        return WRONG_USE
    except click.ClickException as error:
        _print_error(error.format_message(), _usage_hint(error))
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        return 130
    except BrokenPipeError:
        _discard_stdout()
        return FAILED
    except OSError as error:
        from fillside.system_errors import why

        _print_error(f"{error.filename + ': ' if isinstance(error.filename, str) else ''}{why(error)}")
        return FAILED
    except Exception as error:
        if os.environ.get("FILLSIDE_TRACE"):
            raise
        _print_error(_fault(error))
        return FAILED
    return result if isinstance(result, int) and not isinstance(result, bool) else 0


def _fault(error: Exception) -> str:
    """Describe a missing package, or a fault in Fillside itself."""
    module = (error.name or "").partition(".")[0] if isinstance(error, ModuleNotFoundError) else ""
    if module and not module.startswith("fillside"):
        from fillside.system_errors import package_missing

        return package_missing(PACKAGE_OF.get(module, module))
    return f"a fault in Fillside itself: {type(error).__name__}: {error} (FILLSIDE_TRACE=1 shows where)"


def _print_error(message: str, hint: str = "") -> None:
    line = " ".join(message.split())
    with contextlib.suppress(OSError):
        click.echo(f"fillside: {line}{hint}", err=True)


def _usage_hint(error: click.ClickException) -> str:
    ctx = getattr(error, "ctx", None)
    return f" (see `{ctx.command_path} --help`)" if isinstance(ctx, click.Context) else ""


def _discard_stdout() -> None:
    """Discard the interpreter's last flush, since the reader of the output has gone."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
