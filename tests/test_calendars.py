"""Calendar files, read back by two other implementations of RFC 5545 and by the letter of the standard.

The readers are recurring-ical-events (Python) and ical.js (Node, version pinned in tests/ical_js/package.json). The
second counts with the file's own VTIMEZONE and knows no other zone data.
"""

# Wall times are naive on purpose.
# ruff: noqa: DTZ001
from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo, available_timezones

import icalendar
import pytest
import recurring_ical_events
from ical_reader import Reader

from service.calendars import calendar_file, content_type
from service.domain.calendar_item import CalendarItem, ItemKind, ItemState, Recurrence, items_of_course, revise
from service.domain.contact import Rhythm
from service.domain.course import doses
from service.domain.pack import Moment, Phase, Purpose
from service.domain.plan import Course
from service.domain.visit import Ears
from service.domain.wall_clock import to_instant
from service.errors import ContactError

HERE = Path(__file__).parent
# Source: see "source" in each file.
DST = json.loads((HERE / "data/vectors/dst.json").read_text(encoding="utf-8"))
ICS = json.loads((HERE / "data/vectors/ics/index.json").read_text(encoding="utf-8"))

NOW = datetime(2026, 3, 1, 12, 0, 0, 700, tzinfo=UTC)
SEED = UUID("6f1c9c1e-3f0a-4c1b-9d57-0d2b6a4f9e11")
DESK = "desk@example.org"
WORDS = dict.fromkeys(Moment, ("Reminder", "Open your page for today."))
APPOINTMENT = CalendarItem(
    key="appointment/7",
    kind=ItemKind.APPOINTMENT,
    start=datetime(2026, 4, 20, 9, 30),
    zone="Europe/London",
    title="Clinic visit",
    description="Bring your glasses.",
    duration=20,
    alarm=1440,
)
DOSE = replace(
    APPOINTMENT, key="dose", kind=ItemKind.DOSE, recurrence=Recurrence(every=2, count=5), duration=15, alarm=0
)
RETURN = replace(APPOINTMENT, key="return", kind=ItemKind.RETURN, start=date(2026, 10, 1), duration=0, alarm=None)


def states_of(*items: CalendarItem) -> list[ItemState]:
    """The first states of these items."""
    return list(revise({}, items, now=NOW, seed=SEED)[0].values())


def written(*items: CalendarItem, **options: Any) -> bytes:
    """A file of these items with invented names."""
    return calendar_file(states_of(*items), **{"name": "Reminders", "language": "en", "now": NOW, **options})


def unfolded(data: bytes) -> list[str]:
    """The content lines, by the letter of RFC 5545 section 3.1."""
    assert data.endswith(b"\r\n")
    return data.replace(b"\r\n ", b"").removesuffix(b"\r\n").decode("utf-8").split("\r\n")


def values(data: bytes, name: str) -> list[str]:
    """What stands after the colon of each line of one property."""
    lines = [line for line in unfolded(data) if line.split(":")[0].split(";")[0] == name]
    return [line.split(":", 1)[1] for line in lines]


def parsed(data: bytes) -> Any:
    """The file as icalendar reads it."""
    return icalendar.Calendar.from_ical(data)


def starts_by_python(data: bytes) -> list[datetime]:
    """Every start instant, by recurring-ical-events, in order."""
    events = recurring_ical_events.of(parsed(data)).between((2000,), (2060,))
    return sorted(event.start.astimezone(UTC) for event in events)


def starts_by_node(calendar: dict[str, Any]) -> list[datetime]:
    """Every start instant, by ical.js, in order."""
    return sorted(datetime.fromisoformat(start) for event in calendar["events"] for start in event["starts"])


def course(first_day: date, *phases: Phase) -> Course:
    """A course of invented drops for both ears."""
    return Course(
        agent="oil",
        purpose=Purpose.SOFTEN,
        regimen="usual",
        ears=Ears.BOTH,
        drops=3,
        lie_minutes=5,
        phases=phases,
        first_day=first_day,
    )


