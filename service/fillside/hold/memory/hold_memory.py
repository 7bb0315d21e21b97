"""The memory that survives a restart, as JSON-able data, and the starting point derived from it.

Heads are stored by name, codes with their full scale, so that they still fit a rig file that was changed
since. The file's [balance] and [subject] are stored as they were: an edit to either overrides earlier orders.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fillside.balance.solver.rounding import Codes, Trims
from fillside.hold.intent.intent import Alone, Intent, KeptLevels, Mode, TrimWord, trim_table
from fillside.hold.memory.carry_over import lasting_corrections
from fillside.photometry.white_mix import WhiteMix
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, subject_place_error
from fillside.rig.tables.head import MOST_CORRECTION_STOPS
from fillside.rig.tables.model import WORK_ROLE, Point, Rig

Correction = Annotated[float, Field(ge=-MOST_CORRECTION_STOPS, le=MOST_CORRECTION_STOPS)]
_T = TypeVar("_T")


class _RememberedModel(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


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


class GoingOut(_RememberedModel):
    """A lamp that a changed rig file no longer has: its table in the file before, and its driver's kind."""

    head: dict[str, Any]
    kind: str


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
    going_out: dict[str, GoingOut] = Field(default_factory=dict)
    """Heads, by name, that are not out yet and have no place in the file that a restart reads."""
    undoable: tuple[Any, ...] = ()
    """JSON of the orders that can be undone; see `undoable_orders`."""

    def under(self, old: Calibration | None, new: Calibration | None) -> HoldMemory:
        """Return this memory for another calibration, without corrections for heads
        that were calibrated anew."""
        return self.model_copy(update={"corrected": lasting_corrections(self.corrected, old, new)})

    def rewired(self, over: Mapping[str, str]) -> HoldMemory:
        """Return this memory for a changed rig file; `over` maps each new head to the
        head whose light it continues.

        A head that only changed its name keeps everything; for the others, the intent goes by name.
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
            "going_out": {},
        }
        return self.model_copy(update=found)


@dataclass(frozen=True)
class StartingPoint:
    """The point from which a start continues: `untrimmed` is None on a first start.
    `notes` list what the rig file overrides.

    `stored` is the memory it was made from, None on a first start.
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
    """Return the memory to store now."""
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
        going_out={scene.names[i]: _going_out(scene.rig, i) for i in sorted(intent.leaving) if codes[i]},
    )


def _going_out(rig: Rig, place: int) -> GoingOut:
    head = rig.heads[place]
    assert head.drive is not None, "a head that leaves has a wire"
    # The file that is read next may lack the mark that the head was aimed at.
    table = {**head.model_dump(mode="json", exclude_unset=True), "aim": list(rig.aim_of(head))}
    return GoingOut(head=table, kind=rig.drivers[head.drive.driver].kind)


def stored_levels(scene: Scene, kept: KeptLevels) -> StoredLevels:
    """Return levels in their stored form."""
    return StoredLevels(
        codes=codes_by_name(scene, kept.codes),
        trims=trim_table(kept.trims),
        untrimmed=codes_by_name(scene, kept.untrimmed),
        place=kept.place,
    )


def stored_alone(scene: Scene, alone: Alone) -> StoredAlone:
    """Return the heads selected by `only` in their stored form."""
    return StoredAlone(
        lit={scene.names[i]: Code(code=code, of=scene.full_scales[i]) for i, code in alone.lit}
    )


def _renamed(by_name: Mapping[str, _T], names: Mapping[str, str]) -> dict[str, _T]:
    return {names.get(name, name): value for name, value in by_name.items()}


def codes_by_name(scene: Scene, codes: Codes) -> CodesByName:
    """Return codes in their stored form."""
    return {
        name: Code(code=code, of=of)
        for name, code, of in zip(scene.names, codes, scene.full_scales, strict=True)
    }


def resume(stored: object, scene: Scene) -> StartingPoint:
    """Return the starting point from the stored memory (None on a first start)."""
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
        leaving=frozenset(i for i, name in enumerate(scene.names) if name in stored.going_out),
    )
    try:
        intent.target(intent.rig(rig))
    except ValueError:
        intent = replace(intent, balance={}, exposure_stops=0.0, camera={})
        notes = [*notes, "what was ordered before does not fit the rig file any more; the file counts"]
    codes = codes_of(stored.codes, scene)
    untrimmed = codes_of(stored.untrimmed, scene)
    return StartingPoint(intent, codes, untrimmed, (*notes, *place_notes), stored.corrected, stored)


def _in_whites_of(scene: Scene, stored: HoldMemory) -> HoldMemory:
    """Return the memory with codes that give the same light at the present white points."""
    levels, alone = stored.levels, stored.alone
    mixed = {
        "codes": in_whites_of(scene, stored, stored.codes),
        "untrimmed": in_whites_of(scene, stored, stored.untrimmed),
        "levels": None if levels is None else levels_in_whites_of(scene, stored, levels),
        "alone": None if alone is None else StoredAlone(lit=in_whites_of(scene, stored, alone.lit)),
    }
    return stored.model_copy(update=mixed)


