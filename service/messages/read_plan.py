"""A plan in one language: which sentences, under which heading, in the order in which a reader needs them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from service.domain.contact import WAYS, Clinic
from service.domain.pack import Question, StepKind, Urgency
from service.domain.plan import Phrase, Plan, Return, Status, Step, Supply
from service.domain.questions import QUESTIONS_FRAME
from service.domain.visit import Ears
from service.messages.i18n import direction
from service.messages.reading import Answered, Block, Questions, Reading, Section
from service.messages.wordings import Wordings, unit_ids_of

LABELS = ("ear.right", "ear.left", "ear.both", "section.help", "sheet.link")
FINISHED = "page.drops-done"
"""Says of drops that they are finished and must not be started again."""
FOOTER = ("page.reach-us", "page.emergency", "page.not-emergency-service", "page.local-advice")
FOOTER_UNITS = frozenset({*FOOTER, *WAYS.values()})
"""The units that saying the footer needs: those, and the ways of reaching the clinic that it and the headings list."""

_SECTIONS: tuple[tuple[str, frozenset[StepKind]], ...] = (
    ("do", frozenset({StepKind.INSTIL, StepKind.DO, StepKind.WAIT, StepKind.RETURN})),
    ("water", frozenset({StepKind.KEEP_DRY})),
    ("avoid", frozenset({StepKind.DO_NOT})),
)
_HEADINGS = ("urgent", "help", "do", "water", "avoid", "normal", "supply", "return")

NOT_SHOWN = {
    Status.ON_HOLD: frozenset({"do", "supply", "questions"}),
    Status.COMPLETED: frozenset({"urgent", "do", "water", "avoid", "normal", "supply", "questions"}),
}
"""Sections of a plan that somebody must not follow in this status."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AsOf:
    """What is left of a plan that is read on some day.

    `on` is the reader's local date; None for paper and mails, which stay: there no return is left out. `finished` are
    the numbers of the courses (in the order of `Plan.courses`) whose last day is past. With `folds` their sentences are
    kept for a layout that folds them; else only the ear, the drops and `FINISHED` are said. `asked_again` is the day
    that somebody chose who asked to be invited later. With `says_booking` the returns end with the booked visit.
    """

    on: date | None = None
    finished: frozenset[int] = frozenset()
    folds: bool = False
    asked_again: date | None = None
    says_booking: bool = True

    @property
    def units(self) -> frozenset[str]:
        """The wording units that it adds to those of the plan."""
        return frozenset({FINISHED}) if self.finished else frozenset()

    def says(self, back: Return) -> bool:
        """Whether this return is still to be said: its latest day is to come, and the reader chose no later day."""
        if self.on is None:
            return True
        return back.latest >= self.on and (self.asked_again is None or self.asked_again <= back.on)


def phrases_of(plan: Plan) -> tuple[Phrase, ...]:
    """Every sentence of the plan itself, in no particular order."""
    found: list[Phrase] = [phrase for urgent in plan.urgent for phrase in urgent.phrases]
    found += [sign.phrase for sign in plan.signs]
    found += [phrase for step in plan.steps for phrase in step.phrases]
    found += [normal.phrase for normal in plan.normal]
    found += [phrase for supply in plan.supplies for phrase in supply.phrases]
    found += [phrase for back in plan.returns for phrase in back.phrases]
    return tuple(found)


def units_of(plan: Plan) -> frozenset[str]:
    """Every wording unit that reading this plan needs: all must be usable in a language before it is used.

    Common questions are not among them: one that a language lacks is left out, and the plan keeps its language.
    """
    fixed = {"page.title", "page.title-person", "page.you-means", "page.visit", "return.booked", *LABELS}
    fixed |= FOOTER_UNITS
    fixed |= {f"section.{name}" for name in _HEADINGS} | {f"urgency.{sign.urgency}" for sign in plan.signs}
    return unit_ids_of(phrases_of(plan)) | fixed