ZONES = ["Europe/London", "Europe/Dublin", "Europe/Warsaw", "America/New_York", "America/St_Johns", "Africa/Cairo"]
ZONES += ["Asia/Karachi", "Asia/Gaza", "Australia/Sydney", "Australia/Lord_Howe", "Pacific/Apia", "Africa/Casablanca"]
LONG = (Phase(days=20, moments=tuple(Moment)), Phase(days=330, every=3, moments=(Moment.MORNING, Moment.BEDTIME)))
# Usual times, and times in the hours in which the clocks of these zones change.
RHYTHMS = [
    Rhythm(),
    Rhythm(morning=time(0, 30), midday=time(1, 30), evening=time(2, 15), bedtime=time(23, 30)),
    Rhythm(morning=time(0, 0), midday=time(1, 0), evening=time(2, 0), bedtime=time(3, 0)),
]


@pytest.mark.parametrize("rhythm", RHYTHMS, ids=["usual", "night", "on-the-hour"])
def test_both_readers_find_exactly_the_doses_through_every_clock_change_of_a_year(
    rhythm: Rhythm, read_by_node: Reader
) -> None:
    """RFC 5545 sections 3.3.5, 3.3.10 and 3.6.5. Both phases of the course begin just before a clock change."""
    first_days = [date(2026, 3, 20), date(2026, 10, 20)]
    files, expected = [], []
    for name in ZONES:
        for first_day in first_days:
            asked, zone = course(first_day, *LONG), ZoneInfo(name)
            files.append(written(*items_of_course(asked, rhythm, zone, key="c", words=WORDS)))
            expected.append([dose.at for dose in doses(asked, rhythm, zone)])
    for data, instants, calendar in zip(files, expected, read_by_node(*files), strict=True):
        assert starts_by_python(data) == instants
        assert starts_by_node(calendar) == instants, calendar["zones"]
        assert {event["summary"] for event in calendar["events"]} == {"Reminder"}


def test_a_file_tells_the_time_of_each_vector_with_its_own_zone_rules(read_by_node: Reader) -> None:
    """dst.json `daily_series`: each time by itself, a skipped one among them; RFC 5545 sections 3.3.5 and 3.6.5."""
    files, expected = [], []
    for zone in DST["zones"]:
        for transition in zone["transitions"]:
            walls = [datetime.fromisoformat(entry["wall"]) for entry in transition["daily_series"]]
            items = [
                replace(APPOINTMENT, key=str(number), start=wall, zone=zone["zone"])
                for number, wall in enumerate(walls)
            ]
            files.append(written(*items))
            expected.append(sorted(datetime.fromisoformat(entry["utc"]) for entry in transition["daily_series"]))
    for data, instants, calendar in zip(files, expected, read_by_node(*files), strict=True):
        assert starts_by_python(data) == instants
        assert starts_by_node(calendar) == instants


def test_every_zone_of_the_world_is_written_with_its_rules_and_read_back_alike(read_by_node: Reader) -> None:
    """Every zone of the IANA database, noon on every tenth day of two years; RFC 5545 sections 3.2.19 and 3.6.5."""
    names = sorted(available_timezones() - {"localtime", "Factory"})
    item = replace(DOSE, start=datetime(2026, 1, 5, 12), recurrence=Recurrence(every=10, count=73))
    files = [written(replace(item, zone=name)) for name in names]
    for name, calendar in zip(names, read_by_node(*files), strict=True):
        walls = [datetime(2026, 1, 5, 12) + timedelta(days=10 * number) for number in range(73)]
        assert calendar["zones"] == [name]
        assert starts_by_node(calendar) == [to_instant(wall, ZoneInfo(name)) for wall in walls], name


def test_zone_rules_turn_at_the_published_instant() -> None:
    """RFC 5545 section 3.6.5: an onset is local time by the old offset. dst.json `at_utc`."""
    for zone in DST["zones"]:
        data = written(replace(DOSE, zone=zone["zone"], recurrence=Recurrence(every=1, count=600)))
        rules = parsed(data).walk("VTIMEZONE")[0]
        onsets = {
            (rule["DTSTART"].dt - rule["TZOFFSETFROM"].td).replace(tzinfo=UTC): (
                rule["TZOFFSETFROM"].td,
                rule["TZOFFSETTO"].td,
            )
            for rule in rules.subcomponents
        }
        for transition in zone["transitions"]:
            offsets = (transition["offset_before_min"], transition["offset_after_min"])
            found = onsets[datetime.fromisoformat(transition["at_utc"])]
            assert tuple(offset.total_seconds() / 60 for offset in found) == offsets


