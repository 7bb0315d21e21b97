"""The table of commands: where their code is, their heading in the help, and a one-line summary."""

from __future__ import annotations

from typing import NamedTuple

from fillside.orders.registry import ORDERS


class CommandEntry(NamedTuple):
    where: str
    heading: str
    does: str


SEE, LIGHT, PLACE, METER, FILE, BEFORE, RUN = (
    "See what the light does",
    "Say what it should do",
    "Say where the subject is and when to follow",
    "Measure with a light meter",
    "Work on a rig file, offline",
    "Plan before the shoot, offline",
    "Start",
)
HEADINGS = (RUN, SEE, LIGHT, PLACE, METER, FILE, BEFORE)

_ = "fillside.cli.commands."


def _order(word: str, heading: str, where: str) -> CommandEntry:
    """Return the entry of a command that gives the order of the same name."""
    return CommandEntry(_ + where, heading, ORDERS[word].help)


COMMANDS: dict[str, CommandEntry] = {
    "demo": CommandEntry(_ + "demo:demo", RUN, "A simulated studio with a subject that walks; no hardware."),
    "run": CommandEntry(_ + "run:run", RUN, "Hold a rig's light until stopped."),
    "token": CommandEntry(_ + "access:token", RUN, "Make and revoke what lets other machines in."),
    "phone": CommandEntry(
        _ + "access:phone", RUN, "Let a phone or a tablet in: an address that is good once."
    ),
    "manual": CommandEntry(_ + "manual:manual", RUN, "The manual, a page a subject."),
    "completion": CommandEntry(
        "fillside.cli.group:completion", RUN, "Print what makes your shell complete commands."
    ),
    "status": CommandEntry(_ + "reports:status", SEE, "Ratio, face, exposure and levels, now."),
    "watch": CommandEntry(_ + "watch:watch", SEE, "The same, live."),
    "journal": CommandEntry(_ + "reports:journal", SEE, "Who ordered what, from where and when."),
    "takes": CommandEntry(_ + "reports:takes", SEE, "Freezes, with the light they had."),
    "balance": _order("balance", LIGHT, "orders:balance"),
    "expose": _order("expose", LIGHT, "orders:expose"),
    "camera": _order("camera", LIGHT, "orders:camera"),
    "trim": _order("trim", LIGHT, "orders:trim"),
    "keep": _order("keep", LIGHT, "orders:keep"),
    "only": _order("only", LIGHT, "orders:only"),
    "all": _order("all", LIGHT, "orders:all_heads"),
    "identify": _order("identify", LIGHT, "orders:identify"),
    "undo": _order("undo", LIGHT, "orders:undo"),
    "move": _order("move", PLACE, "orders:move"),
    "follow": _order("follow", PLACE, "orders:follow"),
    "freeze": _order("freeze", PLACE, "orders:freeze"),
    "dark": _order("dark", PLACE, "orders:dark"),
    "keys": CommandEntry(
        _ + "keys:keys", PLACE, "Keys, a foot switch or a remote walk the marks, freeze and trim."
    ),
    "calibrate": _order("calibrate", METER, "metering:calibrate"),
    "lineup": _order("lineup", METER, "metering:lineup"),
    "round": _order("round", METER, "metering:round_of_heads"),
    "read": _order("read", METER, "metering:read"),
    "event": _order("event", METER, "metering:event"),
    "readings": CommandEntry(_ + "metering:readings", METER, "The readings taken; strike, export, import."),
    "calibrations": CommandEntry(
        _ + "metering:calibrations", METER, "The calibrations; go back, export, import."
    ),
    "check": CommandEntry(_ + "offline:check", FILE, "Is this rig file right, and what does it mean?"),
    "schema": CommandEntry(_ + "offline:schema", FILE, "The rig file's JSON Schema."),
    "solve": CommandEntry(_ + "offline:solve", FILE, "The levels for one moment."),
    "predict": CommandEntry(_ + "offline:predict", FILE, "The light at a place, for given levels."),
    "fit": CommandEntry(_ + "offline:fit", FILE, "What a file of meter readings says of a rig."),
    "new": CommandEntry(_ + "new:new", BEFORE, "A first rig file from a few questions."),
    "plan": CommandEntry(
        _ + "planning:plan", BEFORE, "What each mark allows, how it will look, what to mind."
    ),
    "sheet": CommandEntry(
        _ + "planning:sheet", BEFORE, "Pages to rebuild the set from, drawn to scale, as PDF or SVG."
    ),
}
