"""The questions about one head: its lamp, its modifier, and the place of its stand."""

from __future__ import annotations

from collections.abc import Callable

from fillside.planning.answers import lamps, modifiers, stands
from fillside.planning.answers.lengths import default_length, length_m
from fillside.planning.answers.question import AnswerReader, Answers, Meaning, Question, uses_feet
from fillside.planning.figures import INCH_M, Lengths
from fillside.planning.starter.stand_places import BEARING_DEG, Stand, typical_stand

NAMES = {"key": "Key light", "fill": "Fill light", "hair": "Hair light", "background": "Background light"}
LED_WATTS = {"key": 40.0, "fill": 40.0, "hair": 15.0, "background": 15.0}
"""Power of the default LED lamp by role [W] (common practice, no source)."""
USUAL_MODIFIER = {
    "key": "shoot-through",
    "fill": "shoot-through",
    "hair": "reflector",
    "background": "reflector",
}
USUAL_WIDTH_M = {"fill": 1.0, "hair": 0.15, "background": 0.2}
"""Width of the usual modifier by role, if it differs from that of its kind (common practice, no source)."""


TAKES = {
    "lamp": "kind, power or light, how many, white: LED 40 W, 2 x 23 W CFL, tungsten 650 W, 9 W bulb warm",
    "light": "lumens, watts or both, of one lamp: 3200 lm 30 W, 105 W, 60 W equivalent",
    "count": "a whole number from 1 to 100",
    "cct": "kelvin or a word: 5600 K, 3200, daylight, tungsten, warm, neutral, cool",
    "dimmable": "yes or no; not sure counts as no",
    "modifier": f"what is on the lamp, and how wide it is: {modifiers.MODIFIER_EXAMPLES}",
    "size": "a width, or both sides: 1 m, 90 cm, 4 ft, 60x90 cm",
    "distance": "how far, and if you like angle and height: 1.5 m; 5 ft, 40 left, 6 ft; 2 m 35 right 1.6",
    "angle": "degrees and a side, or the clock seen from above: 45 left, 30° right, behind, 4 o'clock",
    "height": "a length from the floor or from the eyes: 2 m, 6 ft, eye level, a foot above the eyes",
}
"""Help for the questions about a head, by the last part of a question's key."""


class HeadQuestions:
    """The questions about the head of one role."""

    def __init__(self, role: str) -> None:
        self.role = role

    def all(self) -> tuple[Question, ...]:
        round_deg = BEARING_DEG[self.role]
        return (
            self._ask("lamp", "lamp, watts, white", lamps.lamp, self._usual_lamp),
            self._ask("light", "lumens or watts of one lamp", lamps.light, self._usual_light),
            self._ask("count", "how many such lamps", lamps.count, "1"),
            self._ask("cct", "white, a word or kelvin", lamps.white, self._usual_white),
            self._ask(
                "dimmable", "may it be dimmed? (see its marking)", lamps.dimmable, self._usual_dimmable
            ),
            self._ask("modifier", "modifier and its width", modifiers.modifier, self._usual_modifier),
            self._ask("size", "width of the lit face", modifiers.width, self._usual_width, self._sized),
            self._ask(
                "distance",
                "distance from the face, angle, height",
                stands.distance(self.role, round_deg),
                self._usual_stand,
            ),
            self._ask(
                "angle",
                "angle off the camera, and side",
                stands.angle(self.role, round_deg),
                self._usual_angle,
            ),
            self._ask("height", "height of the lamp", stands.height(self.role), self._usual_height),
        )

    def _ask(
        self,
        key: str,
        asks: str,
        reads: AnswerReader,
        default: str | Callable[[Answers], str],
        when: Callable[[Answers], bool] | None = None,
    ) -> Question:
        words = f"{NAMES[self.role]}: {asks}"
        own = self._own(reads)
        return Question(f"{self.role}.{key}", words, own, default, TAKES[key], when or self._wanted)

    def _own(self, reads: AnswerReader) -> AnswerReader:
        """Return the reader with its extra answers under this head's keys."""

        def own(text: str, answers: Answers) -> Meaning:
            found = reads(text, answers)
            also = {
                key if key == "feet" else f"{self.role}.{key}": value for key, value in found.extra.items()
            }
            return Meaning(found.value, found.note, also)

        return own

    def _wanted(self, answers: Answers) -> bool:
        return bool(answers.get(self.role, True))

    def _sized(self, answers: Answers) -> bool:
        return self._wanted(answers) and answers.get(f"{self.role}.modifier") != "bare"

    def _usual_lamp(self, answers: Answers) -> str:
        """Return the usual lamp; for the fill, one like the key's."""
        if self.role == "fill" and "key.lamp" in answers:
            keys = ("count", "light", "cct", "dimmable")
            like = {key: answers[f"key.{key}"] for key in keys if f"key.{key}" in answers}
            return lamps.lamp_words(answers["key.lamp"], {"shape": answers.get("key.shape", "lamp"), **like})
        watts = LED_WATTS[self.role]
        return f"LED, {watts:g} W, {lamps.typical_light('led', 'lamp', watts).lumens:g} lm, 5600 K"

    def _usual_light(self, answers: Answers) -> str:
        shape = answers.get(f"{self.role}.shape", "lamp")
        return str(lamps.typical_light(answers[f"{self.role}.lamp"], shape, LED_WATTS[self.role]))

    def _usual_white(self, answers: Answers) -> str:
        kind = answers[f"{self.role}.lamp"]
        return f"{lamps.OWN_WHITE_K.get(kind, lamps.WHITES_K['daylight']):.0f} K"

    def _usual_dimmable(self, answers: Answers) -> str:
        return "no" if answers[f"{self.role}.lamp"] in ("cfl", "tube", "discharge") else "yes"

    def _usual_modifier(self, answers: Answers) -> str:
        panel = answers.get(f"{self.role}.shape") == "panel"
        kind = "panel" if panel else USUAL_MODIFIER[self.role]
        return f"{kind}, {self._width(kind, answers)}"

    def _usual_width(self, answers: Answers) -> str:
        return self._width(answers[f"{self.role}.modifier"], answers)

    def _width(self, kind: str, answers: Answers) -> str:
        usual = modifiers.USUAL_WIDTH_M[kind]
        own = USUAL_WIDTH_M.get(self.role, usual) if kind == USUAL_MODIFIER[self.role] else usual
        return default_length(own, uses_feet(answers))

    def _stand(self, answers: Answers) -> Stand:
        return typical_stand(self.role, answers)

    def _usual_stand(self, answers: Answers) -> str:
        """Return distance, angle and height, each rounded and based on the previous ones."""
        distance = default_length(self._stand(answers).distance_m, uses_feet(answers))
        known = {**answers, f"{self.role}.distance": length_m(distance)}
        angle = self._stand(known).angle_deg
        height = self._usual_height({**known, f"{self.role}.angle": angle})
        return f"{distance}, {stands.angle_text(angle)}, {height}"

    def _usual_angle(self, answers: Answers) -> str:
        return stands.angle_text(self._stand(answers).angle_deg)

    def _usual_height(self, answers: Answers) -> str:
        height = self._stand(answers).height_m
        return (
            Lengths(feet=True).long(round(height / INCH_M) * INCH_M)
            if uses_feet(answers)
            else f"{height:.2f} m"
        )


def head_questions(role: str) -> tuple[Question, ...]:
    """Return the questions about the head of this role, in their order."""
    return HeadQuestions(role).all()