def test_a_time_that_comes_twice_is_written_in_utc_and_one_in_a_gap_as_the_clock_shows_it() -> None:
    """RFC 5545 sections 3.2.19 and 3.3.5: UTC carries no TZID, and an unused zone has no rules in the file."""
    assert "DTSTART:20261025T003000Z" in unfolded(written(replace(APPOINTMENT, start=datetime(2026, 10, 25, 1, 30))))
    assert b"TZID" not in written(replace(APPOINTMENT, start=datetime(2026, 10, 25, 1, 30)))
    moved = written(replace(APPOINTMENT, start=datetime(2026, 3, 29, 1, 30)))
    assert "DTSTART;TZID=Europe/London:20260329T023000" in unfolded(moved)


def test_each_zone_used_has_its_rules_once_and_an_all_day_item_needs_none() -> None:
    """RFC 5545 sections 3.2.19 and 3.8.3.1."""
    abroad = replace(APPOINTMENT, key="abroad", zone="Australia/Lord_Howe")
    data = written(APPOINTMENT, DOSE, abroad, RETURN)
    assert sorted(values(data, "TZID")) == ["Australia/Lord_Howe", "Europe/London"]
    assert [line for line in unfolded(written(RETURN)) if "TZID" in line or "VTIMEZONE" in line] == []


def test_the_file_of_a_download_is_what_the_standards_ask_for_line_by_line() -> None:
    """RFC 5545 sections 3.4, 3.6, 3.6.1, 3.6.6, 3.8; RFC 7986 sections 5.1 and 5.7."""
    lines = unfolded(written(APPOINTMENT, DOSE, RETURN))
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    once = Counter(lines)
    for line in (
        "VERSION:2.0",
        "PRODID:-//tragus//aftercare calendar//EN",
        "NAME;LANGUAGE=en:Reminders",
        "X-WR-CALNAME:Reminders",
        "REFRESH-INTERVAL;VALUE=DURATION:P1D",
    ):
        assert once[line] == 1
    assert not any(line.startswith(("METHOD", "ORGANIZER", "ATTENDEE")) for line in lines)
    events = "\n".join(lines).split("BEGIN:VEVENT\n")[1:]
    assert [sorted(event.split("\nEND:VEVENT")[0].split("\n")) for event in events] == [
        sorted(
            [
                f"UID:{states_of(APPOINTMENT)[0].uid}",
                "DTSTAMP:20260301T120000Z",
                "SEQUENCE:0",
                "DTSTART;TZID=Europe/London:20260420T093000",
                "DURATION:PT20M",
                "SUMMARY;LANGUAGE=en:Clinic visit",
                "DESCRIPTION;LANGUAGE=en:Bring your glasses.",
                "STATUS:CONFIRMED",
                "CLASS:PRIVATE",
                "TRANSP:OPAQUE",
                "BEGIN:VALARM",
                "ACTION:DISPLAY",
                "DESCRIPTION:Clinic visit",
                "TRIGGER:-P1D",
                "END:VALARM",
            ]
        ),
        sorted(
            [
                f"UID:{states_of(DOSE)[0].uid}",
                "DTSTAMP:20260301T120000Z",
                "SEQUENCE:0",
                "DTSTART;TZID=Europe/London:20260420T093000",
                "DURATION:PT15M",
                "RRULE:FREQ=DAILY;COUNT=5;INTERVAL=2",
                "SUMMARY;LANGUAGE=en:Clinic visit",
                "DESCRIPTION;LANGUAGE=en:Bring your glasses.",
                "STATUS:CONFIRMED",
                "CLASS:PRIVATE",
                "TRANSP:TRANSPARENT",
                "BEGIN:VALARM",
                "ACTION:DISPLAY",
                "DESCRIPTION:Clinic visit",
                "TRIGGER:P0D",
                "END:VALARM",
            ]
        ),
        sorted(
            [
                f"UID:{states_of(RETURN)[0].uid}",
                "DTSTAMP:20260301T120000Z",
                "SEQUENCE:0",
                "DTSTART;VALUE=DATE:20261001",
                "DTEND;VALUE=DATE:20261002",  # the end is exclusive
                "SUMMARY;LANGUAGE=en:Clinic visit",
                "DESCRIPTION;LANGUAGE=en:Bring your glasses.",
                "STATUS:CONFIRMED",
                "CLASS:PRIVATE",
                "TRANSP:TRANSPARENT",
            ]
        ),
    ]


