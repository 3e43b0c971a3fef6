"""Does the shipped content keep the promises that the plans rely on?"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from builders import PICTURES, the_pack

from service.content.checks import FIXED, check_complete, check_pack, pictures_used
from service.domain.pack import Condition, Effect, Overrulable, Rule, Urgency

# Every row of the do-not-use matrix for wax softeners: (row, ear findings, history, method, target, may be overruled).
DO_NOT_USE = [
    ("perforation known", {"perforation"}, set(), set(), "softener", False),
    ("perforation suspected", {"perforation-suspected"}, set(), set(), "softener", False),
    ("grommet in place", {"grommet"}, set(), set(), "softener", True),
    ("past grommet, healing unknown", {"grommet-past-unconfirmed"}, set(), set(), "softener", True),
    ("ear surgery", {"recent-ear-surgery"}, set(), set(), "softener", True),
    ("mastoid cavity", {"mastoid-cavity"}, set(), set(), "softener", True),
    ("infection, pain, inflammation", {"infection-suspected"}, set(), set(), "softener", False),
    ("otitis externa", {"otitis-externa"}, set(), set(), "softener", False),
    ("discharge", {"discharge"}, set(), set(), "softener", False),
    ("infection in the last 6 weeks", {"infection-last-6-weeks"}, set(), set(), "softener", True),
    ("cleft palate", set(), {"cleft-palate"}, set(), "softener", True),
    ("told to keep dry", {"told-to-keep-dry"}, set(), set(), "softener", True),
    ("sudden hearing loss", {"sudden-hearing-loss"}, set(), set(), "softener", False),
    ("rapid hearing loss", {"rapid-hearing-loss"}, set(), set(), "softener", False),
    ("dizziness: peroxide", set(), {"dizziness"}, set(), "agent:urea-peroxide", True),
    ("tinnitus: peroxide", set(), {"tinnitus"}, set(), "agent:urea-peroxide", True),
    ("dizziness: some bicarbonate labels", set(), {"dizziness"}, set(), "agent:sodium-bicarbonate", True),
    ("tinnitus: some bicarbonate labels", set(), {"tinnitus"}, set(), "agent:sodium-bicarbonate", True),
    ("eczematous otitis externa: docusate", {"eczema"}, set(), set(), "agent:docusate", False),
    ("almond allergy", set(), {"almond-allergy"}, set(), "agent:almond-oil", False),
    ("tree-nut allergy", set(), {"nut-allergy"}, set(), "agent:almond-oil", True),
    ("peanut allergy", set(), {"peanut-allergy"}, set(), "agent:arachis-oil", False),
    ("soya allergy", set(), {"soya-allergy"}, set(), "agent:arachis-oil", False),
    ("otitis externa: arachis", {"otitis-externa"}, set(), set(), "agent:arachis-oil", False),
    ("seborrhoeic dermatitis: arachis", {"seborrhoeic-dermatitis"}, set(), set(), "agent:arachis-oil", False),
    ("eczema: arachis", {"eczema"}, set(), set(), "agent:arachis-oil", False),
    ("after irrigation: peroxide", set(), set(), {"water"}, "agent:urea-peroxide", True),
    ("after irrigation: some bicarbonate labels", set(), set(), {"water"}, "agent:sodium-bicarbonate", True),
    ("after digging: peroxide", {"dug-in-ear"}, set(), set(), "agent:urea-peroxide", True),
    ("allergy: bicarbonate", set(), {"ingredient-allergy-bicarbonate"}, set(), "agent:sodium-bicarbonate", False),
    ("allergy: peroxide", set(), {"ingredient-allergy-peroxide"}, set(), "agent:urea-peroxide", False),
    ("allergy: docusate", set(), {"ingredient-allergy-docusate"}, set(), "agent:docusate", False),
    ("allergy: olive", set(), {"ingredient-allergy-olive"}, set(), "agent:olive-oil", False),
    ("eczema-prone canal: bicarbonate", {"eczema"}, set(), set(), "agent:sodium-bicarbonate", True),
]


def asked_alone(rule: Rule, ear: set[str], person: set[str], method: set[str]) -> bool:
    """Whether the rule acts on exactly these ticks, without an age."""
    when = rule.when
    if when.age_under is not None or when.age_from is not None or when.other_ear_any or not when.ear_all <= ear:
        return False
    pairs = ((when.ear_any, ear), (when.person_any, person), (when.removed_by_any, method))
    return all(not asked or asked & have for asked, have in pairs) and any(asked for asked, _ in pairs)


@pytest.mark.parametrize(
    ("ear", "person", "method", "target", "may"), [row[1:] for row in DO_NOT_USE], ids=[row[0] for row in DO_NOT_USE]
)
def test_every_row_of_the_do_not_use_matrix_has_a_rule(
    ear: set[str], person: set[str], method: set[str], target: str, may: bool
) -> None:
    found = [
        rule
        for rule in the_pack().rules.values()
        if rule.effect is Effect.FORBID and rule.target == target and asked_alone(rule, ear, person, method)
    ]
    assert found
    assert all(rule.overrule is Overrulable.WITH_REASON for rule in found) is may


def test_every_red_flag_bars_softeners_and_nobody_may_set_that_aside() -> None:
    pack = the_pack()
    barring = [rule for rule in pack.rules.values() if rule.target == "softener" and rule.overrule is Overrulable.NEVER]
    barred = {code for rule in barring for code in rule.when.ear_any | rule.when.person_any}
    flags = {box.id for part in (pack.findings, pack.history) for box in part.values() if box.red_flag}
    assert flags <= barred
    assert flags == {code for advice in pack.urgent.values() for code in advice.codes}


def test_no_box_shuts_out_a_red_flag() -> None:
    pack = the_pack()
    flags = {box.id for part in (pack.findings, pack.history) for box in part.values() if box.red_flag}
    excluded = {code for part in (pack.findings, pack.history) for box in part.values() for code in box.excludes}
    assert not flags & excluded
    assert not any(pack.findings[code].excludes for code in flags & pack.findings.keys())


def test_only_known_pictures_are_used() -> None:
    assert pictures_used(the_pack()) <= PICTURES


def test_the_fixed_units_are_there_with_their_forms_and_counts() -> None:
    wording = the_pack().wording
    assert wording.keys() >= FIXED
    for unit, count in [
        ("instil.drops", "drops"),
        ("instil.times", "times"),
        ("instil.every", "days"),
        ("instil.lie", "minutes"),
        ("supply.amount", "millilitres"),
        ("supply.opened", "days"),
    ]:
        assert wording[unit].count == count
    for unit in ("instil.drops", "instil.only", "instil.lie", "avoid.softener"):
        assert set(wording[unit].forms) == {"right", "left", "both"}


def test_a_sentence_about_one_ear_names_that_ear_and_never_the_other() -> None:
    for unit in the_pack().wording.values():
        if "right" in unit.forms:
            assert "RIGHT" in unit.forms["right"].other, unit.id
            assert "LEFT" not in unit.forms["right"].other, unit.id
            assert "LEFT" in unit.forms["left"].other, unit.id
            assert "RIGHT" not in unit.forms["left"].other, unit.id


def test_a_prohibition_for_two_ears_says_either_ear() -> None:
    """'Not in both ears' can be read as 'one of them is fine'."""
    for unit in the_pack().wording.values():
        both = unit.forms.get("both")
        if both is not None:
            assert not re.search(r"(?:Do not put|nothing in|no drops|Do not wash)[^.]*both ears", both.other), unit.id


def test_warning_signs_read_as_bullets() -> None:
    pack = the_pack()
    for sign in pack.warnings.values():
        text = pack.wording[sign.wording].forms["any"].other
        assert text[0].islower(), sign.id
        assert not text.endswith("."), sign.id
        assert pack.wording[sign.wording].safety, sign.id


def test_no_sentence_sends_everybody_to_the_phone_alone() -> None:
    """Some readers cannot use a phone: a number to ring always has another way beside it."""
    others = ("text", "e-mail", "ask someone to call", "go to the emergency department")
    for unit in the_pack().wording.values():
        for forms in unit.forms.values():
            if unit.topic not in {"page", "sheet", "message", "reply", "recall"} and re.search(
                r"\b[Cc]all (?:us|the|\{)", forms.other
            ):
                assert any(other in forms.other for other in others), unit.id


def test_an_ordinary_visit_shows_about_ten_signs() -> None:
    pack = the_pack()
    always = [
        sign
        for sign in pack.warnings.values()
        if not (sign.when.ear_any or sign.when.ear_all or sign.steps_any)  # in a plan that softens nothing
    ]
    ordinary = [
        sign
        for sign in always
        if not sign.when.person_any and sign.when.age_under is None and sign.when.age_from is None
    ]
    assert 8 <= len(ordinary) <= 10
    assert {sign.urgency for sign in ordinary} == set(Urgency)


def test_a_pack_made_in_memory_can_be_checked_without_files() -> None:
    pack = the_pack()
    assert check_pack(pack) == ()
    dropped = {key: value for key, value in pack.urgent.items() if key != "bleeding"}
    faults = check_complete(replace(pack, urgent=dropped))
    assert "finding.heavy-bleeding" in {fault.path for fault in faults}


def test_every_question_reads_as_a_question_and_no_answer_is_long() -> None:
    pack = the_pack()
    for question in pack.questions.values():
        assert pack.wording[question.ask].forms["any"].other.endswith("?"), question.id
        answer = " ".join(pack.wording[unit].forms["any"].other for unit in question.answer)
        assert len(answer.split()) <= 60, question.id
        assert all(len(sentence.split()) <= 26 for sentence in re.split(r"(?<=[.?:])\s", answer)), question.id


def test_the_way_to_help_at_the_end_of_an_answer_names_the_signs_and_two_ways_to_the_clinic() -> None:
    pack = the_pack()
    help_heading = pack.wording["section.help"].forms["any"].other
    for unit in ("question.to-help", "question.worried"):
        assert f'"{help_heading}"' in pack.wording[unit].forms["any"].other
    for unit in ("question.to-help", "question.none-found"):
        said = pack.wording[unit].forms["any"].other
        assert pack.wording[unit].safety
        assert "{ways}" in said


def test_a_box_is_not_answered_by_a_common_question_alone() -> None:
    pack = the_pack()
    box = replace(pack.findings["grommet"], id="new-box")
    only_asked = replace(pack.questions["grommet-runs"], when=Condition(ear_any=frozenset({"new-box"})))
    changed = replace(
        pack,
        findings={**pack.findings, "new-box": box},
        questions={**pack.questions, "grommet-runs": only_asked},
    )
    assert "finding.new-box" in {fault.path for fault in check_pack(changed)}


@pytest.mark.parametrize(
    ("change", "path", "message"),
    [
        ({"order": 40}, "order", "orders are unique"),
        ({"answer": ()}, "answer", "needs at least one"),
        ({"unless": Condition()}, "unless", "always holds"),
        ({"signs": frozenset({"no-such-sign"})}, "signs", "is not in warnings.toml"),
        ({"if_said": frozenset({"no.such-unit"})}, "if_said", "is not a sentence of a plan"),
        ({"unless_said": frozenset({"question.swim.no"})}, "unless_said", "is not a sentence of a plan"),
        (
            {"if_said": frozenset({"care.helper"}), "unless_said": frozenset({"care.helper"})},
            "unless_said",
            "is also in if_said",
        ),
        ({"sources": ()}, "sources", "name at least one source"),
        ({"answer": ("no.such-unit",)}, "answer", "is in no file of wording/"),
        ({"answer": ("instil.days",)}, "answer", "no value for it is given here"),
        ({"ask": "water.keep-dry-always"}, "answer", "needs the form any"),
        ({"when": Condition(ear_any=frozenset({"no-such-box"}))}, "when.ear_any", "is not a box of findings.toml"),
    ],
)
def test_a_question_that_does_not_hold_together_is_refused(change: dict[str, object], path: str, message: str) -> None:
    pack = the_pack()
    broken = replace(pack.questions["ear-candles"], **change)
    faults = check_pack(replace(pack, questions={**pack.questions, "ear-candles": broken}))
    assert [fault for fault in faults if fault.path == f"question.ear-candles.{path}" and message in fault.message]


def test_a_sheet_cannot_hold_fewer_than_no_questions() -> None:
    faults = check_complete(replace(the_pack(), questions_on_sheet=-1))
    assert [fault.path for fault in faults] == ["pack.questions_on_sheet"]


def test_what_depends_on_a_step_or_covers_a_sign_must_name_one_that_exists() -> None:
    pack = the_pack()
    sign, rule = pack.warnings["hearing-worse-cleared"], pack.rules["aid-out-for-drops"]
    assert rule.say is not None
    nowhere = frozenset({"sofen"})
    lost = replace(sign, steps_none=nowhere, steps_any=nowhere, covers=frozenset({"hearing-wurse"}))
    changed = replace(
        pack,
        warnings={**pack.warnings, sign.id: lost},
        rules={**pack.rules, rule.id: replace(rule, say=replace(rule.say, steps_any=nowhere))},
    )
    assert {fault.path for fault in check_pack(changed)} == {
        "warning.hearing-worse-cleared.steps_any",
        "warning.hearing-worse-cleared.steps_none",
        "warning.hearing-worse-cleared.covers",
        "rule.aid-out-for-drops.say.steps_any",
    }
