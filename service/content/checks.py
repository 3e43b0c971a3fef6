"""Does the content hold together? Checks across files; each fault names its file, line and key, and what to do.

`check_references`: everything that is named exists. `check_complete`: everything that exists is answered or used.
Both are pure, so the admin can run them on a pack before it is put in force.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields

from service.content.mentions import all_conditions, all_sources, all_steps, named_steps, said
from service.content.places import KeyPath, Places
from service.content.wording_checks import easy_faults, unit_faults, value_faults
from service.domain.contact import WAYS, Channel
from service.domain.message import MessageKind
from service.domain.pack import EASY, Condition, Pack, Purpose, StepSpec
from service.domain.questions import QUESTIONS_FRAME
from service.domain.sending import CHANNELS
from service.errors import Fault

# Units that the engine and the messages say by themselves: no content file names them.
FIXED: frozenset[str] = frozenset(
    {
        "instil.drops",
        "instil.only",
        "instil.times",
        "instil.weekly",
        "instil.every",
        "instil.days",
        "instil.until",
        "instil.then-times",
        "instil.then-weekly",
        "instil.then-every",
        "instil.alternate",
        "instil.lie",
        "instil.massage",
        "moment.morning",
        "moment.midday",
        "moment.evening",
        "moment.bedtime",
        "supply.amount",
        "supply.opened",
        "return.booked",
        "urgency.emergency",
        "urgency.same-day",
        "urgency.next-day",
        "urgency.few-days",
        *WAYS.values(),
        "ear.right",
        "ear.left",
        "ear.both",
        *QUESTIONS_FRAME,
    }
)

# Topics whose units are named by page layouts and messages, which have tests of their own.
TOPICS_OF_LAYOUTS: frozenset[str] = frozenset({"page", "sheet", "message", "reply", "easy", "recall"})

Found = Iterator[tuple[KeyPath, str]]


def check_pack(pack: Pack, places: Places | None = None) -> tuple[Fault, ...]:
    """Every fault of a pack whose files could all be read."""
    return check_references(pack, places) + check_complete(pack, places)


def check_references(
    pack: Pack, places: Places | None = None, *, also: frozenset[str] = frozenset()
) -> tuple[Fault, ...]:
    """Faults in what one entry says of another. `also` are ids that exist but could not be read."""
    return _faults(
        places, _references(pack, also), _conditions(pack, also), _steps(pack), unit_faults(pack), _pictures(pack)
    )


def check_complete(pack: Pack, places: Places | None = None) -> tuple[Fault, ...]:
    """Faults that only the whole pack can show: codes that nothing answers, words that nothing says, unclear order."""
    return _faults(
        places,
        _timing(pack),
        _recall(pack),
        _ranks(pack),
        _regimens(pack),
        _answered(pack),
        _questions(pack),
        _red_flags(pack),
        _water(pack),
        _depends(pack),
        _used(pack),
        value_faults(pack),
        easy_faults(pack),
    )


def pictures_used(pack: Pack) -> frozenset[str]:
    """The names of all pictures that a plan from this pack can show."""
    steps = (step.picture for _, step in all_steps(pack))
    others = (entry.picture for part in (pack.urgent, pack.warnings, pack.expected) for entry in part.values())
    return frozenset(steps) | frozenset(others)


def _faults(places: Places | None, *found: Found) -> tuple[Fault, ...]:
    where = places if places is not None else Places()
    return tuple(where.fault(path, message) for part in found for path, message in part)


def _references(pack: Pack, also: frozenset[str]) -> Found:
    sources, wording, agents = pack.sources.keys() | also, pack.wording.keys() | also, pack.agents.keys() | also
    for path, named in all_sources(pack):
        if not named:
            yield path, "name at least one source: no clinical fact stands without one"
        for source in named:
            if source not in sources:
                yield path, f"the source {source!r} is not in sources.toml"
    for path, unit in said(pack):
        if unit not in wording:
            yield path, f"the wording unit {unit!r} is in no file of wording/"
    for unit in sorted(FIXED - wording):
        yield ("wording", unit), "the service needs this unit: add it to wording/engine.toml"
    history = pack.history.keys() | also
    for agent in pack.agents.values():
        for code in sorted(agent.contains - history):
            yield ("agent", agent.id, "contains"), f"{code!r} is not a box of history.toml"
    steps = {step.id for _, step in all_steps(pack)}
    for rule in pack.rules.values():
        if rule.target is None or rule.target in {"softener", *(purpose.value for purpose in Purpose)}:
            continue
        kind, _, name = rule.target.partition(":")
        if not ((kind == "agent" and name in agents) or (kind == "step" and name in steps)):
            yield (
                ("rule", rule.id, "target"),
                f'{rule.target!r} bars nothing: write "softener", "soften", "maintain", "agent:<id>" or "step:<id>"',
            )


def _conditions(pack: Pack, also: frozenset[str]) -> Found:
    ear, person, methods = pack.findings.keys() | also, pack.history.keys() | also, pack.methods.keys() | also
    allowed: Mapping[str, tuple[Iterable[str], str]] = {
        "ear_any": (ear, "findings.toml"),
        "ear_all": (ear, "findings.toml"),
        "ear_none": (ear, "findings.toml"),
        "other_ear_any": (ear, "findings.toml"),
        "person_any": (person, "history.toml"),
        "person_none": (person, "history.toml"),
        "removed_by_any": (methods, "methods.toml"),
    }
    for path, condition in all_conditions(pack):
        for name, (known, file) in allowed.items():
            for code in sorted(getattr(condition, name) - set(known)):
                yield (*path, name), f"{code!r} is not a box of {file}"
        if condition.age_unknown and condition.age_under is None and condition.age_from is None:
            yield (*path, "age_unknown"), "says nothing without age_under or age_from; add one or leave it out"
    for advice in pack.urgent.values():
        for code in sorted(advice.codes - ear - person):
            yield ("urgent", advice.id, "codes"), f"{code!r} is a box of neither findings.toml nor history.toml"
    for table, codes in (("finding", pack.findings), ("history", pack.history), ("method", pack.methods)):
        for box in codes.values():
            for code in sorted(box.excludes - codes.keys() - also):
                yield (table, box.id, "excludes"), f"{code!r} is not a box of the same file"
    for code in sorted(pack.findings.keys() & pack.history.keys()):
        yield ("history", code), "is also a finding; give one of the two another id"


def _steps(pack: Pack) -> Found:
    """One step id means one content: two rules may both ask for it, and the plan says it once."""
    first: dict[str, tuple[KeyPath, StepSpec]] = {}
    for path, step in all_steps(pack):
        before, same = first.setdefault(step.id, (path, step))
        if same != step:
            yield path, f"the step {step.id!r} has another content in {'.'.join(map(str, before[:2]))}; make them equal"


def _pictures(pack: Pack) -> Found:
    for path, step in all_steps(pack):
        if not step.picture.strip():
            yield (*path, "picture"), "name a picture"
    for table, part in (("urgent", pack.urgent), ("warning", pack.warnings), ("expected", pack.expected)):
        for entry in part.values():
            if not entry.picture.strip():
                yield (table, entry.id, "picture"), "name a picture"


def _timing(pack: Pack) -> Found:
    kinds = {kind.value for kind in MessageKind}
    for kind in sorted(kinds ^ pack.timing.useful_minutes.keys()):
        message = "say for how many minutes this message helps" if kind in kinds else "is not a kind of message"
        yield ("timing", "useful_minutes", kind), message
    posted = {kind.value for kind, channels in CHANNELS.items() if Channel.LETTER in channels}
    for kind in sorted(posted ^ pack.timing.useful_minutes_by_letter.keys()):
        message = "say for how many minutes this letter helps" if kind in posted else "does not go by letter"
        yield ("timing", "useful_minutes_by_letter", kind), message


def _recall(pack: Pack) -> Found:
    rules = pack.recall
    channels = {channel.value for channel in Channel}
    for channel in sorted(channels ^ rules.answer_prior.keys()):
        message = "say how many answer" if channel in channels else "is not a channel"
        yield ("recall", "answer_prior", channel), message
    for template in sorted(rules.weights.keys() | rules.estimated):
        if template not in pack.templates:
            yield ("recall", "weights", template), f"{template} is not the id of a template"
        elif pack.templates[template].return_days is None:
            yield ("recall", "weights", template), f"{template} has no return"
    for name, codes in (("clear", rules.clear), ("returned", rules.returned), ("left_out", rules.left_out)):
        for code in sorted(codes - pack.findings.keys()):
            yield ("recall", name), f"{code} is not the id of a finding"
    for name, trait in rules.traits.items():
        unknown = (trait.ear_any - pack.findings.keys()) | (trait.person_any - pack.history.keys())
        for code in sorted(unknown):
            yield ("recall", "traits", name), f"{code} is not known"


def _ranks(pack: Pack) -> Found:
    first: dict[int, str] = {}
    for template in pack.templates.values():
        other = first.setdefault(template.rank, template.id)
        if other != template.id:
            yield ("template", template.id, "rank"), f"rank {template.rank} is also that of {other}; ranks are unique"


def _regimens(pack: Pack) -> Found:
    first: dict[str, str] = {}
    for agent in pack.agents.values():
        if agent.drops_per_ml < 1:
            yield ("agent", agent.id, "drops_per_ml"), "must be 1 or more"
        for purpose, regimens in agent.regimens.items():
            if not regimens:
                yield ("agent", agent.id, "regimens", purpose.value), "needs at least one regimen, the default first"
            for number, regimen in enumerate(regimens):
                path = ("agent", agent.id, "regimens", purpose.value, number, "id")
                other = first.setdefault(regimen.id, agent.id)
                if other != agent.id or sum(r.id == regimen.id for r in regimens) > 1:
                    yield (
                        path,
                        f"the regimen id {regimen.id!r} is used twice (first in {other}); regimen ids are unique",
                    )


def _answered(pack: Pack) -> Found:
    """A box that changes nothing must not be on the form: somebody would tick it and trust it."""
    answered: set[str] = set()
    for path, condition in all_conditions(pack):
        if path[0] == "question":  # a question that is answered is not care
            continue
        for part in fields(condition):
            codes = getattr(condition, part.name)
            if isinstance(codes, frozenset) and part.name not in {"ear_none", "person_none"}:
                answered |= codes
    for advice in pack.urgent.values():
        answered |= advice.codes
    for table, codes in (("finding", pack.findings), ("history", pack.history), ("method", pack.methods)):
        for code in codes:
            if code not in answered:
                message = "nothing answers this box: no template, rule, warning, water, expected or urgent entry"
                yield (table, code), message


def _questions(pack: Pack) -> Found:
    """A question must have one place in the order, an answer, and only parts of a plan that a plan can have."""
    if pack.questions_on_sheet < 0:
        yield ("pack", "questions_on_sheet"), "must be 0 or more"
    first: dict[int, str] = {}
    for question in pack.questions.values():
        path: KeyPath = ("question", question.id)
        other = first.setdefault(question.order, question.id)
        if other != question.id:
            yield (*path, "order"), f"order {question.order} is also that of {other}; orders are unique"
        if not question.answer:
            yield (*path, "answer"), "needs at least one wording unit"
        if question.unless == Condition():
            yield (*path, "unless"), "always holds, so this question never shows; say when it does not fit"
        for sign in sorted(question.signs - pack.warnings.keys()):
            yield (*path, "signs"), f"{sign!r} is not in warnings.toml"
        for name in ("if_said", "unless_said"):
            for unit in sorted(getattr(question, name)):
                if unit not in pack.wording or pack.wording[unit].topic == "question":
                    yield (*path, name), f"{unit!r} is not a sentence of a plan"
        for unit in sorted(question.if_said & question.unless_said):
            yield (*path, "unless_said"), f"{unit!r} is also in if_said; take it out of one of the two"


def _red_flags(pack: Pack) -> Found:
    flags = {code: ("finding", code) for code, box in pack.findings.items() if box.red_flag}
    flags |= {code: ("history", code) for code, box in pack.history.items() if box.red_flag}
    for code, path in flags.items():
        advice = [entry.id for entry in pack.urgent.values() if code in entry.codes]
        if len(advice) != 1:
            found = "none has it" if not advice else f"{', '.join(advice)} have it"
            yield path, f"a red flag stands in exactly one entry of urgent.toml; {found}"
    for entry in pack.urgent.values():
        for code in sorted(entry.codes & (pack.findings.keys() | pack.history.keys()) - flags.keys()):
            yield ("urgent", entry.id, "codes"), f"{code!r} is not a red flag; set red_flag = true at its box"


def _depends(pack: Pack) -> Found:
    """What is said because of a step, or in place of a sign, names one that exists."""
    steps = {step.id for _, step in all_steps(pack)}
    for path, wanted in named_steps(pack):
        for step_id in sorted(wanted - steps):
            yield path, f"{step_id!r} is the id of no step of a template or a rule"
    for sign in pack.warnings.values():
        for covered in sorted(sign.covers - pack.warnings.keys()):
            yield ("warning", sign.id, "covers"), f"{covered!r} is not in warnings.toml"


def _water(pack: Pack) -> Found:
    for situation in pack.water.values():
        path: KeyPath = ("water", situation.id)
        options = {option.id: option for option in situation.options}
        if len(options) != len(situation.options):
            yield (*path, "options"), "two options have the same id"
        default = options.get(situation.default)
        if default is None:
            yield (*path, "default"), f"{situation.default!r} is not one of: {', '.join(options)}"
        elif any(option.strictness > default.strictness for option in options.values()):
            yield (*path, "default"), "the default must be the most cautious option (highest strictness)"
        for number, option in enumerate(situation.options):
            if not option.wording:
                yield (*path, "options", number, "wording"), "needs at least one wording unit"


def _used(pack: Pack) -> Found:
    used = {unit for _, unit in said(pack)} | FIXED
    for unit in pack.wording.values():
        said_as = pack.wording.get(unit.id.partition(EASY)[0], unit)
        if said_as.id not in used and said_as.topic not in TOPICS_OF_LAYOUTS:
            yield ("wording", unit.id), "no content says this unit; use it or take it out"
