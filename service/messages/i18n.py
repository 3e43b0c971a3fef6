"""How does a language write numbers, dates, times and lists, which way does it run, and how does it count?

Everything comes from the Unicode CLDR through Babel, except the direction of a script, which is in here: locale data
falls back to the base language and gets variants such as pa-Arab wrong. Results are cached: warm calls do no I/O.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from datetime import date, time
from functools import lru_cache
from gettext import c2py
from typing import Literal

from babel import Locale, localedata
from babel.core import get_global
from babel.dates import format_date as babel_date
from babel.dates import format_time as babel_time
from babel.lists import format_list
from babel.numbers import format_decimal
from babel.plural import to_gettext

from service.domain.placeholders import Kind
from service.errors import ContactError

Direction = Literal["ltr", "rtl"]

FSI, LRI, PDI = "\u2068", "\u2066", "\u2069"
_WIDE_STOPS = ("。", "！", "？", "，", "：", "；")
"""Full-width marks of Chinese and Japanese."""
BIDI_CONTROLS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Embeddings, overrides and isolates (UAX #9): never stored in a value or a translation."""

# Scripts written from right to left (ISO 15924 codes; direction as in the CLDR script metadata).
_RTL = (
    "Adlm Arab Aran Armi Avst Chrs Cprt Elym Gara Hatr Hebr Hung Khar Lydi Mand Mani Mend Merc Mero Narb Nbat Nkoo "
    "Orkh Ougr Palm Phli Phlp Phnx Prti Rohg Samr Sarb Sogd Sogo Syrc Thaa Yezi"
)
_RTL_SCRIPTS = frozenset(_RTL.split())

# Languages with one usual script, which is then not written in the tag. Source: the Suppress-Script fields of the
# IANA language subtag registry, for languages that this service is likely to meet (from memory).
_IMPLIED_SCRIPT = {
    language: script
    for script, languages in {
        "Latn": "af ca cs cy da de en es et eu fi fr fy ga gl hr hu id is it lt lv mt ms nb nl nn no pl pt ro sk sl "
        "so sq sv sw tr vi xh zu",
        "Arab": "ar fa ps ur",
        "Cyrl": "be bg kk mk ru uk",
        "Hebr": "he yi",
        "Deva": "hi mr ne",
        "Beng": "as bn",
        "Ethi": "am ti",
        "Grek": "el",
        "Guru": "pa",
        "Gujr": "gu",
        "Taml": "ta",
        "Telu": "te",
        "Knda": "kn",
        "Mlym": "ml",
        "Sinh": "si",
        "Thai": "th",
        "Khmr": "km",
        "Mymr": "my",
        "Laoo": "lo",
        "Armn": "hy",
        "Geor": "ka",
        "Jpan": "ja",
        "Kore": "ko",
    }.items()
    for language in languages.split()
}

# The digit zero of each numbering system that is some locale's default in the CLDR; the nine others follow it.
_ZERO = {
    "adlm": 0x1E950,
    "arab": 0x0660,
    "arabext": 0x06F0,
    "beng": 0x09E6,
    "cakm": 0x11136,
    "deva": 0x0966,
    "hmnp": 0x1E140,
    "mtei": 0xABF0,
    "mymr": 0x1040,
    "nkoo": 0x07C0,
    "olck": 0x1C50,
    "tibt": 0x0F20,
}

_TAG = re.compile(
    r"(?P<language>[a-z]{2,3})(?P<extlang>(?:-[a-z]{3}){0,3})(?:-(?P<script>[a-z]{4}))?"
    r"(?:-(?P<region>[a-z]{2}|[0-9]{3}))?(?P<variants>(?:-(?:[a-z0-9]{5,8}|[0-9][a-z0-9]{3}))*)"
    r"(?P<extensions>(?:-[0-9a-wy-z](?:-[a-z0-9]{2,8})+)*)(?P<private>(?:-x(?:-[a-z0-9]{1,8})+)?)",
    re.ASCII,
)


@lru_cache(maxsize=1024)
def canonical_tag(tag: str) -> str:
    """The tag in the form that this service stores: canonical letter case, no script that the language implies.

    Source: RFC 5646 sections 2.1 (syntax), 2.1.1 (letter case) and 4.5 (canonical form).

    Raises:
        ContactError: field "language", when the tag is malformed.

    Example:
        >>> canonical_tag("PA-arab"), canonical_tag("en-latn-gb")
        ('pa-Arab', 'en-GB')
    """
    match = _TAG.fullmatch(tag.strip().lower())
    if match is None:
        raise ContactError("language", "this is not a language tag; give a code such as en, cy, pt-PT or pa-Arab")
    language = str(get_global("language_aliases").get(match["language"], match["language"]))
    if "_" in language:  # an alias that also changes the script or region is left as it was written
        language = match["language"]
    script = (match["script"] or "").title()
    region = (match["region"] or "").upper()
    regions = get_global("territory_aliases").get(region, [region])
    region = regions[0] if len(regions) == 1 else region
    if script == _IMPLIED_SCRIPT.get(language):
        script = ""
    parts = [language + match["extlang"], script, region]
    return "-".join(part for part in parts if part) + match["variants"] + match["extensions"] + match["private"]


