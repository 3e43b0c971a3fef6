"""From the discharge form to a visit."""

from __future__ import annotations

from datetime import date, time

import pytest
from builders import VISIT_DAY, the_pack
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.datastructures import MultiDict

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices
from service.domain.visit import EarChoice, Overrule, Side, Visit
from service.errors import TragusError, VisitError
from service.web.forms import clock_time, explain, read_booking, read_form, read_key, visit_of

RULES = frozenset(the_pack().rules)
BORN = date(1948, 3, 2)


def read(**values: str | list[str]) -> Visit:
    """The visit of a form; names have `__` for their dot and `_` for their hyphen where a rule follows."""
    return visit_of(read_form(MultiDict(values), RULES), on=VISIT_DAY, born=BORN)


def test_every_part_of_the_form_reaches_the_visit() -> None:
    visit = read(
        **{
            "right.findings": ["wax-left", "dry-skin"],
            "left.findings": "hard-wax-cleared",
            "left.removed_by": "suction",
            "history": ["diabetes", "swimmer"],
            "right.template": "wax-left",
            "right.agent": "olive-oil",
            "right.return_days": "10",
            "right.set-aside": "nothing-small-in-the-ear",
            "right.reason.nothing-small-in-the-ear": " was told already ",
            "next_appointment": "2026-12-09",
            "next_appointment_time": "14:30",
        }
    )
    assert visit.right.findings == {"wax-left", "dry-skin"}
    assert visit.left.removed_by == {"suction"}
    assert visit.history == {"diabetes", "swimmer"}
    assert visit.choices == {Side.RIGHT: EarChoice(template="wax-left", agent="olive-oil", return_days=10)}
    assert visit.overrules == (Overrule(rule="nothing-small-in-the-ear", side=Side.RIGHT, reason="was told already"),)
    assert (visit.next_appointment, visit.next_appointment_time) == (date(2026, 12, 9), time(14, 30))
    assert (visit.on, visit.born) == (VISIT_DAY, BORN)


def test_an_empty_form_is_a_visit_with_nothing_ticked_and_nothing_chosen() -> None:
    visit = read()
    assert not visit.right.findings and not visit.left.findings
    assert visit.choices == {}


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"right.return_days": "0"}, "choices.right.return_days"),
        ({"right.return_days": "soon"}, "choices.right.return_days"),
        ({"left.return_days": "731"}, "choices.left.return_days"),
        ({"left.return_days": "²"}, "choices.left.return_days"),
        ({"next_appointment": "tomorrow"}, "next_appointment"),
        ({"next_appointment": "2026-11-25"}, "next_appointment"),  # today
        ({"next_appointment": "2028-11-25"}, "next_appointment"),  # over two years
        ({"next_appointment_time": "10:00"}, "next_appointment"),  # a time without a date
        ({"next_appointment": "2026-12-01", "next_appointment_time": "25:00"}, "next_appointment_time"),
        ({"next_appointment": "2026-12-01", "next_appointment_time": "10:00+05:00"}, "next_appointment_time"),
        ({"right.set-aside": "two-bottles"}, "overrules.right.two-bottles"),  # no reason
        ({"right.set-aside": "two-bottles", "right.reason.two-bottles": " "}, "overrules.right.two-bottles"),
        ({"right.set-aside": "two-bottles", "right.reason.two-bottles": "x" * 501}, "overrules.right.two-bottles"),
        ({"right.reason.two-bottles": "a reason, no tick"}, "overrules.right.two-bottles"),
    ],
)
def test_what_cannot_be_read_is_refused_by_its_field(values: dict[str, str], field: str) -> None:
    with pytest.raises(VisitError) as refused:
        read(**values)
    assert refused.value.field == field
    assert "_" not in explain(refused.value, the_pack())  # no field name or code in the sentence


def test_a_date_of_birth_after_the_visit_is_refused() -> None:
    with pytest.raises(VisitError, match="date of birth"):
        visit_of(read_form(MultiDict(), RULES), on=VISIT_DAY, born=date(2027, 1, 1))


def test_choices_for_other_ticks_are_left_out_and_named() -> None:
    form = read_form(
        MultiDict({"left.findings": "grommet", "left.template": "wax-left", "left.seen": "wax-left"}), RULES
    )
    assert form.outdated == (Side.LEFT,)
    assert visit_of(form, on=VISIT_DAY, born=BORN).choices == {}


