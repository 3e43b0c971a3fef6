from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.pack import Forms, Wording
from service.messages.text_checks import text_faults
from service.wording.entries import Entry, Incoming
from service.wording.incoming import MOST_REMARK, TAKEN, ImportPlan, Kind, plan_import
from service.wording.po_file import read_po, to_po
from service.wording.xliff_file import read_xliff, to_xliff

UNITS = {
    "help.call": Wording(id="help.call", topic="help", forms={"any": Forms(other="Call {clinic}.")}),
    "water.dry": Wording(
        id="water.dry",
        topic="water",
        forms={side: Forms(other=f"Keep your {side} ear dry.") for side in ("right", "left", "both")},
    ),
    "course.drops": Wording(
        id="course.drops",
        topic="course",
        count="drops",
        forms={"any": Forms(one="Put in {drops} drop.", other="Put in {drops} drops.")},
    ),
}
POLISH = ("Jedna kropla ({drops}).", "{drops} krople.", "{drops} kropli.", "{drops} kropli.")


def an_entry(unit: str, form: str = "any", *, target: tuple[str, ...] | None = None, standing: str = "") -> Entry:
    known = UNITS[unit]
    english = known.forms[form]
    return Entry(
        unit=unit,
        form=form,
        topic=known.topic,
        note="",
        safety=False,
        count=known.count,
        source=(english.other,) if english.one is None else (english.one, english.other),
        target=target,
        standing=standing or ("approved" if target else "missing"),
    )


def a_text(entry: Entry, *target: str, **changes: object) -> Incoming:
    given: dict[str, object] = {"key": entry.key, "source": entry.source, "target": target, "ready": True, "line": 7}
    return Incoming(**(given | changes))  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True)
class AFault:
    form: str
    index: int | None
    start: int
    message: str
    bars: bool = True


def no_faults(unit: str, language: str, texts: Mapping[str, tuple[str, ...]]) -> Sequence[AFault]:
    return ()


def planned(entries: Sequence[Entry], *texts: Incoming) -> ImportPlan:
    return plan_import(entries, texts, no_faults, "pl")


CALL = an_entry("help.call", target=("Zadzwoń: {clinic}.",))
DROPS = an_entry("course.drops")
EARS = tuple(an_entry("water.dry", form, target=(f"Suche {form}.",)) for form in ("right", "left", "both"))
RIGHT, LEFT, BOTH = EARS


def test_a_text_that_was_not_there_is_new_and_becomes_a_draft() -> None:
    plan = planned([CALL, DROPS], a_text(DROPS, *POLISH))
    (line,) = plan.lines
    assert (line.kind, line.old, line.new, line.reasons) == (Kind.NEW, None, POLISH, ())
    assert plan.drafts == {"course.drops": {"any": POLISH}}


def test_other_words_than_now_are_shown_old_beside_new() -> None:
    plan = planned([CALL], a_text(CALL, "Telefon: {clinic}.", remark="Better?"))
    (line,) = plan.of(Kind.CHANGED)
    assert (line.old, line.new, line.remark) == (("Zadzwoń: {clinic}.",), ("Telefon: {clinic}.",), "Better?")
    assert line.place == "help.call|any (line 7)"
    assert plan.drafts == {"help.call": {"any": ("Telefon: {clinic}.",)}}


def test_what_a_translator_wrote_is_kept_with_the_draft() -> None:
    told = [replace(RIGHT, remark="old"), replace(LEFT, remark="stays"), BOTH]
    plan = planned(
        told, a_text(RIGHT, "Sucho.", remark="Is \u202ethis \x07right?\n\n| or so"), a_text(BOTH, "Suche both.")
    )
    assert plan.drafts["water.dry"]["right"] == ("Sucho.",)
    assert plan.remarks == {"water.dry": {"right": "Is this right?\nor so", "left": "stays"}}


def test_a_new_remark_alone_makes_a_draft_and_the_same_again_does_not() -> None:
    same = "Zadzwoń: {clinic}."
    plan = planned([CALL], a_text(CALL, same, remark="Clinic or doctor?", ready=False))
    assert [line.kind for line in plan.lines] == [Kind.REMARKED]
    assert plan.drafts == {"help.call": {"any": (same,)}}
    assert plan.remarks == {"help.call": {"any": "Clinic or doctor?"}}
    known = replace(CALL, remark="Clinic or doctor?")
    for remark in ("Clinic or doctor?", " Clinic or doctor? \n", ""):
        again = planned([known], a_text(CALL, same, remark=remark))
        assert ([line.kind for line in again.lines], again.drafts) == ([Kind.UNCHANGED], {}), remark


def test_a_remark_without_end_is_cut_and_comes_back_as_known() -> None:
    plan = planned([CALL], a_text(CALL, "Telefon: {clinic}.", remark="long " * 1000))
    kept = plan.remarks["help.call"]["any"]
    assert len(kept) == MOST_REMARK and kept.endswith("…")
    changed = replace(CALL, target=("Telefon: {clinic}.",), remark=kept)
    assert planned([changed], a_text(CALL, "Telefon: {clinic}.", remark=kept)).drafts == {}


