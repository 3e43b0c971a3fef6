"""Does a mistake in a content file come back with its place, and a sound pack as values?"""

from __future__ import annotations

import json
import shutil
from datetime import date
from pathlib import Path

import pytest

from service.content.loader import load_pack, schemas
from service.domain.pack import Effect, Moment, Purpose
from service.errors import ContentError, Fault

ROOT = Path(__file__).parents[2] / "content"
CORE = ROOT / "core"


@pytest.fixture
def pack_copy(tmp_path: Path) -> Path:
    return Path(shutil.copytree(CORE, tmp_path / "core"))


def edit(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {file.name}: the test must be mended"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def faults_of(root: Path) -> tuple[Fault, ...]:
    with pytest.raises(ContentError) as caught:
        load_pack(root)
    return caught.value.faults


def test_the_shipped_pack_loads() -> None:
    pack = load_pack(CORE)
    assert (pack.id, pack.source_language, pack.review_by) == ("core", "en", date(2027, 11, 30))
    assert pack.version.endswith("-draft"), "the shipped content is a draft until a clinical lead approves it"
    assert pack.agents["olive-oil"].regimens[Purpose.MAINTAIN][0].phases[0].moments == (Moment.BEDTIME,)
    assert pack.rules["perforation-no-softener"].effect is Effect.FORBID
    assert pack.wording["avoid.softener"].topic == "avoid", "the topic is the name of the file"


def test_an_agent_is_named_first_where_the_clinic_sets_no_order() -> None:
    assert list(load_pack(CORE).agents) == [
        "olive-oil",
        "almond-oil",
        "sodium-bicarbonate",
        "sodium-chloride",
        "urea-peroxide",
        "docusate",
        "arachis-oil",
    ]


BROKEN = [
    # file, old text, new text, marker of the faulty line, key path, part of the message
    pytest.param(
        "findings.toml",
        'label = "Grommet in place"',
        'lable = "Grommet in place"\nlabel = "Grommet in place"',
        "lable",
        "finding.grommet.lable",
        "not known",
        id="a key with a typing mistake",
    ),
    pytest.param(
        "sources.toml",
        'title = "NHS public page: Earwax build-up"\nmark = "read"',
        'title = "NHS public page: Earwax build-up"\nmark = "certain"',
        'mark = "certain"',
        "source.nhs-earwax.mark",
        "'read'",
        id="a mark that is not in the list",
    ),
    pytest.param(
        "findings.toml",
        'label = "Narrow canal"\n',
        "",
        "[finding.narrow-canal]",
        "finding.narrow-canal.label",
        "missing",
        id="a missing label",
    ),
    pytest.param(
        "templates/wax.toml",
        "rank = 120",
        'rank = "120"',
        'rank = "120"',
        "template.wax-left.rank",
        "integer",
        id="a number in quotes",
    ),
    pytest.param(
        "templates/wax.toml",
        "return_within = [5, 42]",
        "return_within = [20, 42]",
        "[template.wax-left]",
        "template.wax-left",
        "return_within",
        id="a return outside its own bounds",
    ),
    pytest.param(
        "templates/wax.toml",
        "days = 14 }",
        "days = 14, weeks = 2 }",
        'id = "wax-falls-out"',
        "template.wax-left.steps.1.weeks",
        "not known",
        id="an unknown key inside a step",
    ),
    pytest.param(
        "rules/softener.toml",
        'target = "softener"',
        'target = "drops"',
        'target = "drops"',
        "rule.perforation-no-softener.target",
        "bars nothing",
        id="a rule that bars something unknown",
    ),
    pytest.param(
        "rules/softener.toml",
        'sources = ["msd-2023"]',
        'sources = ["msd-2032"]',
        "msd-2032",
        "rule.grommet-no-softener.sources",
        "'msd-2032' is not in sources.toml",
        id="a source that does not exist",
    ),
    pytest.param(
        "rules/softener.toml",
        'sources = ["msd-2023"]',
        "sources = []",
        "sources = []",
        "rule.grommet-no-softener.sources",
        "at least one source",
        id="a rule without a source",
    ),
    pytest.param(
        "rules/ear.toml",
        'when = { ear_all = ["discharge"]',
        'when = { ear_all = ["dicharge"]',
        "dicharge",
        "rule.foul-discharge-refer.when.ear_all",
        "'dicharge' is not a box of findings.toml",
        id="a finding that does not exist",
    ),
    pytest.param(
        "rules/ear.toml",
        'wording = ["care.wax-filter"]',
        'wording = ["care.wax-filtre"]',
        "care.wax-filtre",
        "rule.aid-wax-filter.say.wording",
        "care.wax-filtre",
        id="a wording unit that does not exist",
    ),
    pytest.param(
        "templates/skin.toml",
        "rank = 60",
        "rank = 120",
        None,
        "template.wax-left.rank",
        "ranks are unique",
        id="two templates of one rank",
    ),
    pytest.param(
        "agents.toml",
        'id = "almond-weekly"',
        'id = "olive-weekly"',
        'id = "olive-weekly"',
        "agent.almond-oil.regimens.maintain.0.id",
        "used twice",
        id="two regimens of one id",
    ),
    pytest.param(
        "water.toml",
        'default = "suction-2-days"',
        'default = "suction-none"',
        'default = "suction-none"',
        "water.after-suction.default",
        "most cautious",
        id="a default that is not the most cautious",
    ),
    pytest.param(
        "water.toml",
        'default = "suction-2-days"',
        'default = "suction-3-days"',
        'default = "suction-3-days"',
        "water.after-suction.default",
        "is not one of",
        id="a default that is not on offer",
    ),
    pytest.param(
        "history.toml",
        "[history.swimmer]",
        '[history.smoker]\nlabel = "Smokes"\ngroup = "illness"\n\n[history.swimmer]',
        "[history.smoker]",
        "history.smoker",
        "nothing answers this box",
        id="a box that changes nothing",
    ),
    pytest.param(
        "urgent.toml",
        'codes = ["heavy-bleeding"]',
        'codes = ["heavy-bleeding", "battery-in-ear"]',
        None,
        "finding.battery-in-ear",
        "exactly one entry",
        id="a red flag with two kinds of advice",
    ),
    pytest.param(
        "urgent.toml",
        'codes = ["heavy-bleeding"]',
        'codes = ["heavy-bleeding", "wax-left"]',
        "wax-left",
        "urgent.bleeding.codes",
        "not a red flag",
        id="urgent advice for an ordinary finding",
    ),
    pytest.param(
        "wording/engine.toml",
        "{drops} drops in your LEFT ear",
        "{drop} drops in your LEFT ear",
        "{drop} drops",
        'wording."instil.drops".forms.left',
        "not a placeholder",
        id="an unknown placeholder",
    ),
    pytest.param(
        "wording/engine.toml",
        "{drops} drops in your LEFT ear",
        "some drops in your LEFT ear",
        "some drops",
        'wording."instil.drops".forms.left',
        "same placeholders",
        id="a form that lost its placeholder",
    ),
    pytest.param(
        "wording/engine.toml",
        'count = "drops"',
        'count = "moments"',
        'count = "moments"',
        'wording."instil.drops".count',
        "not a placeholder for a number",
        id="a count that is not a number",
    ),
    pytest.param(
        "wording/care.toml",
        '[wording."care.helper"]',
        '[wording."care.spare"]\nforms.any = { other = "Rest." }\n\n[wording."care.helper"]',
        "care.spare",
        'wording."care.spare"',
        "no content says this unit",
        id="a sentence that nobody says",
    ),
    pytest.param(
        "wording/engine.toml",
        '[wording."instil.massage"]',
        '[wording."instil.rub"]',
        None,
        'wording."instil.massage"',
        "the service needs this unit",
        id="a sentence that the service needs",
    ),
    pytest.param(
        "warnings.toml",
        'wording = "warning.ringing"',
        'wording = "care.rest-canal"',
        'wording = "care.rest-canal"',
        "warning.ringing.wording",
        "needs the form any",
        id="a warning sign of one ear",
    ),
    pytest.param(
        "templates/wax.toml",
        'wording = ["care.wax-falls-out"], days = 14',
        'wording = ["care.wax-falls-out"]',
        "care.wax-falls-out",
        "template.wax-left.steps.1.wording",
        "no value for it",
        id="a step that gives no value to its sentence",
    ),
    pytest.param(
        "rules/person.toml",
        'say = { id = "no-soap", kind = "do-not", picture = "shower"',
        'say = { id = "no-soap", kind = "do-not", picture = "keep-dry"',
        'picture = "keep-dry"',
        "rule.recurrent-externa-no-soap.say",
        "another content",
        id="one step with two contents",
    ),
    pytest.param(
        "timing.toml",
        "dose = 90\n",
        "",
        "[timing.useful_minutes]",
        "timing.useful_minutes.dose",
        "how many minutes",
        id="a kind of message without a time",
    ),
    pytest.param(
        "pack.toml",
        "review_by = 2027-11-30",
        'review_by = "soon"',
        "review_by",
        "pack.review_by",
        "date",
        id="a review date that is not a date",
    ),
]


@pytest.mark.parametrize(("file", "old", "new", "marker", "path", "message"), BROKEN)
def test_a_mistake_is_reported_with_its_file_line_and_key(
    pack_copy: Path, file: str, old: str, new: str, marker: str | None, path: str, message: str
) -> None:
    edit(pack_copy / file, old, new)
    faults = faults_of(pack_copy)
    found = [fault for fault in faults if fault.path == path and message in fault.message]
    assert found, f"not reported; instead: {[str(fault) for fault in faults]}"
    if marker is not None:
        lines = (pack_copy / file).read_text(encoding="utf-8").splitlines()
        assert found[0].file == file
        assert found[0].line is not None
        assert marker in lines[found[0].line - 1], f"line {found[0].line} is {lines[found[0].line - 1]!r}"


def test_a_file_that_is_not_toml_is_reported_with_its_line(pack_copy: Path) -> None:
    edit(pack_copy / "methods.toml", '[method.water]\nlabel = "Water', "[method.water]\nlabel = Water")
    (fault,) = [fault for fault in faults_of(pack_copy) if fault.file == "methods.toml"]
    assert "not TOML" in fault.message
    assert fault.line == 7


def test_a_missing_file_is_reported(pack_copy: Path) -> None:
    (pack_copy / "urgent.toml").unlink()
    assert ("urgent.toml", "this file is missing; the pack needs it") in {
        (fault.file, fault.message) for fault in faults_of(pack_copy)
    }


def test_one_id_in_two_files_is_reported(pack_copy: Path) -> None:
    rule = '\n[rule.aid-return]\nwhen = {}\neffect = "warn"\noverrule = "never"\nwhy = "x"\nsources = ["nhs-earwax"]\n'
    file = pack_copy / "rules" / "technique.toml"
    file.write_text(file.read_text(encoding="utf-8") + rule, encoding="utf-8")
    (fault,) = faults_of(pack_copy)
    assert (fault.file, fault.path) == ("rules/technique.toml", "rule.aid-return")
    assert "rules/ear.toml" in fault.message


def test_a_table_in_the_wrong_file_is_reported(pack_copy: Path) -> None:
    file = pack_copy / "methods.toml"
    file.write_text(file.read_text(encoding="utf-8") + '\n[history.deaf]\nlabel = "x"\ngroup = "y"\n', encoding="utf-8")
    (fault,) = faults_of(pack_copy)
    assert (fault.file, fault.path, fault.line) == ("methods.toml", "history", 14)
    assert "[method] tables only" in fault.message


def test_every_mistake_is_reported_at_once(pack_copy: Path) -> None:
    edit(pack_copy / "findings.toml", 'label = "Narrow canal"\n', "")
    edit(pack_copy / "templates/wax.toml", "rank = 120", 'rank = "120"')
    edit(pack_copy / "rules/softener.toml", 'sources = ["msd-2023"]', 'sources = ["msd-2032"]')
    assert {fault.path for fault in faults_of(pack_copy)} == {
        "finding.narrow-canal.label",
        "template.wax-left.rank",
        "rule.grommet-no-softener.sources",
    }


def test_a_broken_entry_does_not_look_like_many_mistakes(pack_copy: Path) -> None:
    edit(pack_copy / "findings.toml", 'label = "Grommet in place"\n', "")
    assert [fault.path for fault in faults_of(pack_copy)] == ["finding.grommet.label"]


def test_a_one_form_may_leave_out_the_counted_number(pack_copy: Path) -> None:
    edit(pack_copy / "wording/engine.toml", "{days} day.", "one day.")
    assert "one day" in (load_pack(pack_copy).wording["instil.days"].forms["any"].one or "")


def test_the_shipped_schemas_are_fresh() -> None:
    shipped = {file.name: json.loads(file.read_text(encoding="utf-8")) for file in (ROOT / "schema").glob("*.json")}
    assert shipped == schemas(), "run: python -m service.content content/core --schemas content/schema"


def test_a_question_comes_with_its_place_in_the_order_and_whether_it_touches_a_symptom(pack_copy: Path) -> None:
    question = load_pack(pack_copy).questions["swim-grommet"]
    assert (question.id, question.ask, question.answer) == (
        "swim-grommet",
        "question.swim.ask",
        ("question.swim.grommet",),
    )
    edit(pack_copy / "questions.toml", "signs = []\n", "")
    (fault,) = faults_of(pack_copy)
    assert fault.path.endswith(".signs")
    assert "missing" in fault.message
