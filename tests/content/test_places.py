"""Does the scan find the line of a key?"""

from __future__ import annotations

import tomllib

from service.content.places import Places, lines_of, written

TEXT = """\
# a comment
[rule.first]
when = { ear_any = ["a"] }

[template."two words"]
steps = [
  { id = "one" },
  { id = "two", wording = [] },
]
rank = 3

[[agent.oil.regimens.soften]]
id = "short"
[[agent.oil.regimens.soften]]
id = "long"

[wording."instil.drops"]
forms.right = { other = "x" }
forms.left = { other = "y" }
"""


def test_tables_keys_items_and_dotted_keys_have_their_lines() -> None:
    tomllib.loads(TEXT)
    lines = lines_of(TEXT)
    assert lines["rule", "first"] == 2
    assert lines["rule", "first", "when"] == 3
    assert lines["template", "two words", "steps", 1] == 8
    assert lines["template", "two words", "rank"] == 10
    assert lines["agent", "oil", "regimens", "soften", 1, "id"] == 15
    assert lines["wording", "instil.drops", "forms", "left"] == 19


def test_a_key_that_the_scan_does_not_know_gets_the_line_of_the_nearest_one() -> None:
    places = Places(files={("template", "two words"): "t.toml"}, lines={"t.toml": lines_of(TEXT)})
    fault = places.fault(("template", "two words", "steps", 1, "wording", 0), "is wrong")
    assert str(fault) == 't.toml:8: template."two words".steps.1.wording.0: is wrong'


def test_key_paths_are_written_as_in_the_file() -> None:
    assert written(("wording", "instil.drops", "count")) == 'wording."instil.drops".count'
