"""Is every plan safe, sayable and the same for both sides, whatever is ticked?"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from builders import a_clinic, draft_wordings, the_pack
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service import codec
from service.domain.build import build_plan
from service.domain.change import Change
from service.domain.pack import ClinicChoices, Code, Effect, Pack, Urgency
from service.domain.plan import Phrase, Plan
from service.domain.rules import Facts, holds
from service.domain.visit import Ear, EarChoice, Ears, Overrule, Side, Visit
from service.errors import PlanError
from service.messages.read_plan import phrases_of, read_plan

ON = date(2026, 11, 25)
PACK = the_pack()
WORDINGS = draft_wordings()
SWAP = {Ears.RIGHT: Ears.LEFT, Ears.LEFT: Ears.RIGHT, Ears.BOTH: Ears.BOTH}
quick = settings(max_examples=90, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def ticked(codes: dict[str, Code], *, most: int) -> st.SearchStrategy[frozenset[str]]:
    """Sets of boxes of which none excludes another, as the form allows them."""

    def without_clashes(picked: list[str]) -> frozenset[str]:
        kept: list[str] = []
        for code in picked:
            if not any(code in codes[other].excludes or other in codes[code].excludes for other in kept):
                kept.append(code)
        return frozenset(kept)

    # Red flags are rarer than they would be by chance, so that ordinary plans are tried as well.
    ordinary = [code for code, box in codes.items() if not box.red_flag]
    some = st.lists(st.sampled_from(ordinary), max_size=most, unique=True)
    flags = st.one_of(st.just([]), st.just([]), st.just([]), st.lists(st.sampled_from(list(codes)), max_size=2))
    return st.tuples(some, flags).map(
        lambda pair: without_clashes([*pair[0], *(c for c in pair[1] if c not in pair[0])])
    )


def ears() -> st.SearchStrategy[Ear]:
    methods = st.frozensets(st.sampled_from(list(PACK.methods)), max_size=2)
    return st.tuples(ticked(dict(PACK.findings), most=4), methods).map(
        lambda pair: Ear(findings=pair[0], removed_by=pair[1] if pair[0] else frozenset())
    )


births = st.one_of(st.none(), st.dates(date(1928, 1, 1), ON))
appointments = st.one_of(st.none(), st.integers(1, 400).map(lambda days: ON + timedelta(days=days)))


@st.composite
def visits(draw: st.DrawFn, *, choices: bool = True) -> Visit:
    """Visits as the form would give them, with choices and overrulings that may or may not be lawful."""
    right, left = draw(ears()), draw(ears())
    picked: dict[Side, EarChoice] = {}
    overrules: list[Overrule] = []
    if choices:
        for side, ear in ((Side.RIGHT, right), (Side.LEFT, left)):
            if ear.findings and draw(st.integers(0, 3)) == 0:
                picked[side] = EarChoice(
                    template=draw(st.one_of(st.none(), st.sampled_from(list(PACK.templates)))),
                    agent=draw(st.one_of(st.none(), st.sampled_from(list(PACK.agents)))),
                    return_days=draw(st.one_of(st.none(), st.integers(1, 400))),
                )
            if draw(st.integers(0, 3)) == 0:
                rule = draw(st.sampled_from(list(PACK.rules)))
                overrules.append(Overrule(rule=rule, side=side, reason="A reason."))
    return Visit(
        on=ON,
        right=right,
        left=left,
        born=draw(births),
        history=draw(ticked(dict(PACK.history), most=4)),
        choices=picked,
        overrules=tuple(overrules),
        next_appointment=draw(appointments),
    )


@st.composite
def settings_of_a_clinic(draw: st.DrawFn) -> ClinicChoices:
    """Any choice that the content offers."""
    water = {
        name: draw(st.sampled_from([option.id for option in situation.options]))
        for name, situation in PACK.water.items()
        if draw(st.booleans())
    }
    regimens = {
        f"{agent.id}/{purpose}": draw(st.sampled_from([regimen.id for regimen in offered]))
        for agent in PACK.agents.values()
        for purpose, offered in agent.regimens.items()
        if draw(st.booleans())
    }
    agents = tuple(draw(st.lists(st.sampled_from(list(PACK.agents)), unique=True, max_size=7)))
    return ClinicChoices(water=water, regimens=regimens, agents=agents)


def planned(visit: Visit, choices: ClinicChoices, pack: Pack = PACK) -> Plan | None:
    """The plan, or None where the visit is refused with one of the errors that say why."""
    try:
        return build_plan(visit, pack, choices)
    except PlanError as refused:
        assert str(refused).strip() and "\n" not in str(refused)
        return None


@quick
@given(visit=visits(), choices=settings_of_a_clinic())
def test_nothing_is_put_into_an_ear_against_a_rule_that_holds_there(visit: Visit, choices: ClinicChoices) -> None:
    made = planned(visit, choices)
    if made is None:
        return
    for course in made.courses:
        for side in course.ears.sides:
            set_aside = {overruled.rule for overruled in visit.overrules if overruled.side is side}
            for rule in PACK.rules.values():
                if (
                    rule.effect is Effect.FORBID
                    and rule.id not in set_aside
                    and holds(rule.when, Facts.of(visit, side))
                ):
                    assert rule.target not in {"softener", course.purpose.value, f"agent:{course.agent}"}, rule.id


@quick
@given(visit=visits(), choices=settings_of_a_clinic())
def test_every_plan_shows_warning_signs_and_at_least_one_emergency(visit: Visit, choices: ClinicChoices) -> None:
    made = planned(visit, choices)
    if made is not None:
        assert any(sign.urgency is Urgency.EMERGENCY for sign in made.signs)
        sentences = [sign.phrase.wording for sign in made.signs]
        assert len(sentences) == len(set(sentences))


@quick
@given(visit=visits(), choices=settings_of_a_clinic())
def test_a_red_flag_leaves_no_course_no_step_and_no_return(visit: Visit, choices: ClinicChoices) -> None:
    made = planned(visit, choices)
    boxes = {**PACK.findings, **PACK.history}
    flags = {c for c in visit.right.findings | visit.left.findings | visit.history if boxes[c].red_flag}
    if made is not None:
        assert bool(made.urgent) is bool(flags)
        if flags:
            assert (made.courses, made.steps, made.returns, made.supplies, made.normal) == ((), (), (), (), ())


@quick
@given(visit=visits(), choices=settings_of_a_clinic())
def test_every_sentence_can_be_said_and_none_is_read_twice_under_one_heading(
    visit: Visit, choices: ClinicChoices
) -> None:
    made = planned(visit, choices)
    if made is None:
        return
    for phrase in phrases_of(made):
        said = WORDINGS.say(phrase, "en")
        assert said.strip() and "{" not in said, phrase
    reading = read_plan(made, WORDINGS, "en", a_clinic())
    assert reading.help
    names = {WORDINGS.say(Phrase(wording=f"agent.{agent}.name"), "en") for agent in PACK.agents}
    for section in (*reading.urgent, *reading.help, *reading.sections):
        lines = [line for block in section.blocks for line in block.sentences if line not in names]
        assert len(lines) == len(set(lines)), section.heading


def mirrored(visit: Visit) -> Visit:
    return Visit(
        on=visit.on,
        right=visit.left,
        left=visit.right,
        born=visit.born,
        history=visit.history,
        choices={side.other: choice for side, choice in visit.choices.items()},
        overrules=tuple(Overrule(rule=made.rule, side=made.side.other, reason=made.reason) for made in visit.overrules),
        next_appointment=visit.next_appointment,
    )


def substance(plan: Plan, swap: dict[Ears, Ears]) -> Any:
    """What a plan says, without the order of its parts: each with its ears, swapped as asked."""

    def phrase(said: Phrase) -> Any:
        ears_said = None if said.ears is None else swap[said.ears]
        return (said.wording, ears_said, tuple(sorted((name, str(value)) for name, value in said.values.items())))

    return (
        {
            (step.id, swap[step.ears], frozenset(phrase(each) for each in step.phrases), step.picture)
            for step in plan.steps
        },
        {
            (c.agent, c.regimen, swap[c.ears], c.drops, c.phases, c.first_day, c.alternate, c.purpose)
            for c in plan.courses
        },
        {(sign.id, sign.urgency) for sign in plan.signs},
        {normal.id for normal in plan.normal},
        {(supply.agent, supply.drops, supply.millilitres) for supply in plan.supplies},
        {(swap[back.ears], back.on, back.earliest, back.latest) for back in plan.returns},
        {(caution.rule, swap[caution.ears], caution.effect, caution.overruled) for caution in plan.cautions},
        {urgent.id for urgent in plan.urgent},
        {(swap[Ears(side.value)].value, summary.template) for side, summary in plan.ears.items()},
    )


@quick
@given(visit=visits(), choices=settings_of_a_clinic())
def test_the_mirrored_visit_gives_the_mirrored_plan(visit: Visit, choices: ClinicChoices) -> None:
    one, other = planned(visit, choices), planned(mirrored(visit), choices)
    assert (one is None) is (other is None)
    if one is not None and other is not None:
        assert substance(one, SWAP) == substance(other, {ears_said: ears_said for ears_said in Ears})


@quick
@given(visit=visits(), choices=settings_of_a_clinic())
def test_a_plan_and_a_visit_survive_being_written_down(visit: Visit, choices: ClinicChoices) -> None:
    assert codec.load(Visit, codec.dump(visit)) == visit
    made = planned(visit, choices)
    if made is not None:
        document = codec.dump(made)
        assert codec.load(Plan, document) == made
        assert codec.dump(codec.load(Plan, document)) == document
        assert set(codec.to_plain(made)) == set(codec.schema(Plan)["properties"])


@quick
@given(visit=visits(choices=False), choices=settings_of_a_clinic())
def test_whatever_the_form_lets_be_ticked_gives_a_plan(visit: Visit, choices: ClinicChoices) -> None:
    made = planned(visit, choices)
    assert (made is None) is not bool(visit.right.findings or visit.left.findings)


@quick
@given(visit=visits(choices=False))
def test_a_cap_is_never_exceeded_and_no_return_lies_outside_its_bounds(visit: Visit) -> None:
    made = planned(visit, ClinicChoices())
    if made is None or made.urgent:
        return
    for back in made.returns:
        assert visit.on < back.earliest <= back.on <= back.latest
        for side in back.ears.sides:
            caps = [
                (rule.change or Change()).return_days_at_most
                for rule in PACK.rules.values()
                if rule.effect is Effect.CHANGE and holds(rule.when, Facts.of(visit, side))
            ]
            assert all(cap is None or back.on <= visit.on + timedelta(days=cap) for cap in caps)


anything = st.text(max_size=12)


@quick
@given(
    right=st.frozensets(st.one_of(anything, st.sampled_from(list(PACK.findings))), max_size=4),
    left=st.frozensets(st.one_of(anything, st.sampled_from(list(PACK.findings))), max_size=4),
    by=st.frozensets(st.one_of(anything, st.sampled_from(list(PACK.methods))), max_size=2),
    history=st.frozensets(st.one_of(anything, st.sampled_from(list(PACK.history))), max_size=3),
    template=st.one_of(st.none(), anything),
    agent=st.one_of(st.none(), anything),
)
def test_whatever_is_written_in_a_visit_gives_a_plan_or_one_clear_line(
    right: frozenset[str],
    left: frozenset[str],
    by: frozenset[str],
    history: frozenset[str],
    template: str | None,
    agent: str | None,
) -> None:
    visit = Visit(
        on=ON,
        right=Ear(findings=right, removed_by=by),
        left=Ear(findings=left),
        history=history,
        choices={Side.RIGHT: EarChoice(template=template, agent=agent)},
    )
    planned(visit, ClinicChoices())
