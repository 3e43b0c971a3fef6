"""How long does it take to say everything about one plan, in every language and every form but PDF?

usage: python wording.py [--times 5]

Also: how long the book of all texts takes to make, and one message from wording that is at hand.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from datetime import date
from datetime import time as day_time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]

from builders import StoppedClock, a_contact, a_service, a_visit, an_ear, the_catalogs
from sqlalchemy import event
from sqlalchemy.engine import Engine

from service.domain.build import build_plan
from service.domain.contact import Channel
from service.domain.pack import ClinicChoices
from service.domain.plan import Plan
from service.links import STAND_IN, page_url
from service.messages.compose import Letter, compose
from service.messages.layout import as_html, as_text
from service.messages.read_plan import read_plan
from service.messages.wordings import Wordings
from service.planning.calendar import calendar_items
from service.planning.laying_out import messages_for
from service.services import Services

BOOKED = (date(2026, 12, 9), day_time(10, 0))


def milliseconds(times: int, do: Callable[[], object]) -> float:
    """The median of several runs; the first, which reads what is then at hand, is not counted."""
    do()
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        do()
        found.append((time.perf_counter() - begun) * 1000)
    return statistics.median(found)


def say_all(services: Services, wordings: Wordings, plan: Plan) -> int:
    """Every message by every channel, the page, the sheet's text and the calendar, in every language; how many."""
    now, number = services.clock.now(), 0
    letter = Letter(link=page_url(services.clinic.base_url, STAND_IN), pack=plan.pack, booked=(str(BOOKED[0]), "10:00"))
    for language in the_catalogs().languages:
        contact = a_contact(language=language, channels=tuple(Channel))
        reading = read_plan(plan, wordings, language, services.clinic, person="", booked=letter.booked)
        as_html(reading), as_text(reading)
        number += 2
        for planned in messages_for(services, plan, contact, BOOKED, now):
            for channel in (Channel.TEXT, Channel.EMAIL, Channel.LETTER):
                compose(planned, plan, contact, services.clinic, wordings, channel, letter)
                number += 1
        number += len(
            calendar_items(
                plan,
                contact,
                wordings,
                language,
                link=letter.link,
                given=now,
                appointment=BOOKED,
                clinic=services.clinic,
            )
        )
    return number


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=5)
    times = parser.parse_args().times
    services, _ = a_service(clock=StoppedClock(), approve=the_catalogs().languages)
    plan = build_plan(a_visit(an_ear("hard-wax-cleared"), an_ear("wax-left")), services.pack, ClinicChoices())
    with services.open_reading() as work:
        wordings = services.wordings(work)
        statements = 0

        def count(*_: object) -> None:
            nonlocal statements
            statements += 1

        event.listen(Engine, "before_cursor_execute", count)
        number = say_all(services, wordings, plan)
        event.remove(Engine, "before_cursor_execute", count)
        took = milliseconds(times, lambda: say_all(services, wordings, plan))
        languages = len(the_catalogs().languages)
        print(f"{number} pieces of one plan in {languages} languages: {took:.0f} ms, {statements} database statements")
        contact = a_contact(language="pl")
        planned = messages_for(services, plan, contact, BOOKED, services.clock.now())[0]
        letter = Letter(link=page_url(services.clinic.base_url, STAND_IN), pack=plan.pack)
        one = milliseconds(
            200, lambda: compose(planned, plan, contact, services.clinic, wordings, Channel.TEXT, letter)
        )
        print(f"one text from wording at hand: {one:.3f} ms")

    def read_anew() -> None:
        services._book = services._wordings = None
        with services.open_reading() as work:
            services.wordings(work)

    print(f"after a change of the wording, all of it read anew: {milliseconds(times, read_anew):.0f} ms")


if __name__ == "__main__":
    main()