def test_the_same_words_change_nothing_also_when_their_accents_are_composed_otherwise() -> None:
    decomposed = "Zadzwon\u0301: {clinic}."
    assert planned([CALL], a_text(CALL, decomposed)).lines[0].kind is Kind.UNCHANGED
    assert planned([CALL], a_text(CALL, "Zadzwoń: {clinic}.")).drafts == {}


def test_new_words_are_kept_in_the_composed_form() -> None:
    plan = planned([CALL], a_text(CALL, "Dzwon\u0301 {clinic}."))
    assert plan.drafts["help.call"]["any"] == ("Dzwoń {clinic}.",)


def test_an_overtaken_text_that_comes_back_ready_is_confirmed_for_the_english_of_now() -> None:
    entry = replace(CALL, standing="overtaken")
    plan = planned([entry], a_text(entry, *(entry.target or ())))
    assert plan.lines[0].kind is Kind.CONFIRMED and plan.drafts == {"help.call": {"any": entry.target}}
    unready = planned([entry], a_text(entry, *(entry.target or ()), ready=False))
    assert unready.lines[0].kind is Kind.NOT_FINAL and unready.drafts == {}


def test_what_the_translator_has_not_finished_is_kept_out() -> None:
    plan = planned([CALL], a_text(CALL, "Telefon {clinic}", ready=False))
    assert plan.lines[0].kind is Kind.NOT_FINAL and plan.drafts == {}
    assert plan.lines[0].reasons == ("the translator has it marked as unfinished",)


def test_a_text_made_from_other_english_is_kept_out_and_both_are_shown() -> None:
    plan = planned([CALL], a_text(CALL, "Telefon {clinic}", source=("Ring {clinic}.",)))
    assert plan.lines[0].kind is Kind.OTHER_SOURCE and plan.drafts == {}
    assert plan.lines[0].reasons == (
        "made from “Ring {clinic}.”, and the English is now “Call {clinic}.”; export it again",
    )


def test_a_change_of_the_english_for_one_is_seen_too() -> None:
    before = replace(DROPS, source=("Put in 1 drop.", "Put in {drops} drops."))
    for incoming in (read_po(to_po((replace(before, target=POLISH),), "pl"), "pl"),
                     read_xliff(to_xliff((replace(before, target=POLISH, standing="draft"),), "en", "pl"), "pl")):  # fmt: skip
        assert [line.kind for line in planned([DROPS], *incoming).lines] == [Kind.OTHER_SOURCE]


def test_a_text_that_the_content_does_not_have_is_named() -> None:
    unknown = replace(a_text(CALL, "x"), key="gone.unit|any")
    strange = replace(a_text(CALL, "x"), key="nonsense")
    plan = planned([CALL], unknown, strange)
    assert [(line.kind, line.unit, line.form) for line in plan.lines] == [
        (Kind.UNKNOWN, "gone.unit", "any"),
        (Kind.UNKNOWN, "nonsense", ""),
    ]
    assert plan.absent == ("help.call|any",) and plan.drafts == {}


def test_an_empty_text_takes_nothing_away() -> None:
    plan = planned([CALL], a_text(CALL, " "))
    assert plan.lines[0].kind is Kind.EMPTY and plan.drafts == {}


@pytest.mark.parametrize(
    ("target", "reason"),
    [
        (("a", "b"), "2 plural forms where pl has 4"),
        (("a", "", "c", " "), "the plural form few, other is empty; translate every form"),
    ],
)
def test_a_wrong_number_of_plural_forms_is_refused(target: tuple[str, ...], reason: str) -> None:
    plan = planned([DROPS], a_text(DROPS, *target))
    assert (plan.lines[0].kind, plan.lines[0].reasons) == (Kind.REFUSED, (reason,))


def test_what_the_file_itself_says_is_wrong_is_refused() -> None:
    plan = planned([CALL], a_text(CALL, "x", problem="<pc> is formatting"))
    assert (plan.lines[0].kind, plan.lines[0].reasons) == (Kind.REFUSED, ("<pc> is formatting",))


def test_a_text_that_stands_twice_is_refused_both_times() -> None:
    plan = planned([CALL], a_text(CALL, "a"), a_text(CALL, "b"))
    assert [line.kind for line in plan.lines] == [Kind.REFUSED] * 2 and plan.drafts == {}


def test_a_fault_is_refused_with_its_plural_form_and_character_and_a_hint_is_only_shown() -> None:
    faults = [
        AFault(form="any", index=1, start=4, message="{drop} is not in the English"),
        AFault(form="any", index=None, start=0, message="a doubled space", bars=False),
    ]
    plan = plan_import([DROPS], [a_text(DROPS, *POLISH)], lambda *_: faults, "pl")
    assert plan.lines[0].kind is Kind.REFUSED and plan.drafts == {}
    assert plan.lines[0].reasons == ("plural form few, character 5: {drop} is not in the English",)
    hinted = plan_import([DROPS], [a_text(DROPS, *POLISH)], lambda *_: faults[1:], "pl")
    assert hinted.lines[0].kind is Kind.NEW and hinted.lines[0].hints == ("character 1: a doubled space",)


