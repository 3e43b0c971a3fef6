"""Whom would a missing or changed sentence touch? Reading only: people with a plan, by language and by sentence.

A plan's document is frozen, so the sentences that it says are read from it as it is stored.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select

from service.domain.plan import Status
from service.storage.tables import PersonRow, PlanRow
from service.storage.unit_of_work import UnitOfWork

# As `codec.dump` writes them. Inside a value a quotation mark is written \", so words that somebody typed never match.
_WORDING = re.compile(r'"wording":"([^"\\]+)"')
_LISTS = re.compile(r'"values":\{[^{}]*?"moments":\[((?:"[^"\\]+",?)+)\]')
_CURRENT = (Status.ACTIVE.value, Status.ON_HOLD.value)
_AT_A_TIME = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Readers:
    """People with a plan that is active or on hold: how many by the language of their contact, as it is stored there,
    and how many whose plan says a wording unit, by (language, unit)."""

    people: Mapping[str, int]
    by_unit: Mapping[tuple[str, str], int]


def readers_of(work: UnitOfWork) -> Readers:
    """Everybody who reads a plan now, in one query; somebody with two plans counts once."""
    query = (
        select(PlanRow.person_id, PersonRow.contact, PlanRow.document)
        .join(PersonRow, PersonRow.id == PlanRow.person_id)
        .where(PlanRow.status.in_(_CURRENT))
        .execution_options(yield_per=_AT_A_TIME)
    )
    people: defaultdict[str, set[str]] = defaultdict(set)
    by_unit: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for person_id, contact, document in work._session.execute(query):
        language = str(json.loads(contact).get("language", ""))
        people[language].add(person_id)
        for unit in _units_in(document):
            by_unit[language, unit].add(person_id)
    return Readers(
        people={language: len(those) for language, those in people.items()},
        by_unit={place: len(those) for place, those in by_unit.items()},
    )


def _units_in(document: str) -> set[str]:
    found = set(_WORDING.findall(document))
    for inside in set(_LISTS.findall(document)):
        found.update(inside.replace('"', "").split(","))
    return found
