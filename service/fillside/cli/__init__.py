"""The command line: ``fillside VERB …``.

`main` is all that is imported at first; each command's module comes in only when it is called, so that
an order in the middle of a take is as quick as the Python it runs on.
"""

from __future__ import annotations


def main() -> None:
    """The entry point of the ``fillside`` command."""
    from fillside.cli.group import run

    run()