def read_plan(
    plan: Plan,
    wordings: Wordings,
    language: str,
    clinic: Clinic,
    *,
    person: str = "",
    booked: tuple[str, str] | None = None,
    questions: Sequence[Question] = (),
    as_of: AsOf | None = None,
) -> Reading:
    """The plan in `language`. `person` is the given name when the reader is not the patient; `booked` is the ISO date
    and time of the next appointment, said in place of a general return date. `questions` are those that fit the plan;
    the ones that are not usable in this language are left out. `as_of`: read on that day. Raises WordingError.
    """

    def say(unit: str, **values: int | str | tuple[str, ...]) -> str:
        return wordings.say(Phrase(wording=unit, values=values), language)

    return Reading(
        language=language,
        direction=direction(language),
        title=say("page.title-person", person=person) if person else say("page.title"),
        person=person,
        date=say("page.visit", date=plan.on.isoformat()),
        clinic=clinic.name,
        clinic_lines=clinic.address,
        phone=clinic.phone,
        emergency=clinic.emergency,
        urgent=_urgent(plan, wordings, language),
        help=_help(plan, wordings, language),
        sections=() if plan.urgent else _ordinary(plan, wordings, language, booked, as_of),
        footer=tuple(say(unit) for unit in FOOTER),
        labels={unit: say(unit) for unit in LABELS},
        questions=_questions(questions, wordings, language, person),
        about=say("page.you-means", person=person) if person else "",
    )


def followed(reading: Reading, status: Status) -> Reading:
    """The reading without what must not be followed in this status; the warning signs always stay."""
    dropped = NOT_SHOWN.get(status, frozenset())
    return replace(
        reading,
        urgent=() if "urgent" in dropped else reading.urgent,
        sections=tuple(section for section in reading.sections if section.id not in dropped),
        questions=None if "questions" in dropped else reading.questions,
    )


def _urgent(plan: Plan, wordings: Wordings, language: str) -> tuple[Section, ...]:
    heading = wordings.say(Phrase(wording="section.urgent"), language)
    return tuple(
        Section(
            id="urgent",
            heading=heading,
            urgency=urgent.urgency.value,
            blocks=(Block(picture=urgent.picture, sentences=tuple(wordings.say(p, language) for p in urgent.phrases)),),
        )
        for urgent in plan.urgent
    )


def _help(plan: Plan, wordings: Wordings, language: str) -> tuple[Section, ...]:
    found = []
    for urgency in Urgency:
        blocks = tuple(
            Block(picture=sign.picture, sentences=(wordings.say(sign.phrase, language),))
            for sign in plan.signs
            if sign.urgency is urgency
        )
        if blocks:
            heading = wordings.say(Phrase(wording=f"urgency.{urgency}"), language)
            found.append(Section(id="help", heading=heading, urgency=urgency.value, blocks=blocks))
    return tuple(found)


def _ordinary(
    plan: Plan, wordings: Wordings, language: str, booked: tuple[str, str] | None, as_of: AsOf | None
) -> tuple[Section, ...]:
    found: list[Section] = []

    def add(name: str, blocks: Iterable[Block]) -> None:
        kept = tuple(block for block in blocks if block.sentences)
        if kept:
            heading = wordings.say(Phrase(wording=f"section.{name}"), language)
            found.append(Section(id=name, heading=heading, blocks=kept))

    over = as_of.finished if as_of is not None else frozenset()
    folds = as_of is not None and as_of.folds
    numbers = {id(step): n for n, step in enumerate(step for step in plan.steps if step.course is not None)}
    for name, kinds in _SECTIONS:
        said: dict[bool, set[str]] = {True: set(), False: set()}  # what is finished says nothing for what is not
        blocks = []
        for step in (step for step in plan.steps if step.kind in kinds):
            finished = numbers.get(id(step)) in over
            block = _step_block(step, wordings, language, said[finished])
            if finished and not folds:
                done = wordings.say(Phrase(wording=FINISHED), language)
                block = replace(block, sentences=(block.drops, done))
            blocks.append(replace(block, finished=finished))
        named = list(dict.fromkeys(block.ears for block in blocks))
        add(name, sorted(blocks, key=lambda block: named.index(block.ears)))  # what one ear needs stands together
    add("normal", [Block(picture=n.picture, sentences=(wordings.say(n.phrase, language),)) for n in plan.normal])
    supplies = [
        _supply_block(supply, _all_over(plan, supply.agent, over), wordings, language) for supply in plan.supplies
    ]
    add("supply", [block for block in supplies if folds or not block.finished])
    add("return", _return_blocks(plan, wordings, language, booked, as_of))
    return tuple(found)


