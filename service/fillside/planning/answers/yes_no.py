"""Yes and no in the words people answer with."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from fillside.planning.answers.question import AnswerReader, Answers, Meaning
from fillside.planning.answers.typed_line import UNSURE_ANSWERS, any_of, closest_word, normalize, split_list

YES = split_list("""
    y, yes, ok, okay, yeah, yea, yep, yup, ye, ya, ja, oui, si, sí, sure, true, 1, on, of course, definitely,
    certainly, absolutely, correct, right, affirmative, i do, he does, she does, they do, it does, it
    may, yes please, both, always, with, sometimes, often
""")


NO = split_list("""
    n, no, nope, not at all, nah, nein, non, não, false, 0, off, none, never, not really, no thanks,
    nothing, doesn't, does not, isn't, is not, don't, do not, without, neither, negative, not, not yet,
    no way, i don't, he doesn't, she doesn't, they don't, it may not
""")


_ALONE = frozenset(
    split_list("""
    on, off, both, right, with, 1, 0, true, false, y, n, d, j, not, without, always, often
""")
)
"""Words that say yes or no as a whole answer, and little inside of one."""


_NOT = (
    r"(?:(?:not|never|isn't|aren't|don't|doesn't|won't|nobody|none)\s+(?:[\w']+\s+){0,2}"
    r"|(?:no|without)\s+(?:an?\s+)?)"
)


def yes_or_no(text: str, yes: Iterable[str] = (), no: Iterable[str] = ()) -> bool:
    """A yes or no, by itself or in a sentence; `yes` and `no` are the words of a question of its own.

    >>> yes_or_no("Yep!"), yes_or_no("no, none of us"), yes_or_no("not sitting", ["standing"], ["sitting"])
    (True, False, True)
    """
    line = normalize(text)
    own = dict.fromkeys(yes, True) | dict.fromkeys(no, False)
    common = dict.fromkeys(YES, True) | dict.fromkeys(NO, False)
    if line in common or line in own:
        return own.get(line, common.get(line, False))
    if line in UNSURE_ANSWERS:
        raise ValueError(f"{text.strip()!r} is neither yes nor no")
    mistyped = " ".join(closest_word(word, (*own, *common)) or word for word in re.findall(r"[\w'-]+", line))
    for words in (line, mistyped):
        found = _way_in(words, own, common)
        if found is not None:
            return found
    raise ValueError(f"{text.strip()!r} is neither yes nor no")


_SAID = dict.fromkeys(
    split_list("y, yes, yeah, yea, yep, yup, ye, ya, ja, oui, si, sí, sure, of course, true, 1, on"), True
) | dict.fromkeys(
    split_list("n, no, nope, nah, nein, non, não, not, none, never, nothing, false, 0, off"), False
)
"""Words that say yes or no so plainly that a line which begins with one need not be read back."""


def yes_note(text: str, value: bool, own: Iterable[str] = ()) -> str:
    """How a yes or no is read back; nothing where the line begins with one, or has a word of `own`.

    >>> yes_note("Yes, mostly", True), yes_note("sometimes", True), yes_note("contacts", False, ["contacts"])
    ('', 'read as yes', '')
    """
    line = normalize(text)
    begun = re.match(any_of(_SAID) + r"(?!\w)", line)
    plainly = (begun is not None and _SAID[begun[1]] is value) or any(word in line for word in own)
    return "" if plainly else f"read as {'yes' if value else 'no'}"


def _way_in(line: str, own: Mapping[str, bool], common: Mapping[str, bool]) -> bool | None:
    """What a sentence says by the question's own words, turned by a not, or else by the first common one."""
    if own and (word := re.search(rf"({_NOT})?(?<![\w-]){any_of(own)}(?![\w-])", line)) is not None:
        return own[word[2]] ^ bool(word[1])
    sentence = {word: way for word, way in common.items() if word not in _ALONE}
    first = re.search(rf"(?<![\w-]){any_of(sentence)}(?![\w-])", line)
    return None if first is None else sentence[first[1]]


def yes_no_reader(also_yes: str = "", also_no: str = "", told: tuple[str, str] | None = None) -> AnswerReader:
    """A reader of yes or no with words of its own; `told` is how a mere yes or no is read back."""
    own = [also.split("|") if also else [] for also in (also_yes, also_no)]

    def reads(text: str, _: Answers) -> Meaning:
        try:
            value = yes_or_no(text, *own)
        except ValueError:
            if told is None:
                raise
            raise ValueError(f"{text.strip()!r} is neither {told[0]} nor {told[1]}") from None
        if told is None:
            return Meaning(value, yes_note(text, value, own[not value]))
        plainly = any(word in normalize(text) for word in own[not value])
        return Meaning(value, "" if plainly else f"read as {told[not value]}")

    return reads
