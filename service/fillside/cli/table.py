"""The commands: the place of their code, their heading in the help, and a summary in one line."""

from __future__ import annotations

from typing import NamedTuple


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
COMMANDS: dict[str, CommandEntry] = {
    "demo": CommandEntry(_ + "demo:demo", RUN, "A simulated studio with a subject that walks; no hardware."),
    "run": CommandEntry(_ + "run:run", RUN, "Hold a rig's light until stopped."),
    "token": CommandEntry(_ + "access:token", RUN, "Make and revoke what lets other machines in."),
    "phone": CommandEntry(
        _ + "access:phone", RUN, "Let a phone or a tablet in: an address that is good once."
    ),
    "completion": CommandEntry(
        "fillside.cli.group:completion", RUN, "Print what makes your shell complete commands."
    ),
    "status": CommandEntry(_ + "reports:status", SEE, "Ratio, face, exposure and levels, now."),
    "watch": CommandEntry(_ + "watch:watch", SEE, "The same, live."),
    "journal": CommandEntry(_ + "reports:journal", SEE, "Who ordered what, from where and when."),
    "takes": CommandEntry(_ + "reports:takes", SEE, "Freezes, with the light they had."),
    "balance": CommandEntry(_ + "orders:balance", LIGHT, "Ask for another ratio of key to fill."),
    "expose": CommandEntry(
        _ + "orders:expose", LIGHT, "Ask for more or less exposure, in stops, or for one in lux."
    ),
    "camera": CommandEntry(_ + "orders:camera", LIGHT, "Say what changed at the camera."),
    "trim": CommandEntry(_ + "orders:trim", LIGHT, "Put a role up or down by hand, in stops."),
    "keep": CommandEntry(_ + "orders:keep", LIGHT, "Make the light as it is now the wanted balance."),
    "only": CommandEntry(_ + "orders:only", LIGHT, "One head alone, the others out."),
    "all": CommandEntry(_ + "orders:all_heads", LIGHT, "End `only`."),
    "identify": CommandEntry(_ + "orders:identify", LIGHT, "Let a lamp show which one it is."),
    "undo": CommandEntry(_ + "orders:undo", LIGHT, "Take the last order back."),
    "move": CommandEntry(_ + "orders:move", PLACE, "The subject is at a mark or a place now."),
    "follow": CommandEntry(_ + "orders:follow", PLACE, "Follow the subject as it moves."),
    "freeze": CommandEntry(_ + "orders:freeze", PLACE, "Leave the levels alone, as during a take."),
    "dark": CommandEntry(_ + "orders:dark", PLACE, "All out, gently; work lights up."),
    "keys": CommandEntry(
        _ + "keys:keys", PLACE, "Keys, a foot switch or a remote walk the marks, freeze and trim."
    ),
    "calibrate": CommandEntry(
        _ + "metering:calibrate", METER, "Guided, with a light meter: what your lamps really do."
    ),
    "lineup": CommandEntry(_ + "metering:lineup", METER, "Two minutes before a shoot: is all as calibrated?"),
    "read": CommandEntry(_ + "metering:read", METER, "Hand in a meter reading."),
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
