"""How strong the stories are: breaks the product on purpose, and counts the seeds until one tells.

    python tests/simulation/mutants.py                every mutant, at most a thousand seeds each
    python tests/simulation/mutants.py NAME … --seeds 200 --from 5000

The product is copied, and only the copy is broken. `test_mutants.py` sees that the places are still there.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PLAY = """
import sys
sys.path[:0] = sys.argv[1:4]
from simulation.rules import outcome_of, story_of
first, last = int(sys.argv[4]), int(sys.argv[5])
for seed in range(first, last):
    outcome = outcome_of(story_of(seed))
    if outcome.failed is not None:
        print(seed, outcome.complaints[0])
        break
"""
GIVES_UP_AFTER_S = 3_600.0


@dataclass(frozen=True)
class Mutant:
    """A fault put into one file: `wrong` takes the place of `right`, and so on for each pair in `also`."""

    name: str
    path: str
    right: str
    wrong: str
    also: tuple[tuple[str, str], ...] = ()

    @property
    def changes(self) -> tuple[tuple[str, str], ...]:
        """What is put for what."""
        return ((self.right, self.wrong), *self.also)

    def broken(self, text: str) -> str:
        """Return the text of the file with the fault. Raises ValueError where it has no place for it."""
        for right, wrong in self.changes:
            if text.count(right) != 1 or right == wrong:
                raise ValueError(f"{self.name}: there is no such place in {self.path}: {right}")
            text = text.replace(right, wrong)
        return text


HOLD, RUNTIME = "service/fillside/hold/", "service/fillside/runtime/"
METERING = "service/fillside/metering/"
DRIVERS, STORAGE = "drivers/fillside_drivers/", "service/fillside/storage/"

MUTANTS: tuple[Mutant, ...] = (
    Mutant(
        "a stall counts in full",
        HOLD + "fading/fader.py",
        "MOST_STEP_S = 0.1",
        "MOST_STEP_S = 10.0",
        (("return min(max(unseen_s, LATE_FRAME_S), MOST_STEP_S)", "return MOST_STEP_S"),),
    ),
    Mutant(
        "a fade that turns takes back at once what bulbs were sent ahead",
        HOLD + "fading/fader.py",
        "self._catches_up = self._lags.late & (self._fade is not None)",
        "self._catches_up = self._lags.late & False",
    ),
    Mutant(
        "the flash limiter admits everything",
        HOLD + "fading/flash_limiter.py",
        "if turns.any() and (turns & (self._turned_s[:, 0] >= at_s - WINDOW_S)).any():",
        "if False:",
    ),
    Mutant(
        "a restart begins from out",
        HOLD + "machine/hold.py",
        "self._fader = Fader(self.scene, resumed.codes, 0.0)",
        "self._fader = Fader(self.scene, tuple(0 for _ in resumed.codes), 0.0)",
    ),
    Mutant(
        "a fade goes on while its head cannot be reached",
        HOLD + "fading/fader.py",
        "target = np.where(self.stuck, self._codes, np.array(goal, dtype=np.int64))",
        "target = np.array(goal, dtype=np.int64)",
    ),
    Mutant(
        "the cap of a face is forgotten",
        HOLD + "intent/balancing.py",
        "if target.most_lux is None:",
        "if True:",
    ),
    Mutant(
        "limits are judged by the rounded codes",
        "service/fillside/balance/judgement/reasons.py",
        "now = list(at_limits(light, what, light.unrounded))",
        "now = list(at_limits(light, what, light.final_outputs))",
        also=(("        if not found:\n            text =", "        if False:\n            text ="),),
    ),
    Mutant(
        "full buffers are never a loss",
        DRIVERS + "sacn/outlet.py",
        "FULL_S = 0.03",
        "FULL_S = 1e9",
    ),
    Mutant(
        "a wire at rest repeats nothing",
        DRIVERS + "sacn/schedule.py",
        "Phase.RESTING: KEEPALIVE_S,",
        "Phase.RESTING: math.inf,",
    ),
    Mutant(
        "a bulb that has long had something due waits for ever",
        DRIVERS + "mqtt/driver.py",
        "wait_s = None if due == math.inf else max(0.0, due - self._clock())",
        "wait_s = None if math.isinf(due) else max(0.0, due - self._clock())",
    ),
    Mutant(
        "a broker that takes nothing is waited for",
        DRIVERS + "mqtt/driver.py",
        "LEAVES_WITHIN_S = 0.3",
        "LEAVES_WITHIN_S = 1e9",
    ),
    Mutant(
        "a leap of the clock makes entries old",
        STORAGE + "thinning.py",
        "LONGEST_GAP_S = 7 * DAY_S",
        "LONGEST_GAP_S = math.inf",
    ),
    Mutant(
        "packets are not numbered",
        DRIVERS + "sacn/schedule.py",
        "self.sequence = (sequence + 1) % 256",
        "self.sequence = sequence",
    ),
    Mutant(
        "a lost wire is not told",
        RUNTIME + "wires.py",
        "if (old.state, old.note, old.notices) != (new.state, new.note, new.notices):",
        "if False:",
    ),
    Mutant(
        "an answer does not wait for the disk",
        RUNTIME + "storing.py",
        "                why_not = await self._lasts(self._store.keep(*writes))",
        "                self._store.keep(*writes)\n                why_not = ''",
    ),
    Mutant(
        "orders that can be undone are not stored",
        RUNTIME + "storing.py",
        "            jobs.append(undoable_orders_job(texts))",
        "            pass",
    ),
    Mutant(
        "the light is stored at rest alone",
        RUNTIME + "storing.py",
        "EACH_STOPS = 0.1",
        "EACH_STOPS = 100.0",
    ),
    Mutant(
        "a disk that takes nothing is not told",
        STORAGE + "store.py",
        '        if trouble is None:\n            return ""\n',
        '        return ""\n',
    ),
    Mutant(
        "orders that can be undone are stored with the next",
        RUNTIME + "storing.py",
        "            jobs.append(undoable_orders_job(texts))",
        "            self._late, late = undoable_orders_job(texts), getattr(self, '_late', None)\n"
        "            jobs += [late] if late else []",
    ),
    Mutant(
        "each job is a transaction of its own",
        STORAGE + "writer.py",
        "BATCH = 500",
        "BATCH = 1",
    ),
    Mutant(
        "no commit is synced",
        STORAGE + "writer.py",
        "connection, synced = self._connection, any(entry.synced for entry in batch)",
        "connection, synced = self._connection, False",
    ),
    Mutant(
        "the light at rest is not synced",
        RUNTIME + "storing.py",
        "self._store.keep(*self._jobs_of(light), synced=rests_anew)",
        "self._store.keep(*self._jobs_of(light), synced=False)",
    ),
    Mutant(
        "a line of the journal is stored again after a sync that failed",
        STORAGE + "records/journal.py",
        "if self.row is None or connection.execute(sql, same).fetchone() is None:",
        "if True:",
    ),
    Mutant(
        "a take is begun again after a sync that failed",
        STORAGE + "records/takes.py",
        "WHERE NOT EXISTS (SELECT 1 FROM take WHERE began = ?3 AND first = ?2)",
        "WHERE ?3 IS NOT NULL",
    ),
    Mutant(
        "what was kept of a refused reading counts",
        STORAGE + "writer.py",
        "        if in_doubt is not None:\n            in_doubt()\n        raise",
        "        raise",
    ),
    Mutant(
        "a reading is not synced",
        STORAGE + "records/metering.py",
        "    return store.write(lambda connection: _insert_reading(connection, row))",
        "    return store.write(lambda connection: _insert_reading(connection, row), synced=False)",
    ),
    Mutant(
        "trouble of the disk is never over",
        STORAGE + "writer.py",
        "        self.trouble, self._dropped = None, 0",
        "        self._dropped = 0",
    ),
    Mutant(
        "a disk that hangs is not noticed",
        STORAGE + "writer.py",
        "return since is not None and self._clock() - since > 0.9 * ANSWER_TIMEOUT_S",
        "return False",
    ),
    Mutant(
        "a routine is not stored",
        STORAGE + "records/metering.py",
        "    text = None if routine is None else _text(routine)",
        "    text = None",
    ),
    Mutant(
        "a silent bulb counts as ok for ever",
        DRIVERS + "mqtt/answers.py",
        """        if now >= self._lost_at:
            return "lost"
        return "late" if now >= self._late_at else "no"