def test_a_download_says_when_an_item_was_last_revised_and_a_message_when_it_was_made() -> None:
    """RFC 5545 section 3.8.7.2."""
    later = NOW + timedelta(days=3)
    assert values(written(APPOINTMENT, now=later), "DTSTAMP") == ["20260301T120000Z"]
    message = written(APPOINTMENT, now=later, method="PUBLISH", organizer_email=DESK)
    assert values(message, "DTSTAMP") == ["20260304T120000Z"]
    earlier = written(APPOINTMENT, now=NOW - timedelta(days=3), method="PUBLISH", organizer_email=DESK)
    assert values(earlier, "DTSTAMP") == ["20260301T120000Z"]


def test_a_published_calendar_names_its_organizer_and_nobody_else(read_by_node: Reader) -> None:
    """RFC 5546 section 3.2.1; RFC 5545 section 3.2 for the quotes."""
    data = written(
        APPOINTMENT, DOSE, method="PUBLISH", organizer_email=DESK, organizer_name='Smith, J: "desk"\r\nX-BAD:1'
    )
    lines = unfolded(data)
    assert "METHOD:PUBLISH" in lines
    assert not any(line.startswith(("ATTENDEE", "X-BAD")) for line in lines)
    assert lines.count("ORGANIZER;CN=\"Smith, J: 'desk' X-BAD:1\":mailto:desk@example.org") == 2
    (calendar,) = read_by_node(data)
    assert calendar["method"] == "PUBLISH"
    assert {event["organizer"] for event in calendar["events"]} == {"mailto:desk@example.org"}
    assert {event["organizerName"] for event in calendar["events"]} == {"Smith, J: 'desk' X-BAD:1"}


def test_a_cancellation_has_a_raised_sequence_the_same_uid_and_no_alarm(read_by_node: Reader) -> None:
    """RFC 5546 section 3.2.5."""
    first, _ = revise({}, [APPOINTMENT], now=NOW, seed=SEED)
    gone, _ = revise(first, [], now=NOW + timedelta(days=1), seed=SEED)
    later = NOW + timedelta(days=2)
    data = calendar_file(
        gone.values(),
        name="Visits",
        language="en",
        now=later,
        method="CANCEL",
        organizer_email=DESK,
        attendee_email="pat@example.com",
    )
    assert values(data, "UID") == [str(first[APPOINTMENT.key].uid)]
    assert values(data, "SEQUENCE") == ["1"]
    assert values(data, "STATUS") == ["CANCELLED"]
    assert values(data, "ATTENDEE") == ["mailto:pat@example.com"]
    assert b"VALARM" not in data
    assert b"REFRESH-INTERVAL" not in data
    # The newest wins, in whatever order a reader meets the two (RFC 5546 section 2.1.5).
    before = calendar_file(
        first.values(), name="Visits", language="en", now=NOW, method="PUBLISH", organizer_email=DESK
    )
    events = [event for calendar in read_by_node(data, before) for event in calendar["events"]]
    assert max(events, key=lambda event: event["sequence"])["status"] == "CANCELLED"
    # In a feed it stays as a cancelled item, without an alarm.
    feed = calendar_file(gone.values(), name="Visits", language="en", now=later)
    assert values(feed, "STATUS") == ["CANCELLED"]
    assert b"VALARM" not in feed


def test_an_invitation_names_its_organizer_and_its_guest() -> None:
    """RFC 5546 section 3.2.2."""
    data = written(APPOINTMENT, method="REQUEST", organizer_email=DESK, attendee_email="pat@example.com")
    assert values(data, "METHOD") == ["REQUEST"]
    assert values(data, "ORGANIZER") == ["mailto:desk@example.org"]
    assert values(data, "ATTENDEE") == ["mailto:pat@example.com"]