def in_whites_of(scene: Scene, stored: HoldMemory, codes: CodesByName) -> CodesByName:
    """Return the codes that give the same light at the present white points."""
    return {
        name: Code(code=same_light(scene, name, code.code, code.of, stored.cool_shares), of=code.of)
        for name, code in codes.items()
    }


def levels_in_whites_of(scene: Scene, stored: HoldMemory, levels: StoredLevels) -> StoredLevels:
    """Return levels with the codes that give the same light at the present white points."""
    both = {
        "codes": in_whites_of(scene, stored, levels.codes),
        "untrimmed": in_whites_of(scene, stored, levels.untrimmed),
    }
    return levels.model_copy(update=both)


def without_edited(
    stored: HoldMemory, ordered: Mapping[str, Any], stops: float, rig: Rig
) -> tuple[dict[str, Any], float]:
    """Return the ordered balance and the stops on the exposure, without values that
    the rig file has changed since."""
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
    edited = sorted(key for key, value in new.items() if stored.file_balance.get(key) != value)
    return [f"balance.{key} was edited in the rig file since; the file counts" for key in edited]


def _place(stored: HoldMemory, rig: Rig) -> tuple[Point, list[str]]:
    new = rig.subject.model_dump(mode="json")
    notes = [
        f"subject.{key} was edited in the rig file since; the file counts"
        for key, value in new.items()
        if stored.file_subject.get(key) != value
    ]
    if start_was_edited(stored, rig):
        return rig.start, notes
    if subject_place_error(rig, stored.subject) is not None:
        return rig.start, [
            *notes,
            "the subject cannot be where it was any more; it begins where the file says",
        ]
    return stored.subject, notes


def start_was_edited(stored: HoldMemory, rig: Rig) -> bool:
    """Return true if the rig file's starting place of the subject has changed since."""
    return bool(stored.file_subject.get("at") != rig.subject.model_dump(mode="json")["at"])


def levels_of(stored: StoredLevels | None, scene: Scene) -> KeptLevels | None:
    """Return stored levels for the rig's heads."""
    if stored is None:
        return None
    trims = trims_of(stored.trims, scene)
    return KeptLevels(codes_of(stored.codes, scene), trims, codes_of(stored.untrimmed, scene), stored.place)


def codes_of(stored: Mapping[str, Code], scene: Scene) -> Codes:
    """Return stored codes in the rig's order: a new head has none; on another wire a head keeps its level."""
    codes = []
    for name, full in zip(scene.names, scene.full_scales, strict=True):
        code = stored.get(name)
        if code is None or code.of == 0:
            codes.append(0)
        else:
            codes.append(min(full, (code.code * full * 2 + code.of) // (2 * code.of)))
    return tuple(codes)


def trims_of(stored: Mapping[str, TrimWord], scene: Scene) -> Trims:
    """Return stored trims for the roles that the rig has."""
    roles = set(scene.roles) - {WORK_ROLE}
    return {
        role: stops if isinstance(stops, float) else None for role, stops in stored.items() if role in roles
    }


def alone_of(stored: StoredAlone | None, scene: Scene) -> Alone | None:
    """Return the stored heads of `only` that the rig still has; None if there are none."""
    if stored is None:
        return None
    names = [name for name in stored.lit if name in scene.names and not scene.fixed[scene.index(name)]]
    if stored.lit and not names:
        return None
    codes = codes_of(stored.lit, scene)
    return Alone(tuple((scene.index(name), codes[scene.index(name)]) for name in names))


def cool_shares(scene: Scene) -> dict[str, float]:
    """Return the cool channel's share (0..1) of the light of each head that mixes two whites, by name."""
    mixes = {name: _mix(scene, i) for i, name in enumerate(scene.names)}
    return {name: mix.cool_share for name, mix in mixes.items() if mix is not None}


def same_light(scene: Scene, head: str, code: int, full_scale: int, then: Mapping[str, float]) -> int:
    """Return the code on this full scale that now gives the light it gave with the shares of `then`.

    The nearest code is used, or full if the present mix cannot give as much. A head with the same mix or
    none, or one that is out or has no wire, keeps its code.
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
    # A calibrated curve describes the lamp as a whole, whatever its mix.
    was = old if isinstance(own, WhiteMix) else own
    light = float(was.output_from_level(code / full_scale)) * old.most
    level = float(own.level_from_output(min(1.0, light / mix.most)))
    return max(1, int(level * full_scale + 0.5))


def _mix(scene: Scene, place: int) -> WhiteMix | None:
    white = scene.whites[place]
    return None if white is None else white.mix
