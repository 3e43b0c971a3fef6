"""Which published formula says how hard a text is in a language, and where is there none?

Every formula counts sentences, words and syllables (or letters). It knows nothing of meaning: a low grade does not
prove that people understand. None is valid outside its language, and all were made for passages of 100 words or more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What the formulas count. `long_words` have more than 6 letters. Syllables are None where nothing counts them.

    `three_syllables` and `four_syllables` are the words of at least so many syllables.
    """

    words: int
    sentences: int
    letters: int
    long_words: int
    syllables: int | None = None
    three_syllables: int = 0
    four_syllables: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Formula:
    """One published formula. `harder` says which way its score runs: "higher" or "lower" is harder.

    `scale` says in one line what its figures mean, `source` where it was published and how well it was checked.
    """

    id: str
    name: str
    harder: str
    scale: str
    source: str
    score: Callable[[Counts], float]

    def is_harder(self, score: float, than: float) -> bool:
        """Whether a text with `score` is harder than one with `than`."""
        return score > than if self.harder == "higher" else score < than


def flesch(counts: Counts, base: float, per_word: float, per_syllable: float) -> float:
    """The shape of Flesch 1948 and its kin: base - per_word x words a sentence - per_syllable x syllables a word.

    Needs at least one word, one sentence, and counted syllables.
    """
    assert counts.syllables is not None, "this formula is only given to languages whose syllables are counted"
    return base - per_word * counts.words / counts.sentences - per_syllable * counts.syllables / counts.words


def kincaid(counts: Counts) -> float:
    """0.39 x words a sentence + 11.8 x syllables a word - 15.59."""
    return -flesch(counts, base=15.59, per_word=0.39, per_syllable=11.8)


def fog(counts: Counts, hard: int) -> float:
    """0.4 x (words a sentence + the share of `hard` words in per cent)."""
    return 0.4 * (counts.words / counts.sentences + 100 * hard / counts.words)


def lix(counts: Counts) -> float:
    """Words a sentence + the share of words of more than 6 letters in per cent (Bjornsson 1968)."""
    return counts.words / counts.sentences + 100 * counts.long_words / counts.words


FORMULAS: Mapping[str, Formula] = {
    "en": Formula(
        id="flesch-kincaid",
        name="Flesch-Kincaid grade",
        harder="higher",
        scale="years of school in the USA; grade 5 to 6 is a reading age of about 10 to 11",
        source="Kincaid, Fishburne, Rogers and Chissom 1975; coefficients read in two open-source libraries",
        score=kincaid,
    ),
    "es": Formula(
        id="szigriszt-pazos",
        name="Szigriszt-Pazos on the INFLESZ scale",
        harder="lower",
        scale="under 40 very hard, 40 to 55 rather hard, 55 to 65 normal, 65 to 80 rather easy, over 80 very easy",
        source="Szigriszt Pazos 1993; bands by Barrio-Cantalejo and others 2008, made for texts for patients",
        score=lambda counts: flesch(counts, base=206.835, per_word=1, per_syllable=62.3),
    ),
    "fr": Formula(
        id="kandel-moles",
        name="Kandel-Moles",
        harder="lower",
        scale="as Flesch 1948: 60 to 70 standard, 70 to 80 fairly easy, 80 to 90 easy, over 90 very easy",
        source="Kandel and Moles 1958, as 207 - 1.015 - 73.6; some libraries have 209 - 1.15 - 68 instead",
        score=lambda counts: flesch(counts, base=207, per_word=1.015, per_syllable=73.6),
    ),
    "pt": Formula(
        id="flesch-martins",
        name="Flesch for Brazilian Portuguese",
        harder="lower",
        scale="75 to 100 very easy (school years 1 to 4), 50 to 75 easy (to year 8), 25 to 50 hard, under 25 very hard",
        source="Martins, Ghiraldelo, Nunes and Oliveira 1996; coefficients read in two open-source libraries",
        score=lambda counts: flesch(counts, base=248.835, per_word=1.015, per_syllable=84.6),
    ),
    "pl": Formula(
        id="fog-polish",
        name="Fog index for Polish",
        harder="higher",
        scale="years of school: 1 to 6 primary school, 7 to 9 lower secondary, 10 to 12 upper secondary",
        source="Gunning 1952; in Polish a hard word has 4 syllables or more, read in an open-source library and in an "
        "encyclopaedia; inflected words are counted as they stand",
        score=lambda counts: fog(counts, counts.four_syllables),
    ),
}
"""The formula of each language that has one here, by base language."""

NO_FORMULA: Mapping[str, str] = {
    "ar": "OSMAN (El-Haj and Rayson 2016) needs vowel marks, which ordinary Arabic leaves out; it is not used here",
    "bn": "models exist (Sinha and others 2012), made from 16 texts of 400 words or more; they are not used here",
    "cy": "none was found for Welsh",
    "hi": "models exist (Sinha and others 2012), made from 16 texts of 400 words or more; they are not used here",
    "ro": "none with coefficients of its own was found for Romanian",
    "uk": "none with coefficients of its own was found for Ukrainian; those for Russian are not valid for it",
    "ur": "none was found for Urdu",
    "zh": "the published ones count strokes or graded word lists for schoolbooks; they are not used here",
}
"""Why a language has no formula here, where somebody looked."""


def formula_of(language: str) -> Formula | None:
    """The formula used for texts in `language`, or None."""
    return FORMULAS.get(language.split("-", 1)[0])


def why_none(language: str) -> str:
    """Why there is no formula for `language`, for a person to read. Empty where there is one."""
    base = language.split("-", 1)[0]
    if base in FORMULAS:
        return ""
    return f"no published formula is used for this language: {NO_FORMULA.get(base, 'nobody has looked for one yet')}"
