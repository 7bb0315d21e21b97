"""Load on each circuit, and heat in the modifiers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fillside.planning.figures import PlanningAnswer
from fillside.rig.tables.model import Head, Rig

MARGIN = 0.8
"""Share of a breaker for a continuous load: the reciprocal of the 125 % of NFPA 70 (NEC) 210.20(A)."""
HOT_SHARE = 0.8
"""Share of a modifier's rated watts from which its heat is reported (common practice, no source)."""

ASSUMES = (
    "rated watts at full with a power factor of 1; electronic lamps can draw half as much current again, and "
    "a surge when switched on. The 80 % margin is a rule of one country and prudence elsewhere: local codes "
    "and a licensed electrician come first"
)


def continuous_watts(volts: float, amps: float, margin: float = MARGIN) -> float:
    """Return the load [W] a circuit should carry for hours: volts times breaker amps times the margin.

    NFPA 70 (NEC) 210.20(A): continuous loads, three hours or more, at 125 % of their current, so 80 % of the
    breaker. Raises ValueError for volts or amps that are not above 0.

    >>> round(continuous_watts(120, 20))
    1920
    """
    if volts <= 0 or amps <= 0:
        raise ValueError("volts and amps are above 0")
    return volts * amps * margin


class CircuitAnswer(PlanningAnswer):
    """A circuit's load at full and its permitted continuous load.

    `over` is true if the load exceeds the limit. `unknown` names the heads on the circuit whose watts the rig
    file does not state; they are not counted.
    """

    circuit: str
    amps_rated: float
    heads: tuple[str, ...]
    load_watts: float
    load_amps: float
    most_watts: float
    over: bool
    unknown: tuple[str, ...]


class HeatAnswer(PlanningAnswer):
    """A head whose lamps come close to the rating of its modifier."""

    head: str
    load_watts: float
    max_watts: float
    share: float


class PowerAnswer(PlanningAnswer):
    """The rig's electrical load at full and its distribution over circuits.

    `volts` is None when the rig file states no mains. `one_circuit_amps` is the breaker that would carry the
    whole load with the margin. `unplugged` names heads on no circuit while others are on one.
    """

    volts: float | None
    total_watts: float
    total_amps: float | None
    unknown: tuple[str, ...]
    unplugged: tuple[str, ...]
    circuits: tuple[CircuitAnswer, ...]
    hot: tuple[HeatAnswer, ...]
    one_circuit_amps: float | None
    assumes: str = ASSUMES


def _load(heads: Sequence[Head]) -> tuple[float, tuple[str, ...]]:
    unknown = tuple(head.name for head in heads if head.load_watts is None)
    return sum(head.load_watts or 0.0 for head in heads), unknown


def _circuit(name: str, rig: Rig, volts: float) -> CircuitAnswer:
    circuit = rig.plan.circuits[name]
    load, unknown = _load([head for head in rig.heads if head.name in circuit.heads])
    load += circuit.other_watts
    most = continuous_watts(volts, circuit.amps)
    return CircuitAnswer(
        circuit=name,
        amps_rated=circuit.amps,
        heads=circuit.heads,
        load_watts=load,
        load_amps=load / volts,
        most_watts=most,
        over=load > most,
        unknown=unknown,
    )


def hot_modifiers(heads: Sequence[Head]) -> tuple[HeatAnswer, ...]:
    """Return the heads whose lamps take more than `HOT_SHARE` of their modifier's rated watts."""
    found = []
    for head in heads:
        load, most = head.load_watts, head.modifier.max_watts
        if load is not None and most is not None and load > HOT_SHARE * most:
            found.append(HeatAnswer(head=head.name, load_watts=load, max_watts=most, share=load / most))
    return tuple(found)


def power_answer(rig: Rig) -> PowerAnswer:
    """Return the load of all heads at full, circuit by circuit, and the heat in their modifiers."""
    volts = rig.plan.mains_volts
    mains = [head for head in rig.heads if not head.on_battery]
    total, unknown = _load(mains)
    plugged = {name for circuit in rig.plan.circuits.values() for name in circuit.heads}
    circuits: Mapping[str, CircuitAnswer] = (
        {} if volts is None else {name: _circuit(name, rig, volts) for name in rig.plan.circuits}
    )
    return PowerAnswer(
        volts=volts,
        total_watts=total,
        total_amps=None if volts is None else total / volts,
        unknown=unknown,
        unplugged=tuple(h.name for h in mains if h.name not in plugged) if plugged else (),
        circuits=tuple(circuits.values()),
        hot=hot_modifiers(rig.heads),
        one_circuit_amps=None if volts is None else total / (volts * MARGIN),
    )
