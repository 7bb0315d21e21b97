"""Evidence as a calibration carries it."""

from __future__ import annotations

from pydantic import ValidationError

from fillside.belief.evidence import Evidence, HeadEvent, Piece, Reading, TapeMeasure
from fillside.rig.calibration import Calibration, HeadNote, WeighedReading


def reading_from_entry(entry: WeighedReading) -> Reading:
    """The reading of an entry in a calibration; pydantic's ValidationError for an entry that is none."""
    own = {key: value for key, value in entry.model_dump().items() if key in Reading.model_fields}
    return Reading.model_validate(own)


def piece_from_note(note: HeadNote) -> TapeMeasure | HeadEvent | None:
    """The tape measure or event in a calibration's note; None for what is not understood."""
    fields = note.model_dump(exclude_none=True)
    kind = fields.pop("kind", None)
    try:
        if kind == "tape":
            return TapeMeasure.model_validate(fields)
        return HeadEvent.model_validate({**fields, "kind": kind})
    except ValidationError:
        return None


def notes_of(evidence: Evidence) -> tuple[HeadNote, ...]:
    """Tape measures and events as a calibration has them."""
    tapes = [
        HeadNote.model_validate({"kind": "tape", **t.model_dump(exclude_none=True)}) for t in evidence.tapes
    ]
    events = [HeadNote.model_validate(e.model_dump(exclude_none=True)) for e in evidence.events]
    return (*tapes, *events)


def evidence_of(calibration: Calibration) -> Evidence:
    """The evidence a calibration came from, as far as it is understood."""
    pieces: list[Piece | None] = [piece_from_note(note) for note in calibration.told]
    for entry in calibration.readings_in_order():
        try:
            pieces.append(reading_from_entry(entry))
        except ValidationError:
            continue
    return Evidence.of([piece for piece in pieces if piece is not None])
