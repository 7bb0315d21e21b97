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


_WHOLE_ANSWERS = frozenset(
    split_list("""
    on, off, both, right, with, 1, 0, true, false, y, n, d, j, not, without, always, often
""")
)
"""Words that mean yes or no as a complete answer, but little inside a sentence."""


_NOT = (
    r"(?:(?:not|never|isn't|aren't|don't|doesn't|won't|nobody|none)\s+(?:[\w']+\s+){0,2}"
    r"|(?:no|without)\s+(?:an?\s+)?)"
)


def yes_or_no(text: str, yes: Iterable[str] = (), no: Iterable[str] = ()) -> bool:
    """Return the yes or no in an answer; `yes` and `no` are extra words of the question.

    Raises ValueError for an answer that is neither.

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


_PLAIN_WORDS = dict.fromkeys(
    split_list("y, yes, yeah, yea, yep, yup, ye, ya, ja, oui, si, sí, sure, of course, true, 1, on"), True
) | dict.fromkeys(
    split_list("n, no, nope, nah, nein, non, não, not, none, never, nothing, false, 0, off"), False
)
"""First words so plain that the answer need not be read back."""


def yes_note(text: str, value: bool, own: Iterable[str] = ()) -> str:
    """Return the note that reads a yes or no back; empty if the line is plain or has a word of `own`.

    >>> yes_note("Yes, mostly", True), yes_note("sometimes", True), yes_note("contacts", False, ["contacts"])
    ('', 'read as yes', '')
    """
    line = normalize(text)
    begun = re.match(any_of(_PLAIN_WORDS) + r"(?!\w)", line)
    plainly = (begun is not None and _PLAIN_WORDS[begun[1]] is value) or any(word in line for word in own)
    return "" if plainly else f"read as {'yes' if value else 'no'}"


def _way_in(line: str, own: Mapping[str, bool], common: Mapping[str, bool]) -> bool | None:
    """Return the answer in a sentence, or None if it has none.

    The question's own words, which a "not" negates, take precedence over the common ones.
    """
    if own and (word := re.search(rf"({_NOT})?(?<![\w-]){any_of(own)}(?![\w-])", line)) is not None:
        return own[word[2]] ^ bool(word[1])
    sentence = {word: way for word, way in common.items() if word not in _WHOLE_ANSWERS}
    first = re.search(rf"(?<![\w-]){any_of(sentence)}(?![\w-])", line)
    return None if first is None else sentence[first[1]]


def yes_no_reader(
    also_yes: str = "", also_no: str = "", readback: tuple[str, str] | None = None
) -> AnswerReader:
    """Return a reader of yes or no with extra words.

    `readback` holds the two words that read an answer back.
    """
    own = [also.split("|") if also else [] for also in (also_yes, also_no)]

    def reads(text: str, _: Answers) -> Meaning:
        try:
            value = yes_or_no(text, *own)
        except ValueError:
            if readback is None:
                raise
            raise ValueError(f"{text.strip()!r} is neither {readback[0]} nor {readback[1]}") from None
        if readback is None:
            return Meaning(value, yes_note(text, value, own[not value]))
        plainly = any(word in normalize(text) for word in own[not value])
        return Meaning(value, "" if plainly else f"read as {readback[not value]}")

    return reads
