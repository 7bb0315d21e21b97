"""Every command: where its code is, under which heading help shows it, and what it does in one line."""

from __future__ import annotations

from typing import NamedTuple


class Entry(NamedTuple):
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

_ = "fillside.cli."
COMMANDS: dict[str, Entry] = {
    "demo": Entry(_ + "demo:demo", RUN, "A simulated studio with a subject that walks; no hardware."),
    "run": Entry(_ + "run:run", RUN, "Hold a rig's light until stopped."),
    "token": Entry(_ + "token:token", RUN, "Make and revoke what lets other machines in."),
    "phone": Entry(_ + "phone:phone", RUN, "Let a phone or a tablet in: an address that is good once."),
    "completion": Entry(_ + "completion:completion", RUN, "Print what makes your shell complete commands."),
    "status": Entry(_ + "look:status", SEE, "Ratio, face, exposure and levels, now."),
    "watch": Entry(_ + "watch:watch", SEE, "The same, live."),
    "journal": Entry(_ + "journal:journal", SEE, "Who ordered what, from where and when."),
    "takes": Entry(_ + "takes:takes", SEE, "Freezes, with the light they had."),
    "balance": Entry(_ + "orders:balance", LIGHT, "Ask for another ratio of key to fill."),
    "expose": Entry(
        _ + "orders:expose", LIGHT, "Ask for more or less exposure, in stops, or for one in lux."
    ),
    "camera": Entry(_ + "orders:camera", LIGHT, "Say what changed at the camera."),
    "trim": Entry(_ + "orders:trim", LIGHT, "Put a role up or down by hand, in stops."),
    "keep": Entry(_ + "orders:keep", LIGHT, "Make the light as it is now the wanted balance."),
    "only": Entry(_ + "orders:only", LIGHT, "One head alone, the others out."),
    "all": Entry(_ + "orders:all_heads", LIGHT, "End `only`."),
    "identify": Entry(_ + "orders:identify", LIGHT, "Let a lamp show which one it is."),
    "undo": Entry(_ + "orders:undo", LIGHT, "Take the last order back."),
    "move": Entry(_ + "orders:move", PLACE, "The subject is at a mark or a place now."),
    "follow": Entry(_ + "orders:follow", PLACE, "Follow the subject as it moves."),
    "freeze": Entry(_ + "orders:freeze", PLACE, "Leave the levels alone, as during a take."),
    "dark": Entry(_ + "orders:dark", PLACE, "All out, gently; work lights up."),
    "keys": Entry(_ + "keys:keys", PLACE, "Keys, a foot switch or a remote walk the marks, freeze and trim."),
    "calibrate": Entry(
        _ + "guided:calibrate", METER, "Guided, with a light meter: what your lamps really do."
    ),
    "lineup": Entry(_ + "guided:lineup", METER, "Two minutes before a shoot: is all as calibrated?"),
    "read": Entry(_ + "metering:read", METER, "Hand in a meter reading."),
    "readings": Entry(_ + "metering:readings", METER, "The readings taken; strike, export, import."),
    "calibrations": Entry(_ + "metering:calibrations", METER, "The calibrations; go back, export, import."),
    "check": Entry(_ + "offline:check", FILE, "Is this rig file right, and what does it mean?"),
    "schema": Entry(_ + "offline:schema", FILE, "The rig file's JSON Schema."),
    "solve": Entry(_ + "offline:solve", FILE, "The levels for one moment."),
    "predict": Entry(_ + "offline:predict", FILE, "The light at a place, for given levels."),
    "fit": Entry(_ + "fit:fit", FILE, "What a file of meter readings says of a rig."),
    "new": Entry(_ + "new:new", BEFORE, "A first rig file from a few questions."),
    "plan": Entry(_ + "planning:plan", BEFORE, "What each mark allows, how it will look, what to mind."),
    "sheet": Entry(
        _ + "planning:sheet", BEFORE, "Pages to rebuild the set from, drawn to scale, as PDF or SVG."
    ),
}
