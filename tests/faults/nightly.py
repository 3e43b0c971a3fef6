"""Prints the table of faults: what was lost, doubled and uncertain, by fault, engine and number of workers.

usage: nightly.py [KILLS] [MESSAGES] [sqlite | postgresql]
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from acceptance.running import health, wait_until
from acceptance.scenarios import SEED, Figures, away, disk_full, frozen, killed, misbehaving
from database.postgres import Postgres

from service.domain.contact import Channel

PLAYS = ("drop", "half", "garbage", "hang", "late", "busy", "error")


def red(port: int) -> None:
    wait_until(lambda: health(port)[0] == 503, "/health says that it is not well")


def main() -> int:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 250
    messages = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    engines = sys.argv[3:] or ["sqlite", "postgresql"]
    print(f"seed {SEED}\n\n{Figures.head()}", flush=True)
    wrong = 0

    def line(scenario: Callable[[Path, str], Figures], postgres: bool) -> None:
        nonlocal wrong
        with tempfile.TemporaryDirectory(prefix="tragus-faults-") as place:
            folder = Path(place)
            url = server.migrated() if postgres else f"sqlite:///{folder / 'tragus.sqlite'}"
            try:
                found = scenario(folder, url)
            except AssertionError as failed:
                print(f"failed: {failed}", file=sys.stderr, flush=True)
                wrong += 1
                return
            wrong += bool(found.lost or found.doubled)
            print(found.line(), flush=True)

    server = Postgres()
    try:
        for postgres in (each == "postgresql" for each in engines):
            for workers in (2, 8):
                line(lambda f, u, w=workers: killed(f, u, kills=kills, workers=w), postgres)  # type: ignore[misc]
                line(lambda f, u, w=workers: killed(f, u, kills=kills, workers=w, honour=True), postgres)  # type: ignore[misc]
                for play in PLAYS:
                    for honour in (False, True):
                        line(
                            lambda f, u, p=play, w=workers, h=honour: misbehaving(  # type: ignore[misc]
                                f, u, p, workers=w, messages=messages, honour=h
                            ),
                            postgres,
                        )
            for play in ("drop", "half", "garbage", "busy"):
                line(
                    lambda f, u, p=play: misbehaving(f, u, p, workers=2, messages=messages, channel=Channel.EMAIL),  # type: ignore[misc]
                    postgres,
                )
            line(lambda f, u: frozen(f, u, messages=max(messages, 150), workers=4, tries=10), postgres)
            own = server if postgres else None
            line(lambda f, u, o=own: away(f, u, messages=messages, seconds=15, server=o, seen=red), postgres)  # type: ignore[misc]
        if "sqlite" in engines:
            line(lambda f, u: disk_full(f, u, messages=messages), False)
    finally:
        server.end()
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
