"""A language that nobody speaks: English with accents, longer, in brackets. It shows what was never made translatable
(it stands without brackets) and which box is too small for a long language.

Its tag is en-XA, the Unicode CLDR's own for accented pseudo-English. It is never approved, so it is never sent.
"""

from __future__ import annotations

from service.domain.pack import Pack
from service.domain.revision import digest_of, source_of
from service.messages.catalogs import PLACEHOLDER, Catalogs

TAG = "en-XA"
OPEN, CLOSE = "⟦", "⟧"
_ACCENTS = str.maketrans("AEIOUYCNSZaeiouycnsz", "ÀÉÎÕÛÝÇÑŠŽàéîõûýçñšž")
_LONGER = 0.4
"""How much longer than English; Welsh and Polish often run a third longer. Common practice, no source."""


def pseudo(text: str) -> str:
    """One text in the pseudo-language; its placeholders stay as they are."""
    cut = PLACEHOLDER.split(text)
    said = "".join(f"{{{part}}}" if place % 2 else part.translate(_ACCENTS) for place, part in enumerate(cut))
    letters = sum(len(part) for part in cut[::2])
    more = " ".join("~~~~~" for _ in range(round(letters * _LONGER / 6)))
    return f"{OPEN}{said}{' ' if more else ''}{more}{CLOSE}"


def with_pseudo(pack: Pack, catalogs: Catalogs) -> Catalogs:
    """The same catalogs with the pseudo-language beside them."""
    texts: dict[tuple[str, str, str], tuple[str, ...]] = {}
    digests: dict[tuple[str, str], str] = {}
    for unit in pack.wording.values():
        for language in catalogs.languages:
            digest = catalogs.digest(language, unit.id)
            if digest is not None:
                digests[language, unit.id] = digest
            for form in unit.forms:
                said = catalogs.translation(language, unit.id, form)
                if said is not None:
                    texts[language, unit.id, form] = said
        made = {form: tuple(map(pseudo, texts[catalogs.source, unit.id, form])) for form in unit.forms}
        texts |= {(TAG, unit.id, form): said for form, said in made.items()}
        digests[TAG, unit.id] = digest_of(unit, source_of(unit), made)
    return Catalogs(
        source=catalogs.source,
        languages=(*catalogs.languages, TAG),
        _texts=texts,
        _digests=digests,
        _faults=catalogs.faults(),
    )
