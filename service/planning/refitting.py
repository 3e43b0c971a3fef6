"""What the clinic's own record says about when wax returns: fitted every night, and asked when a plan is proposed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from service import codec
from service.domain.ear_past import Gap, Look, ReturnRule, gaps_of, past_of
from service.domain.plan import Plan
from service.domain.recall_rules import RecallRules
from service.domain.return_time import LastFit, Least, NotFitted, Proposal, TooLittle, propose
from service.domain.visit import Side, Visit
from service.planning.recall_settings import settings_now
from service.services import Services
from service.storage.unit_of_work import UnitOfWork

RETURN_MODEL = "return-model"
"""The fact that holds the latest fit."""


def refit(services: Services) -> LastFit:
    """Fit the record anew and store what was found, be it that there is too little of it."""
    from service.solving.return_fit import fit  # numpy and scipy: only where a night's round needs them

    rules = services.pack.recall
    gaps: list[Gap] = []
    with services.open_reading() as work:
        for person_id, visits in work.recall_views.visits_by_person():
            for side in Side:
                gaps += gaps_of(looks_at(visits, side, rules), rule_of(rules), ear=f"{person_id}/{side}")
    today = services.day_of(services.clock.now())
    found = LastFit(found=fit(gaps, tuple(rules.traits), least=least_of(rules), fitted_on=today.isoformat()))
    with services.open_work() as work:
        work.ledger.set_fact(RETURN_MODEL, codec.dump(found))
        work.commit()
    return found


def rule_of(rules: RecallRules) -> ReturnRule:
    """How content reads findings."""
    return ReturnRule(clear=rules.clear, returned=rules.returned, left_out=rules.left_out)


def least_of(rules: RecallRules) -> Least:
    """How much must be known."""
    return Least(ears=rules.least_ears, returns=rules.least_returns, visits=rules.least_visits)


def looks_at(visits: Iterable[Visit], side: Side, rules: RecallRules) -> Iterator[Look]:
    """One ear as it was seen at each visit."""
    for visit in visits:
        findings = visit.ear(side).findings
        traits = (name for name, trait in rules.traits.items() if trait.holds(findings, visit.history, visit.age))
        yield Look(on=visit.on, findings=findings, traits=frozenset(traits))


def proposals(
    services: Services, work: UnitOfWork, person_id: str, visit: Visit, plan: Plan
) -> dict[Side, Proposal | TooLittle | NotFitted]:
    """By ear, the interval that the record proposes within the bounds of its aftercare, or why it proposes none.

    Only ears whose aftercare has an interval that content lets the record propose, and that are clear now.
    """
    rules = services.pack.recall
    ears = [
        (side, back, template)
        for back in plan.returns
        for side in back.ears.sides
        if (template := services.pack.templates[plan.ears[side].template]).id in rules.estimated
    ]
    if not ears:
        return {}
    visits = [*(stored.visit for stored in work.plans.visits_of(person_id)), visit]
    document = work.ledger.fact(RETURN_MODEL)
    fitted = codec.load(LastFit, document).found if document else NotFitted(why="the nightly round has not run yet")
    level = settings_now(services, work).chance
    found: dict[Side, Proposal | TooLittle | NotFitted] = {}
    for side, back, template in ears:
        past = past_of(looks_at(visits, side, rules), rule_of(rules), ear=f"{person_id}/{side}")
        if past.clear_for is None or template.return_days is None:
            continue
        within = ((back.earliest - visit.on).days, (back.latest - visit.on).days)
        usual = min(template.return_days, within[1])
        found[side] = propose(fitted, past, level=level, within=within, usual=usual, least=least_of(rules))
    return found
