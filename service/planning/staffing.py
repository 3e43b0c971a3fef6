"""Adding a member of staff."""

from __future__ import annotations

from argon2 import PasswordHasher

from service.errors import NotAllowedError
from service.services import Services
from service.storage.records import Staff

SHORTEST_PASSWORD = 12
"""Characters. Source: OWASP ASVS 4.0.3, 2.1.1; no rule on which characters (2.1.9)."""


def add_member(
    services: Services,
    login: str,
    name: str,
    roles: frozenset[str],
    password: str,
    *,
    by: str,
    approves: frozenset[str] | None = None,
) -> Staff:
    """Store a new member of staff. `approves` are the languages whose wording they may approve; None gives the clinical
    lead all of them and anybody else none. Raises NotAllowedError for a short password or a login that is taken."""
    if approves is None:
        approves = frozenset({"*"} if "lead" in roles else ())
    if len(password) < SHORTEST_PASSWORD:
        raise NotAllowedError(f"password: use at least {SHORTEST_PASSWORD} characters; any characters will do")
    member = Staff(
        id=services.new_id(), login=login.strip().casefold(), name=name.strip(), roles=roles, approves=approves
    )
    with services.open_work() as work:
        if work.staff.row_by_login(member.login) is not None:
            raise NotAllowedError(f"login: {member.login} is taken; choose another")
        work.staff.add(member, PasswordHasher().hash(password))
        work.ledger.note(
            by, "staff-added", member.id, services.clock.now(), roles=sorted(roles), approves=sorted(approves)
        )
        work.commit()
    return member