@pytest.mark.parametrize(
    ("items", "options", "says"),
    [
        ((), {}, "at least one item"),
        ((APPOINTMENT,), {"method": "PUBLISH"}, "needs the organizer's address"),
        ((APPOINTMENT,), {"method": "PUBLISH", "organizer_email": DESK, "attendee_email": DESK}, "only REQUEST"),
        ((APPOINTMENT,), {"attendee_email": DESK}, "only REQUEST"),
        ((APPOINTMENT,), {"method": "REQUEST", "organizer_email": DESK}, "needs the attendee's address"),
        (
            (APPOINTMENT, DOSE),
            {"method": "REQUEST", "organizer_email": DESK, "attendee_email": DESK},
            "speaks of one item",
        ),
        ((APPOINTMENT,), {"method": "CANCEL", "organizer_email": DESK}, "item that is cancelled"),
    ],
)
def test_a_file_that_the_standard_forbids_is_not_written(
    items: tuple[CalendarItem, ...], options: dict[str, Any], says: str
) -> None:
    """RFC 5545 section 3.6; RFC 5546 sections 3.2.1, 3.2.2 and 3.2.5."""
    with pytest.raises(ValueError, match=says):
        written(*items, **options)


@pytest.mark.parametrize("address", ["desk", "desk@example.org\r\nX-BAD:1", "a b@example.org"])
def test_an_address_that_is_not_one_is_refused(address: str) -> None:
    with pytest.raises(ContactError, match="one plain mail address"):
        written(APPOINTMENT, method="PUBLISH", organizer_email=address)


def test_the_media_type_has_a_method_if_and_only_if_the_file_has() -> None:
    """RFC 5545 section 8.1."""
    assert content_type() == "text/calendar; charset=utf-8"
    assert content_type("CANCEL") == "text/calendar; charset=utf-8; method=CANCEL"


@pytest.mark.parametrize("vector", ICS["text_escaping"], ids=lambda vector: vector["escaped"])
def test_words_are_escaped_as_a_second_writer_escapes_them(vector: dict[str, str]) -> None:
    """ics/index.json `text_escaping`; RFC 5545 section 3.3.11."""
    data = written(replace(APPOINTMENT, title=vector["text"], description=vector["text"]))
    assert values(data, "SUMMARY") == [vector["escaped"]]
    assert values(data, "DESCRIPTION")[0] == vector["escaped"]


def test_words_come_back_from_both_readers_as_they_went_in(read_by_node: Reader) -> None:
    """RFC 5545 section 3.3.11, with the texts of ics/index.json and of other scripts."""
    texts = [vector["text"] for vector in ICS["text_escaping"]]
    texts += [
        "Llŵyd \u2068+44 20 7946 0000\u2069",
        "تذكير بالأذن؛ اليوم",
        "今天的提醒",
        "👂 " * 40,
        "tab\there",
        "END:VEVENT",
    ]
    files = [written(replace(APPOINTMENT, title=text, description=text)) for text in texts]
    for text, data, calendar in zip(texts, files, read_by_node(*files), strict=True):
        event = parsed(data).events[0]
        assert (str(event["SUMMARY"]), str(event["DESCRIPTION"])) == (text, text)
        assert [(event["summary"], event["description"]) for event in calendar["events"]] == [(text, text)]


def test_where_it_is_comes_back_from_both_readers_and_is_left_out_where_there_is_no_place(read_by_node: Reader) -> None:
    """RFC 5545 section 3.8.1.7: TEXT, so commas, semicolons and backslashes are escaped (3.3.11)."""
    place = r"Larkfield; Ear, Care, Unit 3; Mill\Yard, 1 Larkfield Lane, EX1 0AA"
    with_place, without = written(replace(APPOINTMENT, location=place)), written(APPOINTMENT, RETURN)
    assert values(with_place, "LOCATION") == [
        r"Larkfield\; Ear\, Care\, Unit 3\; Mill\\Yard\, 1 Larkfield Lane\, EX1 0AA"
    ]
    assert values(without, "LOCATION") == []
    assert [str(event["LOCATION"]) for event in parsed(with_place).events] == [place]
    (found,) = recurring_ical_events.of(icalendar.Calendar.from_ical(with_place)).between((2026, 4, 1), (2026, 5, 1))
    assert str(found["LOCATION"]) == place
    first, second = read_by_node(with_place, without)
    assert [event["location"] for event in first["events"]] == [place]
    assert [event["location"] for event in second["events"]] == [None, None]