""",
        """        return "no"
""",
    ),
    Mutant(
        "a stray report is believed at once",
        DRIVERS + "mqtt/recovery.py",
        "    def verdict(self, drive: MqttDrive, now: float) -> Verdict:\n",
        '    def verdict(self, drive: MqttDrive, now: float) -> Verdict:\n        return "true"\n\n'
        "    def _unused(self, drive: MqttDrive, now: float) -> Verdict:\n",
    ),
    Mutant(
        "a broker that hangs is not noticed",
        DRIVERS + "mqtt/driver.py",
        "await run_until_first(self._listen(client), self._write(client), self._check_broker(client))",
        "await run_until_first(self._listen(client), self._write(client))",
    ),
    Mutant(
        "bulbs that are back are never served",
        DRIVERS + "mqtt/driver.py",
        "wait_s = None if due == math.inf else",
        "wait_s = None if math.isinf(due) else",
    ),
    Mutant(
        "a failing side job ends the daemon",
        "service/fillside/background/side_jobs.py",
        """            except Exception as error:
                self.failed(name, error)
            else:
                self.goes_on(name)
                return
""",
        """            else:
                self.goes_on(name)
                return
            finally:
                pass
""",
    ),
    Mutant(
        "a difference forgets a member",
        RUNTIME + "live.py",
        "if name not in old or old[name] != value}",
        "if name not in old or (old[name] != value and name != 'trims')}",
    ),
    Mutant(
        "a report in a freeze lets the light follow",
        HOLD + "machine/hold.py",
        "        self._subject.report(place, self._read_clock(now_s))\n",
        "        self._subject.report(place, self._read_clock(now_s))\n"
        "        if self._aim.intent.mode == 'freeze':\n"
        "            self._aim.intent = replace(self._aim.intent, mode='follow', kept=None)\n",
    ),
    Mutant(
        "the task of a reader that left does not end",
        "service/fillside/doors/http/websocket.py",
        "            sender.cancel()\n            with contextlib.suppress(asyncio.CancelledError):\n"
        "                await sender\n",
        "            pass\n",
    ),
    Mutant(
        "the gate never forgets a connection",
        "service/fillside/doors/http/connections.py",
        "        self.table.remove(connection)\n        self._connections.pop(inner, None)\n",
        "        self.table.remove(connection)\n",
    ),
    Mutant(
        "readers do not get what they missed",
        RUNTIME + "live.py",
        "changes = state if self._missed else difference(self._sent, state)",
        "changes = difference(self._sent, state)",
    ),
    Mutant(
        "an exchanged wire numbers its packets anew",
        DRIVERS + "sacn/sender.py",
        "            self._schedule.go_on_from(before._schedule)",
        "            pass",
    ),
    Mutant(
        "a correction has no bound",
        METERING + "drift.py",
        "    wanted = min(max(-drift_stops, -most), most)",
        "    wanted = -drift_stops",
    ),
    Mutant(
        "drift is corrected in a freeze",
        METERING + "drift.py",
        "        if not self._studio.light.acts:\n            return\n",
        "",
    ),
    Mutant(
        "a tape or an event is not stored",
        METERING + "orders.py",
        "        number = await keep(self._store, piece, purpose_of(piece), who)\n",
        "        number = 1\n",
    ),
    Mutant(
        "what is struck counts on in the calibration in use",
        METERING + "orders.py",
        "        if used is not None and order.reading in used.readings:",
        "        if used is None and order.reading in ():",
    ),
    Mutant(
        "a fit is worked out where the frames are made",
        METERING + "calibrations.py",
        "found = await self._apart.run(weigh, rig, Evidence.of([piece for _, piece in evidence]), only)",
        "found = weigh(rig, Evidence.of([piece for _, piece in evidence]), only)",
    ),
)


def found_by(mutant: Mutant, first: int, seeds: int) -> str:
    """Return the seed that tells and its complaint; empty if none does."""
    with tempfile.TemporaryDirectory(prefix="mutant-") as folder:
        for part in ("service", "drivers"):
            shutil.copytree(ROOT / part, Path(folder) / part, ignore=shutil.ignore_patterns("__pycache__"))
        path = Path(folder) / mutant.path
        path.write_text(mutant.broken(path.read_text("utf-8")), "utf-8")
        paths = [str(Path(folder) / "service"), str(Path(folder) / "drivers"), str(ROOT / "tests")]
        words = [sys.executable, "-c", PLAY, *paths, str(first), str(first + seeds)]
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=GIVES_UP_AFTER_S)
    return done.stdout.strip() or done.stderr.strip()[-300:]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=1000)
    given = parser.parse_args()
    survivors = 0
    for mutant in MUTANTS:
        if given.names and mutant.name not in given.names:
            continue
        found = found_by(mutant, given.first, given.seeds)
        survivors += not found
        print(f"{mutant.name}: {found or f'not found in {given.seeds} seeds'}", flush=True)
    return int(survivors > 0)


if __name__ == "__main__":
    raise SystemExit(main())
