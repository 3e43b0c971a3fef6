"""Aftercare: which templates the clinic offers and what it chose among what content offers; nothing is saved unseen.

Three steps on one address: the form, what would change, saved. Every step carries all that was chosen, and the revision
that the page was made from: who saves second is told, and keeps what they chose.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response as BaseResponse

from service import codec
from service.domain.pack import ClinicChoices, Pack
from service.domain.plan_differences import dose_words
from service.errors import NotAllowedError, PlanError, VisitError
from service.planning.choices import check_choices, choice_changes, left_without, less_cautious, plain, save_choices
from service.planning.rerun import rerun
from service.services import Services
from service.storage.clinic_choices import CLINIC_CHOICES, ChoicesInForce
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.forms import explain
from service.web.looked import Listed, put_on_record

bp = Blueprint("choices", __name__)

LAST_VISITS = (50, 100, 200, 500)
"""How many of the last visits can be planned again. Our choice: 500 take some seconds."""
LISTED = 100
"""How many visits are listed one by one. Our choice: more than anybody reads; the counts cover all of them."""
_AGENT, _REGIMEN, _WATER = "agent.", "regimen.", "water."


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicesForm:
    """The form as it is filled in. `places`: agent to its place in the order, empty when it is not proposed."""

    templates: frozenset[str]
    places: Mapping[str, str]
    regimens: Mapping[str, str]
    water: Mapping[str, str]
    last: int
    revision: int


@bp.get("/aftercare")
@needs("lead")
def show() -> Response:
    """The choices as they stand, ready to be changed."""
    services = the_services()
    present = _present(services)
    return _page(services, present, _filled(present, services.pack), saved=request.args.get("saved") == "yes")


@bp.post("/aftercare")
@needs("lead")
def change() -> BaseResponse | Response:
    """See what would change, go back to the form with everything that was chosen, or save what was seen."""
    services = the_services()
    form, present = _read(request.form), _present(services)
    if request.form.get("do") == "change":
        return _page(services, present, form)
    wrong = _wrong_places(form, services.pack)
    choices = _choices(form, services.pack)
    wrong += check_choices(choices, services.pack)
    if wrong:
        return _page(services, present, form, wrong=wrong)
    choices = plain(choices, services.pack)
    if form.revision != present.revision:
        return _overtaken(services, present, form)
    if request.form.get("do") == "save" and request.form.get("seen") == _pin(choices, present):
        try:
            save_choices(services, choices, seen=form.revision, by=who(the_staff()))
        except NotAllowedError:  # at this very moment
            return _overtaken(services, _present(services), form)
        return redirect(url_for("choices.show", saved="yes"))
    return _what_would_change(services, present, choices, form)


def _what_would_change(
    services: Services, present: ChoicesInForce, choices: ClinicChoices, form: ChoicesForm
) -> Response:
    found = rerun(services, choices, form.last)
    listed = found.changed[:LISTED]
    put_on_record(Listed.REPLANNED, (visit.person_id for visit in (*listed, *found.refused)))
    page = render_template(
        "staff/choices_change.html",
        found=found,
        listed=listed,
        refused=[(visit, _why(visit.refused, services.pack)) for visit in found.refused],
        changes=choice_changes(present.choices, choices, services.pack),
        without=left_without(choices, services.pack),
        fields=[(name, value) for name, value in request.form.items(multi=True) if name not in ("csrf", "do", "seen")],
        seen=_pin(choices, present),
    )
    return make_response(page)


def _overtaken(services: Services, present: ChoicesInForce, form: ChoicesForm) -> Response:
    """The form as it was filled in, now beside the choices that somebody else saved meanwhile."""
    theirs = choice_changes(plain(_choices(form, services.pack), services.pack), present.choices, services.pack)
    mine = ChoicesForm(
        templates=form.templates,
        places=form.places,
        regimens=form.regimens,
        water=form.water,
        last=form.last,
        revision=present.revision,
    )
    return _page(services, present, mine, theirs=theirs, code=409)


def _page(
    services: Services,
    present: ChoicesInForce,
    form: ChoicesForm,
    *,
    wrong: tuple[str, ...] = (),
    theirs: object = None,
    saved: bool = False,
    code: int = 200,
) -> Response:
    pack = services.pack
    with services.open_reading() as work:
        history = work.ledger.history(CLINIC_CHOICES, limit=20)
    page = render_template(
        "staff/choices.html",
        pack=pack,
        form=form,
        present=present,
        outdated=check_choices(present.choices, pack),
        wrong=wrong,
        theirs=theirs,
        saved=saved,
        history=[(line, _was_changed(line.detail, pack)) for line in history],
        last_visits=LAST_VISITS,
        less_cautious=less_cautious,
        dose_words=dose_words,
    )
    return make_response(page, 422 if wrong else code)


def _present(services: Services) -> ChoicesInForce:
    with services.open_reading() as work:
        return services.choices_now(work)


def _filled(present: ChoicesInForce, pack: Pack) -> ChoicesForm:
    """The form that says what is chosen now."""
    chosen = present.choices
    order = {name: str(place) for place, name in enumerate(chosen.agents or tuple(pack.agents), start=1)}
    return ChoicesForm(
        templates=frozenset(pack.templates) - chosen.templates_off,
        places={name: order.get(name, "") for name in pack.agents},
        regimens={
            f"{agent.id}/{purpose}": chosen.regimens.get(f"{agent.id}/{purpose}", regimens[0].id)
            for agent in pack.agents.values()
            for purpose, regimens in agent.regimens.items()
        },
        water={name: chosen.water.get(name, situation.default) for name, situation in pack.water.items()},
        last=LAST_VISITS[1],
        revision=present.revision,
    )


def _read(sent: MultiDict[str, str]) -> ChoicesForm:
    def under(prefix: str) -> dict[str, str]:
        return {name.removeprefix(prefix): value for name, value in sent.items() if name.startswith(prefix)}

    last = sent.get("last", default=LAST_VISITS[1], type=int)
    return ChoicesForm(
        templates=frozenset(sent.getlist("template")),
        places=under(_AGENT),
        regimens=under(_REGIMEN),
        water=under(_WATER),
        last=last if last in LAST_VISITS else LAST_VISITS[1],
        revision=sent.get("revision", default=-1, type=int),
    )


def _wrong_places(form: ChoicesForm, pack: Pack) -> tuple[str, ...]:
    """One sentence for each thing wrong with the order of the agents."""
    numbers, taken, wrong = {str(n) for n in range(1, len(pack.agents) + 1)}, dict[str, str](), []
    for name, place in form.places.items():
        label = pack.agents[name].label if name in pack.agents else name
        if place and place not in numbers:
            wrong.append(f"Agents, {label}: {place!r} is no place; choose 1 to {len(pack.agents)}, or not proposed.")
        elif place in taken:
            wrong.append(f"Agents: {taken[place]} and {label} both have place {place}; give each a place of its own.")
        elif place:
            taken[place] = label
    if not taken and not wrong:
        wrong.append("Agents: none has a place; give at least one agent a place.")
    return tuple(wrong)


def _choices(form: ChoicesForm, pack: Pack) -> ClinicChoices:
    placed = sorted(
        ((place, name) for name, place in form.places.items() if place), key=lambda pair: (len(pair[0]), pair)
    )
    return ClinicChoices(
        agents=tuple(name for _, name in placed),
        regimens=form.regimens,
        water=form.water,
        templates_off=frozenset(pack.templates) - form.templates,
    )


def _pin(choices: ClinicChoices, present: ChoicesInForce) -> str:
    """Pins what was shown: these choices beside that revision. Other ones are shown before they are saved."""
    return hashlib.sha256(f"{present.revision}\x00{codec.dump(choices)}".encode()).hexdigest()


def _why(refused: PlanError | None, pack: Pack) -> str:
    return explain(refused, pack) if isinstance(refused, VisitError) else str(refused or "")


def _was_changed(detail: Mapping[str, object], pack: Pack) -> object:
    """What one saving changed, in words, from its line of the audit record."""
    before, after = (codec.from_plain(ClinicChoices, detail[name]) for name in ("before", "after"))
    return choice_changes(before, after, pack)
