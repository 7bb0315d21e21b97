"""The command line: ``fillside VERB …``.

Only `main` is imported at first; each command's module is loaded when the command is called, so that an order
in the middle of a take is as quick as Python allows.
"""

from __future__ import annotations


def main() -> None:
    """Run the ``fillside`` command."""
    from fillside.cli.group import run

    run()
