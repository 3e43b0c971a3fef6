"""What the patient's "Change" page offers, and what its forms mean: languages, places, and one use case a form."""

from __future__ import annotations

import hashlib
import secrets
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, time, timedelta
from functools import lru_cache
from threading import Lock
from typing import NamedTuple
from zoneinfo import available_timezones

from babel import Locale, UnknownLocaleError
from babel.core import get_global
from babel.dates import get_timezone_location
from werkzeug.datastructures import MultiDict

from service.domain.contact import Channel, ReminderLevel
from service.errors import ContactError
from service.messages.i18n import direction, fallback_chain
from service.planning import preferences
from service.services import Services

Form = MultiDict[str, str]

MISSES_A_MINUTE = 30
"""Unknown links that one address may try in a minute. Our choice: a person with a torn link never gets there, and a
token of 132 bits needs no more."""

PAUSES = {"pause-today": 1, "pause-days": 3, "pause-week": 7, "pause-weeks": 14, "pause-end": 0}
"""The pauses on offer, in days (0 ends one)."""


class Misses:
    """Counts unknown links by sender, in memory, for a minute. No address is kept: only a digest under a random key
    that is thrown away with the minute."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._begin(None)

    def _begin(self, now: datetime | None) -> None:
        self._since, self._key, self._counts = now, secrets.token_bytes(16), Counter[bytes]()

    def add(self, address: str, now: datetime) -> bool:
        """Count one miss; True when it was one too many."""
        with self._lock:
            if self._since is None or not timedelta(0) <= now - self._since < timedelta(minutes=1):
                self._begin(now)
            sender = hashlib.blake2b(address.encode(), key=self._key, digest_size=16).digest()
            self._counts[sender] += 1
            return self._counts[sender] > MISSES_A_MINUTE


class Language(NamedTuple):
    """A language by its tag, its name in itself, and the way it runs."""

    tag: str
    name: str
    direction: str


class Place(NamedTuple):
    """A time zone by its IANA name, and the country and city in which people know it."""

    zone: str
    name: str


def languages(tags: Iterable[str]) -> list[Language]:
    """These languages, each named in itself."""
    found = []
    for tag in tags:
        name = _locale(tag).get_display_name() or tag
        found.append(Language(tag, name[0].upper() + name[1:], direction(tag)))
    return found


def places(language: str, first: tuple[str, ...]) -> list[Place]:
    """Every place with a clock of its own, by country in this language; the zones of `first` stand before the rest."""
    named = _places(language)
    ahead = [Place(zone, named.get(zone, zone.replace("_", " "))) for zone in dict.fromkeys(first)]
    return ahead + [Place(zone, name) for zone, name in named.items() if zone not in first]


@lru_cache(maxsize=64)
def _places(language: str) -> Mapping[str, str]:
    """Countries and exemplar cities as the Unicode CLDR has them."""
    locale, usable = _locale(language), available_timezones()
    found = {}
    for zone, territory in get_global("zone_territories").items():
        country = locale.territories.get(territory)
        if zone in usable and country and territory != "001":
            city = get_timezone_location(zone, locale=locale, return_city=True)
            found[zone] = country if city == country else f"{country}: {city}"
    return dict(sorted(found.items(), key=lambda item: _sorting(item[1])))


def _sorting(name: str) -> str:
    """Letters without their accents, so that Österreich stands with O."""
    return "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(c))


def _locale(language: str) -> Locale:
    for tag in fallback_chain(language):
        try:
            found = Locale.parse(tag, sep="-")
        except UnknownLocaleError:
            continue
        if found.territories:
            return found
    return Locale.parse("en")


# --- one function a form: makes the change, returns what to say ------------------------------------------------------


def _times(services: Services, person_id: str, form: Form) -> str:
    try:
        times = {name: time.fromisoformat(form.get(name, "")) for name in ("morning", "midday", "evening", "bedtime")}
    except ValueError as wrong:
        raise ContactError("times", "each time is written as hours and minutes, such as 21:30") from wrong
    preferences.change_rhythm(services, person_id, times)
    return "saved"


def _language(services: Services, person_id: str, form: Form) -> str:
    preferences.change_language(services, person_id, form.get("language", ""))
    return "saved"


def _sentences(services: Services, person_id: str, form: Form) -> str:
    preferences.change_sentences(services, person_id, easy=form.get("easy") == "1")
    return "saved"


def _zone(services: Services, person_id: str, form: Form) -> str:
    preferences.change_zone(services, person_id, form.get("zone", ""))
    return "saved"


def _reach(services: Services, person_id: str, form: Form) -> str:
    try:
        first = Channel(form.get("first", ""))
        others = [Channel(name) for name in form.getlist("also")]
        reminders = ReminderLevel(form.get("reminders", ""))
    except ValueError as wrong:
        raise ContactError("channels", "choose ways and reminders from those shown") from wrong
    channels = tuple(dict.fromkeys([first, *others]))
    preferences.change_reach(services, person_id, channels, reminders, discreet=form.get("discreet") == "1")
    return "saved"


def _pause(services: Services, person_id: str, form: Form) -> str:
    chosen = PAUSES.get(form.get("length", ""))
    if chosen is None:
        raise ContactError("days", "choose one of the lengths shown")
    preferences.pause(services, person_id, chosen)
    return "paused" if chosen else "pause-ended"


CHANGES: Mapping[str, Callable[[Services, str, Form], str]] = {
    "times": _times,
    "language": _language,
    "sentences": _sentences,
    "zone": _zone,
    "reach": _reach,
    "pause": _pause,
}
"""The forms of the page, by the name that each carries in its field `what`."""
