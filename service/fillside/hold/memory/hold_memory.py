"""The memory that outlives a restart, as JSON-able data, and the point where a start resumes from it.

Heads are remembered by name and codes with their full scale, so that a rig file that was changed since still
finds what is its own. The file's [balance] and [subject] are remembered as they were: what was edited in
them since wins over what was ordered before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fillside.balance.solver.rounding import Codes, Trims
from fillside.hold.intent.intent import Alone, Intent, KeptLevels, Mode, TrimWord, trim_table
from fillside.hold.memory.carry_over import lasting_corrections
from fillside.photometry.whites import TwoWhites
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.scene.subject_limits import why_not_there
from fillside.rig.tables.head import MOST_CORRECTION_STOPS
from fillside.rig.tables.model import WORK_ROLE, Point, Rig

Correction = Annotated[float, Field(ge=-MOST_CORRECTION_STOPS, le=MOST_CORRECTION_STOPS)]
_T = TypeVar("_T")


class _RememberedModel(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Code(_RememberedModel):
    """A wire code and the code of full level on that wire."""

    code: Annotated[int, Field(ge=0)]
    of: Annotated[int, Field(ge=0)]


CodesByName = dict[str, Code]


class StoredLevels(_RememberedModel):
    codes: CodesByName
    trims: dict[str, TrimWord]
    untrimmed: CodesByName
    place: Point


class StoredAlone(_RememberedModel):
    lit: CodesByName


class HoldMemory(_RememberedModel):
    """Everything that a restart resumes from."""

    version: Literal[1] = 1
    file_balance: dict[str, Any]
    file_subject: dict[str, Any]
    mode: Mode
    cool_shares: dict[str, Annotated[float, Field(ge=0, le=1)]] = Field(default_factory=dict)
    levels: StoredLevels | None
    alone: StoredAlone | None
    balance: dict[str, Any]
    exposure_stops: float
    camera: dict[str, Any]
    trims: dict[str, TrimWord]
    subject: Point
    codes: CodesByName
    untrimmed: CodesByName
    corrected: dict[str, Correction] = Field(default_factory=dict)
    undoable: tuple[Any, ...] = ()
    """JSON of the orders that can be taken back; see `remembered_orders`."""

    def under(self, old: Calibration | None, new: Calibration | None) -> HoldMemory:
        """The same for a hold by another calibration: what is calibrated anew is not corrected any more."""
        return self.model_copy(update={"corrected": lasting_corrections(self.corrected, old, new)})

    def rewired(self, over: Mapping[str, str]) -> HoldMemory:
        """The same for a changed rig file, `over` saying which head of now goes on with which one's light.

        A head that has only another name is remembered by it; of others what is intent goes by their name.
        """
        names = {old: new for new, old in over.items() if new not in self.codes and old not in over}
        codes = {new: self.codes[old] for new, old in over.items()}
        shares = {new: self.cool_shares[old] for new, old in over.items() if old in self.cool_shares}
        levels, alone = self.levels, self.alone
        if levels is not None:
            named = {"codes": _renamed(levels.codes, names), "untrimmed": _renamed(levels.untrimmed, names)}
            levels = levels.model_copy(update=named)
        if alone is not None:
            alone = StoredAlone(lit=_renamed(alone.lit, names))
        found = {
            "codes": codes,
            "cool_shares": shares,
            "untrimmed": _renamed(self.untrimmed, names),
            "corrected": _renamed(self.corrected, names),
            "levels": levels,
            "alone": alone,
        }
        return self.model_copy(update=found)


@dataclass(frozen=True)
class StartingPoint:
    """The point where a start begins: `untrimmed` is None on a first start. `notes` name what the file
    overrides.

    `stored` is what it was made from, None on a first start.
    """

    intent: Intent
    codes: Codes
    untrimmed: Codes | None
    notes: tuple[str, ...]
    corrected: Mapping[str, float] = field(default_factory=dict)
    stored: HoldMemory | None = None


def remember(
    scene: Scene, intent: Intent, codes: Codes, untrimmed: Codes, corrected: Mapping[str, float]
) -> HoldMemory:
    """The memory to store now."""
    kept, alone = intent.kept, intent.alone
    return HoldMemory(
        file_balance=scene.rig.balance.model_dump(mode="json"),
        file_subject=scene.rig.subject.model_dump(mode="json"),
        mode=intent.mode,
        cool_shares=cool_shares(scene),
        levels=None if kept is None else stored_levels(scene, kept),
        alone=None if alone is None else stored_alone(scene, alone),
        balance=dict(intent.balance),
        exposure_stops=intent.exposure_stops,
        camera=dict(intent.camera),
        trims=trim_table(intent.trims),
        subject=intent.place,
        codes=codes_by_name(scene, codes),
        untrimmed=codes_by_name(scene, untrimmed),
        corrected=dict(corrected),
    )


def stored_levels(scene: Scene, kept: KeptLevels) -> StoredLevels:
    """Levels as they are stored."""
    return StoredLevels(
        codes=codes_by_name(scene, kept.codes),
        trims=trim_table(kept.trims),
        untrimmed=codes_by_name(scene, kept.untrimmed),
        place=kept.place,
    )


def stored_alone(scene: Scene, alone: Alone) -> StoredAlone:
    """Heads that are on alone, as they are stored."""
    return StoredAlone(
        lit={scene.names[i]: Code(code=code, of=scene.full_scales[i]) for i, code in alone.lit}
    )


def _renamed(by_name: Mapping[str, _T], names: Mapping[str, str]) -> dict[str, _T]:
    return {names.get(name, name): value for name, value in by_name.items()}


def codes_by_name(scene: Scene, codes: Codes) -> CodesByName:
    """Codes as they are stored."""
    return {
        name: Code(code=code, of=of)
        for name, code, of in zip(scene.names, codes, scene.full_scales, strict=True)
    }


def resume(stored: object, scene: Scene) -> StartingPoint:
    """The point to begin at, from what was stored (None on a first start)."""
    first = StartingPoint(Intent(place=scene.rig.start), (0,) * len(scene.names), None, ())
    if stored is None:
        return first
    if isinstance(stored, HoldMemory):
        return _resumed(stored, scene)
    try:
        return _resumed(HoldMemory.model_validate(stored), scene)
    except ValidationError:
        return replace(first, notes=("what was remembered cannot be read; this is a first start",))


def _resumed(stored: HoldMemory, scene: Scene) -> StartingPoint:
    stored, rig = _in_whites_of(scene, stored), scene.rig
    balance, stops = without_edited(stored, stored.balance, stored.exposure_stops, rig)
    notes = _edited_notes(stored, rig)
    place, place_notes = _place(stored, rig)
    levels = stored.levels
    intent = Intent(
        place=place,
        mode=stored.mode if stored.mode == "follow" or levels is not None else "follow",
        kept=levels_of(levels, scene),
        alone=alone_of(stored.alone, scene),
        balance=balance,
        exposure_stops=stops,
        camera=stored.camera,
        trims=trims_of(stored.trims, scene),
    )
    try:
        intent.target(rig)
    except ValueError:
        intent = replace(intent, balance={}, exposure_stops=0.0, camera={})
        notes = [*notes, "what was ordered before does not fit the rig file any more; the file counts"]
    codes = codes_of(stored.codes, scene)
    untrimmed = codes_of(stored.untrimmed, scene)
    return StartingPoint(intent, codes, untrimmed, (*notes, *place_notes), stored.corrected, stored)


def _in_whites_of(scene: Scene, stored: HoldMemory) -> HoldMemory:
    """The stored memory with the codes that give its light in the whites that are held now."""
    levels, alone = stored.levels, stored.alone
    mixed = {
        "codes": in_whites_of(scene, stored, stored.codes),
        "untrimmed": in_whites_of(scene, stored, stored.untrimmed),
        "levels": None if levels is None else levels_in_whites_of(scene, stored, levels),
        "alone": None if alone is None else StoredAlone(lit=in_whites_of(scene, stored, alone.lit)),
    }
    return stored.model_copy(update=mixed)


def in_whites_of(scene: Scene, stored: HoldMemory, codes: CodesByName) -> CodesByName:
    """The codes that give the same light in the whites that are held now."""
    return {
        name: Code(code=same_light(scene, name, known.code, known.of, stored.cool_shares), of=known.of)
        for name, known in codes.items()
    }


def levels_in_whites_of(scene: Scene, stored: HoldMemory, levels: StoredLevels) -> StoredLevels:
    """Levels with the codes that give the same light in the whites that are held now."""
    both = {
        "codes": in_whites_of(scene, stored, levels.codes),
        "untrimmed": in_whites_of(scene, stored, levels.untrimmed),
    }
    return levels.model_copy(update=both)


def without_edited(
    stored: HoldMemory, ordered: Mapping[str, Any], stops: float, rig: Rig
) -> tuple[dict[str, Any], float]:
    """A balance that was ordered, and stops on the exposure, without what the rig file says anew since."""
    old, new = stored.file_balance, rig.balance.model_dump(mode="json")
    edited = {key for key, value in new.items() if old.get(key) != value}
    if edited & {"ratio", "read_as"}:
        edited |= {"ratio", "read_as"}
    balance: dict[str, Any] = {}
    for key, value in ordered.items():
        if key in ("relative", "against"):
            before, after = old.get(key, {}), new[key]
            balance[key] = {role: v for role, v in value.items() if before.get(role) == after.get(role)}
        elif key not in edited:
            balance[key] = value
    return balance, 0.0 if "exposure" in edited else stops


def _edited_notes(stored: HoldMemory, rig: Rig) -> list[str]:
    new = rig.balance.model_dump(mode="json")
    said = sorted(key for key, value in new.items() if stored.file_balance.get(key) != value)
    return [f"balance.{key} was edited in the rig file since; the file counts" for key in said]


def _place(stored: HoldMemory, rig: Rig) -> tuple[Point, list[str]]:
    new = rig.subject.model_dump(mode="json")
    notes = [
        f"subject.{key} was edited in the rig file since; the file counts"
        for key, value in new.items()
        if stored.file_subject.get(key) != value
    ]
    if start_was_edited(stored, rig):
        return rig.start, notes
    if why_not_there(rig, stored.subject) is not None:
        return rig.start, [
            *notes,
            "the subject cannot be where it was any more; it begins where the file says",
        ]
    return stored.subject, notes


def start_was_edited(stored: HoldMemory, rig: Rig) -> bool:
    """True where the rig file has the subject begin elsewhere since."""
    return bool(stored.file_subject.get("at") != rig.subject.model_dump(mode="json")["at"])


def levels_of(stored: StoredLevels | None, scene: Scene) -> KeptLevels | None:
    """Levels by the rig's heads."""
    if stored is None:
        return None
    trims = trims_of(stored.trims, scene)
    return KeptLevels(codes_of(stored.codes, scene), trims, codes_of(stored.untrimmed, scene), stored.place)