@lru_cache(maxsize=1024)
def script_of(tag: str) -> str:
    """The script (ISO 15924 code) that a language is likely written in: the one in the tag, else CLDR likely subtags.

    Raises:
        ContactError: field "language", when the tag is malformed.
    """
    language, script, region = _subtags(tag)
    if script:
        return script
    likely = get_global("likely_subtags")
    full = likely.get(f"{language}_{region}") if region else None
    full = full or likely.get(language)
    return str(full).split("_")[1] if full else "Latn"


def direction(tag: str) -> Direction:
    """Whether the language runs "ltr" or "rtl": decided by its script, never by the base language alone."""
    return "rtl" if script_of(tag) in _RTL_SCRIPTS else "ltr"


@lru_cache(maxsize=1024)
def fallback_chain(tag: str) -> tuple[str, ...]:
    """The tags to look for, best first: `tag` itself, then with subtags dropped from the right. There is no default.

    A tag of another script is left out: pa-Arab never falls to pa. Where a region implies a script that the language
    alone does not (pa-PK), the tag with that script takes part (pa-Arab).

    Source: RFC 4647 section 3.4 (lookup); the rule about scripts and the last sentence above are our own choice.
    """
    canonical = canonical_tag(tag)
    script = script_of(canonical)
    language, _, _ = _subtags(canonical)
    chain, parts = [canonical], canonical.split("-")[:-1]
    while parts:
        if len(parts[-1]) > 1:  # a single letter opens an extension and goes with it
            chain.append("-".join(parts))
        parts = parts[:-1]
    chain.insert(max(1, len(chain) - 1), canonical_tag(f"{language}-{script}"))
    return tuple(dict.fromkeys(link for link in chain if script_of(link) == script))


@lru_cache(maxsize=256)
def plural_categories(language: str) -> tuple[str, ...]:
    """The CLDR cardinal categories of a language in the order of its gettext forms ("other" is last).

    Raises:
        ContactError: field "language", when the CLDR has no rule for it.
    """
    tags = _plural_locale(language).plural_form.tags | {"other"}
    return tuple(name for name in ("zero", "one", "two", "few", "many", "other") if name in tags)


@lru_cache(maxsize=256)
def plural_header(language: str) -> str:
    """The value of a catalog's Plural-Forms header, from the CLDR rule for whole numbers.

    Raises:
        ContactError: field "language", when the CLDR has no rule for it.
    """
    # The exponent operand of compact numbers is unknown to gettext and always 0 for a number written in full.
    return re.sub(r"\be\b", "0", to_gettext(_plural_locale(language).plural_form))


PLURAL_SAMPLE = (*range(201), 1000, 1_000_000)
"""Whole numbers by which plural rules are explained and compared: past every hundred that some language treats
differently, and the round ones that a few languages count in a form of their own."""


def compile_plural(header: str) -> tuple[int, Callable[[int], int]]:
    """The number of forms that a Plural-Forms header states, and its expression as a function.

    Raises:
        ValueError: the header is not of the form "nplurals=N; plural=EXPRESSION;".
    """
    match = re.fullmatch(r"\s*nplurals\s*=\s*(\d+)\s*;\s*plural\s*=\s*([^;]+?)\s*;?\s*", header)
    if match is None:
        raise ValueError(f"not a Plural-Forms header: {header!r}")
    return int(match[1]), c2py(match[2])


@lru_cache(maxsize=256)
def plural_form(language: str) -> Callable[[int], int]:
    """The function from a whole number to the index of its gettext form, by the CLDR rule.

    Raises:
        ContactError: field "language", when the CLDR has no rule for it.
    """
    return compile_plural(plural_header(language))[1]


@lru_cache(maxsize=256)
def counts_alike(header: str, language: str) -> bool:
    """Whether a Plural-Forms header counts as the language does. Rules are compared by what they do, not by how they
    look; a header of more than 1000 characters is cut off there.

    Raises:
        ContactError: field "language", when the CLDR has no rule for it.
    """
    rule = plural_form(language)
    try:
        count, stated = compile_plural(header[:1000])
        return count == len(plural_categories(language)) and all(stated(n) == rule(n) for n in PLURAL_SAMPLE)
    except (ValueError, ZeroDivisionError, RecursionError):  # no plural expression, or one that cannot be reckoned
        return False


@lru_cache(maxsize=4096)
def format_number(value: int, language: str) -> str:
    """A whole number with the language's own digits and grouping; spaces inside are plain ones."""
    locale = _locale(language)
    return _finish(format_decimal(value, locale=locale), locale)


