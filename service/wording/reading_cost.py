"""How hard is a text to read: by which formula, its longest sentence, and its uncommon words?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.messages.catalogs import PLACEHOLDER
from service.messages.i18n import script_of
from service.wording.hard_words import hard_words, segment
from service.wording.readability import Counts, Formula, formula_of, lix, why_none
from service.wording.sample_values import fill
from service.wording.sentences import VERBATIM, split_sentences, words_of
from service.wording.syllables import count_syllables

WHOLE_PASSAGE = 100
"""Words from which on a grade means what its authors meant: Flesch 1948 and his followers took samples of 100 words."""
_LONG_WORD = 6  # letters; a long word has more (Bjornsson 1968)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingCost:
    """What it takes to read one text, its placeholders filled with typical values.

    `formula` is None where the language has none, and `why_none` says why. `estimate` marks a grade of fewer than 100
    words: good for comparing two texts, not for a promise about readers. `lix` is a relative number: compare it only
    between texts of one language; None for Chinese. `hard_words` is None where no frequency list is at hand.
    """

    language: str
    words: int
    sentences: int
    formula: Formula | None
    score: float | None
    estimate: bool
    why_none: str
    lix: float | None
    longest_sentence: str
    longest_words: int
    hard_words: tuple[str, ...] | None

    @property
    def says(self) -> str:
        """The grade in one line: name, figure and which way it runs."""
        if self.formula is None or self.score is None:
            return self.why_none or "there is nothing to read"
        about = ", an estimate from a short text" if self.estimate else ""
        return f"{self.formula.name}: {self.score:.1f} ({self.formula.harder} is harder{about})"


def reading_cost(text: str, language: str, values: Mapping[str, str] | None = None) -> ReadingCost:
    """The cost of reading `text`, which may hold placeholders; `values` are the clinic's own (name, number)."""
    filled = fill(text, language, values or {})
    sentences = [(sentence, _words(sentence, language)) for sentence in split_sentences(filled, language)]
    counts = count(filled, language)
    formula = formula_of(language)
    # What a placeholder puts in, a name above all, is not the wording's choice.
    own = [word for part in PLACEHOLDER.split(text)[::2] for word in _words(part, language) if _is_read(word)]
    longest, words = max(sentences, key=lambda pair: len(pair[1]), default=("", ()))
    return ReadingCost(
        language=language,
        words=counts.words,
        sentences=counts.sentences,
        formula=formula,
        score=formula.score(counts) if formula is not None and counts.words else None,
        estimate=counts.words < WHOLE_PASSAGE,
        why_none=why_none(language),
        lix=lix(counts) if counts.words and not _is_chinese(language) else None,
        longest_sentence=longest,
        longest_words=len(words),
        hard_words=hard_words(own, language),
    )


def count(text: str, language: str) -> Counts:
    """What the formulas count in a text without placeholders.

    A number, a link or an address is one word of one syllable and of no letters: it is looked at, not spelled out.
    """
    sentences = split_sentences(text, language)
    words = [word for sentence in sentences for word in _words(sentence, language)]
    read = [word for word in words if not VERBATIM.search(word)]
    lengths = [sum(char.isalpha() for char in word) for word in read]
    syllables = [found for word in read if (found := count_syllables(word, language)) is not None]
    return Counts(
        words=len(words),
        sentences=len(sentences),
        letters=sum(lengths),
        long_words=sum(length > _LONG_WORD for length in lengths),
        syllables=sum(syllables) + len(words) - len(read) if len(syllables) == len(read) else None,
        three_syllables=sum(found >= 3 for found in syllables),
        four_syllables=sum(found >= 4 for found in syllables),
    )


def hardest(costs: Iterable[ReadingCost]) -> ReadingCost:
    """The hardest of several texts of one language: by score where there is one, else by the longest sentence.

    Raises:
        ValueError: there are none.
    """

    def by(cost: ReadingCost) -> tuple[float, int]:
        if cost.formula is None or cost.score is None:
            return (0.0, cost.longest_words)
        return (cost.score if cost.formula.harder == "higher" else -cost.score, cost.longest_words)

    return max(costs, key=by)


def _is_read(word: str) -> bool:
    """Whether a word is read, and not looked at (a number, a link) or typed (START in capitals)."""
    return not VERBATIM.search(word) and not (len(word) > 1 and word.isupper())


def _is_chinese(language: str) -> bool:
    return script_of(language) in ("Hans", "Hant")


def _words(sentence: str, language: str) -> tuple[str, ...]:
    return segment(sentence) if _is_chinese(language) else words_of(sentence)
