"""What a command says of a bad file: exit status 2 and one clear line; run in this process, as if typed."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

from fillside.cli.group import exit_status
from protocol.wild.trial import one_line

WRONG_USE = 2


def refused_by(*words: str | Path) -> str:
    """The one line that a command refuses with, or "" where it does as it is told."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = exit_status([str(word) for word in words])
    said = err.getvalue()
    assert "Traceback" not in said + out.getvalue(), said
    assert "a fault in Fillside itself" not in said, said
    if status == 0:
        return ""
    assert status == WRONG_USE, f"exit status {status}: {said}"
    assert out.getvalue() == "", f"printed before it refused: {out.getvalue()[:200]!r}"
    assert said.endswith("\n"), f"no whole line: {said!r}"
    return one_line(said[:-1])