def test_control_characters_are_left_out_and_every_line_end_becomes_one() -> None:
    """RFC 5545 sections 3.1 and 3.3.11: TEXT holds no control character but the tab."""
    data = written(replace(APPOINTMENT, title="a\x00b\x1bc\x7f", description="one\r\ntwo\rthree\nfour"))
    assert values(data, "SUMMARY") == ["abc"]
    assert values(data, "DESCRIPTION")[0] == r"one\ntwo\nthree\nfour"


@pytest.mark.parametrize("character", ["é", "ŵ", "提", "ย", "👂", "\u2068", ",", "\\", "\n"])
def test_no_line_is_longer_than_75_octets_and_none_cuts_a_character_in_two(
    character: str, read_by_node: Reader
) -> None:
    """RFC 5545 section 3.1: characters of 1 to 4 octets, and escapes, put on each octet around the 75th."""
    before = len("SUMMARY;LANGUAGE=en:")
    titles = ["x" * (octets - before) + character + "y" * 90 + character * 60 + "z" for octets in range(69, 79)]
    files = [written(replace(APPOINTMENT, title=title)) for title in titles]
    for title, data, calendar in zip(titles, files, read_by_node(*files), strict=True):
        physical = data.split(b"\r\n")
        assert physical.pop() == b""
        assert max(map(len, physical)) <= 75
        assert not any(b"\n" in line or b"\r" in line for line in physical)
        assert all(line.decode("utf-8") for line in physical)
        assert any(line.startswith(b" ") for line in physical)
        assert calendar["events"][0]["summary"] == title
        escaped = title.replace("\\", "\\\\").replace(",", "\\,").replace("\n", "\\n")
        assert values(data, "SUMMARY") == [escaped]


def facts(data: bytes) -> dict[str, Any]:
    """What ics/index.json says of a file, said of ours."""
    event = parsed(data).events[0]
    return {
        "dtstart_utc": event.start.astimezone(UTC).isoformat(),
        "summary": str(event["SUMMARY"]),
        "description": str(event["DESCRIPTION"]) if "DESCRIPTION" in event else None,
        "status": str(event["STATUS"]),
    }


def rewritten(file: str, **options: Any) -> bytes:
    """A vector file, read and written anew by us."""
    event = parsed((HERE / "data/vectors/ics" / file).read_bytes()).events[0]
    start = event.start
    item = CalendarItem(
        key=str(event["UID"]),
        kind=ItemKind.APPOINTMENT,
        start=start.replace(tzinfo=None),
        zone=getattr(start.tzinfo, "key", "UTC"),
        title=str(event["SUMMARY"]),
        description=str(event.get("DESCRIPTION", "")),
        duration=20,
        cancelled=event.get("STATUS") == "CANCELLED",
        alarm=1440,
    )
    return written(item, organizer_email=DESK, **options)


@pytest.mark.parametrize(("file", "method"), [("publish.ics", "PUBLISH"), ("cancel.ics", "CANCEL")])
def test_a_file_of_the_vectors_written_anew_says_the_same(file: str, method: str, read_by_node: Reader) -> None:
    """ics/index.json `files`."""
    data = rewritten(file, method=method)
    expected = ICS["files"][file]
    assert facts(data) == {name: expected[name] for name in facts(data)}
    (calendar,) = read_by_node(data)
    assert starts_by_node(calendar) == [datetime.fromisoformat(expected["second_parser_dtstart_utc"])]
    assert calendar["method"] == expected["method"]


def test_our_reading_of_a_weekly_vector_is_that_of_the_vectors_second_parser(read_by_node: Reader) -> None:
    """ics/index.json `occurrences_by_second_parser`: the readers in these tests count as the vectors' readers do."""
    data = (HERE / "data/vectors/ics/recurring.ics").read_bytes()
    given: Iterable[str] = ICS["files"]["recurring.ics"]["occurrences_by_second_parser"]
    expected = [datetime.fromisoformat(line.split(" = ")[1]) for line in given]
    assert starts_by_python(data) == expected
    assert starts_by_node(read_by_node(data)[0]) == expected


def test_one_revision_of_a_calendar_is_the_same_file_byte_for_byte() -> None:
    assert written(APPOINTMENT, DOSE) == written(APPOINTMENT, DOSE, now=NOW + timedelta(days=30))
