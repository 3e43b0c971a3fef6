"""Which values stand in for placeholders when a text is read, counted and previewed: typical ones, and the dearest?

People, numbers and addresses are invented; the telephone numbers are from the ranges kept for fiction. A clinic's own
name, number and address take the place of the invented ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, time, timedelta
from functools import lru_cache

from service.domain.contact import WAYS
from service.domain.placeholders import PLACEHOLDERS, Kind
from service.domain.text_alphabet import Alphabet, count_parts
from service.links import STAND_IN, page_url
from service.messages import i18n
from service.messages.catalogs import PLACEHOLDER

# Typical first, then the longest we expect, then the longest whose letters the plain alphabet of phones lacks.
_TEXTS: Mapping[str, tuple[str, ...]] = {
    "clinic": (
        "Larkfield Ear Care",
        "Larkfield and Upper Exampleton Ear Care Centre",
        "Clinig Glust Tŷ’r Ehedydd a’r Cwm",
    ),
    "name": ("Sam Lee", "Alexandrina Featherstonehaugh", "Władysława Wiśniewska-Łukasiewicz"),
    "person": ("Sam", "Alexandrina", "Siân", "Łucja", "Władysława"),
    "phone": ("020 7946 0123", "+44 20 7946 0123 ext. 4567"),
    "emergency": ("999", "112 (999)"),
    "urgent_line": ("111", "020 7946 0999"),
    "text_number": ("07700 900123", "+44 7700 900123"),
    "email": ("desk@example.org", "reception.larkfield-ear-care@example.org"),
    "link": (
        page_url("https://larkfield.example", STAND_IN),
        page_url("https://aftercare.larkfield-ear-care.example.org", STAND_IN),
    ),
}
# Whole numbers of ordinary plans; which of them a counting text takes is decided by its plural form.
_NUMBERS: Mapping[str, tuple[int, ...]] = {
    "drops": (3, 10),
    "times": (2, 10),
    "minutes": (5, 15),
    "hours": (48, 72),
    "days": (7, 100),
    "weeks": (2, 52),
    "months": (6, 18),
    "millilitres": (10, 100),
    "doses": (14, 100),
}
_YEAR = date(2026, 1, 1)
_TYPICAL_DAY = date(2026, 11, 25)
_TYPICAL_TIME = time(14, 30)


@lru_cache(maxsize=1024)
def candidates(name: str, language: str) -> tuple[str, ...]:
    """The ready-written values of one placeholder in one language; the typical one is the first.

    Beside it: the longest that the default alphabet of phones can carry, and the longest that it cannot, if any.

    Raises:
        KeyError: the name is no placeholder.
    """
    typical, *others = _written(name, language)
    plain = [value for value in others if count_parts(value).alphabet is Alphabet.GSM7]
    forced = [value for value in others if count_parts(value).alphabet is Alphabet.UCS2]
    longest = [max(group, key=_units) for group in (plain, forced) if group]
    return tuple(dict.fromkeys([typical, *longest]))


def plural_samples(language: str) -> tuple[int, ...]:
    """For each plural form of the language, in the order of its texts, the greatest number up to 100 that takes it.

    A form that only greater numbers take gets one of them; one that no whole number takes ("other" in Polish) gets 2.
    """
    form = i18n.plural_form(language)
    numbers = (*range(100, -1, -1), *range(101, 1000), 1_000_000)
    count = len(i18n.plural_categories(language))
    return tuple(next((number for number in numbers if form(number) == index), 2) for index in range(count))


def fill(text: str, language: str, values: Mapping[str, str]) -> str:
    """`text` with its placeholders replaced by `values`, or by typical ones where a value is not given.

    Values are written as they are given; in right-to-left text they are isolated as in a real message.
    """
    direction = i18n.direction(language)

    def put(name: str) -> str:
        value = values.get(name) or candidates(name, language)[0]
        return i18n.isolate(value, PLACEHOLDERS[name], direction)

    cut = PLACEHOLDER.split(text)
    return "".join(put(piece) if place % 2 else piece for place, piece in enumerate(cut))


def _units(value: str) -> int:
    return count_parts(value).units


def _written(name: str, language: str) -> Iterator[str]:
    kind = PLACEHOLDERS[name]
    if kind is Kind.NUMBER:
        yield from (i18n.format_number(number, language) for number in _NUMBERS[name])
    elif kind is Kind.DATE:
        yield i18n.format_date(_TYPICAL_DAY, language)
        yield from (i18n.format_date(_YEAR + timedelta(days=day), language) for day in range(365))
    elif kind is Kind.TIME:
        yield i18n.format_time(_TYPICAL_TIME, language)
        yield from (i18n.format_time(time(hour, 30), language) for hour in range(24))
    elif kind is Kind.LIST:
        # Clock times stand in for the wording's own words for times of the day; no text of a message has a list.
        clock = [i18n.format_time(time(hour), language) for hour in (8, 13, 18, 21)]
        yield i18n.join_list(clock[:2], language)
        yield i18n.join_list(clock, language)
    elif kind is Kind.CHOICE:
        # The bare numbers and addresses stand in for the wording's own "by phone on ..."; no text message has them.
        ways = [_TEXTS[way] for way in WAYS]
        yield i18n.join_list([typical for typical, *_ in ways], language, either=True)
        yield i18n.join_list([longest for _, longest in ways], language, either=True)
    else:
        yield from _TEXTS[name]
