"""``fillside completion``: what a shell needs to complete commands, options and file names."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class


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
    from fillside.cli.group import fillside

    kind = get_completion_class(shell)
    assert kind is not None, "click knows the three shells"
    complete = kind(fillside, {}, "fillside", "_FILLSIDE_COMPLETE")
    # `source` would ask the installed bash for its version; the text itself needs none.
    click.echo(kind.source_template % complete.source_vars())
