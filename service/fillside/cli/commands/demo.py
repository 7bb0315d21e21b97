"""``fillside demo``: a made-up studio, the real daemon, and a summary at the end."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fillside.cli.group import Failure
from fillside.cli.parameters import CountType, SecondsType
from fillside.cli.render.state import one_line, state_lines
from fillside.cli.terminal import TerminalScreen
from fillside.text import numbers

if TYPE_CHECKING:
    from fillside.demo.play import Demonstration, DemoScore

DRAW_EVERY_S = 0.2
PRINT_EVERY_S = 2.0


@click.command(
    epilog="""\b
Examples:
  fillside demo --seconds 15
  fillside demo --mqtt           with two bulbs behind a broker
  fillside demo                  until Ctrl-C; meanwhile, in another terminal:
    fillside balance 3:1
    fillside trim fill -1/2
"""
)
@click.option("--seconds", type=SecondsType(1, 86_400), metavar="N", help="End by itself.")
@click.option("--port", type=CountType(0, 65535), default=7420, show_default=True, help="Of the page.")
@click.option("--mqtt", is_flag=True, help="Two of the lamps are bulbs behind an MQTT broker, Mosquitto.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON and nothing else.")
def demo(seconds: float | None, port: int, mqtt: bool, as_json: bool) -> None:
    """A simulated pottery studio: the potter walks, the light keeps up. No hardware, no lamp."""
    from fillside.daemon.logs import log_to_stderr
    from fillside.demo.broker import BrokerUnavailableError

    log_to_stderr(level=30)
    try:
        asyncio.run(_demo(seconds, port, mqtt, as_json))
    except BrokerUnavailableError as error:
        raise Failure(str(error)) from error


async def _demo(seconds: float | None, port: int, mqtt: bool, as_json: bool) -> None:
    from fillside.demo.play import BULBS, running_demo, walk_about

    with tempfile.TemporaryDirectory(prefix="fillside-demo-") as folder:
        async with running_demo(Path(folder), port, mqtt) as play:
            if not as_json:
                click.echo(f"A pottery studio, simulated, without hardware: {play.running.url}")
                if play.broker_port is not None:
                    click.echo(f"{' and '.join(BULBS)} are bulbs behind Mosquitto; look on with:")
                    click.echo(f"  mosquitto_sub -p {play.broker_port} -t 'pottery/#' -v")
                click.echo("The potter walks between wheel, table and shelf. Ctrl-C ends it.\n")
            view = None if as_json else _LiveView(play)
            walking = asyncio.current_task()
            assert walking is not None, "a coroutine that runs is in a task"
            with contextlib.suppress(asyncio.CancelledError):
                await walk_about(play, seconds, view.show if view else lambda elapsed: None)
            # Ctrl-C arrives as a cancellation; the summary must still be printed.
            if walking.cancelling():
                walking.uncancel()
            score = play.score
            if view is not None:
                view.end()
    click.echo(json.dumps(_figures(score)) if as_json else "\n".join(_summary(score)))
    if not score.judged_s:
        raise Failure("it ended before anything was judged")


class _LiveView:
    """Draws the state on a terminal; elsewhere prints a line now and then."""

    def __init__(self, play: Demonstration) -> None:
        self._play = play
        self._on_screen = sys.stdout.isatty()
        self._screen = TerminalScreen()
        self._next_s = 0.0

    def show(self, elapsed_s: float) -> None:
        if elapsed_s < self._next_s:
            return
        self._next_s = elapsed_s + (DRAW_EVERY_S if self._on_screen else PRINT_EVERY_S)
        state = self._play.running.runner.state()
        if self._on_screen:
            self._screen.draw([*state_lines(state), "", *_tally(self._play.score)])
        else:
            click.echo(f"{elapsed_s:5.1f} s  {one_line(state)}")

    def end(self) -> None:
        if self._on_screen:
            self._screen.end()


def _tally(score: DemoScore) -> list[str]:
    if score.last is None or score.last_fixed is None:
        return []
    return numbers.table(
        [
            ["on the face now", "ratio off by", "exposure off by", "within 0.15 stop so far"],
            [
                "with Fillside",
                numbers.stops(score.last.ratio_error_stops),
                numbers.stops(score.last.exposure_error_stops),
                _share(score.following_s, score.judged_s),
            ],
            [
                "levels left alone",
                numbers.stops(score.last_fixed.ratio_error_stops),
                numbers.stops(score.last_fixed.exposure_error_stops),
                _share(score.fixed_s, score.judged_s),
            ],
        ]
    )


def _share(part_s: float, whole_s: float) -> str:
    return f"{part_s:.1f} of {whole_s:.1f} s" if whole_s else numbers.NOTHING


def _summary(score: DemoScore) -> list[str]:
    all_s = score.judged_s
    rows = [
        ["with Fillside", _share(score.following_s, all_s), _percent(score.following_s, all_s)],
        ["with levels left alone", _share(score.fixed_s, all_s), _percent(score.fixed_s, all_s)],
    ]
    return [
        "",
        "The face was within 0.15 stop of the wanted ratio and exposure",
        *(f"  {line}" for line in numbers.table(rows, right=(1, 2))),
        "on the same walk, read in the simulated room; left alone are the levels that suit the first mark.",
    ]


def _percent(part_s: float, whole_s: float) -> str:
    return f"{100 * part_s / whole_s:.0f} %" if whole_s else numbers.NOTHING


def _figures(score: DemoScore) -> dict[str, float]:
    return {
        "within_stops": 0.15,
        "seconds": round(score.judged_s, 1),
        "seconds_with_fillside": round(score.following_s, 1),
        "seconds_left_alone": round(score.fixed_s, 1),
    }
