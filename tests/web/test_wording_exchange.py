"""Translators' files: out as PO and XLIFF 2, and back in two presses; what a hostile file can do: nothing."""

from __future__ import annotations

import base64
import io
import re
import zlib
from html import unescape
from pathlib import Path

import pytest
from builders import the_pack
from web.staff_pages import Browser, invented_urdu
from web.test_wording import Desk, a_desk, add_team, digest_shown, history, pair
from web.test_wording import a_browser as a_stranger
from werkzeug.datastructures import FileStorage
from werkzeug.test import TestResponse, encode_multipart

from service.domain.revision import Origin
from service.planning.approving import Approving, Author, approve, approve_units, write
from service.web.wording_exchange import MOST_OCTETS
from service.wording.po_file import read_po
from service.wording.xliff_file import read_xliff

IMPORT = "/wording/ur/import"
TITLE = 'msgctxt "page.title|any"\nmsgid "Your ear care plan"\nmsgstr "{}"\n'
HEAD = 'msgid ""\nmsgstr "Language: ur\\nContent-Type: text/plain; charset=UTF-8\\n"\n\n'


def a_file(text: str = "نئی تحریر") -> bytes:
    """A catalog with one text: another title of the page."""
    return (HEAD + TITLE.format(text)).encode()


def first_press(browser: Desk, data: bytes, name: str = "ur.po", place: str = IMPORT) -> TestResponse:
    return send(browser, place, {"csrf": browser.token(), "file": FileStorage(io.BytesIO(data), name)})


def send(browser: Browser, place: str, form: dict[str, object]) -> TestResponse:
    """Send a form with a file; large ones too without the test client's own files on disk."""
    boundary, body = encode_multipart(form)
    return browser.client.post(place, data=body, content_type=f'multipart/form-data; boundary="{boundary}"')


def fields(page: TestResponse) -> dict[str, object]:
    """The form of the page that shows what a file would change."""
    found = {name: re.search(rf'name="{name}" value="([^"]*)"', page.text) for name in ("name", "shown", "packed")}
    assert all(found.values()), "the page has its form"
    return {name: unescape(match[1]) for name, match in found.items() if match}


def words(page: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.text)).split())


def drafts(browser: Desk, unit: str = "page.title") -> list[tuple[str, ...]]:
    return [each.texts["any"] for each in history(browser, "ur", unit) if each.withdrawn is None]


# Out


@pytest.mark.parametrize(("kind", "read"), [("po", read_po), ("xliff", read_xliff)])
@pytest.mark.parametrize("topic", ["", "page"])
def test_a_language_or_a_group_of_it_goes_out_as_a_file_that_reads_the_same(
    tmp_path: Path, kind: str, read: object, topic: str
) -> None:
    browser = a_desk(tmp_path, "otto", catalogs=invented_urdu(tmp_path))
    answer = browser.get(f"/wording/ur/export?format={kind}&topic={topic}")
    name = f"wording-ur{'-page' if topic else ''}.{kind}"
    assert answer.headers["Content-Disposition"] == f"attachment; filename={name}"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    found = read(answer.data, "ur")  # type: ignore[operator]
    units = {unit.id: unit for unit in the_pack().wording.values() if topic in ("", unit.topic)}
    assert {each.unit for each in found} == set(units)
    title = next(each for each in found if each.unit == "page.title")
    assert title.target == ("ترجمہ Your ear care plan",)
    back = first_press(browser, answer.data, name)
    assert "There is nothing in this file to write." in back.text
    assert f"Unchanged: {sum(len(unit.forms) for unit in units.values())} texts" in words(back)


