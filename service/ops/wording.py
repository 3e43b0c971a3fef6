"""The commands about wording: what stands where, and files for translators."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import click

from service.config import read_settings, shipped_content, shipped_locales
from service.content.loader import load_pack
from service.domain.revision import Standing
from service.errors import NotFoundError
from service.messages.catalogs import load_catalogs
from service.ops.show import sample_clinic
from service.wiring import SystemClock, build
from service.wording.book import Book
from service.wording.entries import entries_of
from service.wording.po_file import to_po
from service.wording.report import LanguageReport, report
from service.wording.xliff_file import to_xliff


@click.group()
def wording() -> None:
    """What stands in which language, and files for translators."""


@wording.command("report")
@click.option("--language", "languages", multiple=True, help="Only this language (a BCP 47 tag).")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@click.option("--config", type=click.Path(path_type=Path), help="Settings of a clinic; without it the shipped wording.")
def show_report(languages: tuple[str, ...], as_json: bool, config: Path | None) -> None:
    """What is missing, broken, overtaken, over its budget or owed. Exit code 1 when a language is not fit."""
    if config is not None:
        services = build(read_settings(config), transports=False)
        with services.open_reading() as work:
            book, now = services.book(work), services.clock.now()
            pack = replace(services.pack, budgets=services.budgets(work))  # the clinic's own limits
        values = services.clinic.said()
    else:
        pack = load_pack(shipped_content())
        book = Book(pack, load_catalogs(shipped_locales(), pack))
        now, values = SystemClock().now(), sample_clinic().said()
    unknown = sorted(set(languages) - set(book.languages))
    if unknown:
        raise NotFoundError(f"--language: {unknown[0]} has no catalog; choose {', '.join(book.languages)}")
    found = report(pack, book, now, values, languages)
    if as_json:
        click.echo(json.dumps([{**asdict(each), "fit": each.fit} for each in found], indent=2, ensure_ascii=False))
    else:
        click.echo("\n\n".join(_in_words(each) for each in found))
    if not all(each.fit for each in found):
        raise SystemExit(1)


def _in_words(found: LanguageReport) -> str:
    standings = ", ".join(f"{found.standings[each]} {each}" for each in Standing)
    lines = [f"{found.language}: {'fit' if found.fit else 'NOT FIT'}; {standings}", f"  {found.reads}"]
    if found.worst_unit:
        lines.append(f"  dearest text: {found.worst_unit}, {found.worst_parts} parts at worst")
    lines += [f"  missing: {unit}" for unit in found.missing]
    lines += [f"  overtaken: {unit}" for unit in found.overtaken]
    lines += [f"  broken: {each.unit}: {each.says}" for each in found.broken]
    for each in found.over:
        lines.append(f"  over budget: {each.unit}: {each.says} " + (f"May stay: {each.reason}" if each.reason else ""))
    lines += [f"  owed: {each.unit}: {each.says}" for each in found.owed]
    return "\n".join(line.rstrip() for line in lines)


@wording.command("export")
@click.argument("language")
@click.option("--as", "form", type=click.Choice(["po", "xliff"]), default="po")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The file to write.")
@click.option("--config", type=click.Path(path_type=Path), help="Settings of a clinic; without it the shipped wording.")
def export(language: str, form: str, out: Path, config: Path | None) -> None:
    """Write LANGUAGE as a file for a translator."""
    if config is not None:
        services = build(read_settings(config), transports=False)
        with services.open_reading() as work:
            book, now, pack = services.book(work), services.clock.now(), services.pack
    else:
        pack, now = load_pack(shipped_content()), SystemClock().now()
        book = Book(pack, load_catalogs(shipped_locales(), pack))
    if language not in book.languages[1:]:
        raise NotFoundError(f"{language} has no catalog; choose {', '.join(book.languages[1:])}")
    found = {each.unit.id: each for each in book.entries(language, now)}
    entries = entries_of(
        pack,
        {unit: each.shown for unit, each in found.items() if each.shown is not None},
        {unit: each.standing for unit, each in found.items()},
        sources_by_unit={unit: each.source for unit, each in found.items()},
        remarks={unit: each.remarks for unit, each in found.items()},
    )
    out.write_bytes(
        to_po(entries, language, version=pack.version) if form == "po" else to_xliff(entries, book.source, language)
    )
    click.echo(f"{out}: {len(entries)} texts")