def _all_over(plan: Plan, agent: str, over: frozenset[int]) -> bool:
    """Whether every course that takes these drops is finished."""
    takes = {n for n, course in enumerate(plan.courses) if course.agent == agent}
    return bool(takes) and takes <= over


def _supply_block(supply: Supply, finished: bool, wordings: Wordings, language: str) -> Block:
    return Block(
        picture="bottle",
        sentences=tuple(wordings.say(phrase, language) for phrase in supply.phrases),
        drops=_name_of(supply.agent, wordings, language),
        finished=finished,
    )


def _name_of(agent: str, wordings: Wordings, language: str) -> str:
    return wordings.say(Phrase(wording=f"agent.{agent}.name"), language)


def _step_block(step: Step, wordings: Wordings, language: str, said: set[str]) -> Block:
    """A step's sentences; one that reads the same as an earlier one of this section is not said twice."""
    sentences = []
    for phrase in step.phrases:
        sentence = wordings.say(phrase, language)
        names_an_agent = phrase.wording.startswith("agent.") and phrase.wording.endswith(".name")
        if sentence not in said or names_an_agent:
            sentences.append(sentence)
        said.add(sentence)
    block = _block(step.picture, step.ears, sentences, wordings, language)
    return replace(block, drops=_name_of(step.course.agent, wordings, language)) if step.course is not None else block


def _questions(asked: Sequence[Question], wordings: Wordings, language: str, person: str) -> Questions | None:
    """Those that this language has whole: the question and every part of its answer."""
    usable = [each for each in asked if wordings.usable(language, (each.ask, *each.answer))]
    if not usable or not wordings.usable(language, QUESTIONS_FRAME):
        return None
    whose = Phrase(wording="question.you-means", values={"person": person})
    to_help = wordings.label("question.to-help", language)
    return Questions(
        heading=wordings.label("question.heading", language),
        intro=(wordings.label("question.about", language), *([wordings.say(whose, language)] if person else ())),
        asked=tuple(
            Answered(
                id=each.id,
                ask=wordings.label(each.ask, language),
                answer=tuple(wordings.label(unit, language) for unit in each.answer),
                help=to_help if each.signs else "",
            )
            for each in usable
        ),
    )


def _return_blocks(
    plan: Plan, wordings: Wordings, language: str, booked: tuple[str, str] | None, as_of: AsOf | None
) -> list[Block]:
    """The returns; a booked appointment takes the place of those that may wait as long, not of an earlier check."""
    due = [
        back
        for back in plan.returns
        if (booked is None or back.latest.isoformat() < booked[0]) and (as_of is None or as_of.says(back))
    ]
    blocks = [
        _block("calendar-return", back.ears, [wordings.say(p, language) for p in back.phrases], wordings, language)
        for back in due
    ]
    if booked is not None and (as_of is None or as_of.says_booking):
        phrase = Phrase(wording="return.booked", values={"date": booked[0], "time": booked[1]})
        blocks.append(Block(picture="calendar-return", sentences=(wordings.say(phrase, language),)))
    return blocks


def _block(picture: str, ears: Ears, sentences: list[str], wordings: Wordings, language: str) -> Block:
    label = wordings.say(Phrase(wording=f"ear.{ears}"), language)
    return Block(picture=picture, sentences=tuple(sentences), ears=ears, ears_label=label)
