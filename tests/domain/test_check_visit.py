"""Does every unusable visit get one clear line that names the field and what is allowed?"""

from __future__ import annotations

from dataclasses import replace
from datetime import time

import pytest
from builders import a_visit, an_ear, the_pack

from service.domain.check_visit import check_visit
from service.domain.pack import Overrulable
from service.domain.visit import Ear, EarChoice, Overrule, Side, Visit
from service.errors import VisitError

REFUSED = [
    # visit, start of the line
    (a_visit(Ear(), Ear()), "right, left: tick at least one finding in at least one ear"),
    (a_visit(an_ear("wax-lefft")), "right.findings: 'wax-lefft' is not known; did you mean wax-left?"),
    (a_visit(an_ear("wax-left"), an_ear("gromet")), "left.findings: 'gromet' is not known; did you mean grommet?"),
    (a_visit(an_ear("wax-left", by="sucton")), "right.removed_by: 'sucton' is not known; did you mean suction?"),
    (
        a_visit(an_ear("wax-left", by="zzz")),
        "right.removed_by: 'zzz' is not known; allowed: instrument, suction, water",
    ),
    (a_visit(history=frozenset({"diabetis"})), "history: 'diabetis' is not known; did you mean diabetes?"),
    (a_visit(Ear(removed_by=frozenset({"water"})), an_ear("normal")), "right.findings: wax removal is ticked but no"),
    (a_visit(an_ear("wax-left", "hard-wax-cleared")), "right.findings: hard-wax-cleared and wax-left cannot both"),
    (a_visit(an_ear("normal", "grommet")), "right.findings: normal and grommet cannot both"),
    (
        a_visit(choices={Side.RIGHT: EarChoice(template="wax-lef")}),
        "choices.right.template: 'wax-lef' is not known; did you mean wax-left?",
    ),
    (
        a_visit(choices={Side.RIGHT: EarChoice(agent="olive")}),
        "choices.right.agent: 'olive' is not known; did you mean olive-oil?",
    ),
    (a_visit(next_appointment_time=time(9, 40)), "next_appointment: there is a time without a date"),
    (a_visit(choices={Side.LEFT: EarChoice(return_days=5)}), "choices.left: the left ear has no finding"),
    (
        a_visit(overrules=(Overrule(rule="grommet-no-softner", side=Side.RIGHT, reason="x"),)),
        "overrules[0].rule: 'grommet-no-softner' is not known; did you mean grommet-no-softener?",
    ),
]


@pytest.mark.parametrize(("visit", "start"), REFUSED)
def test_an_unusable_visit_is_refused_in_one_line_that_names_the_field(visit: Visit, start: str) -> None:
    with pytest.raises(VisitError) as failed:
        check_visit(visit, the_pack())
    assert str(failed.value).startswith(start)
    assert "\n" not in str(failed.value)


def test_no_rule_that_protects_for_good_can_be_set_aside() -> None:
    fixed = [rule.id for rule in the_pack().rules.values() if rule.overrule is Overrulable.NEVER]
    assert "perforation-no-softener" in fixed
    for rule in fixed:
        visit = a_visit(overrules=(Overrule(rule=rule, side=Side.RIGHT, reason="I know better."),))
        with pytest.raises(VisitError, match=rf"overrules\[0\]\.rule: {rule} cannot be set aside: "):
            check_visit(visit, the_pack())


def test_boxes_that_exclude_each_other_do_so_from_either_side() -> None:
    for code, box in the_pack().findings.items():
        for other in box.excludes:
            with pytest.raises(VisitError, match="cannot both be true"):
                check_visit(a_visit(an_ear(code, other)), the_pack())


def test_the_two_ears_may_hold_what_one_ear_may_not() -> None:
    check_visit(a_visit(an_ear("wax-left"), an_ear("hard-wax-cleared")), the_pack())


def test_an_ear_that_was_not_looked_at_may_stay_empty() -> None:
    check_visit(replace(a_visit(), right=Ear(), left=an_ear("normal")), the_pack())
