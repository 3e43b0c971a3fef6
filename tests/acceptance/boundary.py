"""Kills "plan given, messages planned" at every statement boundary: a parent forks one process for each.

usage: boundary.py CONFIG PERSON...

The n-th process is killed at its n-th statement (the commit counts as one) while it gives a plan to the n-th PERSON.
Prints one line of JSON: for each person whether its process was killed, until one lived. Persons must be enough.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import sys
import threading
import traceback
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from builders import a_visit
from sqlalchemy import Engine, event

from service.config import read_settings
from service.planning.aftercare import give
from service.services import Services
from service.wiring import build


def give_and_die(services: Services, engine: Engine, person_id: str, at: int) -> None:
    """Give a plan; die by SIGKILL at the boundary. It never returns."""
    count = 0

    def boundary(*_: object) -> None:
        nonlocal count
        count += 1
        if count == at:
            os.kill(os.getpid(), signal.SIGKILL)

    event.listen(engine, "before_cursor_execute", boundary)
    event.listen(engine, "after_cursor_execute", boundary)
    event.listen(engine, "commit", boundary)
    try:
        give(services, person_id, a_visit(), by="nurse")
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(1)
    os._exit(0)


def main() -> None:
    services = build(read_settings(Path(sys.argv[1])))
    engine: Engine = services.open_work()._engine
    engine.dispose()
    gc.freeze()
    assert threading.active_count() == 1, "a fork copies no thread"
    ended: dict[str, str] = {}
    for number, person_id in enumerate(sys.argv[2:], 1):
        pid = os.fork()
        if pid == 0:
            give_and_die(services, engine, person_id, number)
        _, status = os.waitpid(pid, 0)
        killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
        ended[person_id] = "killed" if killed else "fault" if status else "lived"
        if not killed:
            break
    print(json.dumps(ended))


if __name__ == "__main__":
    main()