def test_a_sentence_group_is_taken_whole_or_not_at_all() -> None:
    def left_is_wrong(unit: str, language: str, texts: Mapping[str, tuple[str, ...]]) -> Sequence[AFault]:
        return [AFault(form="left", index=None, start=0, message="wrong ear")]

    texts = [a_text(RIGHT, "Prawe."), a_text(LEFT, "Lewe."), a_text(BOTH, "Oba.")]
    plan = plan_import(EARS, texts, left_is_wrong, "pl")
    assert [line.kind for line in plan.lines] == [Kind.HELD, Kind.REFUSED, Kind.HELD] and plan.drafts == {}
    assert plan.lines[0].reasons == ("a sentence group is taken whole, and the text for left is refused",)
    unfinished = planned(EARS, texts[0], replace(texts[1], ready=False), texts[2])
    assert [line.kind for line in unfinished.lines] == [Kind.HELD, Kind.NOT_FINAL, Kind.HELD]
    assert unfinished.lines[0].reasons[0].endswith("the text for left is not taken (not-final)")


def test_forms_that_the_file_leaves_as_they_are_complete_the_group() -> None:
    plan = planned(EARS, a_text(RIGHT, "Prawe."), a_text(LEFT, "Suche left."))
    assert [line.kind for line in plan.lines] == [Kind.CHANGED, Kind.UNCHANGED]
    assert plan.drafts == {"water.dry": {"right": ("Prawe.",), "left": ("Suche left.",), "both": ("Suche both.",)}}
    assert plan.absent == ("water.dry|both",)


@pytest.mark.parametrize("other", [an_entry("water.dry", "both"), replace(BOTH, standing="overtaken")])
def test_a_form_without_a_text_of_now_holds_the_others(other: Entry) -> None:
    plan = planned([RIGHT, LEFT, other], a_text(RIGHT, "Prawe."))
    assert plan.lines[0].kind is Kind.HELD and plan.drafts == {}
    assert plan.lines[0].reasons == ("a sentence group is taken whole, and the file has no text for both",)


def test_the_counts_name_every_kind_and_add_up() -> None:
    plan = planned([CALL, DROPS, *EARS], a_text(DROPS, *POLISH), a_text(CALL, "x", ready=False), a_text(RIGHT, "y"))
    assert set(plan.counts) == set(Kind) and sum(plan.counts.values()) == 3
    assert (plan.counts[Kind.NEW], plan.counts[Kind.NOT_FINAL], plan.counts[Kind.CHANGED]) == (1, 1, 1)


def test_the_checks_of_the_editor_are_those_of_the_import() -> None:
    entries = [CALL, DROPS, *EARS]
    good = (CALL, DROPS, *EARS)
    said = {
        CALL.key: ("Zadzwoń pod 123: {clinik}.",),
        DROPS.key: POLISH,
        RIGHT.key: ("Prawe ucho ma być suche.",),
        LEFT.key: ("Lewe ucho ma być suche.",),
        BOTH.key: ("Oba uszy mają być suche.",),
    }
    out = tuple(replace(entry, target=said[entry.key], standing="draft") for entry in good)
    for incoming in (read_po(to_po(out, "pl"), "pl"), read_xliff(to_xliff(out, "en", "pl"), "pl")):
        plan = plan_import(entries, incoming, lambda unit, *rest: text_faults(UNITS[unit], *rest), "pl")
        assert [line.kind for line in plan.lines] == [Kind.REFUSED, Kind.NEW, *[Kind.CHANGED] * 3]
        assert any("{clinik}" in reason or "curly" in reason for reason in plan.lines[0].reasons)
        assert any(reason.startswith("character ") for reason in plan.lines[0].reasons)
        assert set(plan.drafts) == {"course.drops", "water.dry"}


standings = st.sampled_from(["missing", "draft", "approved", "overtaken"])


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_a_draft_always_has_every_form_and_only_words_of_the_file_or_of_now(data: st.DataObject) -> None:
    entries = [
        replace(each, target=data.draw(st.sampled_from([None, ("old",)])), standing=data.draw(standings))
        for each in EARS
    ]
    texts = [
        a_text(each, data.draw(st.sampled_from(["", "old", "new"])), ready=data.draw(st.booleans()))
        for each in data.draw(st.lists(st.sampled_from(entries), max_size=4))
    ]
    plan = planned(entries, *texts)
    for said in plan.drafts.values():
        assert set(said) == {"right", "left", "both"}
        assert set(said.values()) <= {("old",), ("new",)}
    taken = any(line.kind in TAKEN for line in plan.lines)
    assert taken == bool(plan.drafts)
    assert len(plan.lines) == len(texts)
    assert set(plan.absent) == {each.key for each in entries} - {each.key for each in texts}
