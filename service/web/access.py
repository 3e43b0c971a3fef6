"""Who is this member of staff, may they see this page, and did this form come from our own page?

A sign-in is remembered on the server and can be ended there: the cookie holds a random token, the database its hash.
Source of the numbers: OWASP ASVS 4.0.3 (2.2.1 failed sign-ins, 3.2 and 3.3 sessions, 3.4 cookies, 4.2.2 forged forms).
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from flask import g, redirect, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.revision import Rights
from service.errors import NotAllowedError
from service.services import Services
from service.storage.records import Staff
from service.web.app import the_services, the_settings

IDLE = timedelta(minutes=30)
"""A sign-in ends after this long without a request (ASVS 3.3.2, level 2)."""
LONGEST = timedelta(hours=12)
"""A sign-in ends after this long in any case (ASVS 3.3.2, level 2)."""
FREE_TRIES = 3
"""Wrong passwords before an account starts to rest. Our choice: a slip of the finger costs nothing."""
FIRST_REST = timedelta(seconds=5)
LONGEST_REST = timedelta(minutes=15)
"""Rests double from the first to the longest: about fifteen tries in the first hour, then four (ASVS: at most 100)."""
ROLES = ("clinician", "lead", "desk")
"""Roles that see people's records. The role "wording" works on texts alone."""
EVERYBODY = (*ROLES, "wording")
WRONG = (
    "The sign-in did not work. Check the login and the password. "
    "After several failed tries an account rests for up to 15 minutes."
)
"""One answer for an unknown login, a wrong password and a resting account, so that nobody learns which logins exist."""

_FORM_COOKIE = "tragus-form"
_P = ParamSpec("_P")
_R = TypeVar("_R")


def hash_of(token: str) -> str:
    """What is stored of a session's token."""
    return hashlib.sha256(token.encode()).hexdigest()


def who(staff: Staff) -> str:
    """How a member of staff stands in the record: the name for readers, the login because names repeat."""
    return f"{staff.name} ({staff.login})"


def check_password(services: Services, login: str, password: str) -> Staff | None:
    """The member of staff with this login and password, or None, always after the same amount of work.

    The try is counted and committed before the password is looked at, so that many tries at once count too.
    """
    now = services.clock.now()
    with services.open_work() as work:
        row = work.staff.row_by_login(login.strip().casefold())
        resting = row is not None and row.locked_until is not None and row.locked_until > now
        if row is not None and not resting:
            row.failures += 1
            row.locked_until = _rest_after(row.failures, now)
        work.commit()
        stored = row.password_hash if row is not None else _nobody()
        usable = row is not None and row.active and not resting
    if not _matches(stored, password) or row is None or not usable:
        return None
    with services.open_work() as work:
        fresh = work.staff.row_by_login(row.login)
        if fresh is None or not fresh.active:
            return None
        fresh.failures, fresh.locked_until = 0, None
        if PasswordHasher().check_needs_rehash(stored):
            fresh.password_hash = PasswordHasher().hash(password)
        work.commit()
    roles = frozenset(filter(None, row.roles.split(",")))
    approves = frozenset(filter(None, row.approves.split(",")))
    return Staff(id=row.id, login=row.login, name=row.name, roles=roles, approves=approves)


def sees_people(staff: Staff) -> bool:
    """Whether somebody may open the pages about people: any role but "wording" alone."""
    return bool(staff.roles & set(ROLES))


def first_page(staff: Staff) -> str:
    """Where somebody begins: at the list of people, or at the wording when that is all they may open."""
    return url_for("desk.people" if sees_people(staff) else "wording.overview")


def rights_of(staff: Staff) -> Rights:
    """What a member of staff may do with wording."""
    return Rights(staff_id=staff.id, lead="lead" in staff.roles, languages=staff.approves)


def _rest_after(failures: int, now: datetime) -> datetime | None:
    if failures < FREE_TRIES:
        return None
    return now + min(FIRST_REST * (1 << min(failures - FREE_TRIES, 20)), LONGEST_REST)


def _matches(stored: str, password: str) -> bool:
    try:
        return PasswordHasher().verify(stored, password)
    except (VerificationError, InvalidHashError):
        return False


@cache
def _nobody() -> str:
    """A hash that no password fits, so that an unknown login costs as much time as a known one."""
    return PasswordHasher().hash(secrets.token_urlsafe(32))


def cookie_name() -> str:
    """The session cookie's name; the prefix makes a browser insist on HTTPS, this host and the root path."""
    return "__Host-tragus-staff" if the_settings().secure_cookies else "tragus-staff"


