"""Check a content pack by hand: `python -m service.content content/core`; with --schemas write its JSON Schemas too."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from service.content.loader import load_pack, write_schemas
from service.errors import ContentError


def main() -> int:
    """Print every fault, or the size of a sound pack. Returns the exit code: 0 when sound."""
    parser = argparse.ArgumentParser(prog="python -m service.content", description=__doc__)
    parser.add_argument("pack", type=Path, help="the folder of the pack, such as content/core")
    parser.add_argument("--schemas", type=Path, metavar="FOLDER", help="write the JSON Schemas into this folder")
    given = parser.parse_args()
    if given.schemas is not None:
        write_schemas(given.schemas)
    try:
        pack = load_pack(given.pack)
    except ContentError as error:
        print(error, file=sys.stderr)
        return 1
    counts = f"{len(pack.rules)} rules, {len(pack.templates)} templates, {len(pack.wording)} wording units"
    print(f"{pack.id} {pack.version} is sound: {counts}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
