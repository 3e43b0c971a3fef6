"""Which words of a text are outside the most frequent ones of the language?

The lists are those of the library wordfreq (subtitles, web, news, books, to 2021). English counts its 10,000 most
frequent word forms as common. A language that bends its words needs more forms to cover as much of a running text, so
every other language counts as many as cover the same share.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from math import log

from wordfreq import available_languages, get_frequency_dict
from wordfreq.tokens import lossy_tokenize

COMMON_IN_ENGLISH = 10_000
"""Word forms; our choice: with 5,000 such words as swim, towel and sore would be marked, and nobody heeds the marks."""

_HAN = re.compile(r"[\u3400-\u9fff]+")
_LONGEST_CHINESE = 6
_UNKNOWN_CHINESE = -20.0  # log probability of a character that no list has: rarer than every listed word


def has_list(language: str) -> bool:
    """Whether there is a frequency list for this language (for Welsh there is none)."""
    return language.split("-", 1)[0] in available_languages("small")


def hard_words(words: Iterable[str], language: str) -> tuple[str, ...] | None:
    """The words that are not common, each once, in order of first use; None where there is no list.

    Names, numbers and links are the caller's to leave out. A word joined by hyphens is hard if any part is.
    """
    base = language.split("-", 1)[0]
    if not has_list(base):
        return None
    common = common_words(base)
    found = {word.casefold(): word for word in reversed([*words]) if not _is_common(word, base, common)}
    return tuple(reversed(found.values()))


@lru_cache(maxsize=16)
def common_words(base: str) -> frozenset[str]:
    """The most frequent word forms of a language that together cover the share that 10,000 cover in English."""
    frequencies = sorted(_frequencies(base).items(), key=lambda item: -item[1])
    share, covered, common = _share(), 0.0, set[str]()
    for word, frequency in frequencies:
        if covered >= share:
            break
        covered += frequency
        common.add(word)
    return frozenset(common)


def segment(text: str) -> tuple[str, ...]:
    """The words of Chinese text, which puts no spaces between them: the likeliest cut by the frequency list.

    Runs of other scripts are cut at spaces. Punctuation is left out.
    """
    words: list[str] = []
    for piece in re.findall(r"[\u3400-\u9fff]+|[^\s\u3400-\u9fff]+", text):
        if _HAN.fullmatch(piece):
            words += _cut(piece)
        else:
            stripped = re.sub(r"^\W+|\W+$", "", piece)
            words += [stripped] if stripped else []
    return tuple(words)


def _is_common(word: str, base: str, common: frozenset[str]) -> bool:
    if base == "zh":
        return word in common or not _HAN.search(word)
    return all(
        token in common or token.removesuffix("'s") in common or not any(char.isalpha() for char in token)
        for token in lossy_tokenize(word, base)
    )


def _frequencies(base: str) -> Mapping[str, float]:
    return get_frequency_dict(base, wordlist="small")


@lru_cache(maxsize=1)
def _share() -> float:
    return sum(sorted(_frequencies("en").values(), reverse=True)[:COMMON_IN_ENGLISH])


def _cut(run: str) -> list[str]:
    """The cut of a run of Chinese characters whose words are together the most frequent (Viterbi over single words)."""
    frequencies = _frequencies("zh")
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, len(run) + 1):
        choices = []
        for start in range(max(0, end - _LONGEST_CHINESE), end):
            frequency = frequencies.get(run[start:end], 0.0)
            if frequency or end - start == 1:
                choices.append((best[start][0] + (log(frequency) if frequency else _UNKNOWN_CHINESE), start))
        best.append(max(choices))
    words, end = [], len(run)
    while end:
        start = best[end][1]
        words.append(run[start:end])
        end = start
    return words[::-1]
