"""A member of staff at the pages of a running server, over HTTP."""

from __future__ import annotations

import re
from copy import copy
from http.cookiejar import CookieJar
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, build_opener

from service.planning.staffing import add_member
from service.services import Services

PASSWORD = "a long enough password"
COMMON = {"right.findings": "hard-wax-cleared", "right.removed_by": "suction", "left.findings": "normal"}


def add_wren(services: Services) -> None:
    """Somebody who may do everything."""
    add_member(services, "wren", "Wren Halloway", frozenset({"clinician", "lead", "desk"}), PASSWORD, by="test")


class Desk:
    """A signed-in browser. An answer that is not 2xx after redirects raises HTTPError."""

    def __init__(self, port: int) -> None:
        self.root = f"http://127.0.0.1:{port}"
        self.opener = build_opener(HTTPCookieProcessor(CookieJar()))
        token = self.found(self.get("/sign-in"), "form-token")
        page = self.post("/sign-in", {"login": "wren", "password": PASSWORD, "form-token": token}, signed=False)
        self.csrf = self.found(page, "csrf")

    def many(self, count: int) -> list[Desk]:
        """So many browsers, this one among them, all signed in by its cookie: to sign in is slow on purpose."""
        return [self, *(copy(self) for _ in range(count - 1))]

    def get(self, place: str) -> str:
        with self.opener.open(self.root + place, timeout=60) as answer:
            return str(answer.read().decode())

    def post(self, place: str, data: dict[str, str], *, signed: bool = True) -> str:
        sent = urlencode(data | ({"csrf": self.csrf} if signed else {})).encode()
        with self.opener.open(self.root + place, data=sent, timeout=60) as answer:
            return str(answer.read().decode())

    @staticmethod
    def found(page: str, name: str) -> str:
        match = re.search(rf'name="{name}" value="([^"]*)"', page)
        assert match is not None, f"the page has {name}"
        return match[1]

    def propose(self, person_id: str) -> dict[str, str]:
        """The form that gives the proposed plan, with the mark that makes it one request."""
        page = self.post(f"/people/{person_id}/discharge", {**COMMON, "do": "propose"})
        return {**COMMON, "do": "give"} | {name: self.found(page, name) for name in ("previewed", "request")}

    def give(self, person_id: str, form: dict[str, str] | None = None) -> str:
        """Propose, look, give; returns the id of the plan."""
        page = self.post(f"/people/{person_id}/discharge", form or self.propose(person_id))
        match = re.search(r"/plans/([0-9a-f]+)/", page)
        assert match is not None, "the plan was given"
        return match[1]
