"""Contract: work done in a process of its own: answers, failures, and an end whatever ends us."""

from __future__ import annotations

import asyncio
import io
import operator
import os
import pickle
import struct
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from fillside.background.worker_process import WorkerError, WorkerProcess, serve
from fillside.daemon import reload
from fillside.rig_file import load_rig


@pytest.fixture
async def apart() -> AsyncIterator[WorkerProcess]:
    made = WorkerProcess()
    yield made
    await made.close()


async def test_it_answers_from_another_process(apart: WorkerProcess) -> None:
    assert await apart.run(operator.add, 1, 2) == 3
    first = await apart.run(os.getpid)
    assert first != os.getpid()
    assert await apart.run(os.getpid) == first


async def test_what_fails_is_said_and_the_next_goes_on(apart: WorkerProcess) -> None:
    with pytest.raises(WorkerError, match="ZeroDivisionError: "):
        await apart.run(operator.floordiv, 1, 0)
    assert await apart.run(operator.floordiv, 7, 2) == 3


async def test_a_process_that_dies_is_said_and_begun_anew(apart: WorkerProcess) -> None:
    before = await apart.run(os.getpid)
    with pytest.raises(WorkerError, match="ended"):
        await apart.run(os._exit, 3)
    assert await apart.run(os.getpid) != before


async def test_work_that_is_given_up_leaves_no_answer_for_the_next(apart: WorkerProcess) -> None:
    await apart.begin()
    slow = asyncio.create_task(apart.run(time.sleep, 30.0))
    await asyncio.sleep(0)
    slow.cancel()
    with pytest.raises(asyncio.CancelledError):
        await slow
    assert await apart.run(operator.add, 1, 1) == 2


async def test_works_wait_for_each_other(apart: WorkerProcess) -> None:
    found = await asyncio.gather(*(apart.run(operator.mul, number, number) for number in range(5)))
    assert found == [0, 1, 4, 9, 16]


async def test_closing_twice_is_closing_once(apart: WorkerProcess) -> None:
    await apart.begin()
    await apart.close()
    await apart.close()


def test_whoever_serves_ends_when_nobody_asks_any_more() -> None:
    """Also in the middle of a word, as when the asker was killed while it wrote."""
    question = pickle.dumps((operator.add, (1, 2), {}))
    asked = struct.pack("!Q", len(question)) + question
    for left in (b"", b"\x00\x00"):
        answers = io.BytesIO()
        serve(io.BytesIO(asked + asked + left), answers)
        answers.seek(0)
        for _ in range(2):
            (length,) = struct.unpack("!Q", answers.read(8))
            assert pickle.loads(answers.read(length)) == (True, 3)
        assert answers.read() == b""


CHILD = """
import asyncio, os, sys
from fillside.background.worker_process import WorkerProcess
async def main():
    apart = WorkerProcess()
    print(await apart.run(os.getpid), flush=True)
    await asyncio.sleep(60)
asyncio.run(main())
"""


def test_it_ends_when_we_are_killed() -> None:
    """Its end closes the pipe that it shares with nobody else: `communicate` would wait for it else."""
    ours = subprocess.Popen([sys.executable, "-c", CHILD], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert ours.stdout is not None
    number = int(ours.stdout.readline())
    os.kill(number, 0)
    ours.kill()
    ours.communicate(timeout=60)
    assert ours.returncode != 0


async def test_what_wants_more_memory_than_it_may_have_is_said_and_the_next_goes_on() -> None:
    apart = WorkerProcess(most_bytes=512 * 2**20)
    try:
        with pytest.raises(WorkerError, match="wants more memory than there is for it"):
            await apart.run(bytes, 2**30)
        assert len(await apart.run(bytes, 2**10)) == 2**10
    finally:
        await apart.close()


async def test_a_rig_file_is_read_within_bounds_and_what_is_wrong_with_it_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = Path(__file__).parents[2] / "config" / "desk.toml"
    os.mkfifo(tmp_path / "rig.toml")
    assert (await reload._read_in_process(good)) == load_rig(good)
    with pytest.raises(reload.ReloadError, match=r"rig\.toml: it is a pipe, not a plain file"):
        await reload._read_in_process(tmp_path / "rig.toml")
    monkeypatch.setattr(reload, "READ_WITHIN_S", 0.0)
    with pytest.raises(reload.ReloadError, match="cannot be read: it took longer than 0 s"):
        await reload._read_in_process(good)
