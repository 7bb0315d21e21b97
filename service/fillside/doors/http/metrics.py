"""The metrics at `/metrics` in the text format of Prometheus, by its client library.

Names keep that project's conventions (prometheus.io, "Metric and label naming"): one prefix, base units in
the plural, `_total` on counters. Stops and lux are not base units and are spelled out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import version
from typing import Any, get_args

from prometheus_client import CollectorRegistry, Histogram, ProcessCollector
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.registry import Collector

from fillside.doors.http.connection_limits import ConnectionTable, End
from fillside.doors.listener import DoorFigures
from fillside.runtime.loop import Runner
from fillside.storage.store import Store

FRAME_S = 1 / 44
_VERSION = re.compile(r"version=\d{1,3}(\.\d{1,3}){0,3}", re.ASCII)
LATENCIES_S = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1.0)
LATENESSES_S = (0.0005, 0.001, 0.002, 0.005, 0.01, FRAME_S, 0.05, 0.1, 0.5)
MODES, WIRES, DOORS = ("follow", "freeze", "dark"), ("ok", "late", "lost"), ("ok", "lost")
HEADS = (*WIRES, "disobeying")

Doors = Callable[[], Mapping[str, DoorFigures]]


class Metrics:
    """The metrics of one daemon, in a registry of its own."""

    def __init__(self, runner: Runner, store: Store, doors: Doors, connections: ConnectionTable) -> None:
        self._registry = CollectorRegistry()
        ProcessCollector(registry=self._registry)
        runner.counts.order_took = Histogram(
            "fillside_order_latency_seconds",
            "From an order's arrival at the hold until its first frame is with the drivers.",
            buckets=LATENCIES_S,
            registry=self._registry,
        ).observe
        runner.counts.frame_late_by = Histogram(
            "fillside_frame_lateness_seconds",
            "How long after its time a frame of a fade was worked out.",
            buckets=LATENESSES_S,
            registry=self._registry,
        ).observe
        self._registry.register(_DaemonCollector(runner, store, doors, connections))

    def text(self, accept: str) -> tuple[bytes, str]:
        """Return the metrics and their content type, in the format that an Accept header asks for.

        The library compares versions as numbers and fails on any others, so formats with such versions are
        ignored.
        """
        encode, content_type = choose_encoder(",".join(filter(_is_numbered, accept.split(","))))
        return encode(self._registry), content_type


def _is_numbered(form: str) -> bool:
    """Return true if every version in one format of an Accept header consists of numbers and dots."""
    parts = (part.strip() for part in form.split(";"))
    return all(_VERSION.fullmatch(part) for part in parts if part.startswith("version="))


class _DaemonCollector(Collector):
    """Reads the daemon at each request."""

    def __init__(self, runner: Runner, store: Store, doors: Doors, connections: ConnectionTable) -> None:
        self._runner, self._store, self._doors, self._connection_table = runner, store, doors, connections

    def describe(self) -> Iterator[Metric]:
        """Describe nothing, so that registration does not read the daemon."""
        return iter(())

    def collect(self) -> Iterator[Metric]:
        yield InfoMetricFamily("fillside_build", "Which Fillside this is.", {"version": version("fillside")})
        yield from _light(self._runner.state())
        yield from _orders(self._runner)
        yield from _wires(self._runner)
        yield from _doors(self._doors())
        yield from _connections(self._connection_table)
        yield from _side_jobs(self._runner)
        yield _gauge("storage_ok", "1 while data can be stored.", float(self._store.trouble is None))


def _gauge(name: str, says: str, value: float | None) -> GaugeMetricFamily:
    """Make a gauge; without a value it has no sample."""
    found = GaugeMetricFamily(f"fillside_{name}", says)
    if value is not None:
        found.add_metric([], value)
    return found


def _light(state: Mapping[str, Any]) -> Iterator[Metric]:
    light = state["achieved"]
    yield _gauge("ratio_error_stops", "Ratio at the subject against the wanted.", light["ratio_error_stops"])
    yield _gauge(
        "exposure_error_stops",
        "Exposure at the subject against the wanted.",
        light["exposure_error_stops"],
    )
    yield _gauge("ratio_stops", "Key over fill at the subject.", light["ratio_stops"])
    yield _gauge("exposure_lux", "Exposure at the subject.", light["exposure_lux"])
    for what, stops in state["uncertainty"].items():
        name = what.removesuffix("_stops")
        yield _gauge(f"{name}_uncertainty_stops", f"Expanded uncertainty of the {name}, k = 2.", stops)
    ticks = GaugeMetricFamily("fillside_as_wanted", "1 for what every door may tick.", labels=["what"])
    for what, ticked in state["ticks"].items():
        ticks.add_metric([what], float(ticked))
    yield ticks
    yield _gauge("limits", "How many limits stand in the way of the balance.", len(state["limits"]))
    working = [head["works"] for head in state["heads"]]
    yield _gauge("heads", "Heads of the rig.", len(working))
    yield _gauge("heads_lost", "Heads that cannot be reached.", working.count(False))
    states: dict[tuple[str, ...], str] = {(head["name"],): head["state"] for head in state["heads"]}
    yield _states("head_state", "How each head is.", states, ("head",), HEADS)
    yield _since("head", {head["name"]: head["since"] for head in state["heads"]})
    yield _since("driver", {name: driver["since"] for name, driver in state["drivers"].items()})
    yield _states("mode", "What is done with the light.", {(): state["mode"]}, (), MODES)


def _since(what: str, times: Mapping[str, float]) -> GaugeMetricFamily:
    says = f"Unix time at which the {what}'s state became what it is."
    found = GaugeMetricFamily(f"fillside_{what}_state_since_seconds", says, labels=[what])
    for name, unix_s in times.items():
        found.add_metric([name], unix_s)
    return found


def _orders(runner: Runner) -> Iterator[Metric]:
    counts, live = runner.counts, runner.live
    yield CounterMetricFamily("fillside_orders", "Orders obeyed, a tracker's reports too.", counts.orders)
    refused = CounterMetricFamily("fillside_orders_refused", "Orders not obeyed, by code.", labels=["code"])
    for code, count in sorted(counts.refused_by_code.items()):
        refused.add_metric([code], count)
    yield refused
    yield _gauge("live_readers", "Readers of the live state.", live.readers)
    yield CounterMetricFamily("fillside_live_readers_dropped", "Readers that did not keep up.", live.dropped)
    reloads = CounterMetricFamily("fillside_reloads", "Rig files taken anew, or refused.", labels=["result"])
    reloads.add_metric(["done"], counts.reloads)
    reloads.add_metric(["refused"], counts.reloads_refused)
    yield reloads


def _connections(connections: ConnectionTable) -> Iterator[Metric]:
    yield _gauge("connections", "Connections over HTTP now.", len(connections))
    ended = CounterMetricFamily("fillside_connections_ended", "Connections ended by us.", labels=["why"])
    for why in get_args(End):
        ended.add_metric([why], connections.ended[why])
    yield ended


def _side_jobs(runner: Runner) -> Iterator[Metric]:
    failed = CounterMetricFamily("fillside_job_failures", "Failures of side jobs.", labels=["job"])
    for name, count in sorted(runner.jobs.failures.items()):
        failed.add_metric([name], count)
    yield failed
    yield _gauge("jobs_in_trouble", "Side jobs that failed lately.", len(runner.jobs.state()))


def _wires(runner: Runner) -> Iterator[Metric]:
    labels = ["driver"]
    sent = CounterMetricFamily("fillside_frames_sent", "Frames put on the wire.", labels=labels)
    late = CounterMetricFamily("fillside_frames_late", "Frames that left late.", labels=labels)
    errors = CounterMetricFamily("fillside_driver_errors", "Refusals of the wire.", labels=labels)
    states: dict[tuple[str, ...], str] = {}
    for name, driver in runner.wires.in_use.drivers.items():
        health = driver.health
        states[(name,)] = str(health.state)
        sent.add_metric([name], health.frames_sent)
        late.add_metric([name], health.frames_late)
        errors.add_metric([name], health.errors)
    yield from (sent, late, errors)
    yield _states("driver_state", "How each wire is.", states, ("driver",), WIRES)


def _doors(doors: Mapping[str, DoorFigures]) -> Iterator[Metric]:
    heard = CounterMetricFamily("fillside_door_messages", "Messages heard.", labels=["door"])
    refused = CounterMetricFamily("fillside_door_messages_refused", "Not obeyed.", labels=["door"])
    dropped = CounterMetricFamily("fillside_door_messages_dropped", "Not answered either.", labels=["door"])
    for name, figures in doors.items():
        heard.add_metric([name], figures.received)
        refused.add_metric([name], figures.refused)
        dropped.add_metric([name], figures.dropped)
    yield from (heard, refused, dropped)
    states: dict[tuple[str, ...], str] = {(name,): figures.state for name, figures in doors.items()}
    yield _states("door_state", "How each door is.", states, ("door",), DOORS)


def _states(
    name: str,
    says: str,
    current: Mapping[tuple[str, ...], str],
    labels: tuple[str, ...],
    states: tuple[str, ...],
) -> StateSetMetricFamily:
    """Make a state set: 1 for the present state, 0 for the others."""
    found = StateSetMetricFamily(f"fillside_{name}", says, labels=labels)
    for values, state in current.items():
        found.add_metric(list(values), {each: each == state for each in states})
    return found