def test_the_newest_draft_goes_out_and_an_overtaken_text_with_the_source_that_it_was_made_from(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    services = browser.services
    approve_units(services, "ur", ["page.title", "section.do"], "Dr Elm")
    seen = digest_shown(services, "ur", "section.do")
    write(services, "ur", "section.do", {"any": ("نیا",)}, Author(name="Otto"), seen=seen)
    seen = digest_shown(services, "en", "page.title")
    new = write(services, "en", "page.title", {"any": ("Your plan for your ears",)}, Author(name="Otto"), seen=seen)
    browser.clock.forward(minutes=1)
    approve(services, "en", [("page.title", new.digest)], Approving(by="Dr Elm"))
    said = browser.get("/wording/ur/export?topic=page").text
    assert 'msgctxt "section.do|any"\nmsgid "What to do"\nmsgstr "نیا"' in said
    old = '#, fuzzy\n#| msgid "Your ear care plan"\nmsgctxt "page.title|any"\nmsgid "Your plan for your ears"\n'
    assert old + 'msgstr "ترجمہ Your ear care plan"' in said


def test_what_cannot_go_out_is_refused_in_one_sentence(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    for place, code, said in (
        ("/wording/en/export", 403, "en is the source"),
        ("/wording/xx/export", 404, "there is no wording in xx"),
        ("/wording/ur/export?format=doc", 403, "format: choose one of po, xliff"),
        ("/wording/ur/export?topic=none", 404, "there is no topic"),
    ):
        answer = browser.get(place)
        assert answer.status_code == code and said in answer.text, place


# Back


@pytest.mark.parametrize("login", ["lena", "otto"])
def test_the_first_press_shows_what_would_change_and_the_second_writes_drafts(tmp_path: Path, login: str) -> None:
    browser = a_desk(tmp_path, login, catalogs=invented_urdu(tmp_path))
    page = first_press(browser, a_file(), "from/me/ur.po")
    assert "Nothing is written yet." in page.text and "Write 1 draft<" in page.text
    assert "page.title|any (line 5) [removed: ترجمہ Your ear care plan ] [added: نئی تحریر ]" in words(page)
    assert drafts(browser) == []
    answer = browser.post(IMPORT, fields(page))
    assert answer.headers["Location"] == "/wording/ur?written=1"
    assert "1 draft written" in browser.get("/wording/ur?written=1").text
    shipped, revision = history(browser, "ur", "page.title")
    assert (shipped.origin, shipped.approval) == (Origin.SHIPPED, None), "passed over, and not forgotten"
    assert (revision.texts, revision.origin, revision.writer, revision.note, revision.approval) == (
        {"any": ("نئی تحریر",)}, Origin.IMPORTED, login, "from ur.po", None,
    )  # fmt: skip


def test_a_language_that_was_added_is_filled_from_a_file(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    browser.post("/wording/languages", {"language": "so"})
    data = a_file("Qorshahaaga").replace(b"Language: ur", b"Language: so")
    page = first_press(browser, data, place="/wording/so/import")
    assert "New : 1 text" in words(page)
    assert browser.post("/wording/so/import", fields(page)).status_code == 302
    assert [each.texts for each in history(browser, "so", "page.title")] == [{"any": ("Qorshahaaga",)}]


def test_what_is_refused_says_the_exact_place_and_the_rest_can_be_written(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    data = a_file().decode() + (
        '\nmsgctxt "page.visit|any"\nmsgid "From your visit on {date}"\nmsgstr "آپ {dates} سے"\n'
        '\nmsgctxt "section.do|any"\nmsgid "What you do"\nmsgstr "نیا"\n'
        '\n#, fuzzy\nmsgctxt "section.water|any"\nmsgid "Water"\nmsgstr "نیا"\n'
        '\nmsgctxt "no.such|any"\nmsgid "Nothing"\nmsgstr "نیا"\n'
    )
    page = first_press(browser, data.encode())
    said = words(page)
    assert "page.visit|any (line 9) character 4:" in said and "{date}" in said
    assert "made from “What you do”, and the English is now “What to do”; export it again" in said
    assert "the translator has it marked as unfinished" in said
    assert "no.such|any (line 22) the content has no such text" in said
    assert browser.post(IMPORT, fields(page)).status_code == 302
    assert drafts(browser) == [("نئی تحریر",)]
    assert all(drafts(browser, unit) == [] for unit in ("page.visit", "section.do", "section.water"))


def test_a_late_second_press_says_what_changed_and_loses_nothing(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    services = browser.services
    data = a_file() + '\nmsgctxt "section.do|any"\nmsgid "What to do"\nmsgstr "نیا"\n'.encode()
    page = first_press(browser, data)
    seen = digest_shown(services, "ur", "page.title")
    write(services, "ur", "page.title", {"any": ("میرا",)}, Author(name="Otto Lake (otto)"), seen=seen)
    late = browser.post(IMPORT, fields(page))
    assert late.status_code == 409
    assert "1 sentence group changed since the file was shown. Nothing was written and nothing is lost" in late.text
    assert "page.title : Otto Lake (otto) wrote it on Wed 25 Nov 2026, 10:00." in words(late)
    assert "page.title|any (line 5) [removed: میرا ] [added: نئی تحریر ]" in words(late)
    assert drafts(browser) == [("میرا",)] and drafts(browser, "section.do") == []
    browser.clock.forward(minutes=1)
    assert browser.post(IMPORT, fields(late)).status_code == 302
    assert drafts(browser) == [("میرا",), ("نئی تحریر",)] and drafts(browser, "section.do") == [("نیا",)]


def test_an_approval_and_a_new_source_meanwhile_are_said_too(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    services = browser.services
    data = a_file() + '\nmsgctxt "section.do|any"\nmsgid "What to do"\nmsgstr "نیا"\n'.encode()
    page = first_press(browser, data)
    approve_units(services, "ur", ["page.title"], "Dr Elm")
    seen = digest_shown(services, "en", "section.do")
    new = write(services, "en", "section.do", {"any": ("What you do",)}, Author(name="Otto"), seen=seen)
    browser.clock.forward(minutes=1)
    approve(services, "en", [("section.do", new.digest)], Approving(by="Dr Elm"))
    late = browser.post(IMPORT, fields(page))
    assert late.status_code == 409
    assert "page.title : Dr Elm approved it on" in words(late)
    assert "section.do : its source text, or the content, is another one now." in words(late)
    assert [each.origin for each in history(browser, "ur", "page.title")] == [Origin.SHIPPED]


def test_pressed_twice_it_is_written_once(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    form = fields(first_press(browser, a_file()))
    assert browser.post(IMPORT, form).status_code == 302
    again = browser.post(IMPORT, form)
    assert again.status_code == 409 and "page.title" in again.text
    assert drafts(browser) == [("نئی تحریر",)]


def test_a_translators_doubt_is_kept_shown_to_the_approver_and_goes_out_again(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto", catalogs=invented_urdu(tmp_path))
    doubt = "# Is <b>the plan</b> feminine?\n# Or masculine?\n"
    data = (HEAD + doubt + TITLE.format("نئی تحریر")).encode()
    browser.post(IMPORT, fields(first_press(browser, data)))
    *_, draft = history(browser, "ur", "page.title")
    assert draft.remarks == {"any": "Is <b>the plan</b> feminine?\nOr masculine?"}

    browser.sign_in("lena")
    shown = "<b>The translator:</b> <bdi>Is &lt;b&gt;the plan&lt;/b&gt; feminine?\nOr masculine?</bdi>"
    assert browser.get("/wording/ur?topic=page").text.count(shown) == 1, "beside its tick"
    page = browser.get("/wording/ur/page.title").text
    approval = page[page.index('id="approve"') : page.index('id="history"')]
    assert page.count(shown) == 3 and approval.count(shown) == 1, "at the text, where it is approved, in the history"

    for kind, read in (("po", read_po), ("xliff", read_xliff)):
        out = browser.get(f"/wording/ur/export?format={kind}&topic=page").data
        title = next(each for each in read(out, "ur") if each.unit == "page.title")
        assert title.remark == "Is <b>the plan</b> feminine?\nOr masculine?"
        assert "There is nothing in this file to write." in first_press(browser, out, f"ur.{kind}").text


def test_a_doubt_about_a_text_that_stays_waits_for_a_person_and_changes_nothing_that_is_sent(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto", catalogs=invented_urdu(tmp_path))
    approve_units(browser.services, "ur", ["page.title"], "Dr Elm")
    browser.clock.forward(minutes=1)
    data = (HEAD + "# Title of what?\n" + TITLE.format("ترجمہ Your ear care plan")).encode()
    page = first_press(browser, data)
    assert "Remarked on : 1 text" in words(page) and "The translator: Title of what?" in words(page)
    assert browser.post(IMPORT, fields(page)).status_code == 302
    shipped, doubted = history(browser, "ur", "page.title")
    assert (shipped.approval is not None, doubted.approval, doubted.remarks) == (True, None, {"any": "Title of what?"})
    assert doubted.texts == shipped.texts
    assert "Approved ; a new draft waits" in words(browser.get("/wording/ur/page.title"))
    assert browser.post(IMPORT, fields(page)).status_code == 409, "once"
    browser.sign_in("lena")
    approval = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title")}
    assert browser.post("/wording/ur/approve", approval).status_code == 302
    assert history(browser, "ur", "page.title")[-1].approval is not None


def test_a_question_beside_an_empty_text_is_not_overlooked(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    said = words(first_press(browser, (HEAD + "# What is meant?\n" + TITLE.format("")).encode()))
    assert "Empty, with a remark (1)" in said and "The translator: What is meant?" in said


def test_what_is_not_taken_is_compared_word_by_word_too(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    fuzzy = HEAD + "#, fuzzy\n" + TITLE.format("ترجمہ Your whole ear care plan")
    said = words(first_press(browser, fuzzy.encode()))
    assert "the translator has it marked as unfinished ترجمہ Your [added: whole ] ear care plan" in said
    braces = HEAD + TITLE.format("ترجمہ Your {ear} care plan")
    said = words(first_press(browser, braces.encode()))
    assert "[removed: ear ] [added: {ear} ] care plan" in said


def test_what_was_imported_is_approved_by_a_second_person_only(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "wilf", catalogs=invented_urdu(tmp_path))
    browser.post(IMPORT, fields(first_press(browser, a_file())))
    assert (
        "You wrote this text; a second person must read and approve it." in browser.get("/wording/ur?topic=page").text
    )
    browser.sign_in("lena")
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title")}
    assert browser.post("/wording/ur/approve", data).status_code == 302


# A hostile file

BOMB = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaa"><!ENTITY b "&a;&a;&a;">]><xliff>&b;</xliff>'
AWAY = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]><xliff>&f;</xliff>'


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (BOMB, "document type definition"),
        (AWAY, "document type definition"),
        (b"<xliff>", "not well-formed"),
        (b"<a>" * 500 + b"</a>" * 500, "deep"),
        (b'<html xmlns="http://www.w3.org/1999/xhtml"/>', "XLIFF 2.0 or 2.1 is needed"),
        (b"", "the file is empty"),
        (b"\xff\xff\x00", "not UTF-8"),
        (b"PK\x03\x04" + bytes(200), "gettext catalog"),
        (b'msgid "a', "in the middle of a text"),
        (HEAD.replace("ur", "cy").encode() + TITLE.format("x").encode(), "the file is in cy"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_with_its_name_and_reason(tmp_path: Path, data: bytes, said: str) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    answer = first_press(browser, data, "evil<script>.po")
    assert answer.status_code == 400 and said in answer.text, answer.text
    assert "evil&lt;script&gt;.po" in answer.text and "<script>" not in answer.text
    assert "root:" not in answer.text
    assert drafts(browser) == []


def test_script_in_texts_notes_and_names_is_shown_as_text(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    evil = "<script>alert(1)</script>"
    data = f'{HEAD}# {evil}\n{TITLE.format(evil)}\nmsgctxt "{evil}|any"\nmsgid "{evil}"\nmsgstr "{evil}"\n'
    page = first_press(browser, data.encode(), "<script>alert(1)<b>\u202e.po")
    assert page.status_code == 200
    assert "<script>" not in page.text and "&lt;script&gt;alert(1)" in page.text
    assert "\u202e" not in page.text


def test_a_file_that_is_too_large_is_refused_in_one_sentence(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    for size, code in ((MOST_OCTETS + 1, 403), (2 * MOST_OCTETS, 413)):
        answer = first_press(browser, a_file() + b"#" * size)
        assert answer.status_code == code and "larger than 4 MB" in answer.text
    assert first_press(browser, a_file() + b"\n# " + b"x" * (MOST_OCTETS - 1000)).status_code == 200


def test_only_who_is_signed_in_may_send_more_than_a_form_and_only_there(tmp_path: Path) -> None:
    stranger = a_stranger(tmp_path)
    add_team(stranger.services)
    big = {"csrf": "x", "file": FileStorage(io.BytesIO(b"#" * 600_000), "ur.po")}
    assert send(stranger, IMPORT, big).status_code == 302
    browser = a_desk(tmp_path)
    for place in ("/wording/ur/approve", "/wording/languages"):
        big = {"csrf": browser.token(), "file": FileStorage(io.BytesIO(b"#" * 600_000), "ur.po")}
        assert send(browser, place, big).status_code == 413, place


def test_a_form_that_was_tampered_with_writes_nothing_that_was_not_shown(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    form = fields(first_press(browser, a_file()))
    other = base64.b64encode(zlib.compress(a_file("کچھ اور"))).decode()
    swapped = browser.post(IMPORT, {**form, "packed": other})
    assert swapped.status_code == 409 and "[added: کچھ اور ]" in words(swapped)
    for shown in ("", "=", "page.title=", "page.title=0", "no.such=0", "page.title", "= " * 5000):
        assert browser.post(IMPORT, {**form, "shown": shown}).status_code == 409, shown[:20]
    bomb = base64.b64encode(zlib.compress(bytes(40 * 1024 * 1024))).decode()
    for packed, said in (("!", "did not come through whole"), ("aGVsbG8=", "whole"), (bomb, "larger than 4 MB")):
        answer = browser.post(IMPORT, {**form, "packed": packed})
        assert answer.status_code == 403 and said in answer.text, packed[:20]
    assert drafts(browser) == []


def test_without_a_file_and_into_the_source_nothing_is_taken(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    answer = browser.post(IMPORT)
    assert answer.status_code == 403 and "choose the translator’s file first" in answer.text
    answer = first_press(browser, a_file(), place="/wording/en/import")
    assert answer.status_code == 403 and "en is the source" in answer.text
    assert first_press(browser, a_file(), place="/wording/xx/import").status_code == 404