def codes_of(stored: Mapping[str, Code], scene: Scene) -> Codes:
    """Codes by the rig's order: a head that is new has none, on another wire the level is kept."""
    codes = []
    for name, full in zip(scene.names, scene.full_scales, strict=True):
        known = stored.get(name)
        if known is None or known.of == 0:
            codes.append(0)
        else:
            codes.append(min(full, (known.code * full * 2 + known.of) // (2 * known.of)))
    return tuple(codes)


def trims_of(stored: Mapping[str, TrimWord], scene: Scene) -> Trims:
    """Trims of the roles that the rig has."""
    roles = set(scene.roles) - {WORK_ROLE}
    return {
        role: stops if isinstance(stops, float) else None for role, stops in stored.items() if role in roles
    }


def alone_of(stored: StoredAlone | None, scene: Scene) -> Alone | None:
    """Heads that are on alone, of those that the rig has; None where it has none of them."""
    if stored is None:
        return None
    known = [name for name in stored.lit if name in scene.names and not scene.fixed[scene.index(name)]]
    if stored.lit and not known:
        return None
    codes = codes_of(stored.lit, scene)
    return Alone(tuple((scene.index(name), codes[scene.index(name)]) for name in known))


def cool_shares(scene: Scene) -> dict[str, float]:
    """The cool channel's share (0..1) in the light of each head that mixes two whites, by name."""
    mixes = {name: _mix(scene, i) for i, name in enumerate(scene.names)}
    return {name: mix.cool_share for name, mix in mixes.items() if mix is not None}


def same_light(scene: Scene, head: str, code: int, full_scale: int, then: Mapping[str, float]) -> int:
    """The code of that full scale which now gives the light it gave in the mixes of `then`.

    The nearest one, and full where the mix of now gives no more. A head that held the same mix, or none,
    keeps its code, and so does one that is out or has no wire.
    """
    place = scene.names.index(head) if head in scene.names else None
    mix = None if place is None else _mix(scene, place)
    if (
        place is None
        or mix is None
        or 0 in (code, full_scale)
        or then.get(head, mix.cool_share) == mix.cool_share
    ):
        return code
    old = replace(mix, full_scale=full_scale, cool_share=then[head])
    own = scene.curves[place]
    # A calibrated curve is that of the lamp as a whole, whatever its mix.
    was = old if isinstance(own, TwoWhites) else own
    light = float(was.output_from_level(code / full_scale)) * old.most
    level = float(own.level_from_output(min(1.0, light / mix.most)))
    return max(1, int(level * full_scale + 0.5))


def _mix(scene: Scene, place: int) -> TwoWhites | None:
    white = scene.whites[place]
    return None if white is None else white.mix
