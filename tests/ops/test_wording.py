"""The commands about wording: the report for people and for scripts, and the file for a translator."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from builders import a_settings_file, the_catalogs
from click.testing import CliRunner, Result

from service.config import read_settings
from service.domain.revision import Origin
from service.ops.cli import main
from service.planning.approving import Author, write, write_many
from service.planning.grades import set_grades
from service.services import Services
from service.wiring import build
from service.wording.po_file import read_po
from service.wording.xliff_file import read_xliff


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["wording", *arguments])


def a_clinic(folder: Path) -> tuple[Path, Services]:
    config = a_settings_file(folder / "clinic.toml")
    return config, build(read_settings(config), transports=False)


def digest_of(services: Services, language: str, unit: str) -> str:
    with services.open_reading() as work:
        return services.book(work).entry(language, unit, services.clock.now()).shown_digest


def test_the_report_of_the_shipped_wording_is_fit_in_words_and_as_json() -> None:
    said = run("report", "--language", "pl", "--language", "ar")
    assert said.exit_code == 0, said.output
    assert said.output.startswith("pl: fit; ") and "\n\nar: fit; " in said.output
    found = json.loads(run("report", "--json").output)
    assert {each["language"] for each in found} == set(the_catalogs().languages)
    assert all(each["fit"] and not each["missing"] and not each["broken"] for each in found)
    assert all({"standings", "overtaken", "over", "owed", "worst_parts", "reads"} <= set(each) for each in found)


def test_a_language_without_a_catalog_is_named() -> None:
    refused = run("report", "--language", "xx")
    assert refused.exit_code != 0
    assert "--language: xx has no catalog" in refused.output


def test_the_report_of_a_clinic_counts_by_its_own_limits_and_reads_its_own_texts(tmp_path: Path) -> None:
    config, services = a_clinic(tmp_path)
    with services.open_reading() as work:
        seen = dict(services.budgets(work)["check-in"].hardest)
    assert run("report", "--language", "en", "--config", str(config)).exit_code == 0
    set_grades(services, "check-in", {"flesch-kincaid": 0}, "Wren", seen=seen)
    over = run("report", "--language", "en", "--config", str(config))
    assert over.exit_code == 1
    assert "over budget: message.check-in.text: Flesch-Kincaid grade gives" in over.output
    assert "at most 0 is wanted" in over.output

    heading = digest_of(services, "en", "section.normal")
    write(services, "en", "section.normal", {"any": ("All is well",)}, Author(name="Ida"), seen=heading)
    named = run("report", "--language", "en", "--config", str(config)).output
    assert "broken: question.normal.see: it names section.normal by its words, and that says “All is well” now" in named


@pytest.mark.parametrize("kind", ["po", "xliff"])
def test_the_exported_file_carries_what_a_translator_wrote(tmp_path: Path, kind: str) -> None:
    config, services = a_clinic(tmp_path)
    write_many(
        services, "pl", {"page.title": {"any": ("Plan dla uszu",)}}, Author(name="Ida"),
        seen={"page.title": digest_of(services, "pl", "page.title")}, note="from pl.po", origin=Origin.IMPORTED,
        remarks={"page.title": {"any": "Plan czy karta?"}},
    )  # fmt: skip
    out = tmp_path / f"pl.{kind}"
    done = run("export", "pl", "--as", kind, "--out", str(out), "--config", str(config))
    assert done.exit_code == 0, done.output
    read = read_po if kind == "po" else read_xliff
    title = next(each for each in read(out.read_bytes(), "pl") if each.unit == "page.title")
    assert (title.target, title.remark) == (("Plan dla uszu",), "Plan czy karta?")