@lru_cache(maxsize=4096)
def format_date(value: date, language: str) -> str:
    """A date in full: weekday, day, month and year, in the order of the language."""
    locale = _locale(language)
    return _finish(babel_date(value, "full", locale=locale), locale)


@lru_cache(maxsize=4096)
def format_time(value: time, language: str) -> str:
    """A time of day: in English as "9:30 pm" (our choice, in every country), elsewhere the CLDR short form."""
    locale = _locale(language)
    if locale.language == "en":
        return f"{value.hour % 12 or 12}:{value.minute:02} {'am' if value.hour < 12 else 'pm'}"
    return _finish(babel_time(value, "short", locale=locale), locale)


def join_list(items: Sequence[str], language: str, *, either: bool = False) -> str:
    """The items as one list in words ("a, b and c"), or as alternatives (`either`: "a, b or c").

    A Welsh list gets commas alone: its "and" changes the word that follows, which no pattern can do. Its "or" changes
    some, too: the texts that are joined as alternatives begin with words that it leaves as they are.
    """
    locale = _locale(language)
    if locale.language == "cy" and not either:
        return ", ".join(items)
    return format_list(list(items), style="or" if either else "standard", locale=locale)


def run_on(sentences: Iterable[str]) -> str:
    """The sentences one after the other: a space between them, none after a wide mark, which holds its own gap.

    Example:
        >>> run_on(["See the plan: https://ear.example.org/p/x", "Worried?", "担心吗？", "请联系我们。"])
        'See the plan: https://ear.example.org/p/x Worried? 担心吗？请联系我们。'
    """
    text = ""
    for sentence in sentences:
        text += sentence if not text or text.endswith(_WIDE_STOPS) else f" {sentence}"
    return text


def clean(value: str) -> str:
    """`value` without bidi controls and control characters; line breaks and tabs become spaces."""
    if value.isascii() and value.isprintable():  # nothing to take out, and by far the most common case
        return value
    spaced = re.sub(r"[\t\n\r\v\f\x85]+", " ", value)
    return "".join(char for char in spaced if char not in BIDI_CONTROLS and unicodedata.category(char) != "Cc")


def isolate(value: str, kind: Kind, language_direction: Direction) -> str:
    """An inserted value, cleaned, and in right-to-left text kept from disturbing the words around it.

    Free text and times (with PM in Urdu, with a word of its own in Arabic) get FSI ... PDI; what is dialled or copied
    gets LRI ... PDI, because a number has no strong letter from which FSI could take its direction. Left-to-right text
    gets nothing: in a phone text the marks would force UCS-2.
    Source: UAX #9 section 2.4 (explicit directional isolates).
    """
    cleaned = clean(value)
    if language_direction == "ltr" or kind not in (Kind.TEXT, Kind.TIME, Kind.VERBATIM):
        return cleaned
    return f"{LRI if kind is Kind.VERBATIM else FSI}{cleaned}{PDI}"


def _subtags(tag: str) -> tuple[str, str, str]:
    """Language, script and region of a tag; the last two may be empty."""
    match = _TAG.fullmatch(canonical_tag(tag).lower())
    assert match is not None, "a canonical tag is well formed"
    return match["language"], (match["script"] or "").title(), (match["region"] or "").upper()


def _known_locale(names: Sequence[str]) -> Locale | None:
    """The first of these CLDR locale names that has data."""
    found = next((name for name in names if localedata.exists(name)), None)
    return Locale.parse(found, resolve_likely_subtags=False) if found else None


@lru_cache(maxsize=256)
def _locale(tag: str) -> Locale:
    """The CLDR locale for dates, numbers and lists, in the same script. English without a country is British here."""
    names = [link.replace("-", "_") for link in fallback_chain(tag)]
    locale = _known_locale(["en_GB" if name == "en" else name for name in names])
    if locale is None or locale.months["format"]["wide"][11] == "M11":  # an outline without words of its own
        raise ContactError("language", f"dates and numbers are not known for {canonical_tag(tag)}; choose another one")
    return locale


@lru_cache(maxsize=256)
def _plural_locale(tag: str) -> Locale:
    """The CLDR locale for counting, which goes by language and region in any script."""
    language, _, region = _subtags(tag)
    locale = _known_locale([f"{language}_{region}", language] if region else [language])
    if locale is None:
        raise ContactError("language", f"plural forms are not known for {canonical_tag(tag)}; choose another one")
    return locale


def _finish(text: str, locale: Locale) -> str:
    """The locale's own digits, and plain spaces: a no-break space would turn a phone text into UCS-2."""
    text = text.replace("\u202f", " ").replace("\u00a0", " ")
    zero = _ZERO.get(locale.default_numbering_system)
    return text if zero is None else text.translate({ord("0") + digit: zero + digit for digit in range(10)})
