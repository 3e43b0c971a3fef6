"""What leaves carries the links that are good at that moment."""

from __future__ import annotations

from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery import bundles, dispatch
from service.delivery.bundles import Bundle
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome, Result
from service.links import token_of
from service.planning.aftercare import give
from service.planning.people import renew_link, revoke_links
from service.services import Services
from service.transports.port import RecordingTransport


def live_token(services: Services, person: str) -> str:
    with services.open_reading() as work:
        link_id = work.links.live_id(person)
    assert link_id is not None
    return token_of(services.secret_key, link_id)


def change_before_it_is_sealed(services: Services, monkeypatch: pytest.MonkeyPatch, how: object) -> None:
    """Have somebody change the link when the words are made and have not left."""

    done: list[Bundle] = []

    def meanwhile(services: Services, found: Bundle) -> Bundle:
        sealed = bundles.seal(services, found)
        if not done:
            how(services, "maud", "desk")  # type: ignore[operator]
            done.append(sealed)
        return sealed

    monkeypatch.setattr(dispatch, "seal", meanwhile)


@pytest.mark.parametrize("how", [renew_link, revoke_links], ids=["renewed", "revoked"])
def test_a_link_that_changed_while_the_message_waited_goes_out_as_it_is_now(
    how: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    services, recorder = a_service()
    give(services, a_person(services), a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    before = live_token(services, "maud")
    change_before_it_is_sealed(services, monkeypatch, how)
    send_due(services, "worker")
    assert recorder.sent == []
    send_due(services, "worker")
    (sent,) = recorder.sent
    assert live_token(services, "maud") in sent.message.text
    assert before not in sent.message.text


def test_a_repeat_of_what_may_have_arrived_keeps_its_words(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)

    def unknown(_: Envelope) -> Outcome:
        return Outcome(result=Result.UNKNOWN, detail="no answer")

    recorder = RecordingTransport(unknown)
    services.transports = dict.fromkeys(Channel, recorder)
    give(services, a_person(services), a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    send_due(services, "worker")
    clock.at += timedelta(minutes=61)
    change_before_it_is_sealed(services, monkeypatch, renew_link)
    send_due(services, "worker")
    first, second = recorder.sent
    assert (first.key, first.message.text) == (second.key, second.message.text)