def start_session(answer: BaseResponse, staff: Staff) -> None:
    """Sign `staff` in on this browser, under a token that never existed before; an older one here is forgotten."""
    services, token = the_services(), secrets.token_urlsafe(32)
    now = services.clock.now()
    with services.open_work() as work:
        old = request.cookies.get(cookie_name())
        if old:
            work.staff.end_session(hash_of(old))
        work.staff.start_session(hash_of(token), staff.id, secrets.token_urlsafe(32), now)
        work.ledger.note(who(staff), "signed-in", staff.id, now)
        work.commit()
    secure = the_settings().secure_cookies
    answer.set_cookie(cookie_name(), token, secure=secure, httponly=True, samesite="Lax", path="/")


def end_session(answer: BaseResponse) -> None:
    """Sign this browser out; a copy of its cookie is worthless afterwards."""
    services, staff = the_services(), current_staff()
    token, now = request.cookies.get(cookie_name()), services.clock.now()
    if token and staff is not None:
        with services.open_work() as work:
            work.staff.end_session(hash_of(token))
            work.ledger.note(who(staff), "signed-out", staff.id, now)
            work.commit()
    answer.delete_cookie(cookie_name(), path="/", secure=the_settings().secure_cookies, httponly=True, samesite="Lax")


def current_staff() -> Staff | None:
    """Who is signed in on this browser, or None. Counts as activity; a session past its time is forgotten."""
    if "staff" not in g:
        g.staff, g.csrf = None, ""
        token = request.cookies.get(cookie_name())
        if token:
            _look_up(hash_of(token))
    found: Staff | None = g.staff
    return found


def _look_up(token_hash: str) -> None:
    services = the_services()
    now = services.clock.now()
    with services.open_work() as work:
        found = work.staff.session(token_hash)
        if found is None:
            return
        staff, session = found
        if now - session.seen > IDLE or now - session.started > LONGEST:
            work.staff.end_session(token_hash)
        else:
            session.seen = now
            g.staff, g.csrf = staff, session.csrf
        work.commit()


def keep_through(jump: timedelta) -> None:
    """Carry this browser's session over a jump of the demo's clock: nobody sat idle in pretended time."""
    token = request.cookies.get(cookie_name())
    if not token:
        return
    with the_services().open_work() as work:
        found = work.staff.session(hash_of(token))
        if found is not None:
            found[1].seen += jump
            found[1].started += jump
            work.commit()


def needs(*roles: str) -> Callable[[Callable[_P, _R]], Callable[_P, _R | BaseResponse]]:
    """Lets in signed-in staff with one of `roles` (one of ROLES when none is named); others are sent to the sign-in.

    A form must carry the session's own token (ASVS 4.2.2). Raises NotAllowedError for a wrong role or a foreign form.
    """

    def guard(view: Callable[_P, _R]) -> Callable[_P, _R | BaseResponse]:
        @wraps(view)
        def guarded(*args: _P.args, **kwargs: _P.kwargs) -> _R | BaseResponse:
            staff = current_staff()
            if staff is None:
                return redirect(url_for("signing_in.sign_in", then=request.path if request.method == "GET" else None))
            if not staff.roles & frozenset(roles or ROLES):
                raise NotAllowedError(
                    f"this page is for the role {' or '.join(roles or ROLES)}; ask a colleague who has it"
                )
            if request.method == "POST" and not hmac.compare_digest(
                request.form.get("csrf", "").encode(), g.csrf.encode()
            ):
                raise NotAllowedError("this form is out of date or came from another site; open the page again")
            return view(*args, **kwargs)

        return guarded

    return guard


def the_staff() -> Staff:
    """The member of staff on a guarded page."""
    staff = current_staff()
    assert staff is not None, "the page is behind `needs`"
    return staff


def csrf() -> str:
    """The token that every form of a signed-in browser carries."""
    return str(g.get("csrf", ""))


def form_token() -> str:
    """The token of a form on a page that needs no sign-in. It fits this browser's cookie only."""
    if "form_seed" not in g:
        g.form_seed = request.cookies.get(_FORM_COOKIE) or secrets.token_urlsafe(24)
    return hmac.digest(the_settings().secret_key.encode(), f"form:{g.form_seed}".encode(), "sha256").hex()


def plant_form_token(answer: BaseResponse) -> None:
    """Give this browser the cookie that `form_token` fits."""
    if "form_seed" in g and request.cookies.get(_FORM_COOKIE) != g.form_seed:
        secure = the_settings().secure_cookies
        answer.set_cookie(_FORM_COOKIE, g.form_seed, secure=secure, httponly=True, samesite="Lax", path="/")


def check_form_token() -> None:
    """Raises NotAllowedError when an open page's form did not come from that page in this browser."""
    same = hmac.compare_digest(request.form.get("form-token", "").encode(), form_token().encode())
    crossed = request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none")
    if not request.cookies.get(_FORM_COOKIE) or not same or crossed:
        raise NotAllowedError("this form is out of date or came from another site; open the page again")
