"""Which common questions of a plan answer the words that a reader typed? Looked up, never written; nothing is stored.

Words are compared folded (no capitals, accents or marks) as answers to texts are, in whichever language is shown.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.inbound.reply_words import fold, shipped_reply_words
from service.messages.reading import Answered, Questions

LONGEST_SEARCH = 100
"""Characters of a search; the rest is left off. Our choice: longer than any question."""
SHORTEST_PART = 4
"""Letters that a part inside another word must have at least. Our choice: shorter ones meet by chance."""
SHORTEST_START = 3
"""Letters of a word's beginning that stand for the whole word. Our choice."""
SAME_SHARE = 0.6
"""Share of the longer word that two words must begin alike with, to count as forms of one word. Our choice."""

_HAN = re.compile(r"[\u3400-\u9fff\uf900-\ufaff](?: ?[\u3400-\u9fff\uf900-\ufaff])*")
"""Chinese characters, which folding sets apart: written without spaces, so that two neighbours stand for a word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What a search found. Without a find, `asked` are all the questions: "nothing" must never read as "no problem".

    `worried`: the words hold a sign that the clinic must hear of, in any language.
    """

    typed: str
    asked: tuple[Answered, ...]
    found: bool
    worried: bool


def search(questions: Questions, typed: str) -> Search:
    """The questions that most of the typed words speak of, in their order; all of them when nothing was typed."""
    words = tuple(dict.fromkeys(_words(typed)))
    worried = shipped_reply_words().warns(typed)
    scores = [_score(each, words) for each in questions.asked]
    best = max(scores, default=(0, 0))
    if best[0] == 0:
        return Search(typed=typed, asked=questions.asked, found=False, worried=worried)
    asked = tuple(each for each, score in zip(questions.asked, scores, strict=True) if score[0] == best[0])
    if best[1] * 2 > best[0]:  # most of the words stand in the question itself: passing mentions elsewhere are left out
        asked = tuple(each for each, score in zip(questions.asked, scores, strict=True) if score == best)
    return Search(typed=typed, asked=asked, found=True, worried=worried)


def _score(asked: Answered, words: tuple[str, ...]) -> tuple[int, int]:
    """How many of the words this question or its answer holds, and how many of them the question itself."""
    question, answer = _words(asked.ask), _words(" ".join(asked.answer))
    in_question = [any(_alike(word, other) for other in question) for word in words]
    anywhere = [
        here or any(_alike(word, other) for other in answer) for word, here in zip(words, in_question, strict=True)
    ]
    return sum(anywhere), sum(in_question)


def _words(text: str) -> list[str]:
    """The folded words; a run of Chinese characters as all its pairs of neighbours."""
    apart = _HAN.sub(lambda run: f" {' '.join(_pairs(run[0]))} ", fold(text).replace("*", " "))
    return apart.split()


def _pairs(run: str) -> list[str]:
    run = run.replace(" ", "")
    return [run[n : n + 2] for n in range(len(run) - 1)] or [run]


def _alike(word: str, other: str) -> bool:
    """Whether two folded words are one word, or forms of one word."""
    short, long = sorted((word, other), key=len)
    if _HAN.match(short):
        return short in long
    if short == long or (len(short) >= SHORTEST_START and long.startswith(short)):
        return True
    if len(short) >= SHORTEST_PART and short in long:
        return True
    same = next((n for n, (a, b) in enumerate(zip(short, long, strict=False)) if a != b), len(short))
    return same >= SHORTEST_PART and same >= SAME_SHARE * len(long)