def test_control_characters_never_reach_the_record() -> None:
    visit = read(**{"right.set-aside": "two-bottles", "right.reason.two-bottles": "a\x00b\x1b[31m\u2028c"})
    assert visit.overrules[0].reason == "ab[31mc"


_pack = the_pack()
_codes = [*_pack.findings, *_pack.history, *_pack.methods, *_pack.templates, *_pack.agents, *_pack.rules]
_names = [
    *(f"{side}.{part}" for side in Side for part in ("findings", "removed_by", "template", "agent", "return_days")),
    *(f"{side}.{part}" for side in Side for part in ("set-aside", "seen")),
    *(f"{side}.reason.{rule}" for side in Side for rule in list(_pack.rules)[:8]),
    "history",
    "next_appointment",
    "next_appointment_time",
]
_values = st.one_of(
    st.sampled_from(_codes),
    st.text(max_size=20),
    st.integers(-5, 1000).map(str),
    st.dates(date(2020, 1, 1), date(2032, 1, 1)).map(str),
    st.times().map(str),
)


@given(
    fields=st.lists(st.tuples(st.sampled_from(_names) | st.text(max_size=10), _values), max_size=25),
    born=st.none() | st.dates(),
)
def test_no_form_raises_anything_but_the_services_own_errors(fields: list[tuple[str, str]], born: date | None) -> None:
    try:
        visit = visit_of(read_form(MultiDict(fields), RULES), on=VISIT_DAY, born=born)
        build_plan(visit, _pack, ClinicChoices())
    except VisitError as refused:
        assert explain(refused, _pack)
    except TragusError as refused:
        assert str(refused)


_own_codes = {
    "findings": list(_pack.findings),
    "removed_by": list(_pack.methods),
    "template": list(_pack.templates),
    "agent": list(_pack.agents),
}


@given(data=st.data())
def test_forms_of_known_codes_give_a_plan_or_a_sentence(data: st.DataObject) -> None:
    form: MultiDict[str, str] = MultiDict()
    for side in Side:
        form.setlist(f"{side}.findings", data.draw(st.lists(st.sampled_from(_own_codes["findings"]), max_size=3)))
        form.setlist(f"{side}.removed_by", data.draw(st.lists(st.sampled_from(_own_codes["removed_by"]), max_size=1)))
        for part in ("template", "agent"):
            form[f"{side}.{part}"] = data.draw(st.sampled_from(["", *_own_codes[part]]))
    form.setlist("history", data.draw(st.lists(st.sampled_from(list(_pack.history)), max_size=3)))
    try:
        plan = build_plan(visit_of(read_form(form, RULES), on=VISIT_DAY, born=BORN), _pack, ClinicChoices())
    except TragusError as refused:
        assert str(refused)
    else:
        assert plan.ears


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("14:30", time(14, 30)),
        ("00:00", time(0)),
        ("14:30:59", time(14, 30)),
        ("24:00", None),
        ("14:60", None),
        ("2:30", None),
        ("14:30+01:00", None),
        ("١٤:٣٠", None),
        ("", None),
    ],
)
def test_a_time_of_day_is_hours_and_minutes(text: str, wanted: time | None) -> None:
    assert clock_time(text) == wanted


def test_an_appointment_is_a_date_and_a_time() -> None:
    found = read_booking(MultiDict({"on": "2026-12-09", "at": " 14:30 "}), "plan")
    assert (found.appointment, found.errors, found.plan) == ((date(2026, 12, 9), time(14, 30)), {}, "plan")


@given(st.dictionaries(st.sampled_from(["on", "at"]), st.text(max_size=12)))
def test_whatever_is_typed_gives_an_appointment_or_a_sentence_beside_a_field(typed: dict[str, str]) -> None:
    found = read_booking(MultiDict(typed), "plan")
    assert (found.appointment is None) == bool(found.errors)
    assert set(found.errors) <= {"on", "at"}


@given(st.one_of(st.none(), st.text(max_size=40)))
def test_only_a_key_in_the_shape_of_ours_is_taken(text: str | None) -> None:
    assert read_key(MultiDict({} if text is None else {"request": text})) in (None, (text or "").strip())
    assert read_key(MultiDict({"request": "0f" * 16})) == "0f" * 16
